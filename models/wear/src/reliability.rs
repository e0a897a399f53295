//! Whether probabilities mean what they say.

use ndarray::{Array2, array};
use serde::{Deserialize, Serialize};

use crate::newton::{Objective, Point, maximise};
use crate::symmetric::Cholesky;

/// A group of rows with similar probabilities.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Bin {
    /// Rows in it.
    pub n: usize,
    /// Mean probability.
    pub mean_probability: f64,
    /// Share of events.
    pub event_rate: f64,
}

/// Logistic recalibration of probabilities.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// Slope on the logit: 1 is right, below 1 the probabilities are too extreme.
    pub slope: f64,
    /// Intercept that goes with the slope.
    pub intercept: f64,
    /// Intercept with the slope held at 1: 0 is right, above 0 too few events were foretold.
    pub in_the_large: f64,
}

/// Groups of near-equal size by rising probability (a stable sort; the first groups take one row more if the rows do not
/// divide evenly). Fewer rows than bins: one row each.
pub fn reliability_bins(probabilities: &[f64], outcomes: &[bool], bins: usize) -> Vec<Bin> {
    let bin = |rows: Vec<usize>| Bin {
        n: rows.len(),
        mean_probability: rows.iter().map(|row| probabilities[*row]).sum::<f64>() / rows.len() as f64,
        event_rate: rows.iter().filter(|row| outcomes[**row]).count() as f64 / rows.len() as f64,
    };
    rows_by_bin(probabilities, bins).into_iter().map(bin).collect()
}

/// The rows of each bin, by rising probability.
pub(crate) fn rows_by_bin(probabilities: &[f64], bins: usize) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..probabilities.len()).collect();
    order.sort_by(|a, b| probabilities[*a].total_cmp(&probabilities[*b]));
    let bins = bins.min(order.len());
    let mut rest = order.as_slice();
    let mut result = Vec::with_capacity(bins);
    for bin in 0..bins {
        let (rows, later) = rest.split_at(order.len() / bins + usize::from(bin < order.len() % bins));
        rest = later;
        result.push(rows.to_vec());
    }
    result
}

/// Fits outcomes on the logit of their probabilities. `None` if all outcomes agree, all probabilities do, or the two
/// separate.
pub fn calibration(probabilities: &[f64], outcomes: &[bool]) -> Option<Calibration> {
    let logits = logits(probabilities);
    let free = maximise(&Logistic { logits: &logits, outcomes, slope_free: true }, vec![0.0, 1.0], 100).ok()?;
    let held = maximise(&Logistic { logits: &logits, outcomes, slope_free: false }, vec![0.0], 100).ok()?;
    Some(Calibration { intercept: free.at[0], slope: free.at[1], in_the_large: held.at[0] })
}

/// An estimate and its interval, 90 %.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The estimate.
    pub value: f64,
    /// Lower end.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
}

impl Estimate {
    /// An estimate with the interval of a normal distribution.
    pub(crate) fn normal(value: f64, variance: f64) -> Estimate {
        // The 95 % point of the standard normal distribution, so that 90 % lie between its two sides.
        let half = 1.644_853_626_951_472_7 * variance.sqrt();
        Estimate { value, lower: value - half, upper: value + half }
    }

    /// Whether a value lies in the interval.
    pub fn holds(&self, value: f64) -> bool {
        self.lower <= value && value <= self.upper
    }
}

/// A [`Calibration`] with intervals.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CalibrationIntervals {
    /// Slope on the logit: 1 is right, below 1 the probabilities are too extreme.
    pub slope: Estimate,
    /// Intercept that goes with the slope.
    pub intercept: Estimate,
    /// Intercept with the slope held at 1: 0 is right, above 0 too few events were foretold.
    pub in_the_large: Estimate,
}

/// [`calibration`] with intervals that take the groups, not the rows, as witnesses: rows of one tube are not independent.
///
/// The variance is the sandwich of Liang and Zeger (1986), times G / (G - 1) for G groups; `groups` counts from 0.
/// `None` as for [`calibration`], and with fewer than two groups.
pub fn calibration_intervals(
    probabilities: &[f64],
    outcomes: &[bool],
    groups: &[usize],
) -> Option<CalibrationIntervals> {
    let logits = logits(probabilities);
    let of = |slope_free: bool, start: Vec<f64>| {
        let logistic = Logistic { logits: &logits, outcomes, slope_free };
        let found = maximise(&logistic, start, 100).ok()?;
        let variance = logistic.by_group(&found.at, &found.information, groups)?;
        Some(found.at.into_iter().zip(variance).map(|(at, v)| Estimate::normal(at, v)).collect::<Vec<_>>())
    };
    let (free, held) = (of(true, vec![0.0, 1.0])?, of(false, vec![0.0])?);
    Some(CalibrationIntervals { intercept: free[0], slope: free[1], in_the_large: held[0] })
}

fn logits(probabilities: &[f64]) -> Vec<f64> {
    probabilities.iter().map(|p| p.clamp(1e-15, 1.0 - 1e-15)).map(|p| p.ln() - (-p).ln_1p()).collect()
}

struct Logistic<'a> {
    logits: &'a [f64],
    outcomes: &'a [bool],
    slope_free: bool,
}

