//! What a person needs to know of a validation: how many stand behind it, and whether to publish.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use crate::concordance::{Concordance, of_lives};
use crate::decision::{DecisionCost, decision_curve};
use crate::metrics::surprise;
use crate::null::{Reliability, reliability};
use crate::reliability::{CalibrationIntervals, Estimate, calibration_intervals};
use crate::validate::{Forecast, LEAST_EVENTS, Validation};

/// Groups of the reliability diagram.
const BINS: usize = 10;
/// Sets of outcomes drawn for the null.
const DRAWS: usize = 2000;
/// Their seed: a validation says the same whenever it is made.
const SEED: u64 = 1;
/// Steps of the decision curve.
const STEPS: usize = 50;

/// How much stands behind a validation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Counts {
    /// Rows at risk: intervals between two looks that begin below the limit.
    pub rows: usize,
    /// Rows that end in an event.
    pub events: usize,
    /// Tubes.
    pub tubes: usize,
    /// Lives.
    pub lives: usize,
    /// Lives with an event.
    pub event_lives: usize,
    /// Lives that ended, or are still running, without an event seen: censored.
    pub censored_lives: usize,
}

/// How much better the model foretold than a baseline.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Skill {
    /// The baseline.
    pub against: Forecast,
    /// Share of the baseline's log loss that the model saves, [`Validation::flattery`] taken off; `None` if there is none to save.
    pub log_loss_skill: Option<f64>,
    /// Share of the baseline's Brier score that the model saves; `None` if there is none to save.
    pub brier_skill: Option<f64>,
    /// Mean log loss per row that the model saves, [`Validation::flattery`] taken off, its interval from the spread between
    /// tubes; `None` with one tube.
    pub log_loss_saved: Option<Estimate>,
}

/// Whether the probabilities of a forecast mean what they say.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Honesty {
    /// Which forecast.
    pub forecast: Forecast,
    /// Recalibration with intervals; `None` where it has no answer.
    pub calibration: Option<CalibrationIntervals>,
    /// Shares of events against their simulated null.
    pub reliability: Reliability,
}

/// A validation, drawn up to be read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// What stands behind every number in it.
    pub counts: Counts,
    /// Against the base rate and against hours alone.
    pub skills: Vec<Skill>,
    /// Of hours alone and of the model.
    pub honesty: Vec<Honesty>,
    /// Whether the model orders lives; `None` if no two of a fold can be ordered.
    pub concordance: Option<Concordance>,
    /// What opening by it would have cost.
    pub decision: Vec<DecisionCost>,
    /// Whether the model may be published.
    pub publish: bool,
    /// Publish or do not, and why, in a sentence.
    pub sentence: String,
}

impl Report {
    /// Draws up what a validation has found.
    pub fn of(validation: &Validation) -> Report {
        let rows = Rows::of(validation);
        let honesty: Vec<Honesty> =
            [Forecast::HoursOnly, Forecast::Model].into_iter().map(|forecast| rows.honesty(forecast)).collect();
        let skills: Vec<Skill> = [Forecast::BaseRate, Forecast::HoursOnly]
            .into_iter()
            .map(|against| rows.skill(validation, against))
            .collect();
        let calibration = honesty.last().and_then(|honesty| honesty.calibration);
        Report {
            counts: counts(validation),
            skills,
            concordance: of_lives(&validation.predictions, Forecast::Model),
            decision: decision_curve(
                &rows.probabilities(Forecast::Model),
                &rows.probabilities(Forecast::HoursOnly),
                &rows.outcomes,
                STEPS,
            ),
            publish: validation.model_wins,
            sentence: sentence(validation, calibration.as_ref()),
            honesty,
        }
    }
}

/// The predictions by column.
struct Rows<'a> {
    validation: &'a Validation,
    outcomes: Vec<bool>,
    /// The tube of each row, counted from 0.
    tubes: Vec<usize>,
}

impl<'a> Rows<'a> {
    fn of(validation: &'a Validation) -> Self {
        let names: BTreeSet<&str> = validation.predictions.iter().map(|row| row.group.as_str()).collect();
        let place: BTreeMap<&str, usize> = names.into_iter().zip(0..).collect();
        Rows {
            validation,
            outcomes: validation.predictions.iter().map(|row| row.event).collect(),
            tubes: validation.predictions.iter().map(|row| place[row.group.as_str()]).collect(),
        }
    }

    fn probabilities(&self, forecast: Forecast) -> Vec<f64> {
        self.validation.predictions.iter().map(|row| row.probabilities[forecast as usize]).collect()
    }

    fn honesty(&self, forecast: Forecast) -> Honesty {
        let probabilities = self.probabilities(forecast);
        Honesty {
            forecast,
            calibration: calibration_intervals(&probabilities, &self.outcomes, &self.tubes),
            reliability: reliability(&probabilities, &self.outcomes, BINS, DRAWS, SEED),
        }
    }

