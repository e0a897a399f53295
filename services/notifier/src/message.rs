//! What is told.

use jiff::Timestamp;
use serde_json::{Value, json};

/// One message.
#[derive(Debug, Clone, PartialEq)]
pub struct Message {
    /// Tells it apart from every other one and stays the same over all its tries; letters, digits and `-`.
    pub key: String,
    /// What happened, such as `groovecast.advice.raised`.
    pub kind: String,
    /// When it happened.
    pub at: Timestamp,
    /// Of which unit it speaks.
    pub unit: Option<String>,
    /// Who says so: the address of the pages, or a name.
    pub source: String,
    /// In one line.
    pub title: String,
    /// For people.
    pub text: String,
    /// For programs: a JSON object.
    pub data: Value,
}

impl Message {
    /// As a CloudEvent, version 1.0, in structured JSON mode.
    pub(crate) fn event(&self) -> Vec<u8> {
        let mut event = json!({
            "specversion": "1.0",
            "id": self.key,
            "source": self.source,
            "type": self.kind,
            "time": self.at.to_string(),
            "datacontenttype": "application/json",
            "data": self.data,
        });
        if let Some(unit) = &self.unit {
            event["subject"] = json!(unit);
        }
        event.to_string().into_bytes()
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    pub(crate) fn message() -> Message {
        Message {
            key: "7b0e-1".to_owned(),
            kind: "groovecast.advice.raised".to_owned(),
            at: "2026-05-11T06:00:00Z".parse().unwrap(),
            unit: Some("K1".to_owned()),
            source: "http://groovecast.harrow.example".to_owned(),
            title: "Advice on K1: chance is high".to_owned(),
            text: "Weigh it at the next changeover.\nµm · °C".to_owned(),
            data: json!({ "tube": "T1", "kind": "chance" }),
        }
    }

    #[test]
    fn an_event_has_every_attribute_that_the_standard_requires() {
        // CloudEvents 1.0.2, section "Context Attributes": id, source, specversion and type are required and not empty.
        let event: Value = serde_json::from_slice(&message().event()).unwrap();
        for required in ["id", "source", "specversion", "type"] {
            assert!(event[required].as_str().is_some_and(|text| !text.is_empty()), "{required}: {event}");
        }
        assert_eq!(event["specversion"], "1.0");
        assert_eq!((&event["subject"], &event["data"]["tube"]), (&json!("K1"), &json!("T1")));
        assert!(event["time"].as_str().unwrap().parse::<Timestamp>().is_ok(), "RFC 3339");
    }
}
