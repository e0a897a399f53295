//! The messages of the benchmark: what a sender publishes, and how the collector is told to read it.

use collector::{Mapping, Pattern, Payload, Pointer, TimeField, TimeFormat, TopicMap};
use plant::{Signal, UnitId};
use prost::Message;

use crate::Failure;

/// Processes that publish at the same time.
pub const SENDERS: u64 = 4;
/// Readings of a list, and metrics of a Sparkplug message.
pub const MANY: u64 = 100;
/// Time of the first reading, ms since 1970.
const BEGIN_MS: u64 = 1_700_000_000_000;

/// How a message is written.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A number alone; its time is that of its arrival.
    Number,
    /// JSON with a value and a time.
    Json,
    /// JSON with a list of values and times.
    List,
    /// A Sparkplug B message of a node, with metrics by alias, each with a time.
    Sparkplug,
}

impl Kind {
    pub const ALL: [Kind; 4] = [Kind::Number, Kind::Json, Kind::List, Kind::Sparkplug];

    pub fn name(self) -> &'static str {
        match self {
            Kind::Number => "number",
            Kind::Json => "json",
            Kind::List => "list",
            Kind::Sparkplug => "sparkplug",
        }
    }

    pub fn parse(name: &str) -> Option<Kind> {
        Kind::ALL.into_iter().find(|kind| kind.name() == name)
    }

    /// Readings that a message holds.
    pub fn readings(self) -> u64 {
        if matches!(self, Kind::Number | Kind::Json) { 1 } else { MANY }
    }

    /// What a sender publishes before anything is timed: the birth of its node.
    pub fn birth(self, sender: u64) -> Option<(String, Vec<u8>)> {
        (self == Kind::Sparkplug).then(|| {
            let metrics = (0..MANY).map(|alias| metric(Some(unit(sender, alias) + "/torque"), alias, BEGIN_MS, 0.0));
            let payload = Spark { timestamp: Some(BEGIN_MS), metrics: metrics.collect(), seq: Some(0) };
            (format!("spBv1.0/mill/NBIRTH/line{sender}"), payload.encode_to_vec())
        })
    }

    /// Topic and payload of a sender's n-th message, counted from 0.
    pub fn message(self, sender: u64, n: u64) -> (String, Vec<u8>) {
        let value = |n: u64| (n % 600) as f64 + 0.5;
        let at_ms = BEGIN_MS + 1 + n;
        let topic = format!("p/{}", unit(sender, 0));
        match self {
            Kind::Number => (topic, value(n).to_string().into_bytes()),
            Kind::Json => (topic, format!("{{\"v\":{},\"t\":{at_ms}}}", value(n)).into_bytes()),
            Kind::List => {
                let begin = BEGIN_MS + n * MANY;
                let entry = |k: u64| format!("{{\"v\":{},\"t\":{}}}", value(n + k), begin + k);
                let entries: Vec<String> = (0..MANY).map(entry).collect();
                (topic, format!("{{\"r\":[{}]}}", entries.join(",")).into_bytes())
            }
            Kind::Sparkplug => {
                let metrics = (0..MANY).map(|alias| metric(None, alias, at_ms, value(n + alias)));
                let payload = Spark { timestamp: Some(at_ms), metrics: metrics.collect(), seq: Some((n + 1) % 256) };
                (format!("spBv1.0/mill/NDATA/line{sender}"), payload.encode_to_vec())
            }
        }
    }

    /// How the collector reads it.
    pub fn map(self) -> Result<TopicMap, Failure> {
        let time =
            || -> Result<_, Failure> { Ok(Some(TimeField { pointer: Pointer::parse("t")?, format: TimeFormat::Ms })) };
        let (topic, payload) = match self {
            Kind::Number => ("p/{unit}", Payload::Number),
            Kind::Json => ("p/{unit}", Payload::Json { value: Pointer::parse("v")?, time: time()?, quality: None }),
            Kind::List => {
                let (each, value) = (Pointer::parse("r")?, Pointer::parse("v")?);
                ("p/{unit}", Payload::List { each, entry: None, value, time: time()?, quality: None })
            }
            Kind::Sparkplug => {
                ("spBv1.0/mill/{type}/{node}", Payload::Sparkplug { metric: Pattern::parse("{unit}/torque")? })
            }
        };
        let mapping = Mapping::new(Pattern::parse(topic)?, Signal::Torque, payload);
        let units = (0..SENDERS).flat_map(|sender| (0..MANY).map(move |place| unit(sender, place)));
        let units = units.map(|unit| UnitId::new(&unit)).collect::<Result<Vec<_>, _>>()?;
        Ok(TopicMap::new(vec![mapping], units)?)
    }
}

fn unit(sender: u64, place: u64) -> String {
    format!("C{}", sender * MANY + place)
}

fn metric(name: Option<String>, alias: u64, at_ms: u64, value: f64) -> Metric {
    // Data type 10 is a double (Sparkplug 3.0.0, 6.4.16).
    Metric { name, alias: Some(alias), timestamp: Some(at_ms), datatype: Some(10), value: Some(value) }
}

/// Sparkplug 3.0.0, 6.4.1, as far as it is sent here.
#[derive(Clone, PartialEq, prost::Message)]
struct Spark {
    #[prost(uint64, optional, tag = "1")]
    timestamp: Option<u64>,
    #[prost(message, repeated, tag = "2")]
    metrics: Vec<Metric>,
    #[prost(uint64, optional, tag = "3")]
    seq: Option<u64>,
}

#[derive(Clone, PartialEq, prost::Message)]
struct Metric {
    #[prost(string, optional, tag = "1")]
    name: Option<String>,
    #[prost(uint64, optional, tag = "2")]
    alias: Option<u64>,
    #[prost(uint64, optional, tag = "3")]
    timestamp: Option<u64>,
    #[prost(uint32, optional, tag = "4")]
    datatype: Option<u32>,
    #[prost(double, optional, tag = "13")]
    value: Option<f64>,
}
