//! The parameters on unbounded scales, their priors, and what they mean.

use serde::{Deserialize, Serialize};

use super::history::{Histories, Place, Stretch};
use super::reading::Eye;

/// One parameter: where it ended, and what was believed of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Parameter {
    /// Its name: `ln_` and `logit_` say its scale.
    pub name: String,
    /// Its value on that scale.
    pub value: f64,
    /// Mean of its normal prior.
    pub prior_mean: f64,
    /// Standard deviation of its normal prior.
    pub prior_sd: f64,
}

/// What the plant believes of the age at which a tube catches, before any finding.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Belief {
    /// One tube in ten has a catch after so many run hours, h.
    pub early_h: f64,
    /// Nine in ten have one after so many run hours, h.
    pub late_h: f64,
    /// How many times off that may be, 1 or more.
    pub spread: f64,
}

/// Place of the level among the parameters.
pub(crate) const LEVEL: usize = 0;
/// Place of the logarithm of the spread between tubes.
pub(crate) const TUBE_SD: usize = 2;

/// Names, prior means and prior standard deviations of what every plant has. House priors, set on invented plants of
/// many kinds; no source.
const FIXED: [(&str, f64, f64); 15] = [
    ("level", -0.4, 1.0),
    ("ln_power", 0.0, 0.25),
    ("ln_tube_sd", -1.0, 0.4),
    ("ln_life_sd", -1.6, 0.5),
    ("ln_stretch_sd", -1.0, 0.5),
    ("ln_place_sd", -1.5, 0.4),
    ("ln_gap_to_visible", 0.1, 0.3),
    ("ln_gap_to_scored", -0.1, 0.3),
    ("ln_blur", -2.0, 0.5),
    ("logit_station_too_low", -3.0, 0.7),
    ("logit_station_too_high", -4.5, 0.8),
    ("logit_whole_too_low", -3.0, 0.7),
    ("logit_whole_too_high", -3.3, 0.7),
    ("ln_catch_um", 3.2, 0.5),
    ("ln_depth_sd", -1.8, 0.4),
];
/// Whatever was read could be a slip of the pen (house rule).
const SLIP: f64 = 0.002;
const ZONE_SD: f64 = 0.25;
const CLOCK_SD: f64 = 0.25;
const SURFACE_SD: f64 = 0.5;
/// A dose at the fleet's mean rate wears like so many times the plain hours: median 0.4, nine in ten below 3.
const WEIGHT_PRIOR: (f64, f64) = (-1.0, 1.5);
/// The widest place of twelve lies so far above the mean one, in a usual tube (standard normal order statistics, with
/// the fixed effects of places added; house rule).
const WORST_ABOVE_MEAN: f64 = 0.5;

/// How the vector of parameters is laid out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Layout {
    pub(crate) zones: usize,
    pub(crate) clocks: usize,
    pub(crate) surfaces: usize,
    pub(crate) terms: Vec<String>,
    /// Fleet's mean amount of each term per covered hour; 0 where the fleet had none.
    pub(crate) usual: Vec<f64>,
    /// Dose at which the power law turns, h.
    pub(crate) dose_ref_h: f64,
}

impl Layout {
    pub(crate) fn of(histories: &Histories) -> Layout {
        let most = |of: fn(&Place) -> usize| histories.places.iter().map(of).max().map_or(0, |most| most + 1);
        let mut covered_h = 0.0;
        let mut sums = vec![0.0; histories.terms.len()];
        let mut ages = Vec::new();
        for life in histories.tubes.iter().flat_map(|tube| &tube.lives) {
            let mut age_h = 0.0;
            for (stretch, _) in &life.looks {
                covered_h += stretch.covered_h;
                sums.iter_mut().zip(&stretch.amounts).for_each(|(sum, amount)| *sum += amount);
                age_h += stretch.run_h();
                ages.push(age_h);
            }
        }
        ages.sort_by(f64::total_cmp);
        let usual = sums.iter().map(|sum| if covered_h > 0.0 { sum / covered_h } else { 0.0 }).collect();
        let dose_ref_h = ages.get(ages.len() / 2).copied().unwrap_or(1000.0).max(1.0);
        Layout {
            zones: most(|place| place.zone),
            clocks: most(|place| place.clock),
            surfaces: histories.tubes.iter().map(|tube| tube.surface + 1).max().unwrap_or(1),
            terms: histories.terms.clone(),
            usual,
            dose_ref_h,
        }
    }

