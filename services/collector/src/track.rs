//! What one signal of one unit has sent: counts, its rate, its newest value, its faults.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};
use plant::{Fault, Signal, SignalReport, UnitId, Value};

use crate::decode::{Message, Taken};
use crate::reason::{Reason, shown};

/// A rate is taken over so many whole minutes and the one under way.
const RATE_MINUTES: usize = 5;
/// A message that comes by so much before the one before it tells that the clock was set back.
const SET_BACK: SignedDuration = SignedDuration::from_mins(1);

/// Faults by their reason, each with its first sample.
#[derive(Debug, Default)]
pub(crate) struct Faults(BTreeMap<Reason, Fault>);

impl Faults {
    pub(crate) fn note(&mut self, reason: Reason, at: Timestamp, sample: impl FnOnce() -> String) {
        let fault = self.0.entry(reason).or_insert_with(|| Fault {
            reason: reason.as_str().to_owned(),
            count: 0,
            first: at,
            last: at,
            sample: sample(),
        });
        fault.count += 1;
        fault.last = fault.last.max(at);
    }

    pub(crate) fn list(&self) -> Vec<Fault> {
        self.0.values().cloned().collect()
    }
}

/// One signal of one unit.
#[derive(Debug, Default)]
pub(crate) struct Track {
    topic: String,
    count: u64,
    rate: Rate,
    last: Option<(Timestamp, Value, String)>,
    arrived_at: Option<Timestamp>,
    unprotected: bool,
    pub(crate) faults: Faults,
}

/// Counts per minute of the last minutes.
#[derive(Debug, Default)]
struct Rate {
    minute: i64,
    counts: [u32; RATE_MINUTES + 1],
    first: Option<Timestamp>,
}

impl Rate {
    fn roll(&mut self, now: Timestamp) {
        let minute = now.as_second().div_euclid(60);
        let ahead = minute.saturating_sub(self.minute);
        // By one: a snapshot and a message at a full minute.
        if ahead < -1 {
            // The clock was set back: what was counted is of minutes that are still to come.
            *self = Self { minute, ..Self::default() };
        }
        if ahead > 0 {
            let shift = usize::try_from(ahead).map_or(self.counts.len(), |ahead| ahead.min(self.counts.len()));
            self.counts.rotate_right(shift);
            self.counts[..shift].fill(0);
            self.minute = minute;
        }
    }

    fn count(&mut self, now: Timestamp) {
        self.roll(now);
        self.counts[0] = self.counts[0].saturating_add(1);
        self.first.get_or_insert(now);
    }

    /// Per minute; over ten seconds at least, so that a first reading is no storm.
    fn per_min(&mut self, now: Timestamp) -> f64 {
        self.roll(now);
        let Some(first) = self.first else { return 0.0 };
        let whole_s = (now.as_second().rem_euclid(60) + 60 * RATE_MINUTES as i64) as f64;
        let since_s = now.duration_since(first).as_secs_f64();
        let counts: f64 = self.counts.iter().map(|count| f64::from(*count)).sum();
        counts * 60.0 / since_s.clamp(10.0, whole_s.max(10.0))
    }
}

impl Track {
    /// Notes a message that spoke of the signal.
    pub(crate) fn seen(&mut self, message: &Message<'_>, unprotected: bool) {
        if self.topic != message.topic {
            message.topic.clone_into(&mut self.topic);
        }
        let back = |before: Timestamp| before.duration_since(message.arrived_at) > SET_BACK;
        if self.arrived_at.is_some_and(back) {
            // The clock was set back: what was the newest lies ahead.
            self.last = None;
        }
        self.arrived_at = Some(message.arrived_at);
        self.unprotected = unprotected;
    }

    /// Notes a reading of that message.
    pub(crate) fn taken(&mut self, taken: &Taken, arrived_at: Timestamp) {
        let reading = &taken.reading;
        self.count += 1;
        self.rate.count(arrived_at);
        if self.last.as_ref().is_none_or(|(at, ..)| reading.at >= *at) {
            self.last = Some((reading.at, reading.value.clone(), taken.raw.clone()));
        }
        for doubt in &taken.doubts {
            self.faults.note(doubt.reason, arrived_at, || doubt.text.clone());
        }
    }

    pub(crate) fn report(&mut self, unit: &UnitId, signal: Signal, now: Timestamp) -> SignalReport {
        let (last_at, value, raw) = match &self.last {
            Some((at, value, raw)) => (Some(*at), in_words(value), raw.clone()),
            None => (None, String::new(), String::new()),
        };
        SignalReport {
            unit: unit.clone(),
            signal,
            topic: shown(self.topic.as_bytes()),
            count: self.count,
            per_min: self.rate.per_min(now),
            last_at,
            arrived_at: self.arrived_at,
            value,
            measure: signal.house_unit().to_owned(),
            raw,
            unprotected: self.unprotected,
            faults: self.faults.list(),
        }
    }
}

/// A value for people: three decimals at most.
fn in_words(value: &Value) -> String {
    match value {
        Value::Number(number) => {
            let text = format!("{number:.3}");
            text.trim_end_matches('0').trim_end_matches('.').to_owned()
        }
        Value::Text(word) => word.to_string(),
        Value::Missing => "no value".to_owned(),
    }
}
