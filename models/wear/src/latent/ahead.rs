//! What running to come may be like.

use serde::{Deserialize, Serialize};

use super::history::{Histories, Stretch};

/// Before anything is seen, a pace is taken to stay as far as this, on the logarithm, with the weight of so much squared
/// pace (house prior, no source).
const STAYS: (f64, f64) = (0.8, 1.0);
/// And to spread as far as this with the weight of so many stretches.
const SPREAD: (f64, f64) = (0.3, 4.0);
/// Shorter stretches have no pace to speak of, h.
const LEAST_H: f64 = 100.0;

/// Run hours ahead that are asked for most, h (house rule).
const USUAL_HORIZON_H: f64 = 500.0;

/// The mean pace of fewer hours spreads wider than that of a whole stretch: as the root of the hours, if what happens in
/// one hour says nothing of the next, which is the most that it can be.
fn shorter(lengths_h: &[f64]) -> f64 {
    let mean_h = lengths_h.iter().sum::<f64>() / lengths_h.len().max(1) as f64;
    (mean_h / USUAL_HORIZON_H).sqrt().clamp(1.0, 1.5)
}

/// How the pace of wear of one stretch follows from that of the one before: the logarithm of the pace, against an hour at
/// the fleet's mean rates, is `stays` times the earlier one, give or take `sd`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PaceAhead {
    /// Share of an unusual pace that stays, 0 to 1.
    pub stays: f64,
    /// Standard deviation of what it does besides.
    pub sd: f64,
}

impl PaceAhead {
    /// From stretches that follow each other in a life.
    pub(crate) fn of(histories: &Histories, dose: impl Fn(&Stretch) -> f64) -> PaceAhead {
        let (mut pairs, mut lengths) = (Vec::new(), Vec::new());
        for life in histories.tubes.iter().flat_map(|tube| &tube.lives) {
            let long = life.looks.iter().map(|(stretch, _)| stretch).filter(|stretch| stretch.covered_h > LEAST_H);
            let paces: Vec<f64> = long
                .map(|stretch| {
                    lengths.push(stretch.covered_h);
                    (dose(stretch) / stretch.covered_h).max(1e-3).ln()
                })
                .collect();
            pairs.extend(paces.windows(2).map(|pair| (pair[0], pair[1])));
        }
        let products: f64 = pairs.iter().map(|(before, after)| before * after).sum();
        let squares: f64 = pairs.iter().map(|(before, _)| before * before).sum();
        let stays = ((products + STAYS.0 * STAYS.1) / (squares + STAYS.1)).clamp(0.0, 1.0);
        let left: f64 = pairs.iter().map(|(before, after)| (after - stays * before).powi(2)).sum();
        let sd = ((left + SPREAD.1 * SPREAD.0 * SPREAD.0) / (pairs.len() as f64 + SPREAD.1)).sqrt();
        PaceAhead { stays, sd: sd * shorter(&lengths) }
    }

    /// Dose of some run hours to come after running at a pace (dose per h).
    pub(crate) fn coming(&self, run_h: f64, pace: f64) -> f64 {
        run_h * pace.max(1e-3).powf(self.stays)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::latent::{LifeHistory, Readings, TubeHistory};

    fn fleet(paces: &[f64]) -> Histories {
        let mut histories = Histories::new(vec!["starts".to_owned()], Vec::new());
        let looks = paces
            .iter()
            .map(|pace| {
                let stretch = Stretch { covered_h: 500.0, blind_h: 0.0, amounts: vec![500.0 * pace] };
                (stretch, Readings::default())
            })
            .collect();
        let life = LifeHistory::new(1, true, looks);
        histories.push(TubeHistory { tube: "a".to_owned(), surface: 0, lives: vec![life] }).unwrap();
        histories
    }

    #[test]
    fn a_pace_that_never_changes_is_taken_to_stay() {
        let found = PaceAhead::of(&fleet(&[3.0; 40]), |stretch| stretch.amounts[0]);
        assert!(found.stays > 0.99 && found.sd < 0.15, "{found:?}");
    }

    #[test]
    fn a_pace_that_jumps_about_is_taken_to_return_to_the_usual() {
        let jumping: Vec<f64> = (0..40).map(|i| if i % 4 < 2 { 3.0 } else { 1.0 / 3.0 }).collect();
        let found = PaceAhead::of(&fleet(&jumping), |stretch| stretch.amounts[0]);
        assert!(found.stays < 0.1 && found.sd > 0.9, "{found:?}");
    }
}
