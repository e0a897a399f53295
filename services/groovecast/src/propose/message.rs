//! What a message of an unknown topic holds: values, each with how it is written.

use collector::Specimen;
use plant::Signal;
use serde_json::Value as Json;

use crate::guess::name::{self, Told};
use crate::quoted::quoted;

/// Levels of a JSON document that are looked into.
const DEEPEST: usize = 4;
/// Names under which messages keep a value, a time, a unit of measure (common practice, no source).
const VALUES: &[&str] = &["value", "val", "v", "pv", "reading", "data", "measurement"];
const TIMES: &[&str] = &["time", "timestamp", "ts", "t", "at", "datetime", "sourcetimestamp"];
const MEASURES: &[&str] = &["unit", "uom", "units", "eu", "measure", "engunit"];

/// A value of a message.
#[derive(Debug, Clone)]
pub struct Value {
    /// What topic or field say of it.
    pub told: Told,
    /// The field, if it is that which says so.
    pub field: Option<String>,
    /// The value as text.
    pub text: String,
    /// The unit of measure of which the message says that it is in.
    pub said: Option<String>,
    /// Lines of the config that say how it is written.
    pub payload: Vec<String>,
}

/// The values of a message that speak of a signal and can be one.
pub fn values(specimen: &Specimen, json: Option<&Json>) -> Vec<Value> {
    let topic = name::read(&specimen.topic);
    let is_value = |signal: Signal, value: &Json| match signal.quantity() {
        Some(_) => value.is_number() || value.as_str().is_some_and(is_number),
        None => value.is_string() || value.is_number(),
    };
    let Some(json) = json else {
        let text = String::from_utf8_lossy(&specimen.payload).trim().to_owned();
        // A bare word is a mode or a product, a bare number the rest.
        let fits = topic.signal.as_ref().is_some_and(|(signal, _)| signal.quantity().is_none() || is_number(&text));
        let value = || Value { told: topic, field: None, text, said: None, payload: Vec::new() };
        return fits.then(value).into_iter().collect();
    };
    let mut leaves = Vec::new();
    walk(json, &mut String::new(), 0, &mut leaves);
    let time = leaves.iter().find_map(|(pointer, value)| Some((pointer, time_format(pointer, value)?)));
    let said = leaves.iter().find(|(pointer, value)| called(pointer, MEASURES) && value.is_string());
    let ways = |pointer: &str| {
        let mut lines = vec!["payload = \"json\"".to_owned(), format!("value = {}", quoted(pointer))];
        match &time {
            Some((pointer, format)) => {
                lines.push(format!("time = {}", quoted(pointer)));
                if *format != "rfc3339" {
                    lines.push(format!("time_format = \"{format}\""));
                }
            }
            None => lines.push("# no time was found in the message: its time of arrival is taken".to_owned()),
        }
        lines
    };
    let text = |value: &Json| value.as_str().map_or_else(|| value.to_string(), str::to_owned);
    let by_topic = topic.signal.as_ref().and_then(|(signal, _)| {
        leaves.iter().find(|(pointer, value)| called(pointer, VALUES) && is_value(*signal, value))
    });
    if let Some((pointer, value)) = by_topic {
        let said = said.and_then(|(_, value)| value.as_str()).map(str::to_owned);
        return vec![Value { told: topic, field: None, text: text(value), said, payload: ways(pointer) }];
    }
    // The message itself names its values.
    leaves
        .iter()
        .filter_map(|(pointer, value)| {
            let told = name::read(pointer);
            told.signal.as_ref().filter(|(signal, _)| is_value(*signal, value))?;
            let field = Some(pointer.clone());
            Some(Value { told, field, text: text(value), said: None, payload: ways(pointer) })
        })
        .collect()
}

fn is_number(text: &str) -> bool {
    text.trim().parse::<f64>().is_ok_and(f64::is_finite)
}

fn called(pointer: &str, names: &[&str]) -> bool {
    let last = pointer.rsplit('/').next().unwrap_or_default().to_lowercase().replace(['_', '-'], "");
    names.contains(&last.as_str())
}

/// Every value of a document that is no list or object, with its pointer (RFC 6901).
fn walk<'a>(json: &'a Json, at: &mut String, depth: usize, leaves: &mut Vec<(String, &'a Json)>) {
    match json {
        Json::Object(fields) if depth < DEEPEST => {
            for (name, value) in fields {
                let before = at.len();
                at.push('/');
                at.push_str(&name.replace('~', "~0").replace('/', "~1"));
                walk(value, at, depth + 1, leaves);
                at.truncate(before);
            }
        }
        Json::Object(_) | Json::Array(_) | Json::Null => {}
        value => leaves.push((at.clone(), value)),
    }
}

/// How a time is written, by its name and size: 2001 to 2286 in seconds has ten digits, in ms thirteen, and so on.
fn time_format(pointer: &str, value: &Json) -> Option<&'static str> {
    if !called(pointer, TIMES) {
        return None;
    }
    if let Some(text) = value.as_str() {
        return text.parse::<jiff::Timestamp>().ok().map(|_| "rfc3339");
    }
    match value.as_f64()? {
        t if (1e9..1e10).contains(&t) => Some("s"),
        t if (1e12..1e13).contains(&t) => Some("ms"),
        t if (1e15..1e16).contains(&t) => Some("us"),
        t if (1e18..1e19).contains(&t) => Some("ns"),
        _ => None,
    }
}
