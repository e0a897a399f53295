//! How often was written and refused, for `/metrics`.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Counts since the start.
#[derive(Debug, Default)]
pub(crate) struct Tally {
    writes: Mutex<BTreeMap<&'static str, u64>>,
    refusals: Mutex<BTreeMap<&'static str, u64>>,
}

impl Tally {
    /// Counts a write by the path of its route.
    pub(crate) fn written(&self, path: &'static str) {
        *held(&self.writes).entry(path).or_default() += 1;
    }

    /// Counts a refusal by its reason: the `code` of the problem.
    pub(crate) fn refused(&self, reason: &'static str) {
        *held(&self.refusals).entry(reason).or_default() += 1;
    }

    pub(crate) fn writes(&self) -> BTreeMap<&'static str, u64> {
        held(&self.writes).clone()
    }

    pub(crate) fn refusals(&self) -> BTreeMap<&'static str, u64> {
        held(&self.refusals).clone()
    }
}

/// A map or a counter is whole whenever a thread can break off.
pub(crate) fn held<T>(lock: &Mutex<T>) -> MutexGuard<'_, T> {
    lock.lock().unwrap_or_else(PoisonError::into_inner)
}
