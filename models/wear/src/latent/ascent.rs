//! Ascent to the largest penalised marginal likelihood.
//!
//! Steps are Newton-like: the information is the spread of the looks' own scores (Berndt, Hall, Hall & Hausman 1974, with
//! the mean taken off, so that it serves far from the top too) plus the precision of the priors. A look's score is the
//! mean over what its tube may have gone through (Louis 1982), so the information is that of a fleet whose random
//! effects were seen: steps are short rather than long, and are lengthened while that helps. They are far too short where
//! the effects can absorb a parameter, as tubes absorb the level; so between steps what the effects absorbed is given
//! back (the interweaving of Yu & Meng 2011).

use ndarray::Array2;

use super::parameters::Parameter;
use crate::symmetric::Cholesky;

/// Difference quotients take this share of a prior's standard deviation.
const STEP: f64 = 2e-3;
/// A step that promises less than this in log-likelihood is not taken: draws placed anew move it as much.
const SETTLED: f64 = 0.1;
const HALVINGS: usize = 8;
const LONGEST: f64 = 4.0;

/// Where the ascent ended.
pub(crate) struct Top {
    pub(crate) at: Vec<f64>,
    /// Log-likelihood without the priors.
    pub(crate) log_likelihood: f64,
    /// Log density of the priors, up to a constant.
    pub(crate) log_prior: f64,
    /// Factor of the information of likelihood and priors, as of the last step.
    pub(crate) information: Option<Cholesky>,
    pub(crate) converged: bool,
    pub(crate) iterations: usize,
}

/// The log-likelihood of a fleet as a smooth function of the parameters, good around the point that it was made for.
pub(crate) trait Landscape {
    /// Its value at that point.
    fn here(&self) -> f64;
    /// Its value.
    fn value(&self, theta: &[f64]) -> f64;
    /// The point at which the random effects say what they say here and are centred; as good or better.
    fn centred(&self, priors: &[Parameter], theta: &[f64]) -> Vec<f64>;
    /// What each look gains on that point, with the random effects as likely as they are there.
    fn gains(&self, theta: &[f64]) -> Vec<f64>;
}

/// Climbs from the priors' values. `around` makes the landscape around a point.
pub(crate) fn climb<L: Landscape>(priors: &[Parameter], most: usize, around: impl Fn(&[f64]) -> L) -> Top {
    let n = priors.len();
    let log_prior = |at: &[f64]| -> f64 {
        at.iter().zip(priors).map(|(x, p)| -0.5 * ((x - p.prior_mean) / p.prior_sd).powi(2)).sum()
    };
    let mut top = Top {
        at: priors.iter().map(|parameter| parameter.value).collect(),
        log_likelihood: f64::NAN,
        log_prior: 0.0,
        information: None,
        converged: false,
        iterations: 0,
    };
    let (mut share, mut last) = (1.0_f64, f64::NEG_INFINITY);
    for iteration in 1..=most {
        let (at, land) = centred(priors, &top.at, &around, log_prior);
        top.at.clone_from(&at);
        top.iterations = iteration;
        top.log_likelihood = land.here();
        top.log_prior = log_prior(&at);
        let value = top.log_likelihood + top.log_prior;
        let scores: Vec<Vec<f64>> = (0..n)
            .map(|j| {
                let step = STEP * priors[j].prior_sd;
                let mut there = at.clone();
                there[j] += step;
                land.gains(&there).iter().map(|gain| gain / step).collect()
            })
            .collect();
        let (gradient, information) = bend(&scores, priors, &at);
        let Ok(factor) = Cholesky::of(&information) else { return top };
        let step = factor.solve(&gradient);
        let promised: f64 = 0.5 * step.iter().zip(&gradient).map(|(step, slope)| step * slope).sum::<f64>();
        top.information = Some(factor);
        // Near the top, draws placed anew may undo what a step gained.
        let stands = promised < 10.0 * SETTLED && value < last + 0.5 * SETTLED;
        last = value;
        if promised < SETTLED || stands {
            top.converged = true;
            return top;
        }
        share = (2.0 * share).min(LONGEST);
        let climbed = (0..HALVINGS).any(|_| {
            // No parameter leaves what the priors could believe in one step.
            let held = step.iter().zip(priors).map(|(s, p)| (s * share).clamp(-1.5 * p.prior_sd, 1.5 * p.prior_sd));
            let there: Vec<f64> = at.iter().zip(held).map(|(x, s)| x + s).collect();
            let better = land.value(&there) + log_prior(&there) > value + 0.1 * share.min(1.0) * promised;
            if better {
                top.at = there;
            } else {
                share *= 0.5;
            }
            better
        });
        if !climbed {
            // What is promised is less than the landscape can tell.
            top.converged = promised < 20.0 * SETTLED;
            return top;
        }
    }
    top
}

/// A point and its landscape, centred if that is better.
fn centred<L: Landscape>(
    priors: &[Parameter],
    at: &[f64],
    around: impl Fn(&[f64]) -> L,
    log_prior: impl Fn(&[f64]) -> f64,
) -> (Vec<f64>, L) {
    let land = around(at);
    let there = land.centred(priors, at);
    let other = around(&there);
    if other.here() + log_prior(&there) > land.here() + log_prior(at) { (there, other) } else { (at.to_vec(), land) }
}

/// Gradient and information of likelihood and priors.
fn bend(scores: &[Vec<f64>], priors: &[Parameter], at: &[f64]) -> (Vec<f64>, Array2<f64>) {
    let looks = scores.first().map_or(0, Vec::len).max(1) as f64;
    let sums: Vec<f64> = scores.iter().map(|score| score.iter().sum()).collect();
    let precision = |j: usize| priors[j].prior_sd.powi(-2);
    let gradient = (0..at.len()).map(|j| sums[j] - precision(j) * (at[j] - priors[j].prior_mean)).collect();
    let information = Array2::from_shape_fn((at.len(), at.len()), |(j, k)| {
        let spread = scores[j].iter().zip(&scores[k]).map(|(a, b)| a * b).sum::<f64>() - sums[j] * sums[k] / looks;
        spread + if j == k { precision(j) } else { 0.0 }
    });
    (gradient, information)
}
