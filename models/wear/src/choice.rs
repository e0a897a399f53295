//! What a choice among forecasts flatters the chosen one by, when the rows that chose are those that judge.

use rand_distr::{Distribution, Uniform};
use rand_pcg::Pcg64Mcg;

/// Times that tubes are drawn anew.
const DRAWS: usize = 1000;

/// How much lower the mean loss of the best of several forecasts reads than it will be on other tubes.
///
/// `losses` is one list per forecast with the loss of each row, `tubes` the tube of each row, counted from 0. Bootstrap bias
/// correction of cross-validation (Tsamardinos, Greasidou and Borboudakis 2018, Machine Learning 107, 1895-1922), tubes
/// drawn whole: the tubes that were drawn choose, those that were not judge, and what the one so chosen loses there
/// above the best of all rows is the mean over the draws. The same for the same seed; 0 where nothing was to choose.
pub(crate) fn flattery(losses: &[Vec<f64>], tubes: &[usize], seed: u64) -> f64 {
    let n_tubes = tubes.iter().max().map_or(0, |most| most + 1);
    let Ok(any_tube) = Uniform::new(0, n_tubes) else {
        return 0.0;
    };
    let mut rows = vec![0.0; n_tubes];
    tubes.iter().for_each(|tube| rows[*tube] += 1.0);
    let by_tube = |losses: &Vec<f64>| {
        let mut sums = vec![0.0; n_tubes];
        losses.iter().zip(tubes).for_each(|(loss, tube)| sums[*tube] += loss);
        sums
    };
    let sums: Vec<Vec<f64>> = losses.iter().map(by_tube).collect();
    // Every forecast has the same rows, so that sums choose as means do.
    let best = |weight: &[f64]| {
        let of = |sums: &[f64]| sums.iter().zip(weight).map(|(sum, weight)| sum * weight).sum::<f64>();
        (0..sums.len()).min_by(|a, b| of(&sums[*a]).total_cmp(&of(&sums[*b])))
    };
    let Some(winner) = best(&vec![1.0; n_tubes]) else {
        return 0.0;
    };

    let mut chance = Pcg64Mcg::new(u128::from(seed) << 64 | 0xcafe_f00d_d15e_a5e5);
    let (mut above, mut judged) = (0.0, 0);
    for _ in 0..DRAWS {
        let mut drawn = vec![0.0; n_tubes];
        (0..n_tubes).for_each(|_| drawn[any_tube.sample(&mut chance)] += 1.0);
        let left: Vec<usize> = (0..n_tubes).filter(|tube| drawn[*tube] == 0.0).collect();
        let left_rows: f64 = left.iter().map(|tube| rows[*tube]).sum();
        if let Some(chosen) = best(&drawn)
            && left_rows > 0.0
        {
            above += left.iter().map(|tube| sums[chosen][*tube] - sums[winner][*tube]).sum::<f64>() / left_rows;
            judged += 1;
        }
    }
    if judged == 0 { 0.0 } else { above / f64::from(judged) }
}

#[cfg(test)]
mod tests {
    use rand_distr::StandardNormal;

    use super::*;

    /// Forecasts that are all equally good: the best of them reads low by the expected largest of as many standard
    /// normal values, 0.564 19 of two, 0.846 28 of three and 1.162 96 of five (Tippett 1925, Biometrika 17, 364-387, in
    /// every table of normal order statistics), times the standard error of a mean.
    #[test]
    fn the_best_of_equals_is_flattered_by_what_order_statistics_say() {
        let (n_tubes, plants) = (60, 150);
        for (forecasts, expected) in [(2, 0.564_19), (3, 0.846_28), (5, 1.162_96)] {
            let mut chance = Pcg64Mcg::new(11);
            let mut found = Vec::with_capacity(plants);
            for plant in 0..plants {
                let tubes: Vec<usize> = (0..n_tubes).collect();
                let losses: Vec<Vec<f64>> = (0..forecasts)
                    .map(|_| tubes.iter().map(|_| StandardNormal.sample(&mut chance)).collect())
                    .collect();
                found.push(flattery(&losses, &tubes, plant as u64) * f64::from(n_tubes as u32).sqrt());
            }
            let mean = found.iter().sum::<f64>() / plants as f64;
            let spread = found.iter().map(|one| (one - mean).powi(2)).sum::<f64>() / (plants - 1) as f64;
            // Four standard errors of the mean of so many plants.
            let off = 4.0 * (spread / plants as f64).sqrt();
            assert!(off < 0.1 && (mean - expected).abs() < off, "{forecasts}: {mean} +- {off}, not {expected}");
        }
    }

    #[test]
    fn a_choice_that_every_tube_would_make_flatters_nobody() {
        let tubes = [0, 0, 1, 2, 3, 3];
        let losses = [vec![1.0; 6], vec![0.5; 6]];
        assert_eq!(flattery(&losses, &tubes, 1), 0.0);
        assert_eq!(flattery(&losses[..1], &tubes, 1), 0.0);
        assert_eq!(flattery(&[], &[], 1), 0.0);
    }
}
