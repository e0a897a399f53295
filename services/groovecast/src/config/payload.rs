//! How the values of a topic are written.

use std::collections::BTreeMap;

use collector::{Entry, Pattern, Payload, Pointer, QualityField, QualityRule, TimeField, TimeFormat};

use super::check::Checker;
use super::place::Place;
use super::raw::{PayloadKind, Topic};

/// The payload of a topic, with every key that does not belong to its kind refused.
pub fn payload(checker: &mut Checker, raw: &Topic, place: &Place) -> Option<Payload> {
    let json: &[&str] = &["value", "time", "time_format", "quality", "quality_format", "each", "entry", "measure_at"];
    let (kind, own, right) = match raw.payload {
        PayloadKind::Number => ("a bare number", &[][..], "right would be payload = \"json\""),
        PayloadKind::Json => ("a JSON payload", json, "leave it out"),
        PayloadKind::OpcUa => {
            ("an OPC UA message", &["field", "writer"][..], "it brings its own time and status; leave it out")
        }
        PayloadKind::Sparkplug => {
            ("a Sparkplug message", &["metric", "measure_at"][..], "it brings its own time and quality; leave it out")
        }
    };
    let given = [
        ("value", raw.value.is_some()),
        ("time", raw.time.is_some()),
        ("time_format", raw.time_format.is_some()),
        ("quality", raw.quality.is_some()),
        ("quality_format", raw.quality_format.is_some()),
        ("each", raw.each.is_some()),
        ("entry", raw.entry.is_some()),
        ("field", raw.field.is_some()),
        ("writer", raw.writer.is_some()),
        ("metric", raw.metric.is_some()),
        ("measure_at", raw.measure_at.is_some()),
    ];
    for (key, _) in given.iter().filter(|(key, given)| *given && !own.contains(key)) {
        checker.refuse(&place.key(key), format!("{kind} has no {key}; {right}"));
    }
    let mut name = |key: &str, text: &Option<String>| match text {
        Some(text) => checker.take(&place.key(key), Pattern::parse(text)),
        None => {
            checker.refuse(place, format!("{kind} needs {key}, the name of the value, such as \"Shaft/Torque\""));
            None
        }
    };
    match raw.payload {
        PayloadKind::Number => Some(Payload::Number),
        PayloadKind::OpcUa => Some(Payload::OpcUa { field: name("field", &raw.field)?, writer: raw.writer.clone() }),
        PayloadKind::Sparkplug => Some(Payload::Sparkplug { metric: name("metric", &raw.metric)? }),
        PayloadKind::Json => document(checker, raw, place),
    }
}

fn document(checker: &mut Checker, raw: &Topic, place: &Place) -> Option<Payload> {
    let mut pointer = |key: &str, text: &Option<String>| match text {
        Some(text) => checker.take(&place.key(key), Pointer::parse(text)).map(Some),
        None => Some(None),
    };
    let (value, time, quality, each) = (
        pointer("value", &raw.value)?,
        pointer("time", &raw.time)?,
        pointer("quality", &raw.quality)?,
        pointer("each", &raw.each)?,
    );
    let Some(value) = value else {
        checker.refuse(place, "a JSON payload needs value, a pointer such as \"/value\"");
        return None;
    };
    for (key, given, needs, right) in [
        ("time_format", raw.time_format.is_some() && time.is_none(), "time", "/time"),
        ("quality_format", raw.quality_format.is_some() && quality.is_none(), "quality", "/quality"),
        ("entry", raw.entry.is_some() && each.is_none(), "each", "/readings"),
    ] {
        if given {
            checker.refuse(&place.key(key), format!("it needs {needs} beside it, a pointer such as \"{right}\""));
        }
    }
    let format = match raw.time_format.as_deref() {
        None | Some("rfc3339") => TimeFormat::Rfc3339,
        Some("s") => TimeFormat::S,
        Some("ms") => TimeFormat::Ms,
        Some("us") => TimeFormat::Us,
        Some("ns") => TimeFormat::Ns,
        Some(other) => {
            checker.refuse(
                &place.key("time_format"),
                format!("{other:?} is no format; right would be rfc3339, s, ms, us or ns"),
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
    let time = time.map(|pointer| TimeField { pointer, format });
    let quality = quality.map(|pointer| QualityField { pointer, rule });
    let Some(each) = each else { return Some(Payload::Json { value, time, quality }) };
    let entry = match &raw.entry {
        Some(entry) => {
            let place = place.key("entry");
            let at = checker.take(&place.key("at"), Pointer::parse(&entry.at));
            let name = checker.take(&place.key("name"), Pattern::parse(&entry.name));
            Some(Entry { at: at?, name: name? })
        }
        None => None,
    };
    Some(Payload::List { each, entry, value, time, quality })
}
