//! Seeded chance.

use rand_distr::{Distribution, Gamma, StandardNormal, StandardUniform};
use rand_pcg::Pcg64Mcg;

#[derive(Clone)]
pub struct Chance(Pcg64Mcg);

impl Chance {
    pub fn new(seed: u64) -> Chance {
        let state = (u128::from(seed) + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15_f39c_c060_5ced_c835);
        let mut chance = Chance(Pcg64Mcg::new(state));
        for _ in 0..8 {
            chance.unit();
        }
        chance
    }

    pub fn unit(&mut self) -> f64 {
        StandardUniform.sample(&mut self.0)
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    pub fn whole(&mut self, below: usize) -> usize {
        ((self.unit() * below as f64) as usize).min(below - 1)
    }

    pub fn happens(&mut self, chance: f64) -> bool {
        self.unit() < chance
    }

    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    pub fn lognormal(&mut self, median: f64, sd: f64) -> f64 {
        median * (sd * self.normal()).exp()
    }

    pub fn gamma(&mut self, mean: f64, jump: f64) -> f64 {
        assert!(mean.is_finite() && jump > 0.0, "{mean} {jump}");
        if mean <= 1e-9 { 0.0 } else { Gamma::new(mean / jump, jump).map_or(0.0, |gamma| gamma.sample(&mut self.0)) }
    }
}
