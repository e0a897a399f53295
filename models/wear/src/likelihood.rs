//! The penalised log-likelihood of the grouped proportional hazards model, with its derivatives.
//!
//! Parameters, in order: one intercept per stratum, one coefficient per term, and, if the shape is fitted, ln k. They
//! stand on an inner scale (terms centred and divided by their spread, ages divided by `clock_h`) on which they are of
//! order one.

use ndarray::Array2;

use crate::newton::{Objective, Point};
use crate::{Intervals, Shape};

pub(crate) struct Likelihood<'a> {
    pub(crate) rows: &'a Intervals,
    pub(crate) events: &'a [bool],
    /// Stratum of each row.
    pub(crate) strata: Vec<usize>,
    pub(crate) n_strata: usize,
    /// Columns of the terms in the table.
    pub(crate) columns: Vec<usize>,
    pub(crate) centre: Vec<f64>,
    pub(crate) scale: Vec<f64>,
    /// How far each inner covariate goes from 0.
    pub(crate) reach: Vec<f64>,
    /// Ridge on each inner coefficient.
    pub(crate) ridge: Vec<f64>,
    pub(crate) stratum_ridge: f64,
    pub(crate) clock_h: f64,
    pub(crate) shape: Shape,
}

/// Sums over the cells of a row, without its intercept.
struct Moments {
    /// The cumulative hazard.
    hazard: f64,
    /// Its derivatives with respect to coefficients and ln k.
    first: Vec<f64>,
    /// Its second derivatives, lower triangle by rows.
    second: Vec<f64>,
}

/// `age^k` and what differentiating it needs, kept from the end of one cell to the start of the next.
#[derive(Clone, Copy)]
struct AgePower {
    age: f64,
    power: f64,
    /// k ln(age).
    log: f64,
}

impl AgePower {
    const BIRTH: AgePower = AgePower { age: 0.0, power: 0.0, log: 0.0 };

    fn of(age: f64, k: f64) -> AgePower {
        if age == 0.0 {
            return AgePower::BIRTH;
        }
        if k == 1.0 {
            return AgePower { age, power: age, log: age.ln() };
        }
        let log = k * age.ln();
        AgePower { age, power: log.exp(), log }
    }
}

