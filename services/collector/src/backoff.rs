//! How long to wait before the next try.

use std::hash::{BuildHasher, RandomState};
use std::time::Duration;

/// Waits that double up to a limit, each drawn from its upper half, so that many clients do not come back at once.
#[derive(Debug, Clone)]
pub(crate) struct Backoff {
    first: Duration,
    longest: Duration,
    tries: u32,
}

impl Backoff {
    pub(crate) const fn new(first: Duration, longest: Duration) -> Self {
        Self { first, longest, tries: 0 }
    }

    /// The next wait.
    pub(crate) fn next(&mut self) -> Duration {
        // Each RandomState is seeded anew by the standard library: enough chance for a jitter.
        self.drawn((RandomState::new().hash_one(0) >> 32) as f64 / f64::from(u32::MAX))
    }

    /// The next wait for a chance between 0 and 1.
    fn drawn(&mut self, chance: f64) -> Duration {
        let whole = self.first.saturating_mul(1_u32.checked_shl(self.tries).unwrap_or(u32::MAX)).min(self.longest);
        self.tries = (self.tries + 1).min(31);
        whole.mul_f64(0.5 + chance.clamp(0.0, 1.0) / 2.0)
    }

    /// All is well again: the next wait is short.
    pub(crate) fn reset(&mut self) {
        self.tries = 0;
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn waits_stay_between_half_and_whole_and_reach_the_limit(chance in 0.0..=1.0, tries in 0_usize..100) {
            let (first, longest) = (Duration::from_millis(200), Duration::from_secs(15));
            let mut backoff = Backoff::new(first, longest);
            let mut wait = backoff.drawn(chance);
            for _ in 0..tries {
                wait = backoff.drawn(chance);
            }
            prop_assert!(wait >= first / 2 && wait <= longest, "{wait:?}");
            if tries >= 7 {
                prop_assert!(wait >= longest / 2, "200 ms doubled 7 times is over 15 s, but it waits {wait:?}");
            }
            backoff.reset();
            prop_assert!(backoff.next() <= first);
        }
    }
}
