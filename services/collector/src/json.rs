//! Values that stand in a JSON document: one, or a list of them.

use serde_json::Value as Json;

use crate::decode::{Outcome, Taken};
use crate::mapping::Mapping;
use crate::payload::{Entry, QualityField, TimeField};
use crate::pointer::Pointer;
use crate::reason::{Doubt, Problem, Reason, shown};
use crate::stamp::stamp;
use crate::take::{Found, Taker};

/// Entries of one list that are looked at; a longer list is refused.
const MOST_ENTRIES: usize = 10_000;

/// Where the parts of one value are.
#[derive(Clone, Copy)]
pub(crate) struct Fields<'a> {
    pub(crate) value: &'a Pointer,
    pub(crate) time: Option<&'a TimeField>,
    pub(crate) quality: Option<&'a QualityField>,
}

fn missing(what: &str, pointer: &Pointer) -> Problem {
    Problem::new(Reason::MissingField, format!("the document has no {what} at {pointer}"))
}

impl Fields<'_> {
    /// The value that stands in an entry; its time may stand in the whole document.
    fn find(self, taker: &Taker<'_>, mapping: &Mapping, entry: &Json, whole: &Json) -> Result<Found, Problem> {
        let value = entry.pointer(self.value.as_str()).ok_or_else(|| missing("value", self.value))?;
        let mut found = Found::new(value.clone());
        if let Some(QualityField { pointer, rule }) = self.quality {
            let field = entry.pointer(pointer.as_str());
            let read = rule.read(field);
            (found.quality, found.no_value) = (read.quality, read.no_value);
            if read.unknown {
                let what = field.map_or("nothing".into(), |field| shown(field.to_string().as_bytes()));
                found.doubts.push(Doubt {
                    reason: Reason::UnknownQuality,
                    text: format!("quality {what} is not in the rule; taken as uncertain"),
                });
            }
        }
        if let Some(pointer) = &mapping.measure_at {
            found.measure = entry.pointer(pointer.as_str()).and_then(Json::as_str).map(str::to_owned);
        }
        if let Some(TimeField { pointer, format }) = self.time {
            let field = entry.pointer(pointer.as_str()).or_else(|| whole.pointer(pointer.as_str()));
            let field = field.filter(|field| !field.is_null()).ok_or_else(|| missing("time", pointer))?;
            found.at = Some(stamp(field, *format, taker.message.arrived_at, taker.most_ahead(mapping.signal))?);
        }
        Ok(found)
    }
}

/// The one value of a document.
pub(crate) fn one(
    taker: &Taker<'_>,
    mapping: &Mapping,
    named: Option<&str>,
    json: Result<&Json, Problem>,
    fields: Fields<'_>,
) -> Outcome {
    let unit = taker.unit(mapping, named);
    let taken = unit
        .clone()
        .and_then(|unit| take(taker, mapping, unit, json.and_then(|json| fields.find(taker, mapping, json, json))));
    taker.outcome(mapping, unit.ok(), taken, || shown(taker.message.payload))
}

/// The values of a list.
pub(crate) fn list(
    taker: &Taker<'_>,
    mapping: &Mapping,
    named: Option<&str>,
    json: Result<&Json, Problem>,
    (each, entry): (&Pointer, Option<&Entry>),
    fields: Fields<'_>,
) -> Vec<Outcome> {
    let entries = json.and_then(|json| {
        let list = json.pointer(each.as_str()).ok_or_else(|| missing("list", each))?;
        let list = list.as_array().ok_or_else(|| {
            Problem::new(Reason::WrongType, format!("what stands at {each} is no list; right would be [...]"))
        })?;
        if list.len() > MOST_ENTRIES {
            let advice = format!("the list has {} entries; at most {MOST_ENTRIES} are taken", list.len());
            return Err(Problem::new(Reason::TooLarge, advice));
        }
        Ok((json, list))
    });
    let (whole, list) = match entries {
        Ok(entries) => entries,
        Err(problem) => {
            let unit = taker.unit(mapping, named).ok();
            return vec![taker.outcome(mapping, unit, Err(problem), || shown(taker.message.payload))];
        }
    };
    let mut outcomes = Vec::new();
    for element in list {
        let mut named = named;
        if let Some(Entry { at, name }) = entry {
            let text = element.pointer(at.as_str()).and_then(Json::as_str);
            // Other entries are other mappings' business.
            let Some(unit) = text.and_then(|text| name.take(text)) else { continue };
            named = unit.or(named);
        }
        let unit = taker.unit(mapping, named);
        let taken =
            unit.clone().and_then(|unit| take(taker, mapping, unit, fields.find(taker, mapping, element, whole)));
        outcomes.push(taker.outcome(mapping, unit.ok(), taken, || shown(element.to_string().as_bytes())));
    }
    outcomes
}

fn take(
    taker: &Taker<'_>,
    mapping: &Mapping,
    unit: &plant::UnitId,
    found: Result<Found, Problem>,
) -> Result<Taken, Problem> {
    taker.reading(mapping, unit, found?)
}

#[cfg(test)]
mod tests {
    use plant::{Signal, TimeSource, UnitId};

    use super::*;
    use crate::decode::{Decoder, Limits, Message};
    use crate::mapping::TopicMap;
    use crate::pattern::Pattern;
    use crate::payload::Payload;
    use crate::stamp::TimeFormat;

    fn pointer(text: &str) -> Pointer {
        Pointer::parse(text).unwrap()
    }

    fn list(topic: &str, name: Option<&str>, signal: Signal) -> Mapping {
        let pattern = |text: &str| Pattern::parse(text).unwrap();
        let payload = Payload::List {
            each: pointer("/readings"),
            entry: name.map(|name| Entry { at: pointer("/tag"), name: pattern(name) }),
            value: pointer("/v"),
            time: Some(TimeField { pointer: pointer("/t"), format: TimeFormat::S }),
            quality: None,
        };
        Mapping::new(pattern(topic), signal, payload)
    }