impl Likelihood<'_> {
    pub(crate) fn n_parameters(&self) -> usize {
        self.n_strata + self.columns.len() + usize::from(self.fits_shape())
    }

    pub(crate) fn fits_shape(&self) -> bool {
        self.shape == Shape::Fitted
    }

    pub(crate) fn shape_at(&self, at: &[f64]) -> f64 {
        match self.shape {
            Shape::Fixed(k) => k,
            Shape::Fitted => at[self.n_parameters() - 1].exp(),
        }
    }

    fn coefficients<'b>(&self, at: &'b [f64]) -> &'b [f64] {
        &at[self.n_strata..self.n_strata + self.columns.len()]
    }

    /// Cumulative hazard of a row without its intercept.
    fn bare_hazard(&self, row: usize, beta: &[f64], k: f64) -> f64 {
        let mut last = AgePower::BIRTH;
        let mut hazard = 0.0;
        for (from_h, to_h, x) in self.rows.cells(row) {
            let width = if k == 1.0 {
                (to_h - from_h) / self.clock_h
            } else {
                let (from, to) = self.ages(from_h, to_h, k, last);
                last = to;
                to.power - from.power
            };
            let mut log_multiplier = 0.0;
            for (j, column) in self.columns.iter().enumerate() {
                log_multiplier += beta[j] * ((x[*column] - self.centre[j]) / self.scale[j]);
            }
            hazard += width * log_multiplier.exp();
        }
        hazard
    }

    fn ages(&self, from_h: f64, to_h: f64, k: f64, last: AgePower) -> (AgePower, AgePower) {
        let (from, to) = (from_h / self.clock_h, to_h / self.clock_h);
        let from = if from == last.age { last } else { AgePower::of(from, k) };
        (from, AgePower::of(to, k))
    }

    fn moments(&self, row: usize, beta: &[f64], k: f64, moments: &mut Moments, z: &mut [f64]) {
        let p = beta.len();
        moments.hazard = 0.0;
        moments.first.fill(0.0);
        moments.second.fill(0.0);
        let mut last = AgePower::BIRTH;
        for (from_h, to_h, x) in self.rows.cells(row) {
            let mut log_multiplier = 0.0;
            for (j, column) in self.columns.iter().enumerate() {
                z[j] = (x[*column] - self.centre[j]) / self.scale[j];
                log_multiplier += beta[j] * z[j];
            }
            let multiplier = log_multiplier.exp();
            let (width, slope, bend) = if self.fits_shape() {
                let (from, to) = self.ages(from_h, to_h, k, last);
                last = to;
                let slope = to.power * to.log - from.power * from.log;
                let bend = to.power * to.log * to.log - from.power * from.log * from.log;
                (to.power - from.power, slope, slope + bend)
            } else if k == 1.0 {
                ((to_h - from_h) / self.clock_h, 0.0, 0.0)
            } else {
                let (from, to) = self.ages(from_h, to_h, k, last);
                last = to;
                (to.power - from.power, 0.0, 0.0)
            };
            let hazard = width * multiplier;
            moments.hazard += hazard;
            let (covariates, shape) = moments.second.split_at_mut(p * (p + 1) / 2);
            let mut rest = covariates;
            for (j, first) in moments.first[..p].iter_mut().enumerate() {
                let part = hazard * z[j];
                *first += part;
                let (entries, later) = rest.split_at_mut(j + 1);
                entries.iter_mut().zip(&*z).for_each(|(entry, z)| *entry += part * z);
                rest = later;
            }
            if let [across @ .., own] = shape {
                let slope = multiplier * slope;
                moments.first[p] += slope;
                across.iter_mut().zip(&*z).for_each(|(entry, z)| *entry += slope * z);
                *own += multiplier * bend;
            }
        }
    }

    /// Calls `each` with every row's hazard H, its stratum, dH/H and d2H/H.
    fn over_rows(&self, at: &[f64], mut each: impl FnMut(usize, f64, usize, &[f64], &[f64])) {
        let beta = self.coefficients(at);
        let q = self.n_parameters() - self.n_strata;
        let mut moments = Moments { hazard: 0.0, first: vec![0.0; q], second: vec![0.0; q * (q + 1) / 2] };
        let mut z = vec![0.0; beta.len()];
        let k = self.shape_at(at);
        for row in 0..self.rows.len() {
            self.moments(row, beta, k, &mut moments, &mut z);
            let bare = moments.hazard;
            let sums = moments.first.iter_mut().chain(moments.second.iter_mut());
            sums.for_each(|sum| *sum = if bare > 0.0 { *sum / bare } else { 0.0 });
            let stratum = self.strata[row];
            each(row, at[stratum].exp() * bare, stratum, &moments.first, &moments.second);
        }
    }

    pub(crate) fn shape_runs_away(&self, at: &[f64]) -> bool {
        self.fits_shape() && !(0.02..=50.0).contains(&self.shape_at(at))
    }

    /// Terms that would multiply a hazard by more than e^50 within their own range.
    pub(crate) fn terms_run_away(&self, at: &[f64]) -> Vec<usize> {
        let coefficients = self.coefficients(at);
        (0..coefficients.len()).filter(|j| coefficients[*j].abs() * self.reach[*j] > 50.0).collect()
    }

    /// Log-likelihood without penalties.
    pub(crate) fn log_likelihood(&self, at: &[f64]) -> f64 {
        let (beta, k) = (self.coefficients(at), self.shape_at(at));
        (0..self.rows.len())
            .map(|row| {
                let hazard = at[self.strata[row]].exp() * self.bare_hazard(row, beta, k);
                row_log_likelihood(hazard, self.events[row])
            })
            .sum()
    }

    /// Both penalties.
    pub(crate) fn penalty(&self, at: &[f64]) -> f64 {
        let ridge: f64 = self.coefficients(at).iter().zip(&self.ridge).map(|(b, w)| w * b * b).sum();
        let steps: f64 = at[..self.n_strata].windows(2).map(|pair| (pair[1] - pair[0]).powi(2)).sum();
        0.5 * (ridge + self.stratum_ridge * steps)
    }

    fn add_penalty(&self, at: &[f64], gradient: &mut [f64], information: &mut Array2<f64>) {
        for (j, (b, w)) in self.coefficients(at).iter().zip(&self.ridge).enumerate() {
            let j = self.n_strata + j;
            gradient[j] -= w * b;
            information[[j, j]] += w;
        }
        for g in 1..self.n_strata {
            let pull = self.stratum_ridge * (at[g] - at[g - 1]);
            gradient[g] -= pull;
            gradient[g - 1] += pull;
            information[[g, g]] += self.stratum_ridge;
            information[[g - 1, g - 1]] += self.stratum_ridge;
            information[[g, g - 1]] -= self.stratum_ridge;
            information[[g - 1, g]] -= self.stratum_ridge;
        }
    }

    /// Expected information, penalties included.
    pub(crate) fn expected_information(&self, at: &[f64]) -> Array2<f64> {
        let n = self.n_parameters();
        let mut information = Array2::<f64>::zeros((n, n));
        self.over_rows(at, |_, hazard, stratum, first, _| {
            // (dp)^2 / (p (1 - p)) with p = 1 - exp(-H).
            let weight = hazard * (hazard / hazard.exp_m1());
            let weight = if weight.is_finite() { weight } else { 0.0 };
            self.add_outer(&mut information, stratum, weight, first);
        });
        mirror(&mut information);
        self.add_penalty(at, &mut vec![0.0; n], &mut information);
        information
    }

    /// Adds `weight * a a'` for a = (1 at the stratum, first) to the lower triangle.
    fn add_outer(&self, information: &mut Array2<f64>, stratum: usize, weight: f64, first: &[f64]) {
        let s = self.n_strata;
        information[[stratum, stratum]] += weight;
        for j in 0..first.len() {
            let part = weight * first[j];
            information[[s + j, stratum]] += part;
            for l in 0..=j {
                information[[s + j, s + l]] += part * first[l];
            }
        }
    }
}

