//! One message into readings, or into the reasons why not. It has a memory, no clock: the same messages give the same.

use jiff::{SignedDuration, Timestamp};
use plant::Reading;

use crate::belief::{Belief, Watches};
use crate::document::{Document, text};
use crate::json::{self, Fields};
use crate::mapping::{Mapping, TopicMap};
use crate::opcua;
use crate::payload::Payload;
use crate::reason::{Doubt, Problem, Reason, Refusal, shown};
use crate::settings::{Outgoing, Terms};
use crate::sparkplug::{Address, Nodes};
use crate::take::{Found, Taker};

/// What a message may be at most.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Largest payload, bytes. Larger ones are refused, counted and acknowledged.
    pub max_payload_bytes: usize,
}

impl Limits {
    /// 64 KiB.
    pub const USUAL: Limits = Limits { max_payload_bytes: 65_536 };
}

/// A message as it came.
#[derive(Debug, Clone, Copy)]
pub struct Message<'a> {
    /// Its topic.
    pub topic: &'a str,
    /// Its payload.
    pub payload: &'a [u8],
    /// The broker had kept it: it is as old as it likes.
    pub retained: bool,
    /// It may have waited at the broker while this service was away.
    pub backlog: bool,
    /// Which connection brought it, counted up. Between two of them anything may have been missed.
    pub connection: u64,
    /// When it came.
    pub arrived_at: Timestamp,
}

/// What became of one value of a message.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// It is a reading.
    Taken(Taken),
    /// It was kept out.
    Refused(Refusal),
    /// Nothing was kept out, but something is to be known: messages were lost on the way, for example.
    Noted(Doubt),
}

/// A reading, and what was seen on the way.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// The reading.
    pub reading: Reading,
    /// The value as the plant sent it, cut short.
    pub raw: String,
    /// Why it may be believed less.
    pub doubts: Vec<Doubt>,
}

/// Decodes messages in the order in which they came.
#[derive(Debug)]
pub struct Decoder {
    map: TopicMap,
    limits: Limits,
    nodes: Nodes,
    watches: Watches,
    connection: u64,
    set_back: SignedDuration,
}

impl Decoder {
    /// A decoder that has seen nothing yet.
    pub fn new(map: TopicMap, limits: Limits) -> Self {
        let (nodes, watches) = (Nodes::default(), Watches::new(Belief::default()));
        Self { map, limits, nodes, watches, connection: 0, set_back: SignedDuration::ZERO }
    }

    /// Lets readings be doubted by what the plant says about its units.
    pub fn believing(mut self, belief: Belief) -> Self {
        self.watches = Watches::new(belief);
        self
    }

    /// Lets Sparkplug nodes be asked for their births where these were missed; see [`Decoder::requests`].
    pub fn asking_for_births(mut self, ask: bool) -> Self {
        self.nodes.ask = ask;
        self
    }

    /// Believes times that lie ahead of the arrival by so much more from now on: this machine's clock was set back, and what
    /// the plant says may be right.
    pub(crate) fn set_back(&mut self, by: SignedDuration) {
        self.set_back = by;
    }

    /// Reads by other terms from now on, and keeps its memory.
    pub fn take_up(&mut self, terms: &Terms) {
        if !terms.map.metrics().is_subset(&self.map.metrics()) {
            self.nodes.forget_unmapped();
        }
        self.map = terms.map.clone();
        self.nodes.ask = terms.ask_rebirth;
        self.watches.believe(terms.belief.clone());
    }

    /// What one message says: one outcome per value that a mapping takes, or a refusal if no mapping takes its topic.
    ///
    /// A null, NaN or infinite value, and a number that the signal cannot be, is a reading without a value and of bad
    /// quality: not a refusal, for it ends what the reading before it said, and never zero.
    /// A message without a time of its own has the time of its arrival, and [`plant::TimeSource::Unknown`] if it was
    /// retained or may have waited.
    pub fn decode(&mut self, message: &Message<'_>) -> Vec<Outcome> {
        if self.connection != message.connection {
            self.connection = message.connection;
            self.nodes.forget_births();
        }
        let (limits, belief, set_back) = (&self.limits, &self.watches.belief, self.set_back);
        let taker = Taker { map: &self.map, limits, belief, message, set_back };
        let mut outcomes = match Address::parse(message.topic).filter(|address| self.map.wants_node(address)) {
            Some(address) => self.nodes.decode(&taker, &address),
            None => document(&taker),
        };
        self.watches.look(message, &mut outcomes);
        outcomes
    }

