//! What arrives from the plant, and what is kept out.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::{Signal, UnitId};

/// A reason for which messages were kept out, or taken with a doubt.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fault {
    /// The reason, a stable word.
    pub reason: String,
    /// How many.
    pub count: u64,
    /// The first one.
    pub first: Timestamp,
    /// The last one.
    pub last: Timestamp,
    /// One of them, cut short, and what would be right.
    pub sample: String,
}

/// What a unit's signal has sent.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SignalReport {
    /// Which unit.
    pub unit: UnitId,
    /// Which signal.
    pub signal: Signal,
    /// The topic that brought it last.
    pub topic: String,
    /// Readings taken since the service started.
    pub count: u64,
    /// Readings per minute over the last minutes.
    pub per_min: f64,
    /// Time of the newest reading.
    pub last_at: Option<Timestamp>,
    /// When the last message came.
    pub arrived_at: Option<Timestamp>,
    /// The newest value in the house unit, as text.
    pub value: String,
    /// The house unit.
    pub measure: String,
    /// The newest value as the plant sent it.
    pub raw: String,
    /// It comes with QoS 0: what is lost on the way is lost.
    pub unprotected: bool,
    /// What was kept out or doubted, by reason.
    pub faults: Vec<Fault>,
}

/// A topic that no mapping takes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UnmappedTopic {
    /// The topic.
    pub topic: String,
    /// How many messages.
    pub count: u64,
    /// The last one.
    pub last: Timestamp,
    /// Its payload, cut short.
    pub sample: String,
}
