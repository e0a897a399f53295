//! Risk of one tube: past hazard, hazard to come, how sure, and what made it.

use serde::{Deserialize, Serialize};

use crate::course::check_hours;
use crate::{BlindPace, Course, Hazard, Pace, WearError};

/// Standard normal quantile of 0.95: intervals hold the middle 90 %.
const Z_90: f64 = 1.644_853_626_951_472_2;

/// Blind hours wear at a multiplier that nobody saw: one standard deviation of its logarithm is taken as ln 2, a factor
/// of two either way (house rule, no source).
const BLIND_LOG_SD: f64 = std::f64::consts::LN_2;

/// A probability with its central 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Risk {
    /// Probability that a complete look would find the limit reached, 0 to 1.
    pub risk: f64,
    /// Lower end of the interval.
    pub lower: f64,
    /// Upper end of the interval.
    pub upper: f64,
}

/// What a course means under a model.
///
/// The cumulative hazard is a sum of one non-negative part per piece of running:
/// `exp(gamma) * (to^k - from^k) * multiplier`. A blind piece takes the greater of the fleet's median hour and the
/// highest that the unit's running mean of covered hours has stood from that piece on; so no hour that is appended, seen
/// or blind, gentle or harsh, can ever lower it.
#[derive(Debug, Clone)]
pub struct Outlook<'a> {
    hazard: &'a Hazard,
    intercept: usize,
    age_start_h: f64,
    age_now_h: f64,
    past: Wear,
    /// The part of `past` that is blind.
    blind: f64,
    /// Parts of `past` by driver: running itself, each term, blind.
    parts: Vec<f64>,
}

/// A sum of `(to^k - from^k) * multiplier`, and its derivatives.
#[derive(Debug, Clone)]
struct Wear {
    sum: f64,
    by_coefficient: Vec<f64>,
    by_ln_shape: f64,
}

impl Wear {
    fn add(&mut self, width: f64, slope: f64, multiplier: f64, x: &[f64]) {
        let part = width * multiplier;
        self.sum += part;
        self.by_coefficient.iter_mut().zip(x).for_each(|(d, x)| *d += part * x);
        self.by_ln_shape += slope * multiplier;
    }
}

impl Hazard {
    /// What a course means under this model.
    ///
    /// # Errors
    /// [`WearError::Reached`] if its look had found the limit, [`WearError::Setting`] if course or paces have another
    /// number of terms than the model.
    pub fn outlook(&self, course: &Course, blind: &BlindPace) -> Result<Outlook<'_>, WearError> {
        let p = self.terms.len();
        if course.grade_start >= self.limit {
            return Err(WearError::Reached { grade_start: course.grade_start, limit: self.limit });
        }
        let paces = [Some(&blind.fleet_median), blind.unit_before.as_ref()];
        let widths = paces.iter().flatten().map(|pace| pace.x.len()).chain([course.n_terms]);
        if let Some(found) = widths.into_iter().find(|width| *width != p) {
            let value = found as f64;
            return Err(WearError::Setting { name: "number of terms", value, right: "that of the model" });
        }
        let mut outlook = Outlook {
            hazard: self,
            intercept: self.intercept_of(course.grade_start),
            age_start_h: course.age_h,
            age_now_h: course.age_h,
            past: Wear { sum: 0.0, by_coefficient: vec![0.0; p], by_ln_shape: 0.0 },
            blind: 0.0,
            parts: vec![0.0; p + 2],
        };
        let running = RunningMean::over(self, course, blind.unit_before.as_ref());
        let highest = running.highest_from_each();
        // Blind wear that hangs on the running mean as it stood after so many pieces.
        let mut hanging = vec![0.0; course.run_h.len() + 1];
        let mut covariates = course.x.chunks_exact(p.max(1));
        for (piece, h) in course.run_h.iter().enumerate() {
            let (width, slope) = outlook.advance(*h);
            if course.seen[piece] {
                let x = if p == 0 { &[][..] } else { covariates.next().unwrap_or(&[]) };
                outlook.past.add(width, slope, self.multiplier(x), x);
                outlook.share_out(width, x);
                continue;
            }
            let unit = highest[piece].filter(|state| running.means[*state] > Some(blind.fleet_median.multiplier));
            let multiplier = match unit {
                Some(state) => {
                    let multiplier = running.means[state].unwrap_or(blind.fleet_median.multiplier);
                    hanging[state] += width * multiplier;
                    outlook.past.add(width, slope, multiplier, &[]);
                    multiplier
                }
                None => {
                    let fleet = &blind.fleet_median;
                    outlook.past.add(width, slope, fleet.multiplier, &fleet.x);
                    fleet.multiplier
                }
            };
            outlook.blind += width * multiplier;
        }
        running.add_slopes(self, course, &hanging, &mut outlook.past.by_coefficient);
        outlook.parts[p + 1] = outlook.blind;
        Ok(outlook)
    }
}

