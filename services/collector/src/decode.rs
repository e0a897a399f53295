//! One message into readings, or into the reasons why not. Pure: no clock, no memory.

use std::cell::OnceCell;

use jiff::{SignedDuration, Timestamp};
use plant::{Quality, Reading, TimeSource, UnitId, Value, micros};
use serde_json::Value as Json;

use crate::mapping::{Mapping, Payload, QualityField, TimeField, TopicMap};
use crate::pointer::Pointer;
use crate::reason::{Doubt, Problem, Reason, Refusal, shown};
use crate::stamp::stamp;
use crate::value;

/// What a message may be at most.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Largest payload, bytes. Larger ones are refused, counted and acknowledged.
    pub max_payload_bytes: usize,
    /// How far a message's own time may lie ahead of its arrival, s.
    pub future_limit_s: u32,
}

impl Limits {
    /// 64 KiB and five minutes.
    pub const USUAL: Limits = Limits { max_payload_bytes: 65_536, future_limit_s: 300 };
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

/// Decodes a message: one outcome per mapping that takes its topic, or one refusal if none does.
///
/// A null, NaN or infinite value, and a number that the signal cannot be, is a reading without a value and of bad
/// quality: not a refusal, for it ends what the reading before it said, and never zero.
/// A message without a time of its own has the time of its arrival, and [`TimeSource::Unknown`] if it was retained
/// or may have waited.
pub fn decode(map: &TopicMap, limits: &Limits, message: &Message<'_>) -> Vec<Outcome> {
    let document = OnceCell::new();
    let outcomes: Vec<Outcome> =
        map.routes(message.topic).map(|(mapping, unit)| one(map, limits, message, mapping, unit, &document)).collect();
    if !outcomes.is_empty() {
        return outcomes;
    }
    vec![Outcome::Refused(Refusal {
        unit: None,
        signal: None,
        reason: Reason::Unmapped,
        sample: shown(message.payload),
        advice: "no mapping takes this topic".into(),
    })]
}

type Document = OnceCell<Result<Json, Problem>>;

fn one(
    map: &TopicMap,
    limits: &Limits,
    message: &Message<'_>,
    mapping: &Mapping,
    unit_text: Option<&str>,
    document: &Document,
) -> Outcome {
    let unit = match (&mapping.unit, unit_text) {
        (Some(unit), _) => Some(unit),
        (None, text) => text.and_then(|text| map.unit(text)),
    };
    let result = match unit {
        Some(unit) => read(limits, message, mapping, unit, document),
        None => {
            let name = shown(unit_text.unwrap_or_default().as_bytes());
            Err(Problem::new(Reason::UnknownUnit, format!("unit {name:?} is not in the config")))
        }
    };
    match result {
        Ok(taken) => Outcome::Taken(taken),
        Err(Problem { reason, advice }) => Outcome::Refused(Refusal {
            unit: unit.cloned(),
            signal: Some(mapping.signal),
            reason,
            sample: shown(message.payload),
            advice,
        }),
    }
}

fn read(
    limits: &Limits,
    message: &Message<'_>,
    mapping: &Mapping,
    unit: &UnitId,
    document: &Document,
) -> Result<Taken, Problem> {
    let size = message.payload.len();
    if size > limits.max_payload_bytes {
        let advice = format!("the payload has {size} bytes; at most {} are taken", limits.max_payload_bytes);
        return Err(Problem::new(Reason::TooLarge, advice));
    }
    if size == 0 {
        return Err(Problem::new(Reason::Empty, "the payload has no bytes; right would be a value"));
    }
    let text = std::str::from_utf8(message.payload)
        .map_err(|error| Problem::new(Reason::NotUtf8, format!("byte {} is not UTF-8", error.valid_up_to() + 1)))?;
    match &mapping.payload {
        Payload::Number => {
            let mut doubts = Vec::new();
            let value = believed(value::bare(text, mapping), &mut doubts)?;
            let (at, time_source, untimed) = arrival(message);
            doubts.extend(untimed);
            Ok(taken(mapping, unit, value, Quality::Good, (at, time_source), text, doubts))
        }
        Payload::Json { value, time, quality } => {
            let json = document.get_or_init(|| parse(text)).as_ref().map_err(Problem::clone)?;
            from_json(json, limits, message, mapping, unit, (value, time.as_ref(), quality.as_ref()))
        }
    }
}

fn from_json(
    json: &Json,
    limits: &Limits,
    message: &Message<'_>,
    mapping: &Mapping,
    unit: &UnitId,
    (value_at, time_at, quality_at): (&Pointer, Option<&TimeField>, Option<&QualityField>),
) -> Result<Taken, Problem> {
    let missing = |what: &str, pointer: &Pointer| {
        Problem::new(Reason::MissingField, format!("the document has no {what} at {pointer}"))
    };
    let field = json.pointer(value_at.as_str()).ok_or_else(|| missing("value", value_at))?;
    let mut doubts = Vec::new();
    let mut quality = Quality::Good;
    let mut no_value = false;
    if let Some(QualityField { pointer, rule }) = quality_at {
        let found = json.pointer(pointer.as_str());
        let read = rule.read(found);
        (quality, no_value) = (read.quality, read.no_value);
        if read.unknown {
            let what = found.map_or("nothing".into(), |found| shown(found.to_string().as_bytes()));
            doubts.push(Doubt {
                reason: Reason::UnknownQuality,
                text: format!("quality {what} is not in the rule; taken as uncertain"),
            });
        }
    }
    let value = match value::json(field, mapping) {
        _ if no_value => Value::Missing,
        // The source has said by itself that it is not to be used: nothing to doubt.
        Err(Problem { reason: Reason::Sentinel | Reason::OutOfRange, .. }) if quality == Quality::Bad => Value::Missing,
        result => believed(result, &mut doubts)?,
    };
    let (at, time_source) = match time_at {
        Some(TimeField { pointer, format }) => {
            let field = json.pointer(pointer.as_str()).filter(|field| !field.is_null());
            let field = field.ok_or_else(|| missing("time", pointer))?;
            let limit = SignedDuration::from_secs(limits.future_limit_s.into());
            (stamp(field, *format, message.arrived_at, limit)?, TimeSource::Own)
        }
        None => {
            let (at, source, untimed) = arrival(message);
            doubts.extend(untimed);
            (at, source)
        }
    };
    let raw = match field {
        Json::String(text) => text.clone(),
        other => other.to_string(),
    };
    Ok(taken(mapping, unit, value, quality, (at, time_source), &raw, doubts))
}

/// A number that cannot be is no value, and a doubt: kept for its badness, it ends what the last good one said.
fn believed(result: Result<Value, Problem>, doubts: &mut Vec<Doubt>) -> Result<Value, Problem> {
    match result {
        Err(Problem { reason: reason @ (Reason::Sentinel | Reason::OutOfRange), advice }) => {
            doubts.push(Doubt { reason, text: format!("{advice}; kept as missing") });
            Ok(Value::Missing)
        }
        result => result,
    }
}

fn arrival(message: &Message<'_>) -> (Timestamp, TimeSource, Option<Doubt>) {
    let at = micros(message.arrived_at);
    if !(message.retained || message.backlog) {
        return (at, TimeSource::Arrival, None);
    }
    let how = if message.retained { "was retained" } else { "waited at the broker" };
    let text = format!("the message {how} and carries no time: kept, but in no exposure; send a time with the value");
    (at, TimeSource::Unknown, Some(Doubt { reason: Reason::Untimed, text }))
}

fn taken(
    mapping: &Mapping,
    unit: &UnitId,
    value: Value,
    mut quality: Quality,
    (at, time_source): (Timestamp, TimeSource),
    raw: &str,
    mut doubts: Vec<Doubt>,
) -> Taken {
    let raw = shown(raw.trim().as_bytes());
    if value == Value::Missing {
        quality = Quality::Bad;
        if !doubts.iter().any(|doubt| matches!(doubt.reason, Reason::Sentinel | Reason::OutOfRange)) {
            doubts.push(Doubt { reason: Reason::NoValue, text: format!("{raw} is no value; kept as missing") });
        }
    }
    Taken {
        reading: Reading { unit: unit.clone(), signal: mapping.signal, at, value, quality, time_source },
        raw,
        doubts,
    }
}

/// Parses a document. `NaN`, `Infinity` and numbers beyond a double are no JSON, but common: they are read as null.
fn parse(text: &str) -> Result<Json, Problem> {
    let error = match serde_json::from_str(text) {
        Ok(json) => return Ok(json),
        Err(error) => error,
    };
    if error.to_string().contains("recursion limit") {
        return Err(Problem::new(Reason::TooDeep, "the document is nested more than 127 levels deep"));
    }
    nulled(text)
        .and_then(|text| serde_json::from_str(&text).ok())
        .ok_or_else(|| Problem::new(Reason::NotJson, format!("this is no JSON: {error}")))
}

/// The text with every bare number that is not finite written as null; `None` if there is none.
fn nulled(text: &str) -> Option<String> {
    let mut out = String::with_capacity(text.len());
    let mut found = false;
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let token = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '+' | '.');
        let length = if first == '"' {
            string_length(rest)
        } else if token(first) {
            rest.find(|c| !token(c)).unwrap_or(rest.len())
        } else {
            first.len_utf8()
        };
        let (head, tail) = rest.split_at(length);
        if token(first) && head.parse::<f64>().is_ok_and(|number| !number.is_finite()) {
            out.push_str("null");
            found = true;
        } else {
            out.push_str(head);
        }
        rest = tail;
    }
    found.then_some(out)
}

