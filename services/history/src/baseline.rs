//! What torque a unit usually takes: a level per unit and product, with exponents of speed and temperature.
//!
//! `ln T = level[unit, product] + exponent[product] * ln(N / N_ref) + slope[product] * (1/T_K - 1/T_ref)`. Torque of a
//! scraped-surface heat exchanger is mostly product viscosity, but the power number does not follow the Reynolds
//! number alone (Trommelen & Beek, Chem. Eng. Sci. 26, 1971), so exponents are fitted, not assumed.

use std::collections::BTreeMap;

use jiff::Timestamp;
use plant::UnitId;
use serde::{Deserialize, Serialize};

/// Speed to which levels refer, 1/min.
pub const SPEED_REF_RPM: f64 = 300.0;
/// Temperature to which levels refer, °C.
pub const TEMP_REF_DEGC: f64 = 10.0;
/// 0 °C in K.
pub(crate) const ZERO_DEGC_K: f64 = 273.15;

/// The level of one unit with one product.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Level {
    /// Which unit.
    pub unit: UnitId,
    /// Which product; empty where none is ever named.
    pub product: String,
    /// Logarithm of the usual torque in N·m at the reference speed and temperature.
    pub ln_nm: f64,
    /// Slots of 10 minutes that it was fitted on.
    pub slots: u64,
}

/// How torque of a product answers to speed and temperature.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Slope {
    /// Which product.
    pub product: String,
    /// Exponent of speed.
    pub speed_exponent: f64,
    /// Slope over the inverse absolute temperature, K.
    pub inverse_temp_k: f64,
}

/// The usual spread of a unit around what is expected.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Spread {
    /// Which unit.
    pub unit: UnitId,
    /// Robust standard deviation of the logarithm of slot torque.
    pub ln_sd: f64,
}

/// A fitted baseline. It is an input of exposures and changes only when somebody fits another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Baseline {
    /// First instant of the readings it was fitted on.
    pub fitted_from: Timestamp,
    /// Last instant of these.
    pub fitted_to: Timestamp,
    /// Slots of 10 minutes that it was fitted on.
    pub slots: u64,
    /// Whether the robust fit settled.
    pub converged: bool,
    /// One level per unit and product with enough slots.
    pub levels: Vec<Level>,
    /// One per product.
    pub slopes: Vec<Slope>,
    /// One per unit.
    pub spreads: Vec<Spread>,
}

impl Baseline {
    /// The torque expected of a unit with a product, N·m; `None` if that pair had too few slots to say, or if the
    /// temperature is not above absolute zero.
    ///
    /// `temp_degc` is `None` for a unit that sends no product temperature.
    pub fn expected_nm(&self, unit: &UnitId, product: &str, speed_rpm: f64, temp_degc: Option<f64>) -> Option<f64> {
        let expectation = self.expectation(unit)?;
        if temp_degc.is_some_and(|degc| degc.is_nan() || degc <= -ZERO_DEGC_K) {
            return None;
        }
        let inverse_k = temp_degc.map_or(INVERSE_REF_K, |degc| 1.0 / (degc + ZERO_DEGC_K));
        Some(expectation.of(product)?.expected_nm(speed_rpm, inverse_k))
    }

    /// What the walk along one unit needs.
    pub(crate) fn expectation(&self, unit: &UnitId) -> Option<Expectation> {
        let spread = self.spreads.iter().find(|spread| spread.unit == *unit)?;
        let levels = self.levels.iter().filter(|level| level.unit == *unit);
        let answers = levels.filter_map(|level| {
            let slope = self.slopes.iter().find(|slope| slope.product == level.product)?;
            let answer = Answer {
                level_ln_nm: level.ln_nm,
                speed_exponent: slope.speed_exponent,
                inverse_temp_k: slope.inverse_temp_k,
            };
            Some((level.product.clone(), answer))
        });
        let by_product: BTreeMap<String, Answer> = answers.collect();
        (!by_product.is_empty()).then_some(Expectation { by_product, ln_sd: spread.ln_sd })
    }
}

/// 1/K of the reference temperature.
pub(crate) const INVERSE_REF_K: f64 = 1.0 / (TEMP_REF_DEGC + ZERO_DEGC_K);

/// One unit's part of a baseline.
#[derive(Debug, Clone)]
pub(crate) struct Expectation {
    by_product: BTreeMap<String, Answer>,
    pub(crate) ln_sd: f64,
}

impl Expectation {
    pub(crate) fn of(&self, product: &str) -> Option<Answer> {
        self.by_product.get(product).copied()
    }
}

/// Level and slopes of one unit with one product.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Answer {
    pub(crate) level_ln_nm: f64,
    pub(crate) speed_exponent: f64,
    pub(crate) inverse_temp_k: f64,
}

impl Answer {
    pub(crate) fn expected_nm(&self, speed_rpm: f64, inverse_k: f64) -> f64 {
        let speed = (speed_rpm.abs() / SPEED_REF_RPM).max(1e-9).ln();
        (self.level_ln_nm + self.speed_exponent * speed + self.inverse_temp_k * (inverse_k - INVERSE_REF_K)).exp()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Arrhenius with 50 kJ/mol: viscosity from 40 to 10 °C grows 7.65-fold (mu = exp(Ea/R/T), R = 8.314462618 J/(mol K)).
    #[test]
    fn a_slope_in_kelvin_is_an_activation_temperature() {
        let unit = UnitId::new("C1").unwrap();
        let level = Level { unit: unit.clone(), product: "A".into(), ln_nm: 95f64.ln(), slots: 100 };
        let slope = Slope { product: "A".into(), speed_exponent: 0.75, inverse_temp_k: 50_000.0 / 8.314_462_618 };
        let baseline = Baseline {
            fitted_from: Timestamp::UNIX_EPOCH,
            fitted_to: Timestamp::UNIX_EPOCH,
            slots: 100,
            converged: true,
            levels: vec![level],
            slopes: vec![slope],
            spreads: vec![Spread { unit: unit.clone(), ln_sd: 0.05 }],
        };
        let at = |rpm, degc| baseline.expected_nm(&unit, "A", rpm, degc).unwrap();
        assert!((at(300.0, Some(10.0)) / at(300.0, Some(40.0)) - 7.65).abs() < 0.01);
        assert!((at(600.0, None) / at(300.0, None) - 2f64.powf(0.75)).abs() < 1e-12);
        assert_eq!(baseline.expected_nm(&unit, "B", 300.0, None), None);
    }
}
