//! What goes out by MQTT: retained JSON, so that a dashboard that connects later has it at once.

use jiff::Timestamp;
use plant::{Advice, UnitId};
use serde::Serialize;

use crate::advice_page::Told;
use crate::published::ScoreJson;
use crate::rank::Ranking;
use crate::{Site, Snapshot};

/// A message to be published retained with QoS 1.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// Its topic.
    pub topic: String,
    /// Its payload, JSON.
    pub payload: String,
}

/// Where the messages of a unit are retained.
pub fn unit_topics(unit: &UnitId, prefix: &str) -> [String; 2] {
    ["risk", "advice"].map(|kind| format!("{prefix}/{kind}/{unit}"))
}

/// One message per unit at `<prefix>/risk/<unit>`, in the order of the board. The payload is an element of `risks`
/// in `GET /api/v1/risks`. Tubes that sit in no unit have no topic.
pub fn risk_messages(snapshot: &Snapshot, site: &Site, prefix: &str) -> Vec<Message> {
    let (ranking, site) = (Ranking::of(snapshot, site), &site.for_programs());
    let of_unit = |score: &plant::Score| {
        let unit = score.unit.as_ref()?;
        let [topic, _] = unit_topics(unit, prefix);
        Some(Message { topic, payload: json(&ScoreJson::of(score, snapshot, site)) })
    };
    ranking.all().filter_map(of_unit).collect()
}

/// The message at `<prefix>/advice/<unit>`: what is raised for a unit, an empty list if nothing is.
pub fn advice_message(unit: &UnitId, advice: &[Advice], now: Timestamp, prefix: &str) -> Message {
    let raised = advice.iter().filter(|advice| advice.unit == *unit && advice.raised_at.is_some());
    let told = AdviceJson {
        unit,
        advice: raised.map(|advice| Told::of(advice, now)).collect(),
        notice: "Advice for planning, not an alarm. The plant's procedures and its own longest interval come first.",
    };
    let [_, topic] = unit_topics(unit, prefix);
    Message { topic, payload: json(&told) }
}

#[derive(Serialize)]
struct AdviceJson<'a> {
    unit: &'a UnitId,
    advice: Vec<Told<'a>>,
    notice: &'static str,
}

#[derive(Serialize)]
struct StatusJson<'a> {
    status: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    since: Option<Timestamp>,
    version: &'a str,
    meaning: &'static str,
}

/// The message at `<prefix>/status` while the service is connected.
pub fn online_message(site: &Site, prefix: &str, since: Timestamp) -> Message {
    let meaning = "Scores under this prefix are kept up to date.";
    status(prefix, &StatusJson { status: "online", since: Some(since), version: &site.version, meaning })
}

/// The will at `<prefix>/status`, and what the service says when it leaves. It carries no time: nobody knows it beforehand.
pub fn offline_message(site: &Site, prefix: &str) -> Message {
    let meaning = "Scores under this prefix are no longer kept up to date. Inspect on the fixed schedule.";
    status(prefix, &StatusJson { status: "offline", since: None, version: &site.version, meaning })
}

/// At `<prefix>/collectors/<name>`, retained: whether a collector that only collects is there. Without `since` it is not, which
/// is also its will.
pub fn collector_message(site: &Site, prefix: &str, name: &str, since: Option<Timestamp>) -> Message {
    let (status, meaning) = match since {
        Some(_) => ("online", "This collector takes its share of the telemetry."),
        None => ("offline", "What the broker keeps for this collector waits until it is back."),
    };
    let payload = json(&StatusJson { status, since, version: &site.version, meaning });
    Message { topic: format!("{prefix}/collectors/{name}"), payload }
}

fn status(prefix: &str, status: &StatusJson<'_>) -> Message {
    Message { topic: format!("{prefix}/status"), payload: json(status) }
}

fn json(value: &impl Serialize) -> String {
    serde_json::to_string(value).expect("plain structs with text keys always have a JSON form")
}
