//! Whether probabilities mean what they say.

use ndarray::{Array2, array};
use serde::{Deserialize, Serialize};

use crate::newton::{Objective, Point, maximise};

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
    let mut order: Vec<usize> = (0..probabilities.len()).collect();
    order.sort_by(|a, b| probabilities[*a].total_cmp(&probabilities[*b]));
    let bins = bins.min(order.len());
    let mut rest = order.as_slice();
    let mut result = Vec::with_capacity(bins);
    for bin in 0..bins {
        let n = order.len() / bins + usize::from(bin < order.len() % bins);
        let (rows, later) = rest.split_at(n);
        rest = later;
        result.push(Bin {
            n,
            mean_probability: rows.iter().map(|row| probabilities[*row]).sum::<f64>() / n as f64,
            event_rate: rows.iter().filter(|row| outcomes[**row]).count() as f64 / n as f64,
        });
    }
    result
}

/// Fits outcomes on the logit of their probabilities. `None` if all outcomes agree, all probabilities do, or the two
/// separate.
pub fn calibration(probabilities: &[f64], outcomes: &[bool]) -> Option<Calibration> {
    let logits: Vec<f64> =
        probabilities.iter().map(|p| p.clamp(1e-15, 1.0 - 1e-15)).map(|p| p.ln() - (-p).ln_1p()).collect();
    let free = maximise(&Logistic { logits: &logits, outcomes, slope_free: true }, vec![0.0, 1.0], 100).ok()?;
    let held = maximise(&Logistic { logits: &logits, outcomes, slope_free: false }, vec![0.0], 100).ok()?;
    Some(Calibration { intercept: free.at[0], slope: free.at[1], in_the_large: held.at[0] })
}

struct Logistic<'a> {
    logits: &'a [f64],
    outcomes: &'a [bool],
    slope_free: bool,
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
    fn nothing_to_calibrate_gives_nothing() {
        assert_eq!(calibration(&[0.1, 0.2, 0.3], &[false, false, false]), None);
        assert_eq!(calibration(&[0.1, 0.2, 0.8], &[false, false, true]), None);
        assert_eq!(calibration(&[0.2, 0.2, 0.2], &[false, false, true]), None);
    }
}
