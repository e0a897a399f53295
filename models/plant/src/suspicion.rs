//! Doubts about what is written down or sent: raised and shown, never resolved silently.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::finding::words;
use crate::{TubeId, UnitId};

words!(
    /// What a suspicion is about.
    SuspicionKind, "suspicion", {
        /// Two units seem to have traded their torque signals, or their tubes without a fitting written down.
        TradedTorque = "traded_torque",
        /// A grade is much lower than before, and no work is written down in between.
        GradeFell = "grade_fell",
        /// A depth looks like mil in a column of µm, or like µm converted once too often.
        DepthUnit = "depth_unit",
        /// The ends of the tube seem to be taken for each other.
        EndsMirrored = "ends_mirrored",
        /// Run hours that the unit's hour meter did not show.
        WrongMeter = "wrong_meter",
        /// Entered long after it was seen: the time may be that of something else.
        EnteredLate = "entered_late",
        /// One inspector gave two grades of the same place at the same instant.
        TwoGrades = "two_grades",
    }
);

/// One doubt, with what it rests on and what would settle it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Suspicion {
    /// What it is about.
    pub kind: SuspicionKind,
    /// When what is doubted happened.
    pub at: Timestamp,
    /// The tube, if it is about one.
    pub tube: Option<TubeId>,
    /// The units that it touches.
    pub units: Vec<UnitId>,
    /// What is odd, in a sentence.
    pub what: String,
    /// What to check.
    pub check: String,
}

/// All doubts about a record, newest first, and how often a grade was one lower than before: a usual misread.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Suspicions {
    /// The doubts, newest first.
    pub doubts: Vec<Suspicion>,
    /// Grades of a place one lower than at the look before it, without work in between.
    pub one_lower: u64,
    /// Grades of a place that could be compared so.
    pub compared: u64,
}
