//! How the values of a message are written.

use crate::pattern::Pattern;
use crate::pointer::Pointer;
use crate::quality::QualityRule;
use crate::stamp::TimeFormat;

/// How the value is written.
#[derive(Debug, Clone, PartialEq)]
pub enum Payload {
    /// The payload is the value: a number, or a word for `mode` and `product`. It has no time and no quality.
    Number,
    /// The value stands in a JSON document.
    Json {
        /// Where the value is.
        value: Pointer,
        /// Where its time is, if it has one.
        time: Option<TimeField>,
        /// Where its quality is, if it has one.
        quality: Option<QualityField>,
    },
    /// The document holds a list of readings.
    List {
        /// Where the list is.
        each: Pointer,
        /// Which entries of the list are meant; `None` for all.
        entry: Option<Entry>,
        /// Where in an entry the value is.
        value: Pointer,
        /// Where in an entry, or else in the whole document, its time is, if it has one.
        time: Option<TimeField>,
        /// Where in an entry its quality is, if it has one.
        quality: Option<QualityField>,
    },
    /// A JSON network message of OPC UA PubSub (OPC 10000-14): it has times and status codes of its own.
    OpcUa {
        /// The name of the field in the data set; it may hold `{unit}`.
        field: Pattern,
        /// The number or name of the data set's writer, if only one is meant.
        writer: Option<String>,
    },
    /// Sparkplug B (ISO/IEC 20237), on topics `spBv1.0/group/{type}/node[/device]`: it has times and qualities of its own.
    Sparkplug {
        /// The name of the metric; it may hold `{unit}`.
        metric: Pattern,
    },
}

/// Which entries of a list are meant.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Where in the entry its name is.
    pub at: Pointer,
    /// What is written there; it may hold `{unit}`.
    pub name: Pattern,
}

impl Payload {
    /// How the values of a message are named, if it holds several.
    pub(crate) fn name(&self) -> Option<&Pattern> {
        match self {
            Payload::Number | Payload::Json { .. } => None,
            Payload::List { entry, .. } => entry.as_ref().map(|entry| &entry.name),
            Payload::OpcUa { field, .. } => Some(field),
            Payload::Sparkplug { metric } => Some(metric),
        }
    }
}

/// Where in a JSON document the time is, and how it is written.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeField {
    /// Where.
    pub pointer: Pointer,
    /// How.
    pub format: TimeFormat,
}

/// Where in a JSON document the quality is, and how it is written.
#[derive(Debug, Clone, PartialEq)]
pub struct QualityField {
    /// Where.
    pub pointer: Pointer,
    /// How.
    pub rule: QualityRule,
}
