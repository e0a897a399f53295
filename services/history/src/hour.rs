//! Stage one's result: what was seen of one unit in one clock hour, and what is carried over a cut.

use std::collections::BTreeMap;

use plant::{Exposure, Signal, UnitId};
use serde::{Deserialize, Serialize};

use crate::meter::{HourMeter, MeterHeld};
use crate::step::Held;

/// What was seen of one unit in one clock hour (UTC).
#[derive(Debug, Clone, PartialEq)]
pub struct HourSeen {
    /// Whole hours since 1970-01-01T00:00Z.
    pub hour: i64,
    /// The unit's first timed reading ever, if it lies in this hour, µs since 1970-01-01T00:00Z: its time counts from
    /// there.
    pub begun_us: Option<i64>,
    /// Running, with everything known that exposures need, µs.
    pub seen_us: i64,
    /// Running, but something is missing, µs.
    pub unseen_us: i64,
    /// Not known whether it ran, µs.
    pub unknown_us: i64,
    /// Sums over seen running time; run and blind hours come with the meter, in stage two.
    pub exposure: Exposure,
    /// The hour meter.
    pub meter: HourMeter,
}

/// What the shaft was last known to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub(crate) enum Shaft {
    /// Nothing known yet.
    #[default]
    Unheard,
    /// It stood; unknown time since does not change that.
    Stopped { since_us: i64 },
    /// It ran.
    Running,
}

/// What one unit takes over a cut in time.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct UnitCarry {
    /// A reading has come: time counts from there.
    pub(crate) begun: bool,
    pub(crate) held: BTreeMap<Signal, Held>,
    pub(crate) shaft: Shaft,
    /// The last start, µs.
    pub(crate) started_us: Option<i64>,
    /// Torque is above its limit, and has not fallen clearly below it since.
    pub(crate) over_limit: bool,
    pub(crate) meter: Option<MeterHeld>,
}

impl UnitCarry {
    /// The last reading of the signals that exposures need, µs.
    pub(crate) fn last_us(&self) -> Option<i64> {
        self.held.values().map(|held| held.at_us).max()
    }
}

/// What is carried from one day into the next: per unit the last readings and what the shaft was doing.
///
/// With it, days computed one by one give what all days at once give.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Carry {
    pub(crate) units: BTreeMap<UnitId, UnitCarry>,
}
