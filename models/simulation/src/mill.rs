//! Harrow Mill: the whole invented plant, past, present and future.

use jiff::{SignedDuration, Timestamp};
use plant::{Campaign, Record, hour_of, hour_start};

use crate::live::{Live, Past, meters, next_day};
use crate::report::Meter;
use crate::schedule::{Plan, Run};
use crate::truth::{HourTruth, Truth, UnitTruth};
use crate::units::{Unit, UnitFacts, units};
use crate::workshop::Workshop;

/// How far ahead campaigns are written down, beyond the end of the past.
const PLANNED: SignedDuration = SignedDuration::from_hours(21 * 24);
/// Share of the hours of a campaign in which a unit runs that does not stand by plan: the rest are short stops.
const RUNNING_SHARE: f64 = 0.98;

/// An invented plant: twelve units, fifteen tubes, everything that they sent, and what was found.
#[derive(Debug, Clone)]
pub struct Plant {
    seed: u64,
    start_h: i64,
    end_h: i64,
    units: Vec<Unit>,
    facts: Vec<UnitFacts>,
    meters: Vec<Meter>,
    at_end: Live,
    record: Record,
    truth: Truth,
}

impl Plant {
    /// Invents a plant and lives through its past, from `start` to `end` (both cut to the whole hour, UTC).
    ///
    /// The same seed and start give the same plant; a later end only adds to its past. Two years take some seconds.
    /// An end that is not after the start gives a plant without a past.
    pub fn new(seed: u64, start: Timestamp, end: Timestamp) -> Self {
        let start_h = hour_of(start);
        let end_h = hour_of(end).max(start_h);
        let units = units(seed);
        let meters = meters(seed, &units, start_h);
        let mut at_end = Live::new(seed, &units, start_h, &meters);
        let truth = live_through(&mut at_end, units.len(), start_h, end_h, &meters);
        let runs: Vec<Vec<Run>> = units.iter().map(|unit| Plan::new(seed, unit, start_h).until(end_h)).collect();
        let (record, lives) = Workshop::new(seed, &units, &truth, &meters).work_through(&runs, end_h);
        let facts: Vec<UnitFacts> = units.iter().map(|unit| unit.facts.clone()).collect();
        let truth = Truth { units: facts.iter().map(|facts| facts.unit.clone()).zip(truth).collect(), lives };
        let mut plant = Self { seed, start_h, end_h, units, facts, meters, at_end, record, truth };
        plant.record.campaigns = plant.campaigns(hour_start(end_h) + PLANNED);
        plant
    }

    /// The first instant of the past.
    pub fn start(&self) -> Timestamp {
        hour_start(self.start_h)
    }

    /// The end of the past: what is live begins here.
    pub fn end(&self) -> Timestamp {
        hour_start(self.end_h)
    }

    /// What the plant knows of its units, K1 to K12.
    pub fn units(&self) -> &[UnitFacts] {
        &self.facts
    }

    /// Everything that is written down at the end of the past: tubes, fittings, work, findings, and campaigns with
    /// those planned for three more weeks.
    pub fn record(&self) -> &Record {
        &self.record
    }

    /// What really happened in the past. For tests and reports only.
    pub fn truth(&self) -> &Truth {
        &self.truth
    }

    /// All readings of the past, a UTC day at a time, in order of arrival. Those still on their way at the end come
    /// with [`Plant::live`].
    pub fn past(&self) -> Past {
        Past::new(self.beginning(), self.end())
    }

    /// The plant in motion from an instant on: readings that arrive at `from` or later. From the end of the past it is
    /// at hand; from before it, or long after it, the time until then is lived through first.
    pub fn live(&self, from: Timestamp) -> Live {
        let mut live = if from >= self.end() { self.at_end.clone() } else { self.beginning() };
        while live.now() < from {
            live.advance(next_day(live.now()).min(from));
        }
        live
    }

    /// Every campaign from the start that begins before `until`, in order of time. Those that end after the end of the
    /// past carry the run hours expected, the others those counted; `planned` are those that begin after it.
    pub fn campaigns(&self, until: Timestamp) -> Vec<Campaign> {
        let mut campaigns = Vec::new();
        for unit in &self.units {
            let counted = &self.truth.units[&unit.facts.unit];
            for run in Plan::new(self.seed, unit, self.start_h).until(hour_of(until)) {
                let run_h = if run.to_h <= self.end_h {
                    (counted.sum(run.from_h, run.to_h).run_h * 10.0).round() / 10.0
                } else {
                    let turning = (run.from_h..run.to_h).filter(|hour| !unit.shifts.stands(*hour)).count();
                    (turning as f64 * RUNNING_SHARE).round()
                };
                campaigns.push(Campaign {
                    unit: unit.facts.unit.clone(),
                    from: hour_start(run.from_h),
                    to: hour_start(run.to_h),
                    product: unit.products[run.product].name.to_owned(),
                    planned: run.from_h >= self.end_h,
                    run_h: Some(run_h),
                });
            }
        }
        campaigns.sort_by(|a, b| (a.from, &a.unit).cmp(&(b.from, &b.unit)));
        campaigns
    }

    fn beginning(&self) -> Live {
        Live::new(self.seed, &self.units, self.start_h, &self.meters)
    }
}

/// Lives through the past and adds up what truly happened in every hour.
fn live_through(live: &mut Live, units: usize, start_h: i64, end_h: i64, meters: &[Meter]) -> Vec<UnitTruth> {
    let hours = usize::try_from(end_h - start_h).unwrap_or(0);
    let mut truth: Vec<Vec<HourTruth>> = vec![vec![HourTruth::default(); hours]; units];
    let end = hour_start(end_h);
    while live.now() < end {
        let to = next_day(live.now()).min(end);
        live.advance_watched(to, &mut |unit, sample| {
            let hour = sample.minute.div_euclid(60) - start_h;
            truth[unit][hour as usize].add(sample);
        });
    }
    truth
        .into_iter()
        .zip(meters)
        .map(|(hours, meter)| UnitTruth { first_hour: start_h, hours, meter_replaced_at: meter.replaced_at() })
        .collect()
}
