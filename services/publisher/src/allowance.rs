//! How much one person may write in a while.

use std::collections::HashMap;
use std::time::{Duration, Instant};

/// Writes that may come at once: a whole wall with its photos (house limit).
const AT_ONCE: f64 = 60.0;
/// Writes a second after that.
const PER_S: f64 = 1.0;

/// What each person may still write: a bucket that fills with time. Only names that the record knows get one.
#[derive(Debug, Default)]
pub(crate) struct Allowances {
    left: HashMap<String, (f64, Instant)>,
}

impl Allowances {
    /// Takes one write of a person.
    ///
    /// # Errors
    /// How long to wait for the next one.
    pub(crate) fn take(&mut self, name: &str, now: Instant) -> Result<(), Duration> {
        let (left, last) = self.left.get(name).copied().unwrap_or((AT_ONCE, now));
        let left = (left + now.duration_since(last).as_secs_f64() * PER_S).min(AT_ONCE);
        let taken = if left >= 1.0 { left - 1.0 } else { left };
        self.left.insert(name.to_owned(), (taken, now));
        if left >= 1.0 { Ok(()) } else { Err(Duration::from_secs_f64((1.0 - left) / PER_S)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wall_goes_at_once_and_a_flood_at_the_rate() {
        let (mut allowances, start) = (Allowances::default(), Instant::now());
        assert!((0..60).all(|_| allowances.take("ann", start).is_ok()));
        assert_eq!(allowances.take("ann", start), Err(Duration::from_secs(1)));
        let later = (0..100).filter(|step| allowances.take("ann", start + Duration::from_millis(step * 100)).is_ok());
        assert_eq!(later.count(), 9);
        assert_eq!(allowances.take("bob", start), Ok(()));
    }
}