    /// Messages that the last ones made necessary: commands that ask a Sparkplug node for its births, if that is allowed.
    pub fn requests(&mut self) -> Vec<Outgoing> {
        std::mem::take(&mut self.nodes.requests)
    }
}

/// A message that needs no memory.
fn document(taker: &Taker<'_>) -> Vec<Outcome> {
    let payload = taker.payload();
    let document = Document::new(taker.message.payload);
    let mut outcomes = Vec::new();
    let mut unmapped = true;
    for (mapping, named) in taker.map.routes(taker.message.topic) {
        unmapped = false;
        let json = || payload.clone().and_then(|_| document.json());
        match &mapping.payload {
            Payload::Number => outcomes.push(number(taker, mapping, named, payload.clone())),
            Payload::Json { value, time, quality } => {
                let fields = Fields { value, time: time.as_ref(), quality: quality.as_ref() };
                outcomes.push(json::one(taker, mapping, named, json(), fields));
            }
            Payload::List { each, entry, value, time, quality } => {
                let fields = Fields { value, time: time.as_ref(), quality: quality.as_ref() };
                outcomes.extend(json::list(taker, mapping, named, json(), (each, entry.as_ref()), fields));
            }
            Payload::OpcUa { field, writer } => {
                outcomes.extend(opcua::decode(taker, mapping, named, json(), field, writer.as_deref()));
            }
            // Its topics are those of nodes that are wanted, and do not come here.
            Payload::Sparkplug { .. } => unmapped = true,
        }
    }
    if unmapped {
        outcomes.push(taker.refused(Problem::new(Reason::Unmapped, "no mapping takes this topic")));
    }
    outcomes
}

