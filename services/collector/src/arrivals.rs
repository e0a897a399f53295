//! What arrives, what does not and why: counts for people, bounded whatever is sent.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use jiff::Timestamp;
use plant::{Fault, Signal, SignalReport, UnitId, UnmappedTopic};
use serde::{Deserialize, Serialize};

use crate::committer::Committed;
use crate::decode::{Message, Outcome};
use crate::link::{CommitError, Link};
use crate::mapping::TopicMap;
use crate::pulse::Pulse;
use crate::reason::{Reason, shown};
use crate::track::{Faults, Track};

/// So many unmapped topics are listed; further ones are only counted.
const UNMAPPED_LISTED: usize = 1000;
/// So much of the first payload of an unmapped topic is kept, bytes: enough to see how it is written.
const SPECIMEN_BYTES: usize = 4096;
/// Counts that the session keeps and anybody may look at. Cheap: one short lock per message.
#[derive(Debug, Default)]
pub struct Arrivals {
    inner: Mutex<Inner>,
    /// Of the one who polls the connection. It beats at least once in twice the keep-alive.
    pub connection: Pulse,
    /// Of the one who stores readings. It beats every second, but for the time that a commit takes.
    pub storing: Pulse,
}

#[derive(Debug, Default)]
struct Inner {
    signals: BTreeMap<(UnitId, Signal), Track>,
    unmapped: BTreeMap<String, UnmappedTopic>,
    specimens: BTreeMap<String, Specimen>,
    faults: Faults,
    totals: Totals,
    link: Link,
}

/// Sums since the service started.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Totals {
    /// Messages received, those included that the broker brought again.
    pub messages: u64,
    /// Bytes of their payloads.
    pub bytes: u64,
    /// Readings taken from them.
    pub readings: u64,
    /// Values or messages kept out.
    pub refused: u64,
    /// Readings taken with a doubt, one per doubt.
    pub doubts: u64,
    /// Readings made durable that were not there before.
    pub committed: u64,
    /// Readings that were there already.
    pub duplicates: u64,
    /// Messages of topics that no mapping takes or that name no known unit.
    pub unmapped: u64,
    /// Of these, messages on topics beyond the list.
    pub unmapped_unlisted: u64,
    /// QoS 0 messages lost because the queue was full.
    pub overrun: u64,
}

/// The first message of a topic that is not taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Specimen {
    /// The topic.
    pub topic: String,
    /// Its payload; of a long one the first 4096 bytes.
    pub payload: Vec<u8>,
}

/// Everything at one instant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ArrivalsReport {
    /// What each unit's signals have sent, by unit and signal.
    pub signals: Vec<SignalReport>,
    /// Topics that nobody takes, or that name no known unit, by name.
    pub unmapped: Vec<UnmappedTopic>,
    /// Faults that belong to no signal.
    pub faults: Vec<Fault>,
    /// Sums.
    pub totals: Totals,
    /// How the link stands.
    pub link: Link,
}

impl Arrivals {
    /// Nothing has arrived yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Everything at this instant, by the clock that the session runs on.
    pub fn snapshot(&self, now: Timestamp) -> ArrivalsReport {
        let mut inner = self.lock();
        let inner = &mut *inner;
        ArrivalsReport {
            signals: inner.signals.iter_mut().map(|((unit, signal), track)| track.report(unit, *signal, now)).collect(),
            unmapped: inner.unmapped.values().cloned().collect(),
            faults: inner.faults.list(),
            totals: inner.totals,
            link: inner.link.clone(),
        }
    }

    /// A message of each topic that is not taken, by topic; as many as are listed.
    pub fn specimens(&self) -> Vec<Specimen> {
        self.lock().specimens.values().cloned().collect()
    }

    /// How the link stands.
    pub fn link(&self) -> Link {
        self.lock().link.clone()
    }

    /// The sums alone.
    pub fn totals(&self) -> Totals {
        self.lock().totals
    }

