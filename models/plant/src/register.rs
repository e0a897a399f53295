//! The register: tubes, where they sat, what was done to them, and what the plant plans.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::finding::words;
use crate::{Grade, TubeId, UnitId};

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

impl Fitting {
    /// Whether the tube sits there at an instant (its first instant does, its last does not).
    pub fn holds(&self, at: Timestamp) -> bool {
        self.from <= at && self.to.is_none_or(|to| at < to)
    }
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

/// What a kind of work does to a tube. A change of the rate of wear, as by new blades, is not among them: the model has
/// no use for it yet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WorkEffect {
    /// Grades start again: what was read before says nothing of the wall after it.
    pub starts_life: bool,
    /// The worst grade that it leaves, if it starts a life.
    pub grade_after: Grade,
    /// Plating that it takes off at least, µm.
    pub plating_used_um: f64,
    /// The plating is as thick as in the register again, and its hours start anew.
    pub renews_plating: bool,
}

/// What each kind of work does to a tube.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WorkEffects {
    /// A new tube.
    pub new: WorkEffect,
    /// Honed and polished.
    pub hone_polish: WorkEffect,
    /// Stripped and plated again.
    pub replate: WorkEffect,
    /// Blades changed or sharpened.
    pub blades: WorkEffect,
    /// Anything else.
    pub other: WorkEffect,
}

impl WorkEffects {
    /// What a kind of work does.
    pub const fn of(&self, work: WorkKind) -> WorkEffect {
        match work {
            WorkKind::New => self.new,
            WorkKind::HonePolish => self.hone_polish,
            WorkKind::Replate => self.replate,
            WorkKind::Blades => self.blades,
            WorkKind::Other => self.other,
        }
    }
}

impl Default for WorkEffects {
    /// New and re-plated tubes are as new, honing leaves a smooth wall and takes 10 µm of plating (house default, no
    /// source), blades and other work change nothing.
    fn default() -> Self {
        let nothing =
            WorkEffect { starts_life: false, grade_after: Grade::SMOOTH, plating_used_um: 0.0, renews_plating: false };
        let as_new = WorkEffect { starts_life: true, renews_plating: true, ..nothing };
        let hone_polish = WorkEffect { starts_life: true, plating_used_um: 10.0, ..nothing };
        WorkEffects { new: as_new, hone_polish, replate: as_new, blades: nothing, other: nothing }
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
