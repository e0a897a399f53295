//! The register: tubes, where they sat, what was done to them, and what the plant plans.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::finding::words;
use crate::{TubeId, UnitId};

/// A tube as the plant bought or renewed it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tube {
    /// Its serial.
    pub tube: TubeId,
    /// Its surface: `hard_chrome`, `stainless`, `nitrided`, `other`, or a name of the config.
    pub surface: String,
    /// Bore in mm.
    pub bore_mm: Option<f64>,
    /// Scraped length in mm.
    pub length_mm: Option<f64>,
    /// Plating thickness in µm when new.
    pub plating_um: Option<f64>,
    /// Run hours on this surface before the records begin, h. Known age, blind hours.
    pub run_h_before: Option<f64>,
    /// Free text.
    pub note: Option<String>,
}

/// A period in which a tube sits in a unit: from `from` up to, not including, `to`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fitting {
    /// Which tube.
    pub tube: TubeId,
    /// In which unit.
    pub unit: UnitId,
    /// Since when.
    pub from: Timestamp,
    /// Until when; `None` while it is there.
    pub to: Option<Timestamp>,
}

words!(
    /// What was done to a tube.
    WorkKind, "work", {
        /// A new tube.
        New = "new",
        /// Honed and polished: a new life for grades; plating reserve and surface hours go on.
        HonePolish = "hone_polish",
        /// Stripped, ground, plated and finished: as new.
        Replate = "replate",
        /// Blades changed or sharpened: the rate may change, the wall does not.
        Blades = "blades",
        /// Anything else; it changes nothing here.
        Other = "other",
    }
);

impl WorkKind {
    /// Whether grades start again from smooth.
    pub const fn starts_life(self) -> bool {
        matches!(self, WorkKind::New | WorkKind::HonePolish | WorkKind::Replate)
    }
}

/// One piece of work on a tube.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Work {
    /// When.
    pub at: Timestamp,
    /// On which tube.
    pub tube: TubeId,
    /// What.
    pub work: WorkKind,
    /// Free text.
    pub note: Option<String>,
}

/// A production run on a unit, past or planned.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Campaign {
    /// On which unit.
    pub unit: UnitId,
    /// From when.
    pub from: Timestamp,
    /// Until when.
    pub to: Timestamp,
    /// What runs.
    pub product: String,
    /// Still to come when it was entered.
    pub planned: bool,
    /// Run hours expected or counted, h.
    pub run_h: Option<f64>,
}
