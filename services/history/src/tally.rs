//! What was found in files, counted by unit and signal.

use std::collections::BTreeMap;

use plant::{Origin, Quality, Signal, UnitId};
use serde::{Deserialize, Serialize};

use crate::columns::DayReadings;

/// What an import holds of one signal of one unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Tally {
    /// Readings that are good rows; the counts of quality below are among them.
    pub rows: u64,
    /// The first and the last instant, µs since 1970-01-01T00:00Z; `None` if there is no row.
    pub span_us: Option<(i64, i64)>,
    /// Uncertain ones, derived ones apart.
    pub uncertain: u64,
    /// Bad ones and such without a value, filled and disbelieved ones apart.
    pub bad: u64,
    /// Worked out from measured ones ([`Origin::Derived`]).
    pub derived: u64,
    /// Put in where nothing was measured ([`Origin::Filled`]).
    pub filled: u64,
    /// Numbers that the signal cannot be, kept as missing and bad. Those that the file itself calls bad are not counted.
    pub disbelieved: u64,
    /// Rows that are bad as rows, and named.
    pub refused: u64,
}

impl Tally {
    pub(crate) fn count(&mut self, at_us: i64, quality: Quality, origin: Origin, disbelieved: bool) {
        self.rows += 1;
        self.span_us = Some(self.span_us.map_or((at_us, at_us), |(first, last)| (first.min(at_us), last.max(at_us))));
        match (disbelieved, origin, quality) {
            (true, _, _) => self.disbelieved += 1,
            (_, Origin::Filled, _) => self.filled += 1,
            (_, Origin::Derived, Quality::Uncertain) => self.derived += 1,
            (_, _, Quality::Uncertain) => self.uncertain += 1,
            (_, _, Quality::Bad) => self.bad += 1,
            (_, _, Quality::Good) => {}
        }
    }

    fn add(&mut self, other: &Tally) {
        self.rows += other.rows;
        self.span_us = match (self.span_us, other.span_us) {
            (Some(a), Some(b)) => Some((a.0.min(b.0), a.1.max(b.1))),
            (a, b) => a.or(b),
        };
        self.uncertain += other.uncertain;
        self.bad += other.bad;
        self.derived += other.derived;
        self.filled += other.filled;
        self.disbelieved += other.disbelieved;
        self.refused += other.refused;
    }
}

/// A count for each unit's signals.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ByTrack<T>(pub BTreeMap<UnitId, BTreeMap<Signal, T>>);

impl<T> Default for ByTrack<T> {
    fn default() -> Self {
        Self(BTreeMap::new())
    }
}

impl<T: Default> ByTrack<T> {
    /// One unit's signal.
    pub fn entry(&mut self, unit: &UnitId, signal: Signal) -> &mut T {
        if !self.0.contains_key(unit) {
            self.0.insert(unit.clone(), BTreeMap::new());
        }
        let signals = self.0.get_mut(unit).expect("it was put there");
        signals.entry(signal).or_default()
    }

    /// All of them, by unit and signal.
    pub fn iter(&self) -> impl Iterator<Item = (&UnitId, Signal, &T)> {
        self.0.iter().flat_map(|(unit, signals)| signals.iter().map(move |(signal, count)| (unit, *signal, count)))
    }
}

impl ByTrack<Tally> {
    pub(crate) fn add(&mut self, other: &ByTrack<Tally>) {
        for (unit, signal, tally) in other.iter() {
            self.entry(unit, signal).add(tally);
        }
    }
}

/// What readings add to those that are there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Added {
    /// Readings that were not there.
    pub new: u64,
    /// Instants at which there are now two values. Both are kept; quality, then value decides.
    pub conflicts: u64,
}

impl ByTrack<Added> {
    /// Adds the counts of other days, or of other units.
    pub fn add(&mut self, other: &ByTrack<Added>) {
        for (unit, signal, added) in other.iter() {
            let sum = self.entry(unit, signal);
            sum.new += added.new;
            sum.conflicts += added.conflicts;
        }
    }
}

/// Rows and conflicts of each signal.
pub(crate) type Size = ByTrack<(u64, u64)>;

pub(crate) fn size(readings: &DayReadings) -> Size {
    let mut size = Size::default();
    for (unit, signals) in readings.units() {
        for (signal, columns) in signals {
            *size.entry(unit, *signal) = (columns.len() as u64, columns.conflicts());
        }
    }
    size
}

/// What has come since there was `before`.
pub(crate) fn added(before: &mut Size, now: &DayReadings) -> ByTrack<Added> {
    let mut added = ByTrack::default();
    for (unit, signal, (rows, conflicts)) in size(now).iter() {
        let (old_rows, old_conflicts) = *before.entry(unit, signal);
        *added.entry(unit, signal) = Added { new: rows - old_rows, conflicts: conflicts.saturating_sub(old_conflicts) };
    }
    added
}