/// A hazard beyond this has no meaning; steps that lead there are outside the domain, so that no sum overflows.
const MOST: f64 = 1e100;

fn row_log_likelihood(hazard: f64, event: bool) -> f64 {
    match event {
        _ if hazard.is_nan() || hazard > MOST => f64::NEG_INFINITY,
        true => (-(-hazard).exp_m1()).ln(),
        false => -hazard,
    }
}

fn mirror(matrix: &mut Array2<f64>) {
    for i in 0..matrix.nrows() {
        for j in 0..i {
            matrix[[j, i]] = matrix[[i, j]];
        }
    }
}

impl Objective for Likelihood<'_> {
    fn value(&self, at: &[f64]) -> f64 {
        self.log_likelihood(at) - self.penalty(at)
    }

    fn point(&self, at: &[f64]) -> Point {
        let (n, s) = (self.n_parameters(), self.n_strata);
        let mut gradient = vec![0.0; n];
        let mut information = Array2::<f64>::zeros((n, n));
        let mut value = 0.0;
        self.over_rows(at, |row, hazard, stratum, first, second| {
            value += row_log_likelihood(hazard, self.events[row]);
            // slope = H l'(H), bend = H^2 l''(H).
            let (slope, bend) = if self.events[row] {
                let half = (0.5 * hazard).sinh();
                (hazard / hazard.exp_m1(), -(0.5 * hazard / half).powi(2))
            } else {
                (-hazard, 0.0)
            };
            gradient[stratum] += slope;
            for (j, first) in first.iter().enumerate() {
                gradient[s + j] += slope * first;
            }
            self.add_outer(&mut information, stratum, -bend, first);
            information[[stratum, stratum]] -= slope;
            let mut entry = 0;
            for j in 0..first.len() {
                information[[s + j, stratum]] -= slope * first[j];
                for l in 0..=j {
                    information[[s + j, s + l]] -= slope * second[entry];
                    entry += 1;
                }
            }
        });
        mirror(&mut information);
        self.add_penalty(at, &mut gradient, &mut information);
        Point { value: value - self.penalty(at), gradient, information }
    }

    fn out_of_range(&self, at: &[f64]) -> bool {
        self.shape_runs_away(at) || !self.terms_run_away(at).is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Row;

    /// Rows of one to four cells in two strata, some with gaps, made up.
    fn table() -> Intervals {
        let mut builder = Intervals::builder(["a", "b"]);
        for i in 0..12u8 {
            let grade_start = i % 2;
            let grade_end = if i % 3 == 0 { 2 } else { grade_start };
            builder.row(Row { group: "t", life: i.into(), grade_start, grade_end }).unwrap();
            let mut age_h = 40.0 * f64::from(i % 4);
            for cell in 0..=(i % 4) {
                let wave = f64::from(i * 7 + cell * 3);
                builder.cell(age_h, age_h + 60.0, &[wave.sin(), 2.0 + wave.cos()]).unwrap();
                age_h += 60.0 + 5.0 * f64::from(cell % 2);
            }
        }
        builder.build().unwrap()
    }

    fn likelihood<'a>(rows: &'a Intervals, events: &'a [bool], shape: Shape) -> Likelihood<'a> {
        Likelihood {
            rows,
            events,
            strata: (0..rows.len()).map(|row| usize::from(rows.row(row).grade_start)).collect(),
            n_strata: 2,
            columns: vec![1, 0],
            centre: vec![2.0, 0.1],
            scale: vec![0.7, 0.6],
            reach: vec![2.0, 2.0],
            ridge: vec![0.8, 0.0],
            stratum_ridge: 0.3,
            clock_h: 200.0,
            shape,
        }
    }

    #[test]
    fn derivatives_agree_with_finite_differences() {
        let rows = table();
        let events: Vec<bool> = (0..rows.len()).map(|row| rows.event(row, 2)).collect();
        for (shape, at) in [
            (Shape::Fixed(1.0), vec![-0.4, 0.3, 0.5, -0.8]),
            (Shape::Fixed(1.7), vec![-0.4, 0.3, 0.5, -0.8]),
            (Shape::Fitted, vec![-0.4, 0.3, 0.5, -0.8, 0.6]),
            (Shape::Fitted, vec![2.0, -3.0, 1.5, 2.0, -0.5]),
        ] {
            let likelihood = likelihood(&rows, &events, shape);
            let point = likelihood.point(&at);
            assert!((point.value - likelihood.value(&at)).abs() < 1e-11);
            for i in 0..at.len() {
                let shifted = |by: f64| {
                    let mut at = at.clone();
                    at[i] += by;
                    at
                };
                let step = 1e-5;
                let slope = (likelihood.value(&shifted(step)) - likelihood.value(&shifted(-step))) / (2.0 * step);
                assert!((slope - point.gradient[i]).abs() < 1e-6 * (1.0 + slope.abs()), "{shape:?} {i}: {slope}");
                let (up, down) =
                    (likelihood.point(&shifted(step)).gradient, likelihood.point(&shifted(-step)).gradient);
                for j in 0..at.len() {
                    let bend = -(up[j] - down[j]) / (2.0 * step);
                    let found = point.information[[i, j]];
                    assert!((bend - found).abs() < 1e-6 * (1.0 + bend.abs()), "{shape:?} {i},{j}: {bend} {found}");
                }
            }
        }
    }

    #[test]
    fn expected_information_is_the_mean_of_the_observed_over_outcomes() {
        // The observed information is linear in each outcome, so its mean over outcomes sets every row to event with
        // probability p; summing rows alone gives that mean exactly.
        let rows = table();
        let at = [-0.4, 0.3, 0.5, -0.8, 0.6];
        let information = |events: &[bool]| {
            let mut likelihood = likelihood(&rows, events, Shape::Fitted);
            likelihood.ridge = vec![0.0; 2];
            likelihood.stratum_ridge = 0.0;
            (likelihood.point(&at).information, likelihood.expected_information(&at), likelihood.log_likelihood(&at))
        };
        let none = vec![false; rows.len()];
        let (base, expected, base_log) = information(&none);
        let mut mean = base.clone();
        for row in 0..rows.len() {
            let mut one = none.clone();
            one[row] = true;
            let (with, _, log) = information(&one);
            // log(p / (1 - p)) is the gain in log-likelihood when this row alone becomes an event.
            let p = 1.0 / (1.0 + (base_log - log).exp());
            mean = mean + (&with - &base) * p;
        }
        assert!((&mean - &expected).iter().all(|d| d.abs() < 1e-9), "{mean}\n{expected}");
    }
}