/// Length in bytes of the JSON string that a text begins with, quotes included.
fn string_length(text: &str) -> usize {
    let mut escaped = false;
    for (at, c) in text.char_indices().skip(1) {
        match c {
            _ if escaped => escaped = false,
            '\\' => escaped = true,
            '"' => return at + 1,
            _ => {}
        }
    }
    text.len()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use plant::Signal;

    use super::*;
    use crate::pattern::Pattern;
    use crate::quality::QualityRule;
    use crate::stamp::TimeFormat;

    const ARRIVED: &str = "2023-11-14T22:14:00.123456789Z";

    fn mapping(pattern: &str, signal: Signal, payload: Payload) -> Mapping {
        let pattern = Pattern::parse(pattern).unwrap();
        Mapping { pattern, unit: None, signal, measure: None, payload, words: BTreeMap::new(), span: None }
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
        Message { topic, payload, retained: false, backlog: false, arrived_at: ARRIVED.parse().unwrap() }
    }

    fn outcomes(topic: &str, payload: impl AsRef<[u8]>) -> Vec<Outcome> {
        decode(&map(), &Limits::USUAL, &message(topic, payload.as_ref()))
    }

    fn taken(outcome: &Outcome) -> &Taken {
        match outcome {
            Outcome::Taken(taken) => taken,
            Outcome::Refused(refusal) => panic!("refused: {refusal:?}"),
        }
    }

    fn reason(outcome: &Outcome) -> Reason {
        match outcome {
            Outcome::Refused(refusal) => refusal.reason,
            Outcome::Taken(taken) => panic!("taken: {taken:?}"),
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
        let map = map();
        let live = message("n/C1/torque", b"12.5");
        for (message, source, doubts) in [
            (live, TimeSource::Arrival, 0),
            (Message { retained: true, ..live }, TimeSource::Unknown, 1),
            (Message { backlog: true, ..live }, TimeSource::Unknown, 1),
            (Message { topic: "u/C1", payload: br#"{"v": 12.5}"#, backlog: true, ..live }, TimeSource::Unknown, 1),
        ] {
            let found = decode(&map, &Limits::USUAL, &message);
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
        assert_eq!(taken(&decode(&map, &Limits::USUAL, &own)[0]).reading.time_source, TimeSource::Own);
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
