//! The fitted models, as they are published: what each was fitted on, and what it was held against.

use std::sync::Arc;

use jiff::Timestamp;
use serde::Serialize;

use crate::ValidationReport;
use crate::Voice;

/// Where a model stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ModelStatus {
    /// Fitted, not published.
    Proposed,
    /// The one that stands behind the scores.
    Approved,
    /// Stood behind the scores once.
    Retired,
}

impl ModelStatus {
    /// The word in JSON and on pages.
    pub const fn as_str(self) -> &'static str {
        match self {
            ModelStatus::Proposed => "proposed",
            ModelStatus::Approved => "approved",
            ModelStatus::Retired => "retired",
        }
    }
}

/// What the scores of a model stand on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ModelBasis {
    /// What the tubes went through.
    Exposures,
    /// Run hours alone.
    HoursOnly,
    /// The plant's stated belief.
    Prior,
}

impl ModelBasis {
    /// In words.
    pub(crate) fn words(self, voice: &Voice) -> String {
        match self {
            ModelBasis::Exposures => voice.say("basis-exposures"),
            ModelBasis::HoursOnly => voice.say("state-baseline"),
            ModelBasis::Prior => voice.say("basis-prior"),
        }
    }
}

/// One model of the ledger.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ModelEntry {
    /// Counted from 1.
    pub version: i64,
    /// Its name on scores.
    pub name: String,
    /// When it was fitted.
    pub created_at: Timestamp,
    /// Where it stands.
    pub status: ModelStatus,
    /// When that was decided.
    pub decided_at: Option<Timestamp>,
    /// By whom.
    pub decided_by: Option<String>,
    /// Why.
    pub why: Option<String>,
    /// What its scores stand on.
    pub basis: ModelBasis,
    /// The revision of the record that it has seen; `None` if it was kept before there were revisions.
    pub record_revision: Option<i64>,
    /// Intervals between looks that it was fitted on.
    pub n_rows: u64,
    /// Intervals that ended with the limit reached.
    pub n_events: u64,
    /// Lives in which the limit was reached: these count, not the intervals.
    pub n_event_lives: u64,
    /// First instant of its data.
    pub data_from: Option<Timestamp>,
    /// Last instant of its data.
    pub data_to: Option<Timestamp>,
    /// What validation on tubes that it had not seen says, in a sentence; `None` if there was none.
    pub verdict: Option<String>,
    /// What was left out, and why.
    pub notes: Vec<String>,
    /// What was forecast for tubes not seen, side by side.
    pub contenders: Vec<Contender>,
    /// Its coefficients.
    pub terms: Vec<FittedTerm>,
    /// How it did on tubes not seen, drawn up to be read: a page of its own, not part of the list in JSON.
    #[serde(skip)]
    pub report: Option<Arc<ValidationReport>>,
}

/// How well one way of forecasting did on tubes that it had not seen.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Contender {
    /// What was forecast with: the model, or a baseline that it must beat.
    pub forecast: String,
    /// Mean negative log-likelihood per look, natural logarithm; smaller is better.
    pub log_loss: f64,
    /// Mean squared difference between chance and outcome, 0 to 1; smaller is better.
    pub brier: f64,
    /// Chance that a look with the limit reached was ranked above one without; `None` if only one kind occurred.
    pub auc: Option<f64>,
}

/// A coefficient of a model, or a parameter of latent wear on the scale that its name says.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FittedTerm {
    /// The exposure's name; per run hour where it is a sum.
    pub name: String,
    /// Change of the logarithm of the hazard per unit of the term.
    pub coefficient: f64,
    /// Its standard error; `None` where the fit gives none.
    pub std_error: Option<f64>,
    /// What it is of where its name only counts, such as a surface.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub of: Option<String>,
}
