//! One value of one signal of one unit at one instant.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::{Signal, UnitId};

/// What was read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Value {
    /// A finite number in the signal's house unit.
    Number(f64),
    /// A word, for `mode` and `product`.
    Text(Box<str>),
    /// The source said that it has no value (null, NaN, bad quality without one). Not a zero, not a stop.
    Missing,
}

impl Value {
    /// The number, if it is one.
    pub fn number(&self) -> Option<f64> {
        match self {
            Value::Number(number) => Some(*number),
            _ => None,
        }
    }
}

/// How far a reading may be believed. Ordered: bad below uncertain below good.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[repr(u8)]
pub enum Quality {
    /// Not to be used: what the signal is from here on is unknown.
    Bad = 0,
    /// Used, and flagged.
    Uncertain = 1,
    /// Used.
    Good = 2,
}

impl Quality {
    /// The quality with this code (0, 1, 2).
    pub const fn from_code(code: u8) -> Option<Self> {
        match code {
            0 => Some(Quality::Bad),
            1 => Some(Quality::Uncertain),
            2 => Some(Quality::Good),
            _ => None,
        }
    }
}

/// Where the time of a reading comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[repr(u8)]
pub enum TimeSource {
    /// The message or file carried it.
    Own = 0,
    /// It is the instant of arrival of a live message without a time.
    Arrival = 1,
    /// The message had no time and was old when it came (retained, or from a backlog): kept, but in no exposure.
    Unknown = 2,
}

impl TimeSource {
    /// The source with this code (0, 1, 2).
    pub const fn from_code(code: u8) -> Option<Self> {
        match code {
            0 => Some(TimeSource::Own),
            1 => Some(TimeSource::Arrival),
            2 => Some(TimeSource::Unknown),
            _ => None,
        }
    }
}

/// One value of one signal of one unit at one instant, with its quality.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Where.
    pub unit: UnitId,
    /// What.
    pub signal: Signal,
    /// When, to the microsecond.
    pub at: Timestamp,
    /// The value in the signal's house unit.
    pub value: Value,
    /// How far it may be believed.
    pub quality: Quality,
    /// Where `at` comes from.
    pub time_source: TimeSource,
}