    /// The parameters at their prior means.
    pub(crate) fn priors(&self, belief: Option<&Belief>) -> Vec<Parameter> {
        let mut all: Vec<(String, f64, f64)> =
            FIXED.iter().map(|(name, mean, sd)| ((*name).to_owned(), *mean, *sd)).collect();
        if let Some(belief) = belief {
            let half_h = (belief.early_h * belief.late_h).sqrt();
            all[0].1 = -(half_h / self.dose_ref_h).ln() - WORST_ABOVE_MEAN;
            all[0].2 = (belief.spread.ln().powi(2) + 0.09).sqrt();
        }
        all.extend((0..self.zones).map(|zone| (format!("zone_{zone}"), 0.0, ZONE_SD)));
        all.extend((0..self.clocks).map(|clock| (format!("clock_{clock}"), 0.0, CLOCK_SD)));
        all.extend((1..self.surfaces).map(|surface| (format!("surface_{surface}"), 0.0, SURFACE_SD)));
        all.extend(self.terms.iter().map(|term| (format!("ln_weight_{term}"), WEIGHT_PRIOR.0, WEIGHT_PRIOR.1)));
        let parameter = |(name, mean, sd)| Parameter { name, value: mean, prior_mean: mean, prior_sd: sd };
        all.into_iter().map(parameter).collect()
    }

    /// What a vector of parameters means.
    pub(crate) fn meaning(&self, theta: &[f64], places: &[Place]) -> Meaning {
        let sigmoid = |x: f64| 1.0 / (1.0 + (-x).exp());
        let zones = &theta[FIXED.len()..];
        let clocks = &zones[self.zones..];
        let surfaces = &clocks[self.clocks..];
        let weights = &surfaces[self.surfaces - 1..];
        let known = |ln: &f64, usual: &f64| if *usual > 0.0 { ln.exp() } else { 0.0 };
        let weights: Vec<f64> = weights.iter().zip(&self.usual).map(|(ln, usual)| known(ln, usual)).collect();
        Meaning {
            level: theta[LEVEL],
            power: theta[1].exp(),
            tube_sd: theta[TUBE_SD].exp(),
            life_sd: theta[3].exp(),
            stretch_sd: theta[4].exp(),
            place_sd: theta[5].exp(),
            eye: Eye {
                edges: [-theta[6].exp(), 0.0, theta[7].exp()],
                blur: theta[8].exp().max(0.03),
                station: (0.5 * sigmoid(theta[9]), 0.5 * sigmoid(theta[10])),
                whole: (0.5 * sigmoid(theta[11]), 0.5 * sigmoid(theta[12])),
                slip: SLIP,
            },
            ln_catch_um: theta[13],
            depth_sd: theta[14].exp(),
            places: places.iter().map(|place| zones[place.zone] + clocks[place.clock]).collect(),
            surfaces: std::iter::once(0.0).chain(surfaces[..self.surfaces - 1].iter().copied()).collect(),
            whole_weight: 1.0 + weights.iter().sum::<f64>(),
            weights,
        }
    }

    /// Parts of the dose of covered running in plain terms: hours themselves, then each term; h.
    pub(crate) fn dose_parts(&self, meaning: &Meaning, stretch: &Stretch) -> Vec<f64> {
        let part = |((amount, usual), weight): ((&f64, &f64), &f64)| {
            if *usual > 0.0 { weight * amount / usual / meaning.whole_weight } else { 0.0 }
        };
        let terms = stretch.amounts.iter().zip(&self.usual).zip(&meaning.weights).map(part);
        std::iter::once(stretch.covered_h / meaning.whole_weight).chain(terms).collect()
    }

    /// Their sum: an hour at the fleet's mean rates is one.
    pub(crate) fn dose(&self, weights: &[f64], whole_weight: f64, covered_h: f64, amounts: &[f64]) -> f64 {
        let mut sum = covered_h;
        for ((amount, usual), weight) in amounts.iter().zip(&self.usual).zip(weights) {
            if *usual > 0.0 {
                sum += weight * amount / usual;
            }
        }
        sum / whole_weight
    }
}

/// Parameters in their own units.
#[derive(Debug, Clone)]
pub(crate) struct Meaning {
    pub(crate) level: f64,
    pub(crate) power: f64,
    pub(crate) tube_sd: f64,
    pub(crate) life_sd: f64,
    pub(crate) stretch_sd: f64,
    pub(crate) place_sd: f64,
    pub(crate) eye: Eye,
    pub(crate) ln_catch_um: f64,
    pub(crate) depth_sd: f64,
    pub(crate) places: Vec<f64>,
    pub(crate) surfaces: Vec<f64>,
    pub(crate) weights: Vec<f64>,
    pub(crate) whole_weight: f64,
}
