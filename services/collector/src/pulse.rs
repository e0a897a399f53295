//! A sign of life of a part of the work, given from where the work is done.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// When a part of the work last showed that it goes on. Clones share one.
#[derive(Debug, Clone)]
pub struct Pulse(Arc<Mutex<Instant>>);

impl Pulse {
    /// The work goes on, or has nothing to do and would notice if it had.
    pub fn beat(&self) {
        *self.lock() = Instant::now();
    }

    /// How long it has not shown itself; a new one, since it was made.
    pub fn silent_for(&self) -> Duration {
        self.lock().elapsed()
    }

    fn lock(&self) -> MutexGuard<'_, Instant> {
        // An instant stays usable whatever happened to another holder.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Default for Pulse {
    fn default() -> Self {
        Self(Arc::new(Mutex::new(Instant::now())))
    }
}
