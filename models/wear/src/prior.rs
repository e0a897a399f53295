//! The plant's stated belief, for as long as there are no findings to learn from.

use serde::{Deserialize, Serialize};

use crate::weibull::conditional_risk;
use crate::{Risk, WearError};

/// "A catch usually takes between `early_h` and `late_h` run hours on this surface, give or take a factor `spread`."
///
/// Read as: the time to a catch is Weibull with 90 % of tubes still sound at `early_h` and 10 % at `late_h`; its
/// characteristic life is not known better than to a factor `spread` (one standard deviation of its logarithm, normal
/// on the log scale). Hours are run hours, or equivalent hours if age and horizon are given in equivalent hours too.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Prior {
    /// Run hours that 9 of 10 tubes reach without a catch, h.
    pub early_h: f64,
    /// Run hours that 1 of 10 tubes reaches without a catch, h.
    pub late_h: f64,
    /// Factor of uncertainty of both, 1 or more.
    pub spread: f64,
}

/// Standard normal nodes for the mean over the characteristic life; the trapezoid rule is exact here to rounding.
const NODES: i32 = 120;
const NODE_WIDTH: f64 = 0.05;

impl Prior {
    /// Whether the belief makes sense.
    ///
    /// # Errors
    /// [`WearError::Setting`] naming the value that does not.
    pub fn check(&self) -> Result<(), WearError> {
        if !(self.early_h > 0.0 && self.early_h.is_finite()) {
            return Err(WearError::Setting { name: "early_h", value: self.early_h, right: "above 0 h" });
        }
        if !(self.late_h > self.early_h && self.late_h.is_finite()) {
            return Err(WearError::Setting { name: "late_h", value: self.late_h, right: "above early_h" });
        }
        if !(self.spread >= 1.0 && self.spread.is_finite()) {
            return Err(WearError::Setting { name: "spread", value: self.spread, right: "a factor of 1 or more" });
        }
        Ok(())
    }

    /// Weibull shape of the belief.
    pub fn shape(&self) -> f64 {
        (10f64.ln() / (10.0 / 9.0f64).ln()).ln() / (self.late_h / self.early_h).ln()
    }

    /// Characteristic life of the belief, h.
    pub fn eta_h(&self) -> f64 {
        self.early_h / (10.0 / 9.0f64).ln().powf(1.0 / self.shape())
    }