    fn decode(payload: &str) -> Vec<Outcome> {
        let mappings = vec![
            list("one/{unit}", None, Signal::Torque),
            list("all", Some("{unit}.TQ"), Signal::Torque),
            list("all", Some("{unit}.TT"), Signal::ProductTemp),
        ];
        let map = TopicMap::new(mappings, ["C1", "C2"].map(|unit| UnitId::new(unit).unwrap())).unwrap();
        let topic = if payload.contains("tag") { "all" } else { "one/C1" };
        let arrived_at = "2023-11-14T22:14:00Z".parse().unwrap();
        let payload = payload.as_bytes();
        let message = Message { topic, payload, retained: false, backlog: true, connection: 0, arrived_at };
        Decoder::new(map, Limits::USUAL).decode(&message)
    }

    fn readings(outcomes: &[Outcome]) -> Vec<String> {
        let told = |outcome: &Outcome| match outcome {
            Outcome::Taken(Taken { reading, .. }) => {
                assert_eq!(reading.time_source, TimeSource::Own);
                format!("{} {} {} {:?}", reading.unit, reading.signal, reading.at, reading.value)
            }
            Outcome::Refused(refusal) => format!("{} {}", refusal.reason, refusal.sample),
            Outcome::Noted(doubt) => doubt.text.clone(),
        };
        outcomes.iter().map(told).collect()
    }

    #[test]
    fn every_entry_of_a_list_is_a_reading_and_a_bad_one_costs_only_itself() {
        let found = decode(
            r#"{"readings": [{"v": 95.5, "t": 1700000000}, {"v": "1,5", "t": 1700000001}, {"v": 96, "t": 1700000002}, {"v": 97}]}"#,
        );
        assert_eq!(
            readings(&found),
            [
                "C1 torque 2023-11-14T22:13:20Z Number(95.5)",
                r#"decimal_comma {"t":1700000001,"v":"1,5"}"#,
                "C1 torque 2023-11-14T22:13:22Z Number(96.0)",
                r#"missing_field {"v":97}"#,
            ]
        );
    }

    #[test]
    fn entries_go_by_their_name_and_a_time_beside_the_list_is_that_of_all() {
        let found = decode(
            r#"{"t": 1700000000, "readings": [{"tag": "C1.TQ", "v": 95.5}, {"tag": "C2.TT", "v": -5, "t": 1700000003},
                {"tag": "C1.XX", "v": 1}, {"tag": "C9.TQ", "v": 1}, {"tag": 5}]}"#,
        );
        assert_eq!(
            readings(&found),
            [
                "C1 torque 2023-11-14T22:13:20Z Number(95.5)",
                r#"unknown_unit {"tag":"C9.TQ","v":1}"#,
                "C2 product_temp 2023-11-14T22:13:23Z Number(-5.0)",
            ]
        );
    }

    /// 41 °F are 5 °C.
    #[test]
    fn a_unit_of_measure_in_the_message_outranks_the_config_and_an_unreadable_one_is_refused() {
        let (payload, pattern) =
            (Payload::Json { value: pointer("v"), time: None, quality: None }, Pattern::parse("t/{unit}").unwrap());
        let mapping =
            Mapping { measure_at: Some(pointer("/uom")), ..Mapping::new(pattern, Signal::ProductTemp, payload) };
        let map = TopicMap::new(vec![mapping], [UnitId::new("C1").unwrap()]).unwrap();
        let mut decoder = Decoder::new(map, Limits::USUAL);
        let mut arrived_at: jiff::Timestamp = "2023-11-14T22:14:00Z".parse().unwrap();
        let mut decode = |payload: &str| {
            arrived_at += jiff::SignedDuration::from_secs(1);
            let payload = payload.as_bytes();
            let message =
                Message { topic: "t/C1", payload, retained: false, backlog: false, connection: 0, arrived_at };
            match decoder.decode(&message).remove(0) {
                Outcome::Taken(taken) => {
                    let number = taken.reading.value.number().unwrap();
                    (format!("{number:.3}"), taken.doubts.first().map(|doubt| doubt.reason))
                }
                Outcome::Refused(refusal) => (refusal.advice, Some(refusal.reason)),
                Outcome::Noted(doubt) => (doubt.text, Some(doubt.reason)),
            }
        };
        assert_eq!(decode(r#"{"v": 41, "uom": "°F"}"#), ("5.000".to_owned(), Some(Reason::OtherMeasure)));
        assert_eq!(decode(r#"{"v": 41, "uom": "degC"}"#), ("41.000".to_owned(), None));
        assert_eq!(decode(r#"{"v": 41, "uom": ""}"#).0, "41.000");
        assert_eq!(decode(r#"{"v": 41}"#).0, "41.000");
        let (advice, reason) = decode(r#"{"v": 41, "uom": "Nm"}"#);
        assert!(reason == Some(Reason::UnknownMeasure) && advice.contains("known are"), "{advice}");
    }

    #[test]
    fn what_is_no_list_or_too_long_a_one_is_refused() {
        let long = format!(r#"{{"readings": [{}0]}}"#, "0,".repeat(MOST_ENTRIES));
        for (payload, reason) in [
            (r#"{"t": 1}"#, Reason::MissingField),
            (r#"{"readings": {"v": 1}}"#, Reason::WrongType),
            (&long, Reason::TooLarge),
        ] {
            let found = decode(payload);
            assert!(matches!(&found[..], [Outcome::Refused(refusal)] if refusal.reason == reason), "{found:?}");
        }
        assert_eq!(decode(r#"{"readings": []}"#), []);
    }
}