    pub(crate) fn note(&self, message: &Message<'_>, unprotected: bool, outcomes: &[Outcome]) {
        let mut inner = self.lock();
        let inner = &mut *inner;
        inner.totals.messages += 1;
        inner.totals.bytes += message.payload.len() as u64;
        for outcome in outcomes {
            match outcome {
                Outcome::Taken(taken) => {
                    inner.totals.readings += 1;
                    inner.totals.doubts += taken.doubts.len() as u64;
                    let reading = &taken.reading;
                    let track = inner.signals.entry((reading.unit.clone(), reading.signal)).or_default();
                    track.seen(message, unprotected);
                    track.taken(taken, message.arrived_at);
                }
                Outcome::Noted(doubt) => {
                    let on = || format!("{} on {}", doubt.text, shown(message.topic.as_bytes()));
                    inner.faults.note(doubt.reason, message.arrived_at, on);
                }
                Outcome::Refused(refusal) => {
                    inner.totals.refused += 1;
                    let sample =
                        || format!("{:?} on {}: {}", refusal.sample, shown(message.topic.as_bytes()), refusal.advice);
                    if let (Some(unit), Some(signal)) = (&refusal.unit, refusal.signal) {
                        let track = inner.signals.entry((unit.clone(), signal)).or_default();
                        track.seen(message, unprotected);
                        track.faults.note(refusal.reason, message.arrived_at, sample);
                    } else {
                        inner.faults.note(refusal.reason, message.arrived_at, sample);
                    }
                }
            }
        }
        // Every outcome of such a message says so, but it is one message.
        if let Some(Outcome::Refused(refusal)) = outcomes.first()
            && matches!(refusal.reason, Reason::Unmapped | Reason::UnknownUnit)
        {
            let why = (refusal.reason == Reason::UnknownUnit).then_some(refusal.advice.as_str());
            inner.unmapped(message, &refusal.sample, why);
            if inner.specimens.len() < UNMAPPED_LISTED && !inner.specimens.contains_key(message.topic) {
                let payload = message.payload[..message.payload.len().min(SPECIMEN_BYTES)].to_vec();
                let specimen = Specimen { topic: message.topic.to_owned(), payload };
                inner.specimens.insert(specimen.topic.clone(), specimen);
            }
        }
    }

    /// The mappings have changed: what they no longer bring is not shown any more, and what nobody took may be taken now.
    pub(crate) fn forget_what_is_not_in(&self, map: &TopicMap) {
        let mut inner = self.lock();
        inner.signals.retain(|(unit, signal), _| map.brings(unit, *signal));
        inner.unmapped.clear();
    }

    pub(crate) fn fault(&self, reason: Reason, at: Timestamp, sample: String) {
        let mut inner = self.lock();
        if reason == Reason::Overrun {
            inner.totals.overrun += 1;
        }
        inner.faults.note(reason, at, || sample);
    }

    pub(crate) fn committed(&self, committed: Committed, at: Timestamp) {
        let mut inner = self.lock();
        inner.totals.committed += committed.new;
        inner.totals.duplicates += committed.duplicates;
        inner.link.last_commit_at = Some(at);
        inner.link.commit_error = None;
    }

    pub(crate) fn commit_failed(&self, error: String, at: Timestamp) {
        let link = &mut self.lock().link;
        let since = link.commit_error.as_ref().map_or(at, |failed| failed.since);
        link.commit_error = Some(CommitError { since, error });
    }

    /// Whether readings cannot be made durable just now.
    pub(crate) fn commits_fail(&self) -> bool {
        self.lock().link.commit_error.is_some()
    }

    pub(crate) fn change_link(&self, change: impl FnOnce(&mut Link)) {
        change(&mut self.lock().link);
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        // Counts stay usable whatever happened to another holder.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Inner {
    fn unmapped(&mut self, message: &Message<'_>, sample: &str, why: Option<&str>) {
        self.totals.unmapped += 1;
        let topic = shown(message.topic.as_bytes());
        if self.unmapped.len() >= UNMAPPED_LISTED && !self.unmapped.contains_key(&topic) {
            self.totals.unmapped_unlisted += 1;
            return;
        }
        let sample = why.map_or_else(|| sample.to_owned(), |why| format!("{why}: {sample}"));
        let entry = self.unmapped.entry(topic).or_insert_with_key(|topic| UnmappedTopic {
            topic: topic.clone(),
            count: 0,
            last: message.arrived_at,
            sample: String::new(),
        });
        entry.count += 1;
        entry.last = entry.last.max(message.arrived_at);
        entry.sample = sample;
    }
}

#[cfg(test)]
mod tests {
    use jiff::ToSpan;

    use super::*;
    use crate::decode::{Decoder, Limits};
    use crate::mapping::{Mapping, TopicMap};
    use crate::pattern::Pattern;
    use crate::payload::Payload;

    fn start() -> Timestamp {
        "2026-03-31T06:00:00Z".parse().unwrap()
    }