    fn skill(&self, validation: &Validation, against: Forecast) -> Skill {
        let (baseline, model) =
            (&validation.contenders[against as usize], &validation.contenders[Forecast::Model as usize]);
        let share = |saved: f64, of: f64| (of > 0.0).then(|| saved / of);
        Skill {
            against,
            log_loss_skill: share(baseline.log_loss - model.log_loss - validation.flattery, baseline.log_loss),
            brier_skill: share(baseline.brier - model.brier, baseline.brier),
            log_loss_saved: self.saved(&self.probabilities(against), &self.probabilities(Forecast::Model)),
        }
    }

    /// Mean log loss per row saved, less what the choice of the kind flatters by; its variance from the sums per tube.
    fn saved(&self, baseline: &[f64], model: &[f64]) -> Option<Estimate> {
        let mut sums = vec![0.0; self.tubes.iter().max().map_or(0, |most| most + 1)];
        for (row, event) in self.outcomes.iter().enumerate() {
            sums[self.tubes[row]] += surprise(baseline[row], *event) - surprise(model[row], *event);
        }
        if sums.len() < 2 {
            return None;
        }
        let (g, n) = (sums.len() as f64, self.outcomes.len() as f64);
        let mean = sums.iter().sum::<f64>() / g;
        let variance = sums.iter().map(|sum| (sum - mean).powi(2)).sum::<f64>() / (g - 1.0);
        Some(Estimate::normal(mean * g / n - self.validation.flattery, variance * g / (n * n)))
    }
}

fn counts(validation: &Validation) -> Counts {
    let lives: BTreeSet<(&str, u32)> =
        validation.predictions.iter().map(|row| (row.group.as_str(), row.life)).collect();
    Counts {
        rows: validation.n_rows,
        events: validation.n_events,
        tubes: validation.n_groups,
        lives: lives.len(),
        event_lives: validation.n_event_lives,
        censored_lives: lives.len() - validation.n_event_lives,
    }
}

fn plain(forecast: Forecast) -> &'static str {
    match forecast {
        Forecast::BaseRate => "the base rate",
        Forecast::ConstantRate => "a constant rate per run hour",
        Forecast::HoursOnly => "run hours alone",
        Forecast::Model => "the model",
    }
}

fn sentence(validation: &Validation, calibration: Option<&CalibrationIntervals>) -> String {
    let (events, tubes) = (validation.n_events, validation.n_groups);
    if events < LEAST_EVENTS {
        return format!("Do not publish a model: {events} events are too few for any; it takes {LEAST_EVENTS}.");
    }
    let loss = |forecast: Forecast| validation.contenders[forecast as usize].log_loss;
    let rivals = Forecast::ALL.into_iter().filter(|forecast| *forecast != Forecast::Model);
    let best = rivals.min_by(|a, b| loss(*a).total_cmp(&loss(*b))).unwrap_or(Forecast::BaseRate);
    let (model, rival) = (loss(Forecast::Model), loss(best));
    let flattery = validation.flattery;
    let chosen = if flattery < 0.000_05 {
        String::new()
    } else {
        format!(" (and {flattery:.4} more, because its kind was chosen by the same tubes)")
    };
    let compared = format!("log loss {model:.4}{chosen} against {rival:.4} of {}", plain(best));
    if validation.model_wins {
        let but = calibration.and_then(doubt).map_or(String::new(), |doubt| format!("; but {doubt}"));
        return format!("Publish the model: on {tubes} tubes that it had not seen it foretold best, {compared}{but}.");
    }
    if validation.winner == Forecast::Model {
        return "Do not publish the model: it could not be fitted in any fold, and hours alone stood in for it."
            .to_owned();
    }
    let by = if rival <= model + flattery {
        "it foretold no better"
    } else {
        "its lead is within one standard error between tubes"
    };
    format!("Do not publish the model: on {tubes} tubes that it had not seen {by}, {compared}.")
}

/// What the calibration says against the probabilities, if anything.
fn doubt(calibration: &CalibrationIntervals) -> Option<String> {
    let told = |what: &str, it: &Estimate| {
        format!("{what} ({:.2}, 90 % interval {:.2} to {:.2})", it.value, it.lower, it.upper)
    };
    let (slope, level) = (&calibration.slope, &calibration.in_the_large);
    if !slope.holds(1.0) {
        let what = if slope.value < 1.0 { "its chances are too extreme" } else { "its chances are too timid" };
        return Some(told(&format!("{what} by the slope of its calibration"), slope));
    }
    let what = if level.value > 0.0 { "it foretells too few events" } else { "it foretells too many events" };
    (!level.holds(0.0)).then(|| told(&format!("{what} by the level of its calibration"), level))
}
