//! The plant in motion: readings in the order in which they arrive.

use jiff::Timestamp;
use plant::{Reading, hour_of, hour_start};

use crate::faults::{Delivery, Faults};
use crate::process::{Process, Sample};
use crate::random::Chance;
use crate::report::{Meter, Reporter};
use crate::units::Unit;

/// A unit, its edge device, and the way of its readings.
#[derive(Debug, Clone)]
struct Station {
    process: Process,
    reporter: Reporter,
    faults: Faults,
}

/// The plant in motion. It depends on the seed and the start alone, not on the steps in which it is advanced.
#[derive(Debug, Clone)]
pub struct Live {
    stations: Vec<Station>,
    /// The next minute since 1970 that nobody has lived through yet.
    minute: i64,
    /// Handed out so far: what arrives before this millisecond since 1970.
    handed_ms: i64,
    /// On the way, with the number of the unit.
    pending: Vec<(usize, Delivery)>,
}

impl Live {
    pub(crate) fn new(seed: u64, units: &[Unit], start_h: i64, meters: &[Meter]) -> Self {
        let station = |(unit, meter): (&Unit, &Meter)| {
            let stiffest_nm = unit.products.iter().map(|p| p.torque_nm).fold(0.0, f64::max) * unit.torque_factor;
            let band_nm = 0.03 * stiffest_nm;
            Station {
                process: Process::new(seed, unit.clone(), start_h),
                reporter: Reporter::new(seed, unit.number, unit.facts.unit.clone(), band_nm, meter.clone()),
                faults: Faults::new(seed, unit.number, start_h * 60),
            }
        };
        Self {
            stations: units.iter().zip(meters).map(station).collect(),
            minute: start_h * 60,
            handed_ms: start_h * 3_600_000,
            pending: Vec::new(),
        }
    }

    /// Up to which instant readings have been handed out.
    pub fn now(&self) -> Timestamp {
        Timestamp::from_millisecond(self.handed_ms).expect("it was an instant before")
    }

    /// Goes on to an instant: every reading that arrives before it and was not handed out yet, in order of arrival
    /// (to the millisecond). An instant that has passed already gives nothing. Memory grows with the step: take days, not years.
    pub fn advance(&mut self, to: Timestamp) -> Vec<Reading> {
        self.advance_watched(to, &mut |_, _| {})
    }

    /// The same, showing every minute of every unit to `watch`.
    pub(crate) fn advance_watched(&mut self, to: Timestamp, watch: &mut impl FnMut(usize, &Sample)) -> Vec<Reading> {
        let to_ms = to.as_millisecond();
        if to_ms <= self.handed_ms {
            return Vec::new();
        }
        self.handed_ms = to_ms;
        let end = (to_ms + 59_999).div_euclid(60_000).max(self.minute);
        let mut sent = Vec::new();
        for (number, station) in self.stations.iter_mut().enumerate() {
            for minute in self.minute..end {
                let sample = station.process.minute(minute);
                watch(number, &sample);
                station.reporter.minute(&sample, |reading| station.faults.pass(reading, &mut sent));
            }
            self.pending.extend(sent.drain(..).map(|delivery| (number, delivery)));
        }
        self.minute = end;
        // Everything that a reading can be told by is in the key: readings of one key are equal, whatever the steps.
        self.pending.sort_by(|(a_unit, a), (b_unit, b)| {
            let key = |unit: usize, d: &Delivery| (d.arrives_ms, unit, d.reading.at, d.reading.signal);
            key(*a_unit, a).cmp(&key(*b_unit, b))
        });
        let arrived = self.pending.partition_point(|(_, delivery)| delivery.arrives_ms < to_ms);
        self.pending.drain(..arrived).map(|(_, delivery)| delivery.reading).collect()
    }
}

/// The past, a UTC day at a time, bounded in memory: readings in order of arrival.
#[derive(Debug, Clone)]
pub struct Past {
    live: Live,
    end: Timestamp,
}

impl Past {
    pub(crate) fn new(live: Live, end: Timestamp) -> Self {
        Self { live, end }
    }
}

impl Iterator for Past {
    type Item = Vec<Reading>;

    fn next(&mut self) -> Option<Vec<Reading>> {
        let now = self.live.now();
        (now < self.end).then(|| self.live.advance(next_day(now).min(self.end)))
    }
}

/// The first instant of the next UTC day.
pub(crate) fn next_day(now: Timestamp) -> Timestamp {
    hour_start((hour_of(now).div_euclid(24) + 1) * 24)
}

/// The hour meters of the units as they are at the start; one of them is replaced in the second year.
pub(crate) fn meters(seed: u64, units: &[Unit], start_h: i64) -> Vec<Meter> {
    let mut chance = Chance::new(seed, "meters", 0);
    let replaced = chance.whole(0, units.len() as i64 - 1);
    let replaced_h = start_h + 24 * 365 + chance.whole(0, 24 * 200);
    (0..units.len() as i64)
        .map(|number| Meter::new(chance.whole(3_000, 40_000) * 60, (number == replaced).then_some(replaced_h)))
        .collect()
}