    fn map() -> TopicMap {
        let mapping = Mapping::new(Pattern::parse("p/{unit}").unwrap(), Signal::Torque, Payload::Number);
        TopicMap::new(vec![mapping], [UnitId::new("C1").unwrap()]).unwrap()
    }

    fn send(arrivals: &Arrivals, topic: &str, payload: &str, at: Timestamp) {
        let payload = payload.as_bytes();
        let message = Message { topic, payload, retained: false, backlog: false, connection: 0, arrived_at: at };
        arrivals.note(&message, false, &Decoder::new(map(), Limits::USUAL).decode(&message));
    }

    #[test]
    fn what_comes_and_what_does_not_is_told_by_signal() {
        let arrivals = Arrivals::new();
        for second in 0..120 {
            send(&arrivals, "p/C1", "95.12345", start() + second.seconds());
        }
        send(&arrivals, "p/C1", "12,5", start() + 120.seconds());
        send(&arrivals, "p/C1", "NaN", start() + 121.seconds());
        send(&arrivals, "p/C9", "1", start() + 121.seconds());
        let report = arrivals.snapshot(start() + 122.seconds());
        assert_eq!(report.signals.len(), 1);
        let torque = &report.signals[0];
        assert_eq!((torque.count, torque.topic.as_str(), torque.value.as_str()), (121, "p/C1", "no value"));
        assert!((torque.per_min - 121.0 / 122.0 * 60.0).abs() < 1e-9, "{}", torque.per_min);
        let reasons: Vec<_> = torque.faults.iter().map(|fault| (fault.reason.as_str(), fault.count)).collect();
        assert_eq!(reasons, [("decimal_comma", 1), ("no_value", 1)]);
        assert!(torque.faults[0].sample.contains("12,5") && torque.faults[0].sample.contains("12.5"));
        assert_eq!((report.totals.messages, report.totals.readings, report.totals.refused), (123, 121, 2));
        assert_eq!(report.faults[0].reason, "unknown_unit");
        assert_eq!(report.unmapped[0].topic, "p/C9");
        assert!(report.unmapped[0].sample.contains("C9"), "{}", report.unmapped[0].sample);
    }

    #[test]
    fn a_rate_forgets_what_is_older_than_its_minutes() {
        let arrivals = Arrivals::new();
        for second in 0..60 {
            send(&arrivals, "p/C1", "1", start() + second.seconds());
        }
        let rate = |after_s: i64| arrivals.snapshot(start() + after_s.seconds()).signals[0].per_min;
        assert!((rate(60) - 60.0).abs() < 1e-9);
        assert!((rate(300) - 12.0).abs() < 1e-9, "60 readings in 5 minutes");
        assert_eq!(rate(360), 0.0);
        assert_eq!(rate(86_400 * 365), 0.0);
    }

    #[test]
    fn a_clock_that_is_set_back_leaves_neither_rates_nor_values_behind() {
        let arrivals = Arrivals::new();
        let ahead = 3600 * 24 * 365;
        for second in 0..1000 {
            send(&arrivals, "p/C1", "1", start() + (ahead + second).seconds());
        }
        for second in 0..30 {
            send(&arrivals, "p/C1", "2", start() + second.seconds());
        }
        let report = &arrivals.snapshot(start() + 30.seconds()).signals[0];
        assert!(
            (report.per_min - 60.0).abs() < 1e-9,
            "30 readings in half a minute are not {} a minute",
            report.per_min
        );
        assert_eq!((report.value.as_str(), report.last_at), ("2", Some(start() + 29.seconds())));
        assert_eq!(
            report.arrived_at,
            Some(start() + 29.seconds()),
            "a signal that dies now would look fresh for a year"
        );
    }

    #[test]
    fn a_newer_reading_is_shown_though_an_older_one_comes_later() {
        let arrivals = Arrivals::new();
        send(&arrivals, "p/C1", "2", start() + 5.seconds());
        send(&arrivals, "p/C1", "1", start());
        assert_eq!(arrivals.snapshot(start()).signals[0].value, "2");
    }

    #[test]
    fn a_flood_of_topics_stays_bounded() {
        let arrivals = Arrivals::new();
        for topic in 0..3000 {
            send(&arrivals, &format!("flood/{topic}"), "x", start());
        }
        let report = arrivals.snapshot(start());
        assert_eq!(report.unmapped.len(), UNMAPPED_LISTED);
        assert_eq!((report.totals.unmapped, report.totals.unmapped_unlisted), (3000, 2000));
    }
}
