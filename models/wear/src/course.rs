//! What one tube went through since its last complete look.

use serde::{Deserialize, Serialize};

use crate::{Hazard, WearError};

/// A typical hour: how fast it wears, and under what.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pace {
    /// Hours over which it was taken, run hours.
    pub run_h: f64,
    /// How many times faster than an hour in which every term is 0.
    pub multiplier: f64,
    /// Derivative of ln multiplier with respect to each coefficient: the covariates, weighed by what they wore.
    pub x: Vec<f64>,
}

/// What blind hours weigh with: at least the fleet's median hour, and at least the unit's own mean hour.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BlindPace {
    /// The fleet's median covered hour, [`Hazard::median_pace`].
    pub fleet_median: Pace,
    /// The unit's mean covered hour before this course began, [`Hazard::mean_pace`]; the course itself is added by the
    /// outlook. `None` if there was none.
    pub unit_before: Option<Pace>,
}

impl Hazard {
    /// The mean hour of running: pieces of run hours and covariates. `None` without hours.
    pub fn mean_pace<'a>(&self, pieces: impl IntoIterator<Item = (f64, &'a [f64])>) -> Option<Pace> {
        let mut run_h = 0.0;
        let mut worn = 0.0;
        let mut x = vec![0.0; self.terms.len()];
        for (h, piece_x) in pieces {
            let part = h * self.multiplier(piece_x);
            run_h += h;
            worn += part;
            x.iter_mut().zip(piece_x).for_each(|(sum, x)| *sum += part * x);
        }
        if run_h <= 0.0 {
            return None;
        }
        x.iter_mut().for_each(|sum| *sum /= worn);
        Some(Pace { run_h, multiplier: worn / run_h, x })
    }

    /// The median hour of running, weighed by run hours: half of them wear no faster. `None` without hours.
    pub fn median_pace<'a>(&self, pieces: impl IntoIterator<Item = (f64, &'a [f64])>) -> Option<Pace> {
        let pieces = pieces.into_iter().filter(|(h, _)| *h > 0.0);
        let mut sorted: Vec<(f64, f64, &[f64])> = pieces.map(|(h, x)| (self.log_multiplier(x), h, x)).collect();
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        let run_h: f64 = sorted.iter().map(|(_, h, _)| h).sum();
        let mut below = 0.0;
        for (log, h, x) in sorted {
            below += h;
            if below >= 0.5 * run_h {
                return Some(Pace { run_h, multiplier: log.exp(), x: x.to_vec() });
            }
        }
        None
    }
}

/// Running of one tube since its last complete look (or the smooth beginning of its life), in order of time.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    pub(crate) grade_start: u8,
    pub(crate) age_h: f64,
    pub(crate) n_terms: usize,
    pub(crate) run_h: Vec<f64>,
    pub(crate) seen: Vec<bool>,
    /// Covariates of the seen pieces only.
    pub(crate) x: Vec<f64>,
}

impl Course {
    /// Begins at a look that left the running worst grade at `grade_start`, at the age `age_h` (run hours since the
    /// life began), under a model with `n_terms` terms.
    ///
    /// # Errors
    /// [`WearError::Setting`] for an age that is negative or not finite.
    pub fn new(grade_start: u8, age_h: f64, n_terms: usize) -> Result<Course, WearError> {
        check_hours("age_h", age_h)?;
        Ok(Course { grade_start, age_h, n_terms, run_h: Vec::new(), seen: Vec::new(), x: Vec::new() })
    }

    /// Appends run hours that readings cover, with their covariates.
    ///
    /// # Errors
    /// [`WearError::Setting`] for hours or covariates that cannot be.
    pub fn seen(&mut self, run_h: f64, x: &[f64]) -> Result<(), WearError> {
        check_hours("run_h", run_h)?;
        if x.len() != self.n_terms {
            let value = x.len() as f64;
            return Err(WearError::Setting { name: "number of covariates", value, right: "one per term of the model" });
        }
        if let Some(value) = x.iter().copied().find(|x| !x.is_finite()) {
            return Err(WearError::Setting { name: "covariate", value, right: "a finite number" });
        }
        self.run_h.push(run_h);
        self.seen.push(true);
        self.x.extend_from_slice(x);
        Ok(())
    }

    /// Appends run hours by the meter that no reading covers.
    ///
    /// # Errors
    /// [`WearError::Setting`] for hours that cannot be.
    pub fn blind(&mut self, run_h: f64) -> Result<(), WearError> {
        check_hours("run_h", run_h)?;
        self.run_h.push(run_h);
        self.seen.push(false);
        Ok(())
    }

    /// Run hours since the look, h.
    pub fn run_h(&self) -> f64 {
        self.run_h.iter().sum()
    }

    /// Blind run hours since the look, h.
    pub fn blind_h(&self) -> f64 {
        self.run_h.iter().zip(&self.seen).filter(|(_, seen)| !**seen).map(|(h, _)| h).sum()
    }

    /// The seen pieces, in order: run hours and covariates.
    pub fn seen_pieces(&self) -> impl DoubleEndedIterator<Item = (f64, &[f64])> {
        let hours: Vec<f64> = self.run_h.iter().zip(&self.seen).filter(|(_, seen)| **seen).map(|(h, _)| *h).collect();
        let n = self.n_terms;
        hours.into_iter().enumerate().map(move |(i, h)| (h, &self.x[i * n..(i + 1) * n]))
    }
}

pub(crate) fn check_hours(name: &'static str, value: f64) -> Result<(), WearError> {
    if value >= 0.0 && value.is_finite() {
        Ok(())
    } else {
        Err(WearError::Setting { name, value, right: "0 h or more, and finite" })
    }
}