    /// Chance that a complete look `further_h` hours after a look at age `age_h` that found the tube below the limit
    /// would find it reached; `misread` is the chance that such a look errs on a smooth tube.
    ///
    /// Having come to `age_h` without a catch speaks for a longer characteristic life, and is counted so (Bayes). The
    /// interval holds the middle 90 % of the risks that the remaining uncertainty allows.
    ///
    /// # Errors
    /// [`WearError::Setting`] from [`Prior::check`], or for negative hours or a `misread` outside 0 to 1.
    pub fn risk(&self, age_h: f64, further_h: f64, misread: f64) -> Result<Risk, WearError> {
        self.check()?;
        let hours = [("age_h", age_h), ("further_h", further_h)];
        if let Some((name, value)) = hours.into_iter().find(|(_, h)| !(*h >= 0.0 && h.is_finite())) {
            return Err(WearError::Setting { name, value, right: "0 h or more, and finite" });
        }
        if !(0.0..=1.0).contains(&misread) {
            return Err(WearError::Setting { name: "misread", value: misread, right: "a probability, 0 to 1" });
        }
        let (shape, eta_h, sigma) = (self.shape(), self.eta_h(), self.spread.ln());
        let eta_at = |z: f64| eta_h * (sigma * z).exp();
        let z_at = |node: i32| f64::from(node) * NODE_WIDTH;
        let log_weight = |z: f64| -0.5 * z * z - (age_h / eta_at(z)).powf(shape);
        let nodes = || (-NODES..=NODES).map(z_at);
        let most = nodes().map(log_weight).fold(f64::NEG_INFINITY, f64::max);
        let weight = |z: f64| (log_weight(z) - most).exp();
        let total: f64 = nodes().map(weight).sum();
        let risk_at = |z: f64| conditional_risk(eta_at(z), shape, age_h, further_h);
        let mean = nodes().map(|z| weight(z) / total * risk_at(z)).sum::<f64>().min(1.0);
        // A long characteristic life is a low risk: the upper end of the risk is the lower end of z.
        let quantile = |share: f64| {
            let mut below = 0.0;
            for z in nodes() {
                let part = weight(z) / total;
                if below + part >= share {
                    return z + NODE_WIDTH * ((share - below) / part - 0.5);
                }
                below += part;
            }
            z_at(NODES)
        };
        let read = |risk: f64| 1.0 - (1.0 - misread) * (1.0 - risk);
        Ok(Risk { risk: read(mean), lower: read(risk_at(quantile(0.95))), upper: read(risk_at(quantile(0.05))) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The belief whose Weibull has eta 5000 h and shape 2.
    fn belief(spread: f64) -> Prior {
        let at = |survival: f64| 5000.0 * (-survival.ln()).sqrt();
        Prior { early_h: at(0.9), late_h: at(0.1), spread }
    }

    #[test]
    fn without_uncertainty_it_is_the_weibull() {
        // By hand: 1 - exp(0.6^2 - 0.7^2) = 0.121905.
        let risk = belief(1.0).risk(3000.0, 500.0, 0.0).unwrap();
        assert!((risk.risk - 0.121905).abs() < 5e-7, "{risk:?}");
        assert!((risk.lower - risk.risk).abs() < 1e-12 && (risk.upper - risk.risk).abs() < 1e-12);
    }

    #[test]
    fn nine_of_ten_are_sound_early_and_one_of_ten_late() {
        let prior = Prior { early_h: 1500.0, late_h: 6000.0, spread: 1.0 };
        assert!((prior.risk(0.0, 1500.0, 0.0).unwrap().risk - 0.1).abs() < 1e-12);
        assert!((prior.risk(0.0, 6000.0, 0.0).unwrap().risk - 0.9).abs() < 1e-12);
    }

    #[test]
    fn the_interval_of_a_new_tube_is_the_spread_of_its_life() {
        // New, nothing is learnt yet: the ends are the risks at lives a factor spread^1.644854 shorter and longer.
        let prior = belief(1.5);
        let risk = prior.risk(0.0, 2000.0, 0.0).unwrap();
        let far = 1.5f64.powf(1.6448536269514722);
        let at = |eta: f64| 1.0 - (-(2000.0 / eta).powi(2)).exp();
        assert!((risk.upper - at(5000.0 / far)).abs() < 1e-3, "{risk:?} {}", at(5000.0 / far));
        assert!((risk.lower - at(5000.0 * far)).abs() < 1e-3, "{risk:?} {}", at(5000.0 * far));
    }

    #[test]
    fn surviving_long_lowers_the_belief_in_a_short_life() {
        // Bayes: P = 1 - E[S(4000)] / E[S(3000)], by a coarse sum over lives that stands beside the quadrature.
        let prior = belief(2.0);
        let (mut at_3000, mut at_4000) = (0.0, 0.0);
        for i in -8000..=8000 {
            let z = f64::from(i) / 1000.0;
            let weight = (-0.5 * z * z).exp();
            let eta = 5000.0 * (2f64.ln() * z).exp();
            at_3000 += weight * (-(3000.0 / eta).powi(2)).exp();
            at_4000 += weight * (-(4000.0 / eta).powi(2)).exp();
        }
        let expected = 1.0 - at_4000 / at_3000;
        assert!((prior.risk(3000.0, 1000.0, 0.0).unwrap().risk - expected).abs() < 1e-9);
    }

    #[test]
    fn right_after_a_look_only_a_misread_is_left() {
        let risk = belief(1.5).risk(3000.0, 0.0, 0.02).unwrap();
        assert!((risk.risk - 0.02).abs() < 1e-12);
    }

    #[test]
    fn late_before_early_is_refused() {
        let prior = Prior { early_h: 2000.0, late_h: 1000.0, spread: 1.5 };
        assert_eq!(prior.check().unwrap_err().to_string(), "late_h is 1000; right would be above early_h");
    }
}