/// A payload that is the value.
fn number(taker: &Taker<'_>, mapping: &Mapping, named: Option<&str>, payload: Result<&[u8], Problem>) -> Outcome {
    let unit = taker.unit(mapping, named);
    let taken = unit.clone().and_then(|unit| {
        let found = Found::new(text(payload?)?.into());
        taker.reading(mapping, unit, found)
    });
    taker.outcome(mapping, unit.ok(), taken, || shown(taker.message.payload))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use plant::{Quality, Signal, TimeSource, UnitId, Value};

    use super::*;
    use crate::pattern::Pattern;
    use crate::payload::{QualityField, TimeField};
    use crate::pointer::Pointer;
    use crate::quality::QualityRule;
    use crate::stamp::TimeFormat;

    const ARRIVED: &str = "2023-11-14T22:14:00.123456789Z";

    fn mapping(pattern: &str, signal: Signal, payload: Payload) -> Mapping {
        Mapping::new(Pattern::parse(pattern).unwrap(), signal, payload)
    }

    fn json(value: &str) -> Payload {
        let field = |text: &str| Pointer::parse(text).unwrap();
        Payload::Json {
            value: field(value),
            time: Some(TimeField { pointer: field("t"), format: TimeFormat::S }),
            quality: Some(QualityField { pointer: field("q"), rule: QualityRule::Words(BTreeMap::new()) }),
        }
    }

    fn map() -> TopicMap {
        let untimed = Payload::Json { value: Pointer::parse("v").unwrap(), time: None, quality: None };
        let mappings = vec![
            mapping("n/{unit}/torque", Signal::Torque, Payload::Number),
            mapping("j/{unit}", Signal::Torque, json("/torque/value")),
            mapping("j/{unit}", Signal::ProductTemp, json("temp")),
            mapping("u/{unit}", Signal::Torque, untimed),
        ];
        TopicMap::new(mappings, [UnitId::new("C1").unwrap()]).unwrap()
    }

    fn message<'a>(topic: &'a str, payload: &'a [u8]) -> Message<'a> {
        let arrived_at = ARRIVED.parse().unwrap();
        Message { topic, payload, retained: false, backlog: false, connection: 0, arrived_at }
    }

    fn outcomes(topic: &str, payload: impl AsRef<[u8]>) -> Vec<Outcome> {
        Decoder::new(map(), Limits::USUAL).decode(&message(topic, payload.as_ref()))
    }

    fn taken(outcome: &Outcome) -> &Taken {
        match outcome {
            Outcome::Taken(taken) => taken,
            other => panic!("not taken: {other:?}"),
        }
    }

    fn reason(outcome: &Outcome) -> Reason {
        match outcome {
            Outcome::Refused(refusal) => refusal.reason,
            other => panic!("not refused: {other:?}"),
        }
    }

    #[test]
    fn one_message_feeds_every_mapping_of_its_topic() {
        let found = outcomes("j/C1", r#"{"t": 1700000000.5, "q": "GOOD", "torque": {"value": 95.5}, "temp": "-5.5"}"#);
        assert_eq!(found.len(), 2);
        for (outcome, signal, value) in [(&found[0], Signal::Torque, 95.5), (&found[1], Signal::ProductTemp, -5.5)] {
            let expected = Reading {
                unit: UnitId::new("C1").unwrap(),
                signal,
                at: "2023-11-14T22:13:20.5Z".parse().unwrap(),
                value: Value::Number(value),
                quality: Quality::Good,
                time_source: TimeSource::Own,
            };
            assert_eq!(taken(outcome).reading, expected);
        }
    }

    #[test]
    fn a_message_without_a_time_has_the_time_of_its_arrival_only_if_it_is_live() {
        let mut decoder = Decoder::new(map(), Limits::USUAL);
        let live = message("n/C1/torque", b"12.5");
        for (message, source, doubts) in [
            (live, TimeSource::Arrival, 0),
            (Message { retained: true, ..live }, TimeSource::Unknown, 1),
            (Message { backlog: true, ..live }, TimeSource::Unknown, 1),
            (Message { topic: "u/C1", payload: br#"{"v": 12.5}"#, backlog: true, ..live }, TimeSource::Unknown, 1),
        ] {
            let found = decoder.decode(&message);
            let taken = taken(&found[0]);
            assert_eq!(taken.reading.time_source, source);
            assert_eq!(taken.reading.at.to_string(), "2023-11-14T22:14:00.123457Z", "to the microsecond");
            assert_eq!(taken.doubts.len(), doubts);
        }
        let own = Message {
            topic: "j/C1",
            payload: br#"{"t":1700000000,"q":1,"temp":1,"torque":{"value":1}}"#,
            retained: true,
            ..live
        };
        assert_eq!(taken(&decoder.decode(&own)[0]).reading.time_source, TimeSource::Own);
    }

    /// JSON has none of these, but several languages write them.
    #[test]
    fn no_value_is_missing_and_bad_and_the_rest_of_the_message_still_counts() {
        for value in ["null", "\"NaN\"", "NaN", "Infinity", "-Infinity", "1e400", "-1e400", "\"Infinity\""] {
            let text = format!(
                r#"{{"t": 1700000000, "q": "good", "note": "NaN \" 1e999", "torque": {{"value": {value}}}, "temp": 5}}"#
            );
            let found = outcomes("j/C1", &text);
            let torque = taken(&found[0]);
            assert_eq!((&torque.reading.value, torque.reading.quality), (&Value::Missing, Quality::Bad), "{value}");
            assert_eq!(torque.doubts[0].reason, Reason::NoValue);
            assert_eq!(taken(&found[1]).reading.value, Value::Number(5.0), "{value}");
        }
    }

    #[test]
    fn a_strange_quality_is_uncertain_and_a_bad_sentinel_is_kept_for_its_badness() {
        let found = outcomes("j/C1", r#"{"t": 1700000000, "q": "suspect", "torque": {"value": 1}, "temp": 1}"#);
        assert_eq!(taken(&found[0]).reading.quality, Quality::Uncertain);
        assert_eq!(taken(&found[0]).doubts[0].reason, Reason::UnknownQuality);
        let found = outcomes("j/C1", r#"{"t": 1700000000, "q": "bad", "torque": {"value": -9999}, "temp": 1}"#);
        assert_eq!(taken(&found[0]).reading.value, Value::Missing);
        assert_eq!(taken(&found[1]).reading.value, Value::Number(1.0), "a bad value inside the span is kept as it is");
    }

    #[test]
    fn a_number_that_cannot_be_ends_what_was_said_before() {
        let found = outcomes("j/C1", r#"{"t": 1700000000, "q": "good", "torque": {"value": -9999}, "temp": 1000}"#);
        let bare = outcomes("n/C1/torque", "1e38");
        for (outcome, reason, at) in [
            (&found[0], Reason::Sentinel, "2023-11-14T22:13:20Z"),
            (&found[1], Reason::OutOfRange, "2023-11-14T22:13:20Z"),
            (&bare[0], Reason::Sentinel, "2023-11-14T22:14:00.123457Z"),
        ] {
            let taken = taken(outcome);
            assert_eq!((&taken.reading.value, taken.reading.quality), (&Value::Missing, Quality::Bad));
            assert_eq!(taken.reading.at.to_string(), at);
            let reasons: Vec<Reason> = taken.doubts.iter().map(|doubt| doubt.reason).collect();
            assert_eq!(reasons, [reason], "counted once, by its own reason");
        }
        assert_eq!(taken(&found[0]).raw, "-9999");
    }

    #[test]
    fn hostile_payloads_are_refused_with_their_reason() {
        let deep = format!("{}1{}", "[".repeat(200), "]".repeat(200));
        let cases: [(&str, &[u8], Reason); 17] = [
            ("other", b"1", Reason::Unmapped),
            ("", b"1", Reason::Unmapped),
            ("n/C9/torque", b"1", Reason::UnknownUnit),
            ("n//torque", b"1", Reason::UnknownUnit),
            ("n/C1 /torque", b"1", Reason::UnknownUnit),
            ("n/C1/torque", b"", Reason::Empty),
            ("n/C1/torque", b" \n", Reason::Empty),
            ("n/C1/torque", b"\xff\xfe1", Reason::NotUtf8),
            ("n/C1/torque", b"12\0", Reason::NotNumber),
            ("n/C1/torque", b"12,5", Reason::DecimalComma),
            ("n/C1/torque", &[b'9'; 70_000], Reason::TooLarge),
            ("j/C1", deep.as_bytes(), Reason::TooDeep),
            ("j/C1", b"{\"torque\":{\"value\":1}", Reason::NotJson),
            ("j/C1", b"{NaN", Reason::NotJson),
            ("j/C1", b"{\"t\":1700000000}", Reason::MissingField),
            ("j/C1", b"{\"q\":\"good\",\"torque\":{\"value\":1},\"temp\":1}", Reason::MissingField),
            ("j/C1", b"{\"t\":1700000000,\"q\":\"good\",\"torque\":{\"value\":{}},\"temp\":[]}", Reason::WrongType),
        ];
        for (topic, payload, expected) in cases {
            for outcome in outcomes(topic, payload) {
                assert_eq!(
                    reason(&outcome),
                    expected,
                    "{topic:?} {:?}",
                    String::from_utf8_lossy(&payload[..payload.len().min(60)])
                );
                let Outcome::Refused(refusal) = outcome else { unreachable!() };
                assert!(refusal.sample.chars().count() <= 121 && !refusal.sample.contains(char::is_control));
            }
        }
    }

    #[test]
    fn digits_that_overflow_a_double_are_no_value() {
        let found = outcomes("n/C1/torque", [b'9'; 400]);
        assert_eq!(taken(&found[0]).reading.value, Value::Missing);
        assert!(taken(&found[0]).raw.chars().count() <= 121);
    }

    proptest::proptest! {
        /// Whatever comes, a value that is taken is finite and inside the span.
        #[test]
        fn nothing_that_cannot_be_gets_in(payload in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..40)) {
            for topic in ["n/C1/torque", "j/C1", "u/C1"] {
                for outcome in outcomes(topic, &payload) {
                    if let Outcome::Taken(Taken { reading: Reading { value: Value::Number(number), .. }, .. }) = outcome {
                        proptest::prop_assert!((-1000.0..=3200.0).contains(&number));
                    }
                }
            }
        }

        #[test]
        fn any_number_in_the_span_comes_through(number in -1000.0..=3200.0_f64) {
            let found = outcomes("n/C1/torque", number.to_string());
            proptest::prop_assert_eq!(&taken(&found[0]).reading.value, &Value::Number(number));
        }
    }
}
