//! Notices when this machine's clock is set back.

use std::time::Instant;

use jiff::{SignedDuration, Timestamp};

/// The clock, held against a watch that nobody can set.
#[derive(Debug)]
pub(crate) struct Steady {
    /// A reading of both together: the furthest that the clock has been ahead of the watch.
    clock: Timestamp,
    watch: Instant,
}

impl Steady {
    /// Begins to watch.
    pub(crate) fn new(clock: Timestamp, watch: Instant) -> Self {
        Self { clock, watch }
    }

    /// By how much the clock has been set back since it was furthest ahead; zero if it was not.
    pub(crate) fn set_back(&mut self, clock: Timestamp, watch: Instant) -> SignedDuration {
        let passed = SignedDuration::try_from(watch.duration_since(self.watch)).unwrap_or(SignedDuration::MAX);
        let behind = passed.saturating_sub(clock.duration_since(self.clock));
        if behind.is_positive() {
            return behind;
        }
        *self = Self { clock, watch };
        SignedDuration::ZERO
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    #[test]
    fn a_clock_that_is_set_back_is_behind_until_it_is_set_forward_again() {
        let (clock, watch) = ("2026-03-31T06:00:00Z".parse::<Timestamp>().unwrap(), Instant::now());
        let mut steady = Steady::new(clock, watch);
        let mut told = |clock_s: i64, watch_s: u64| {
            let clock = clock + SignedDuration::from_secs(clock_s);
            steady.set_back(clock, watch + Duration::from_secs(watch_s)).as_secs()
        };
        assert_eq!([told(0, 0), told(10, 10), told(3610, 20)], [0, 0, 0], "set forward: nothing is behind");
        assert_eq!([told(20, 30), told(100, 110)], [3600, 3600], "set back by an hour");
        assert_eq!([told(3790, 200), told(3800, 210)], [0, 0], "right again");
    }
}
