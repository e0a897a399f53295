//! The fitted model.

use linfa::traits::PredictInplace;
use ndarray::Array1;
use serde::{Deserialize, Serialize};

use crate::{Intervals, RidgeScale, Se, WearError};

/// A term and its coefficient on the log hazard.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FittedTerm {
    /// Its name.
    pub name: String,
    /// Change of the log hazard per unit of the column.
    pub coefficient: f64,
    /// Standard error of `coefficient`.
    pub std_error: f64,
    /// Change of the log hazard per standard deviation.
    pub coefficient_sd: f64,
    /// Standard error of `coefficient_sd`.
    pub std_error_sd: f64,
    /// Mean over the rows of the fit.
    pub mean: f64,
    /// Population standard deviation over the rows of the fit.
    pub sd: f64,
    /// Whether the ridge held it.
    pub penalised: bool,
}

/// The log hazard of a starting grade at covariates of zero, per (run hour)^shape.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Intercept {
    /// The starting grade.
    pub grade_start: u8,
    /// Its log hazard where every term is 0.
    pub value: f64,
    /// Standard error of `value`.
    pub std_error: f64,
    /// Its log hazard where every term is at its mean.
    pub value_at_mean: f64,
    /// Rows that start at this grade.
    pub n_rows: usize,
    /// How many of these end in an event.
    pub n_events: usize,
}

/// A fitted grouped proportional hazards model; see [`crate::HazardParams`] for what it says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hazard {
    /// Terms, in the order of their covariates.
    pub terms: Vec<FittedTerm>,
    /// Intercepts, by rising starting grade.
    pub intercepts: Vec<Intercept>,
    /// Weibull shape k.
    pub shape: f64,
    /// Standard error of `shape`; `None` if it was fixed.
    pub shape_std_error: Option<f64>,
    /// Log-likelihood at the fit, penalties not included.
    pub log_likelihood: f64,
    /// Penalties at the fit.
    pub penalty: f64,
    /// Rows at risk.
    pub n_rows: usize,
    /// How many of these end in an event.
    pub n_events: usize,
    /// In how many distinct lives.
    pub n_event_lives: usize,
    /// Always true: a fit that does not converge is an error.
    pub converged: bool,
    /// Newton steps taken.
    pub iterations: usize,
    /// The grade that is an event.
    pub limit: u8,
    /// The ridge on terms.
    pub ridge: f64,
    /// Its scale.
    pub ridge_scale: RidgeScale,
    /// The ridge between intercepts.
    pub stratum_ridge: f64,
    /// Where standard errors come from.
    pub se: Se,
    /// What the rows of `covariance` are: `intercept_<grade>`, the terms, and `ln_shape` if it was fitted.
    pub parameters: Vec<String>,
    /// Covariance of intercepts, coefficients and, if fitted, ln shape, in raw units.
    pub covariance: Vec<Vec<f64>>,
}

impl Hazard {
    /// The index of the intercept for a starting grade. A grade that the fit did not see borrows the greatest
    /// intercept of the grades below it, or the least of those above if there are none below.
    pub(crate) fn intercept_of(&self, grade_start: u8) -> usize {
        let value = |i: &usize| self.intercepts[*i].value;
        let grades = 0..self.intercepts.len();
        let seen = grades.clone().find(|i| self.intercepts[*i].grade_start == grade_start);
        let below = grades.clone().filter(|i| self.intercepts[*i].grade_start < grade_start);
        let above = grades.clone().filter(|i| self.intercepts[*i].grade_start > grade_start);
        seen.or_else(|| below.max_by(|a, b| value(a).total_cmp(&value(b))))
            .or_else(|| above.min_by(|a, b| value(a).total_cmp(&value(b))))
            .unwrap_or(0)
    }

    /// Whether the fit saw rows that start at this grade.
    pub fn knows_grade(&self, grade_start: u8) -> bool {
        self.intercepts.iter().any(|intercept| intercept.grade_start == grade_start)
    }

    /// How many times faster a tube wears under `x` (one value per term) than where every term is 0.
    pub fn multiplier(&self, x: &[f64]) -> f64 {
        self.log_multiplier(x).exp()
    }

    pub(crate) fn log_multiplier(&self, x: &[f64]) -> f64 {
        self.terms.iter().zip(x).map(|(term, x)| term.coefficient * x).sum()
    }

    /// For each row, the probability that its later look finds the limit reached, had it been below at the start.
    ///
    /// # Errors
    /// [`WearError::UnknownTerm`] if the rows lack a term.
    pub fn probabilities(&self, rows: &Intervals) -> Result<Vec<f64>, WearError> {
        let columns = rows.columns(self.terms.iter().map(|term| term.name.as_str()))?;
        let probability = |row: usize| {
            let intercept = self.intercepts[self.intercept_of(rows.row(row).grade_start)].value;
            let hazard: f64 = rows
                .cells(row)
                .map(|(from_h, to_h, x)| {
                    let terms = self.terms.iter().zip(&columns);
                    let log: f64 = terms.map(|(term, column)| term.coefficient * x[*column]).sum();
                    (to_h.powf(self.shape) - from_h.powf(self.shape)) * (intercept + log).exp()
                })
                .sum();
            -(-hazard).exp_m1()
        };
        Ok((0..rows.len()).map(probability).collect())
    }
}

/// Probabilities by the framework's own door.
///
/// # Panics
/// `predict` panics if the rows lack a term of the model; [`Hazard::probabilities`] returns the error instead.
impl PredictInplace<Intervals, Array1<f64>> for Hazard {
    fn predict_inplace<'a>(&'a self, rows: &'a Intervals, targets: &mut Array1<f64>) {
        let probabilities = self.probabilities(rows);
        *targets = probabilities.expect("the caller gives rows that have the terms of the model").into();
    }

    fn default_target(&self, rows: &Intervals) -> Array1<f64> {
        Array1::zeros(rows.len())
    }
}