/// The mean multiplier of a unit's covered hours as it stood before the course and after each piece of it.
struct RunningMean {
    means: Vec<Option<f64>>,
    before: (f64, Vec<f64>),
}

impl RunningMean {
    fn over(hazard: &Hazard, course: &Course, before: Option<&Pace>) -> RunningMean {
        let mut run_h = before.map_or(0.0, |pace| pace.run_h);
        let mut worn = before.map_or(0.0, |pace| pace.run_h * pace.multiplier);
        let before_x = before.map_or_else(|| vec![0.0; hazard.terms.len()], |pace| pace.x.clone());
        let start = (worn, before_x);
        let mut means = vec![(run_h > 0.0).then(|| worn / run_h)];
        let mut pieces = course.seen_pieces();
        for seen in &course.seen {
            if *seen && let Some((h, x)) = pieces.next() {
                run_h += h;
                worn += h * hazard.multiplier(x);
            }
            means.push((run_h > 0.0).then(|| worn / run_h));
        }
        RunningMean { means, before: start }
    }

    /// For each state, the later (or same) state with the highest mean.
    fn highest_from_each(&self) -> Vec<Option<usize>> {
        let mut highest = vec![None; self.means.len()];
        let mut best: Option<usize> = None;
        for state in (0..self.means.len()).rev() {
            if self.means[state] > best.and_then(|best| self.means[best]) {
                best = Some(state);
            }
            highest[state] = best;
        }
        highest
    }

    /// Adds `hanging[state] * d ln mean(state)`.
    fn add_slopes(&self, hazard: &Hazard, course: &Course, hanging: &[f64], by_coefficient: &mut [f64]) {
        let (mut worn, x) = (self.before.0, &self.before.1);
        let mut sums: Vec<f64> = x.iter().map(|x| worn * x).collect();
        let mut pieces = course.seen_pieces();
        for (state, hanging) in hanging.iter().enumerate() {
            if state > 0
                && course.seen[state - 1]
                && let Some((h, x)) = pieces.next()
            {
                let part = h * hazard.multiplier(x);
                worn += part;
                sums.iter_mut().zip(x).for_each(|(sum, x)| *sum += part * x);
            }
            if *hanging > 0.0 {
                by_coefficient.iter_mut().zip(&sums).for_each(|(d, sum)| *d += hanging * sum / worn);
            }
        }
    }
}

