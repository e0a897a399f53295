//! How published chances did: each complete look marks what was said of its tube before.

use jiff::Timestamp;
use plant::{Reason, State, TubeId, UnitId};
use serde::Serialize;

/// A published chance and what the look found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MarkedScore {
    /// The tube.
    pub tube: TubeId,
    /// The unit in which it sat when the chance was published; `None` on the shelf.
    pub unit: Option<UnitId>,
    /// When the look was.
    pub look_at: Timestamp,
    /// Why the tube was opened, if somebody said so.
    pub reason: Option<Reason>,
    /// When the chance was published.
    pub said_at: Timestamp,
    /// By which model.
    pub model: String,
    /// The state of that score.
    pub state: State,
    /// Run hours from then to the look, h.
    pub run_h: f64,
    /// The chance for so many run hours, 0 to 1.
    pub chance: f64,
    /// Whether the look found the limit reached.
    pub found: bool,
}

/// Looks of one kind, finds against those expected.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrackLine {
    /// Which looks, in words.
    pub which: String,
    /// How many.
    pub looks: u64,
    /// How many found the limit reached.
    pub found: u64,
    /// How many should have, by the chances.
    pub expected: f64,
    /// From how many finds on right chances explain it, in 19 of 20 cases.
    pub at_least: u64,
    /// Up to how many.
    pub at_most: u64,
    /// Share of finds: lower end of its exact 95 % interval.
    pub share_lower: f64,
    /// Upper end.
    pub share_upper: f64,
    /// Mean squared difference between chance and outcome.
    pub brier: f64,
    /// Mean minus log-likelihood per look, natural logarithm.
    pub log_loss: f64,
}

impl TrackLine {
    /// Whether right chances explain the finds.
    pub(crate) fn explained(&self) -> bool {
        (self.at_least..=self.at_most).contains(&self.found)
    }
}

/// Whether chances have drifted since a model was approved.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Drift {
    /// The model.
    pub model: String,
    /// Looks that marked it.
    pub looks: u64,
    /// What speaks for drift; while the chances are right this passes a number no sooner, in the mean, than after as many
    /// looks.
    pub evidence: f64,
    /// From where on it is told.
    pub limit: f64,
    /// The look at which it was first told; `None` while it is not.
    pub since: Option<Timestamp>,
    /// What to make of it, in a sentence.
    pub sentence: String,
}

/// How published chances did.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct TrackRecord {
    /// Finds against expectations, by kinds of looks.
    pub lines: Vec<TrackLine>,
    /// By chance: how often looks found what was said.
    pub bins: Vec<TrackLine>,
    /// Drift of the model that speaks now; `None` before a look marked it.
    pub drift: Option<Drift>,
    /// The last chance before each look, newest look first.
    pub marks: Vec<MarkedScore>,
    /// Complete looks before which nothing was published that could be marked.
    pub unmarked: u64,
}
