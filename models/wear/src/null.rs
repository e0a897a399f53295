//! Reliability beside what a perfectly calibrated model of the same probabilities would show by chance.

use rand_distr::{Distribution, StandardUniform};
use rand_pcg::Pcg64Mcg;
use serde::{Deserialize, Serialize};

use crate::reliability::rows_by_bin;

/// A group of rows with similar probabilities, and where its share of events would lie by chance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BinInNull {
    /// Rows in it.
    pub n: usize,
    /// Events among them.
    pub n_events: usize,
    /// Mean probability.
    pub mean_probability: f64,
    /// Share of events.
    pub event_rate: f64,
    /// In 5 % of the draws at most, the share is lower.
    pub lower: f64,
    /// In 5 % of the draws at most, the share is higher.
    pub upper: f64,
}

/// Reliability against its simulated null.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reliability {
    /// By rising probability.
    pub bins: Vec<BinInNull>,
    /// Expected calibration error over the bins: the mean over rows of |mean probability - share of events| of their bin.
    pub error: f64,
    /// Its mean in the draws: in small samples even a perfect model has one.
    pub null_mean: f64,
    /// In 5 % of the draws at most, it is higher.
    pub null_upper: f64,
    /// Share of the draws in which it is at least as high as the one observed.
    pub as_high: f64,
    /// Number of draws.
    pub draws: usize,
}

/// Holds the shares of events in bins of near-equal size against `draws` sets of outcomes, each drawn from the
/// probabilities themselves: what a model shows whose every probability is right, with as many rows.
///
/// The same for the same seed. No row is an error of no bin: then all errors are 0. At least one draw is made.
pub fn reliability(probabilities: &[f64], outcomes: &[bool], bins: usize, draws: usize, seed: u64) -> Reliability {
    let rows = rows_by_bin(probabilities, bins);
    let total = probabilities.len().max(1) as f64;
    let means: Vec<f64> =
        rows.iter().map(|rows| rows.iter().map(|row| probabilities[*row]).sum::<f64>() / rows.len() as f64).collect();
    let error = |counts: &[usize]| -> f64 {
        let parts = rows.iter().zip(&means).zip(counts);
        parts.map(|((rows, mean), count)| (rows.len() as f64 * mean - *count as f64).abs()).sum::<f64>() / total
    };
    let seen: Vec<usize> = rows.iter().map(|rows| rows.iter().filter(|row| outcomes[**row]).count()).collect();
    let observed = error(&seen);

    let mut chance = Pcg64Mcg::new(u128::from(seed) << 64 | 0xcafe_f00d_d15e_a5e5);
    let draws = draws.max(1);
    let mut counts: Vec<Vec<usize>> = vec![Vec::with_capacity(draws); rows.len()];
    let mut errors = Vec::with_capacity(draws);
    let mut drawn = vec![0; rows.len()];
    for _ in 0..draws {
        for (bin, rows) in rows.iter().enumerate() {
            let happens = |row: &&usize| {
                let uniform: f64 = StandardUniform.sample(&mut chance);
                uniform < probabilities[**row]
            };
            drawn[bin] = rows.iter().filter(happens).count();
            counts[bin].push(drawn[bin]);
        }
        errors.push(error(&drawn));
    }
    errors.sort_by(f64::total_cmp);
    let bin = |(bin, mut counts): (usize, Vec<usize>)| {
        counts.sort_unstable();
        let n = rows[bin].len();
        let share = |count: usize| count as f64 / n as f64;
        BinInNull {
            n,
            n_events: seen[bin],
            mean_probability: means[bin],
            event_rate: share(seen[bin]),
            lower: share(counts[place(0.05, draws)]),
            upper: share(counts[place(0.95, draws)]),
        }
    };
    Reliability {
        bins: counts.into_iter().enumerate().map(bin).collect(),
        error: observed,
        null_mean: errors.iter().sum::<f64>() / draws as f64,
        null_upper: errors[place(0.95, draws)],
        as_high: errors.iter().filter(|error| **error >= observed - 1e-12).count() as f64 / draws as f64,
        draws,
    }
}

/// Where the least value stands, among so many in order, that a share of them does not exceed.
fn place(share: f64, draws: usize) -> usize {
    ((share * draws as f64).ceil() as usize).clamp(1, draws) - 1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_band_of_equal_probabilities_is_that_of_the_binomial() {
        // Tables of the binomial distribution, n = 20, p = 0.3: P(X <= 2) 0.0355, P(X <= 3) 0.1071, P(X <= 8) 0.8867,
        // P(X <= 9) 0.9520, so that 5 % and 95 % are at 3 and 9. Its mean deviation is 2 m C(20, m) p^m q^(21 - m) with
        // m = 7 (de Moivre 1730): 14 x 77520 x 0.3^7 x 0.7^14 = 1.6098, over 20 rows 0.0805.
        let found = reliability(&[0.3; 20], &[false; 20], 1, 100_000, 1);
        let bin = found.bins[0];
        assert_eq!((bin.n, bin.n_events, bin.lower, bin.upper), (20, 0, 0.15, 0.45));
        assert!((found.null_mean - 0.0805).abs() < 0.0006, "{}", found.null_mean);
        assert!((found.error - 0.3).abs() < 1e-12);
        // As far off as no event in twenty are no event (0.7^20 = 0.0008) and twelve or more (1 - P(X <= 11) = 0.0051).
        assert!((found.as_high - 0.0059).abs() < 0.0012, "{}", found.as_high);
    }

    #[test]
    fn the_same_seed_draws_the_same() {
        let p: Vec<f64> = (1..60).map(|i| f64::from(i) / 60.0).collect();
        let y: Vec<bool> = (1..60).map(|i| i % 3 == 0).collect();
        assert_eq!(reliability(&p, &y, 10, 50, 7), reliability(&p, &y, 10, 50, 7));
        assert_ne!(reliability(&p, &y, 10, 50, 7), reliability(&p, &y, 10, 50, 8));
        assert!(reliability(&[], &[], 10, 5, 1).bins.is_empty());
    }
}