impl Outlook<'_> {
    /// Moves on by some hours: `to^k - from^k` and its derivative with respect to ln k.
    fn advance(&mut self, run_h: f64) -> (f64, f64) {
        let from_h = self.age_now_h;
        self.age_now_h += run_h;
        age_width(from_h, self.age_now_h, self.hazard.shape)
    }

    /// Shares a seen piece out between running itself and the terms: with c_j = beta_j x_j and s their sum, running
    /// takes 1 and term j takes `expm1(s) / s * c_j`, which add up to exp(s).
    fn share_out(&mut self, width: f64, x: &[f64]) {
        let s = self.hazard.log_multiplier(x);
        let per_log = if s.abs() < 1e-9 { 1.0 + 0.5 * s } else { s.exp_m1() / s };
        self.parts[0] += width;
        for (j, (term, x)) in self.hazard.terms.iter().zip(x).enumerate() {
            self.parts[j + 1] += width * per_log * term.coefficient * x;
        }
    }

    /// The risk of a look after `horizon_h` further run hours at a pace (0: now).
    ///
    /// `risk = 1 - exp(-H)`. The fit learns from what looks read, so that misread grades are in it already. The interval is
    /// symmetric on ln H: its variance is the delta method's on the covariance of the fit, plus (blind share of H x ln 2)
    /// squared for what nobody saw.
    ///
    /// # Errors
    /// [`WearError::Setting`] for a horizon or a pace that cannot be.
    pub fn risk(&self, horizon_h: f64, pace: &Pace) -> Result<Risk, WearError> {
        check_hours("horizon_h", horizon_h)?;
        check_hours("pace multiplier", pace.multiplier).map_err(|_| WearError::Setting {
            name: "pace multiplier",
            value: pace.multiplier,
            right: "0 or more",
        })?;
        if pace.x.len() != self.hazard.terms.len() {
            let value = pace.x.len() as f64;
            return Err(WearError::Setting { name: "number of terms of the pace", value, right: "that of the model" });
        }
        let mut wear = self.past.clone();
        let (width, slope) = age_width(self.age_now_h, self.age_now_h + horizon_h, self.hazard.shape);
        wear.add(width, slope, pace.multiplier, &pace.x);
        let read = |hazard: f64| -(-hazard).exp_m1();
        let hazard = self.hazard.intercepts[self.intercept].value.exp() * wear.sum;
        if hazard <= 0.0 {
            return Ok(Risk { risk: 0.0, lower: 0.0, upper: 0.0 });
        }
        let off = (Z_90 * self.log_variance(&wear).sqrt()).exp();
        Ok(Risk { risk: read(hazard), lower: read(hazard / off), upper: read(hazard * off) })
    }

    fn log_variance(&self, wear: &Wear) -> f64 {
        let s = self.hazard.intercepts.len();
        let mut slope = vec![0.0; self.hazard.parameters.len()];
        slope[self.intercept] = 1.0;
        for (j, d) in wear.by_coefficient.iter().enumerate() {
            slope[s + j] = d / wear.sum;
        }
        if self.hazard.shape_std_error.is_some() {
            slope[s + wear.by_coefficient.len()] = wear.by_ln_shape / wear.sum;
        }
        let rows = slope.iter().zip(&self.hazard.covariance);
        let fitted: f64 =
            rows.map(|(a, row)| a * slope.iter().zip(row).map(|(b, covariance)| b * covariance).sum::<f64>()).sum();
        fitted.max(0.0) + (self.blind / wear.sum * BLIND_LOG_SD).powi(2)
    }

    /// Age now, run hours since the life began.
    pub fn age_h(&self) -> f64 {
        self.age_now_h
    }

    /// Plain run hours (every term 0) from the look on that would have done the same, h.
    pub fn equivalent_h(&self) -> f64 {
        let k = self.hazard.shape;
        if k == 1.0 {
            return self.past.sum;
        }
        (self.age_start_h.powf(k) + self.past.sum).powf(1.0 / k) - self.age_start_h
    }

    /// What made [`Outlook::equivalent_h`], in plain run hours: `run_h` (running itself), each term, and `blind_h`. They
    /// add up to it exactly; a term with a negative coefficient saves hours.
    pub fn drivers(&self) -> Vec<(String, f64)> {
        let scale = if self.past.sum > 0.0 { self.equivalent_h() / self.past.sum } else { 0.0 };
        let terms = self.hazard.terms.iter().map(|term| term.name.as_str());
        let names = ["run_h"].into_iter().chain(terms).chain(["blind_h"]);
        names.zip(&self.parts).map(|(name, part)| (name.to_owned(), part * scale)).collect()
    }
}

/// `to^k - from^k` and its derivative with respect to ln k.
fn age_width(from_h: f64, to_h: f64, k: f64) -> (f64, f64) {
    let power = |age_h: f64| if age_h > 0.0 { (age_h.powf(k), k * age_h.ln()) } else { (0.0, 0.0) };
    let ((from, from_log), (to, to_log)) = (power(from_h), power(to_h));
    // Rounding must not let a tiny piece of a long life make good again what came before it.
    ((to - from).max(0.0), to * to_log - from * from_log)
}
