//! Chance, seeded: every unit and every purpose draws from a stream of its own, so that a change in one leaves the others alone.

use rand_distr::{Distribution, Exp1, Gamma, StandardNormal, StandardUniform};
use rand_pcg::Pcg64Mcg;

/// A stream of chance. Its generator is PCG64 MCG (O'Neill 2014), whose output is fixed by its definition.
#[derive(Debug, Clone)]
pub(crate) struct Chance(Pcg64Mcg);

impl Chance {
    /// The stream for a seed, a purpose and a number (of a unit, say).
    pub(crate) fn new(seed: u64, purpose: &str, number: usize) -> Self {
        let mut state = mix(seed ^ 0x9e37_79b9_7f4a_7c15);
        for byte in purpose.bytes() {
            state = mix(state ^ u64::from(byte));
        }
        let high = mix(state ^ number as u64);
        let low = mix(high.wrapping_add(0x9e37_79b9_7f4a_7c15));
        Self(Pcg64Mcg::new((u128::from(high) << 64) | u128::from(low)))
    }

    /// Uniform in [0, 1).
    pub(crate) fn unit(&mut self) -> f64 {
        StandardUniform.sample(&mut self.0)
    }

    /// Uniform in [low, high).
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// A whole number in low..=high.
    pub(crate) fn whole(&mut self, low: i64, high: i64) -> i64 {
        let span = (high - low + 1) as f64;
        low + (self.unit() * span) as i64
    }

    /// True with this probability.
    pub(crate) fn happens(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// Normal with mean 0 and standard deviation 1.
    pub(crate) fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    /// Lognormal with this median and standard deviation of the logarithm.
    pub(crate) fn lognormal(&mut self, median: f64, sd_log: f64) -> f64 {
        median * (sd_log * self.normal()).exp()
    }

    /// Exponential with this mean.
    pub(crate) fn wait(&mut self, mean: f64) -> f64 {
        let one: f64 = Exp1.sample(&mut self.0);
        mean * one
    }

    /// Gamma with this mean, made of jumps of size `scale`; 0 for a mean of 0.
    pub(crate) fn gamma(&mut self, mean: f64, scale: f64) -> f64 {
        Gamma::new(mean / scale, scale).map_or(0.0, |gamma| gamma.sample(&mut self.0))
    }
}

/// The finaliser of SplitMix64 (Steele, Lea & Flood 2014): neighbouring seeds become strangers.
fn mix(value: u64) -> u64 {
    let mut z = value.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// First output of SplitMix64 seeded with 1234567, as listed with the test vectors of its public-domain C code
    /// (from memory).
    #[test]
    fn the_mixer_is_splitmix64() {
        assert_eq!(mix(1_234_567), 6_457_827_717_110_365_317);
    }

    #[test]
    fn streams_of_one_seed_are_strangers() {
        let mut a = Chance::new(7, "process", 0);
        let mut b = Chance::new(7, "process", 1);
        let n = 10_000;
        let pairs: Vec<(f64, f64)> = (0..n).map(|_| (a.normal(), b.normal())).collect();
        let correlation = pairs.iter().map(|(a, b)| a * b).sum::<f64>() / f64::from(n);
        assert!(correlation.abs() < 0.05, "5 standard errors of 0.01: {correlation}");
    }

    /// Mean and variance of the gamma distribution: shape x scale and shape x scale².
    #[test]
    fn gamma_jumps_have_their_mean_and_variance() {
        let mut chance = Chance::new(3, "gamma", 0);
        let draws: Vec<f64> = (0..40_000).map(|_| chance.gamma(0.3, 0.6)).collect();
        let mean = draws.iter().sum::<f64>() / 40_000.0;
        let variance = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 40_000.0;
        assert!((mean - 0.3).abs() < 0.011 && (variance - 0.18).abs() < 0.02, "mean {mean}, variance {variance}");
        assert_eq!(chance.gamma(0.0, 0.6), 0.0);
    }
}
