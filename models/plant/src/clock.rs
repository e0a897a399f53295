//! The time of day, passed in: no room asks the machine by itself.

use jiff::Timestamp;

/// A source of the present instant. The service uses [`SystemClock`]; the demo and tests run on clocks of their own.
pub trait Clock: Send + Sync {
    /// The present instant.
    fn now(&self) -> Timestamp;
}

/// The machine's own clock.
#[derive(Debug, Clone, Copy)]
pub struct SystemClock;

impl Clock for SystemClock {
    #[expect(clippy::disallowed_methods, reason = "this is the one place that asks the machine for the time")]
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }
}