impl Logistic<'_> {
    /// Variance of each parameter from the spread of the gradients of whole groups.
    fn by_group(&self, at: &[f64], information: &Array2<f64>, groups: &[usize]) -> Option<Vec<f64>> {
        let n_groups = groups.iter().max().map_or(0, |most| most + 1);
        if n_groups < 2 {
            return None;
        }
        let slope = if self.slope_free { at[1] } else { 1.0 };
        let mut gradients = vec![[0.0; 2]; n_groups];
        for ((logit, y), group) in self.logits.iter().zip(self.outcomes).zip(groups) {
            let miss = f64::from(u8::from(*y)) - 1.0 / (1.0 + (-(at[0] + slope * logit)).exp());
            gradients[*group][0] += miss;
            gradients[*group][1] += miss * logit;
        }
        let bread = Cholesky::of(information).ok()?;
        let mut variance = vec![0.0; at.len()];
        for gradient in gradients {
            for (sum, part) in variance.iter_mut().zip(bread.solve(&gradient[..at.len()])) {
                *sum += part * part;
            }
        }
        let few = n_groups as f64 / (n_groups as f64 - 1.0);
        Some(variance.into_iter().map(|sum| sum * few).collect())
    }
}

impl Objective for Logistic<'_> {
    fn value(&self, at: &[f64]) -> f64 {
        let slope = if self.slope_free { at[1] } else { 1.0 };
        let rows = self.logits.iter().zip(self.outcomes);
        rows.map(|(logit, y)| {
            let eta = at[0] + slope * logit;
            // ln p or ln (1 - p) without overflow.
            let eta = if *y { eta } else { -eta };
            if eta > 0.0 { -(-eta).exp().ln_1p() } else { eta - eta.exp().ln_1p() }
        })
        .sum()
    }

    fn point(&self, at: &[f64]) -> Point {
        let slope = if self.slope_free { at[1] } else { 1.0 };
        let mut gradient = [0.0; 2];
        let mut information = array![[0.0, 0.0], [0.0, 0.0]];
        for (logit, y) in self.logits.iter().zip(self.outcomes) {
            let p = 1.0 / (1.0 + (-(at[0] + slope * logit)).exp());
            let miss = f64::from(u8::from(*y)) - p;
            gradient[0] += miss;
            gradient[1] += miss * logit;
            information += &(array![[1.0, *logit], [*logit, logit * logit]] * (p * (1.0 - p)));
        }
        let n = at.len();
        let information = Array2::from_shape_fn((n, n), |(i, j)| information[[i, j]]);
        Point { value: self.value(at), gradient: gradient[..n].to_vec(), information }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bins_take_the_odd_rows_first() {
        let p: Vec<f64> = (0..7).map(|i| f64::from(i) / 10.0).collect();
        let bins = reliability_bins(&p, &[false, false, false, true, true, true, true], 3);
        assert_eq!(bins.iter().map(|bin| bin.n).collect::<Vec<_>>(), [3, 2, 2]);
        assert_eq!(bins[0].event_rate, 0.0);
        assert!((bins[1].mean_probability - 0.35).abs() < 1e-15);
    }

    #[test]
    fn two_groups_recalibrate_exactly() {
        // With two distinct probabilities the fit meets both event rates: logit(.25) and logit(.5) at logits of .1, .4.
        let p = [0.1, 0.1, 0.1, 0.1, 0.4, 0.4];
        let found = calibration(&p, &[true, false, false, false, true, false]).unwrap();
        let logit = |p: f64| (p / (1.0 - p)).ln();
        let slope = (logit(0.5) - logit(0.25)) / (logit(0.4) - logit(0.1));
        assert!(
            (found.slope - slope).abs() < 1e-9 && (found.intercept - (logit(0.5) - slope * logit(0.4))).abs() < 1e-9
        );
    }

    #[test]
    fn rows_that_are_their_own_groups_vary_like_two_shares() {
        // By hand, for two distinct probabilities: the variance of a logit of k of n is n / (k (n - k)), here 4/3 and 2,
        // and the slope is their difference over that of the logits; times 6/5 for six groups.
        let p = [0.1, 0.1, 0.1, 0.1, 0.4, 0.4];
        let y = [true, false, false, false, true, false];
        let found = calibration_intervals(&p, &y, &[0, 1, 2, 3, 4, 5]).unwrap();
        let logit = |p: f64| (p / (1.0 - p)).ln();
        let width = logit(0.4) - logit(0.1);
        let std_error = ((4.0 / 3.0 + 2.0) * 6.0 / 5.0f64).sqrt() / width;
        assert!(((found.slope.upper - found.slope.value) / 1.6448536 - std_error).abs() < 1e-6, "{found:?}");
        assert_eq!(found.slope.value, calibration(&p, &y).unwrap().slope);
        assert_eq!(calibration_intervals(&p, &y, &[0; 6]), None);
    }

    #[test]
    fn nothing_to_calibrate_gives_nothing() {
        assert_eq!(calibration(&[0.1, 0.2, 0.3], &[false, false, false]), None);
        assert_eq!(calibration(&[0.1, 0.2, 0.8], &[false, false, true]), None);
        assert_eq!(calibration(&[0.2, 0.2, 0.2], &[false, false, true]), None);
    }
}
