//! The last few numbers of something, and their middle.

/// At most `N` numbers, the oldest forgotten first.
#[derive(Debug, Clone)]
pub(super) struct Recent<const N: usize> {
    numbers: [f64; N],
    len: usize,
    next: usize,
}

impl<const N: usize> Default for Recent<N> {
    fn default() -> Self {
        Self { numbers: [0.0; N], len: 0, next: 0 }
    }
}

impl<const N: usize> Recent<N> {
    pub(super) fn push(&mut self, number: f64) {
        self.numbers[self.next] = number;
        self.next = (self.next + 1) % N;
        self.len = (self.len + 1).min(N);
    }

    pub(super) fn is_full(&self) -> bool {
        self.len == N
    }

    /// The oldest number of a full one.
    pub(super) fn oldest(&self) -> Option<f64> {
        self.is_full().then(|| self.numbers[self.next])
    }

    pub(super) fn clear(&mut self) {
        (self.len, self.next) = (0, 0);
    }

    /// `None` before the first number.
    pub(super) fn median(&self) -> Option<f64> {
        let mut sorted = self.numbers;
        median(&mut sorted[..self.len])
    }

    /// The older and the newer half of a full one, each in no order.
    pub(super) fn halves(&self) -> ([f64; N], usize) {
        let mut ordered = self.numbers;
        ordered.rotate_left(self.next);
        (ordered, N / 2)
    }
}

/// The middle number, the upper one of two; `None` if there is none. Sorts.
pub(super) fn median(numbers: &mut [f64]) -> Option<f64> {
    if numbers.is_empty() {
        return None;
    }
    let middle = numbers.len() / 2;
    Some(*numbers.select_nth_unstable_by(middle, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_oldest_is_forgotten_and_halves_are_in_order_of_arrival() {
        let mut recent = Recent::<4>::default();
        assert_eq!(recent.median(), None);
        for number in [9.0, 1.0, 2.0, 3.0, 4.0, 5.0] {
            recent.push(number);
        }
        assert_eq!(recent.halves(), ([2.0, 3.0, 4.0, 5.0], 2));
        assert_eq!((recent.median(), recent.oldest()), (Some(4.0), Some(2.0)));
        recent.clear();
        assert!(!recent.is_full() && recent.median().is_none());
    }
}
