//! What it would have cost to open by a forecast.

use serde::{Deserialize, Serialize};

/// Mean cost per look of ways to decide, in late catches: 0.1 means that ten looks cost as much as one late catch.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DecisionCost {
    /// Cost of opening over cost of a late catch; also the chance from which on it pays to open.
    pub ratio: f64,
    /// Opening every time.
    pub always: f64,
    /// Never opening: every catch is a late one.
    pub never: f64,
    /// Opening where hours alone foretell more than the ratio.
    pub hours_only: f64,
    /// Opening where the model foretells more than the ratio.
    pub model: f64,
}

/// Mean cost per row of opening where the probability is above the ratio, in late catches.
///
/// It pays to open if probability x cost of a late catch > cost of opening (standard decision theory): each opened row
/// costs `ratio`, each event that was not opened costs 1. The saving against never opening, over 1 - ratio, is the net
/// benefit of Vickers and Elkin (2006). NaN without rows.
pub fn cost_of_opening(probabilities: &[f64], outcomes: &[bool], ratio: f64) -> f64 {
    let opened = probabilities.iter().filter(|p| **p > ratio).count() as f64;
    let late = probabilities.iter().zip(outcomes).filter(|(p, event)| **p <= ratio && **event).count() as f64;
    (ratio * opened + late) / outcomes.len() as f64
}

/// The costs at `steps` equal steps up to the ratio from which on nothing is opened any more, or where opening every
/// time costs three times as much as never opening, whichever is less; that end is rounded up to 1, 2 or 5 times a power
/// of ten, at most 1.
pub fn decision_curve(model: &[f64], hours_only: &[f64], outcomes: &[bool], steps: usize) -> Vec<DecisionCost> {
    let never = outcomes.iter().filter(|event| **event).count() as f64 / outcomes.len().max(1) as f64;
    let highest = model.iter().chain(hours_only).fold(0.0f64, |most, p| most.max(*p));
    let end = round_up(highest.min(3.0 * never).max(0.01)).min(1.0);
    let at = |step: usize| {
        let ratio = end * step as f64 / steps as f64;
        DecisionCost {
            ratio,
            always: ratio,
            never,
            hours_only: cost_of_opening(hours_only, outcomes, ratio),
            model: cost_of_opening(model, outcomes, ratio),
        }
    };
    if outcomes.is_empty() { Vec::new() } else { (1..=steps).map(at).collect() }
}

/// The least of 1, 2 or 5 times a power of ten that is not below a positive value.
fn round_up(value: f64) -> f64 {
    let decade = 10f64.powf(value.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().find(|step| step * decade >= value * (1.0 - 1e-12));
    step.unwrap_or(10.0) * decade
}

#[cfg(test)]
mod tests {
    use super::*;

    const P: [f64; 10] = [0.05, 0.10, 0.10, 0.20, 0.30, 0.35, 0.55, 0.60, 0.80, 0.90];
    const Y: [bool; 10] = [false, false, true, false, false, true, true, false, true, true];

    #[test]
    fn opening_above_the_ratio_costs_what_a_count_by_hand_says() {
        // 2 k for opening, 25 k for a late catch: open above 0.08. Nine of ten are opened, no catch is late.
        assert!((cost_of_opening(&P, &Y, 0.08) - 0.08 * 0.9).abs() < 1e-15);
        // Above 0.3: .35 to .9, five opened; the event at .10 is late. A chance equal to the ratio is not opened.
        assert!((cost_of_opening(&P, &Y, 0.3) - (0.3 * 5.0 + 1.0) / 10.0).abs() < 1e-15);
    }

    #[test]
    fn the_saving_is_the_net_benefit() {
        // Vickers and Elkin (2006): true positives / n - false positives / n x t / (1 - t). Above 0.3: 4 and 1 of 10.
        let (t, never) = (0.3, 0.5);
        let net_benefit = 0.4 - 0.1 * t / (1.0 - t);
        assert!(((never - cost_of_opening(&P, &Y, t)) / (1.0 - t) - net_benefit).abs() < 1e-15);
    }

    #[test]
    fn the_curve_ends_at_a_round_ratio() {
        let curve = decision_curve(&P, &[0.5; 10], &Y, 50);
        assert_eq!((curve.len(), curve[49].ratio, curve[49].always), (50, 1.0, 1.0));
        assert_eq!((curve[49].model, curve[0].never, curve[0].hours_only), (0.5, 0.5, 0.02));
        assert_eq!([0.034, 0.05, 0.11, 0.6, 0.2].map(round_up), [0.05, 0.05, 0.2, 1.0, 0.2]);
        assert_eq!(decision_curve(&[], &[], &[], 50), []);
    }
}
