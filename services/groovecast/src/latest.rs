//! The latest that a part of the service has found out, for the others to read.

use std::sync::{Mutex, PoisonError};

/// A value that one part replaces and others read, whole each time.
#[derive(Debug, Default)]
pub struct Latest<T>(Mutex<T>);

impl<T: Clone> Latest<T> {
    /// Puts a newer value in its place.
    pub fn set(&self, value: T) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = value;
    }

    /// The newest value.
    pub fn get(&self) -> T {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}
