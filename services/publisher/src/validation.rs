//! What cross-validation found, as it is published: the numbers of the report and of its pictures.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::Voice;

/// A way of forecasting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Forecast {
    /// Events per interval, whatever the interval.
    BaseRate,
    /// A constant rate per run hour.
    ConstantRate,
    /// A Weibull distribution of run hours.
    HoursOnly,
    /// The model.
    Model,
}

impl Forecast {
    /// In words.
    pub(crate) fn words(self, voice: &Voice) -> String {
        match self {
            Forecast::BaseRate => voice.say("forecast-base-rate"),
            Forecast::ConstantRate => voice.say("forecast-constant-rate"),
            Forecast::HoursOnly => voice.say("state-baseline"),
            Forecast::Model => voice.say("forecast-model"),
        }
    }

    /// What it looks at.
    pub(crate) fn about(self, voice: &Voice) -> String {
        match self {
            Forecast::BaseRate => voice.say("forecast-base-rate-about"),
            Forecast::ConstantRate => voice.say("forecast-constant-rate-about"),
            Forecast::HoursOnly => voice.say("forecast-hours-about"),
            Forecast::Model => voice.say("basis-exposures"),
        }
    }
}

/// A number and its interval, 90 %.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The number.
    pub value: f64,
    /// Lower end.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
}

/// How one forecast did on tubes that it had not seen.
#[derive(Debug, Clone, PartialEq)]
pub struct ForecastScores {
    /// Which.
    pub forecast: Forecast,
    /// Mean minus log-likelihood per interval, natural logarithm; smaller is better.
    pub log_loss: f64,
    /// Mean squared difference between chance and outcome, 0 to 1; smaller is better.
    pub brier: f64,
    /// Chance that an interval with an event was ranked above one without; `None` if only one kind occurred.
    pub auc: Option<f64>,
    /// Log loss above that of the best.
    pub above_best: f64,
    /// Standard error of that, from the spread between tubes.
    pub above_best_se: f64,
    /// Folds in which the next simpler forecast stood in, each with the reason.
    pub stand_ins: Vec<String>,
}

/// How much better the model foretold than a baseline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Skill {
    /// The baseline.
    pub against: Forecast,
    /// Share of the baseline's log loss that the model saves; below 0 it is worse; `None` if there is none to save.
    pub log_loss: Option<f64>,
    /// The same of the Brier score.
    pub brier: Option<f64>,
    /// Log loss per interval that the model saves; `None` where tubes are too few for an interval.
    pub saved: Option<Estimate>,
}

/// A group of intervals with similar chances.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReliabilityBin {
    /// Intervals in it.
    pub n: usize,
    /// Events among them.
    pub n_events: usize,
    /// Mean of the chances, 0 to 1.
    pub mean: f64,
    /// Where the share of events would lie by chance if every chance were right, 0 to 1: 90 %.
    pub band: (f64, f64),
}

impl ReliabilityBin {
    /// Share of events, 0 to 1.
    pub(crate) fn share(&self) -> f64 {
        self.n_events as f64 / self.n as f64
    }

    /// Whether its share is one that chance alone explains.
    pub(crate) fn by_chance(&self) -> bool {
        self.band.0 <= self.share() && self.share() <= self.band.1
    }
}

/// Whether the chances of a forecast mean what they say.
#[derive(Debug, Clone, PartialEq)]
pub struct Honesty {
    /// Which forecast.
    pub forecast: Forecast,
    /// Slope of the calibration (1 is right), and its level (0 is right); `None` where it has no answer.
    pub slope_and_level: Option<(Estimate, Estimate)>,
    /// By rising chance.
    pub bins: Vec<ReliabilityBin>,
    /// Mean distance between chance and share over the bins, 0 to 1.
    pub error: f64,
    /// Its mean if every chance were right.
    pub null_mean: f64,
    /// Only one in twenty would be higher if every chance were right.
    pub null_upper: f64,
    /// Number of simulated sets of outcomes behind the two and the bands.
    pub draws: usize,
}

/// Pairs of lives that could be put in order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Concordance {
    /// Pairs.
    pub pairs: usize,
    /// Those that were foretold in this order; equal ones count half.
    pub won: f64,
}

/// Mean cost per look of ways to decide, in late catches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DecisionCost {
    /// Cost of opening over cost of a late catch.
    pub ratio: f64,
    /// Opening every time.
    pub always: f64,
    /// Never opening.
    pub never: f64,
    /// Opening by hours alone.
    pub hours_only: f64,
    /// Opening by the model.
    pub model: f64,
}

/// How much stands behind the numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReportCounts {
    /// Intervals between two looks.
    pub rows: usize,
    /// Those that ended in an event.
    pub events: usize,
    /// Tubes.
    pub tubes: usize,
    /// Lives.
    pub lives: usize,
    /// Lives with an event.
    pub event_lives: usize,
    /// Lives without one: censored.
    pub censored_lives: usize,
}

/// Tubes left out together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FoldCounts {
    /// Tubes.
    pub tubes: usize,
    /// Intervals.
    pub rows: usize,
    /// Events.
    pub events: usize,
}

/// How one forecast did on the looks of the last year.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RollingScores {
    /// The sum of its chances.
    pub expected: f64,
    /// Mean minus log-likelihood per look, natural logarithm.
    pub log_loss: f64,
    /// Mean squared difference between chance and outcome.
    pub brier: f64,
}

/// What opening by the model would have spared and cost.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct YearCost {
    /// Cost of opening over cost of a late catch.
    pub ratio: f64,
    /// Looks whose chance was below it: not opened.
    pub spared: u64,
    /// Of these, those that found the limit reached: caught late.
    pub late: u64,
}

impl YearCost {
    /// What would have been saved against opening all `looks`, in late catches; below 0 it would have cost more.
    pub fn saved(&self, looks: u64) -> f64 {
        let spent = self.ratio * (looks - self.spared) as f64 + self.late as f64;
        self.ratio * looks as f64 - spent
    }
}

/// The last year over again: fits at dates, each on what was known then, and what they said of the looks that followed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RollingYear {
    /// From when.
    pub from: Timestamp,
    /// Until when.
    pub to: Timestamp,
    /// Number of fits.
    pub fits: u64,
    /// Complete looks that followed them.
    pub looks: u64,
    /// Of these, those that found the limit reached.
    pub found: u64,
    /// The share of the intervals before that ended in an event.
    pub base_rate: RollingScores,
    /// Run hours alone.
    pub hours_only: RollingScores,
    /// What would have been published.
    pub model: RollingScores,
    /// By rising ratio.
    pub costs: Vec<YearCost>,
}

/// A by-tube cross-validation, drawn up to be read.
#[derive(Debug, Clone, PartialEq)]
pub struct ValidationReport {
    /// What stands behind every number.
    pub counts: ReportCounts,
    /// The tubes left out together, by fold.
    pub folds: Vec<FoldCounts>,
    /// From the simplest to the model.
    pub forecasts: Vec<ForecastScores>,
    /// Of the model against the baselines.
    pub skills: Vec<Skill>,
    /// Of hours alone and of the model.
    pub honesty: Vec<Honesty>,
    /// Whether the model orders lives; `None` if no two can be ordered.
    pub concordance: Option<Concordance>,
    /// By rising ratio.
    pub decision: Vec<DecisionCost>,
    /// The last year over again; `None` if that was not asked for, or it had no look to speak of.
    pub rolling: Option<RollingYear>,
    /// Whether the model may be published.
    pub publish: bool,
    /// Publish or do not, and why, in a sentence.
    pub sentence: String,
}
