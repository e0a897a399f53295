//! The topics of the configuration.

use std::collections::{BTreeMap, BTreeSet};

use collector::{Mapping, Pattern, Payload, Pointer, QualityField, QualityRule, TimeField, TimeFormat, TopicMap};
use plant::{Signal, UnitId};

use super::check::Checker;
use super::place::Place;
use super::raw::{PayloadKind, Topic};

/// The mappings, each held against the units and all of them against one another.
pub fn mappings(checker: &mut Checker, raw: &[Topic], units: &BTreeSet<UnitId>, place: &Place) -> Vec<Mapping> {
    let mut taken: Vec<Mapping> = Vec::new();
    for (position, topic) in raw.iter().enumerate() {
        let place = place.at(position);
        let Some(mapping) = mapping(checker, topic, &place) else { continue };
        let together = taken.iter().cloned().chain([mapping.clone()]).collect();
        match TopicMap::new(together, units.iter().cloned()) {
            Ok(_) => taken.push(mapping),
            Err(error) => checker.refuse(&place.key("topic"), error),
        }
    }
    taken
}

fn mapping(checker: &mut Checker, raw: &Topic, place: &Place) -> Option<Mapping> {
    let pattern = checker.take(&place.key("topic"), Pattern::parse(&raw.topic));
    let unit = match &raw.unit {
        Some(unit) => Some(checker.take(&place.key("unit"), UnitId::new(unit))?),
        None => None,
    };
    let signal: Option<Signal> = checker.take(&place.key("signal"), raw.signal.parse());
    let measure = match (&raw.measure, signal) {
        (Some(measure), Some(signal)) => Some(checker.measure(&place.key("measure"), signal, measure)?),
        (None, Some(signal)) if signal.quantity().is_some() => {
            let house = signal.house_unit();
            checker.refuse(
                place,
                format!("{signal} needs a measure: in what does this topic speak? (here it is kept in {house})"),
            );
            None
        }
        _ => None,
    };
    let payload = payload(checker, raw, place)?;
    Some(Mapping {
        pattern: pattern?,
        unit,
        signal: signal?,
        measure,
        payload,
        words: raw.words.clone(),
        span: raw.span.map(|[low, high]| (low, high)),
    })
}

fn payload(checker: &mut Checker, raw: &Topic, place: &Place) -> Option<Payload> {
    let mut pointer = |key: &str, text: &Option<String>| match text {
        Some(text) => checker.take(&place.key(key), Pointer::parse(text)).map(Some),
        None => Some(None),
    };
    let (value, time, quality) =
        (pointer("value", &raw.value)?, pointer("time", &raw.time)?, pointer("quality", &raw.quality)?);
    if raw.payload == PayloadKind::Number {
        for (key, given) in [("value", value.is_some()), ("time", time.is_some()), ("quality", quality.is_some())] {
            if given {
                checker.refuse(&place.key(key), "a bare number has no fields; right would be payload = \"json\"");
            }
        }
        return Some(Payload::Number);
    }
    let Some(value) = value else {
        checker.refuse(place, "a JSON payload needs value, a pointer such as \"/value\"");
        return None;
    };
    for (key, given, needs) in [
        ("time_format", raw.time_format.is_some() && time.is_none(), "time"),
        ("quality_format", raw.quality_format.is_some() && quality.is_none(), "quality"),
    ] {
        if given {
            checker.refuse(
                &place.key(key),
                format!("it says how {needs} is written, but there is no {needs}, a pointer such as \"/{needs}\""),
            );
        }
    }
    let format = match raw.time_format.as_deref() {
        None | Some("rfc3339") => TimeFormat::Rfc3339,
        Some("s") => TimeFormat::S,
        Some("ms") => TimeFormat::Ms,
        Some("us") => TimeFormat::Us,
        Some(other) => {
            checker.refuse(
                &place.key("time_format"),
                format!("{other:?} is no format; right would be rfc3339, s, ms or us"),
            );
            return None;
        }
    };
    let rule = match raw.quality_format.as_deref() {
        None | Some("words") => QualityRule::Words(BTreeMap::new()),
        Some("opcua") => QualityRule::OpcUa,
        Some("byte") => QualityRule::Byte,
        Some(other) => {
            let right = "right would be words, opcua or byte";
            checker.refuse(&place.key("quality_format"), format!("{other:?} is no format; {right}"));
            return None;
        }
    };
    Some(Payload::Json {
        value,
        time: time.map(|pointer| TimeField { pointer, format }),
        quality: quality.map(|pointer| QualityField { pointer, rule }),
    })
}
