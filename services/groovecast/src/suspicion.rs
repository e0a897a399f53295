//! Doubts about the record and the signals, computed from what is known now. Nothing is changed by them.

mod depth;
mod entry;
mod fall;
mod meter;
mod mirror;
#[cfg(test)]
mod sample;
mod torque;
mod two_grades;

use std::collections::BTreeMap;

use jiff::Timestamp;
use plant::{ClockPosition, Finding, Life, Look, Record, Suspicion, Suspicions, TubeId, UnitId, Zone};

use crate::fleet::Fleet;

/// From where on something is doubted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DoubtLimits {
    /// Grades that a place must be lower than at the look before it.
    pub grade_fall: u8,
    /// The depths that a catch usually has, least and greatest, µm.
    pub catch_depth_um: (f64, f64),
    /// Least correlation with the mirrored picture of the wall, 0 to 1.
    pub mirror_correlation: f64,
    /// How far run hours may be from the unit's hour meter, h.
    pub meter_off_h: f64,
    /// How long after it was seen something may be entered, h.
    pub entered_after_h: f64,
    /// How many times the one unit's torque must be the other's before a trade can be told.
    pub torque_apart: f64,
}

/// What the hour meters showed at an instant, h; units of which nothing is known are left out.
pub type Meters = BTreeMap<Timestamp, BTreeMap<UnitId, f64>>;

/// All doubts about a fleet. `meters` tells what the hour meters showed when findings with run hours were made;
/// `bores_mm` are the bores of the units, without which torque cannot be told from work and sliding distance.
pub fn of_fleet(fleet: &Fleet, meters: &Meters, bores_mm: &BTreeMap<UnitId, f64>, limits: &DoubtLimits) -> Suspicions {
    let mut all = of_record(&fleet.record, meters, limits);
    all.doubts.extend(torque::doubts(fleet, bores_mm, limits.torque_apart));
    newest_first(&mut all.doubts);
    all
}

/// The doubts that the record gives rise to, and the hour meters.
pub fn of_record(record: &Record, meters: &Meters, limits: &DoubtLimits) -> Suspicions {
    let mut all = Suspicions { doubts: meter::doubts(record, meters, limits.meter_off_h), ..Suspicions::default() };
    for tube in record.tubes.keys() {
        let history = History::of(record, tube);
        let falls = fall::falls(&history, limits.grade_fall);
        all.one_lower += falls.one_lower;
        all.compared += falls.compared;
        all.doubts.extend(falls.doubts);
        all.doubts.extend(depth::doubts(&history, limits.catch_depth_um));
        all.doubts.extend(mirror::doubts(&history, limits.mirror_correlation));
        all.doubts.extend(entry::doubts(&history, limits.entered_after_h));
        all.doubts.extend(two_grades::doubts(&history));
    }
    newest_first(&mut all.doubts);
    all
}

fn newest_first(doubts: &mut [Suspicion]) {
    doubts.sort_by(|a, b| b.at.cmp(&a.at).then_with(|| a.tube.cmp(&b.tube)).then_with(|| a.kind.cmp(&b.kind)));
}

/// A station in words, or the tube's worst place.
fn place_name(place: &Option<(Zone, ClockPosition)>) -> String {
    match place {
        Some((zone, clock)) => format!("{} {clock} o'clock", zone.0),
        None => "the worst place of the tube".to_owned(),
    }
}

/// How many other places the same was found at.
fn and_others(more: usize) -> String {
    match more {
        0 => String::new(),
        1 => ", and at one other place too".to_owned(),
        more => format!(", and at {more} other places too"),
    }
}

/// What is written down about one tube, ready to be gone through.
struct History<'a> {
    record: &'a Record,
    tube: &'a TubeId,
    lives: Vec<Life>,
    looks: Vec<Look>,
    findings: Vec<&'a Finding>,
}

impl<'a> History<'a> {
    fn of(record: &'a Record, tube: &'a TubeId) -> Self {
        let mut findings: Vec<&Finding> = record.findings.iter().filter(|finding| finding.tube == *tube).collect();
        findings.sort_by_key(|finding| finding.at);
        History { record, tube, lives: record.lives(tube), looks: record.looks(tube), findings }
    }

    /// The looks of each life.
    fn looks_by_life(&self) -> impl Iterator<Item = Vec<&Look>> {
        self.lives.iter().map(|life| self.looks.iter().filter(|look| life.holds(look.at)).collect())
    }

    /// The units that the tube sat in at an instant: one, or none.
    fn units_at(&self, at: Timestamp) -> Vec<UnitId> {
        self.record.unit_of(self.tube, at).cloned().into_iter().collect()
    }
}
