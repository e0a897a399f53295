//! Slots of ten minutes, aligned to the clock: in them torque is held against what is usual.

use crate::baseline::{Answer, Expectation};
use crate::step::Words;

/// Ten minutes, µs. Six of them make a clock hour, so sums per hour stay additive.
pub(crate) const SLOT_US: i64 = 600_000_000;

/// A slot is in excess if its work is above the expected by this many spreads.
///
/// Noise alone passes 2.5 of them in 0.6 % of slots and then adds some 2.8 spreads each: at 5 % spread that is a
/// thousandth of all work. Summing every positive difference would add 0.4 spreads of all work, 2 %, whatever the
/// tube. Once a slot is in excess, all that is above the expected counts, not only what is above the threshold.
const SPREADS: f64 = 2.5;

/// Means of a slot that was seen whole, running in production with one product.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Slot {
    pub(crate) start_us: i64,
    pub(crate) product: Box<str>,
    pub(crate) torque_nm: f64,
    pub(crate) speed_rpm: f64,
    /// Mean of 1/K; `None` without product temperature.
    pub(crate) inverse_k: Option<f64>,
}

/// Sums of the seen production time of the current slot, with one product.
#[derive(Debug, Clone, Default)]
pub(crate) struct SlotSums {
    seen_us: i64,
    torque: f64,
    speed: f64,
    inverse_k: f64,
    /// Integral of torque times angular speed, MJ.
    work_mj: f64,
    /// Turning, rad.
    turned_rad: f64,
    product: f64,
    settled: bool,
}

/// A stretch of seen running in production.
pub(crate) struct Stretch {
    pub(crate) us: i64,
    pub(crate) torque_nm: f64,
    pub(crate) speed_rpm: f64,
    pub(crate) inverse_k: Option<f64>,
    pub(crate) work_mj: f64,
    pub(crate) turned_rad: f64,
}

impl SlotSums {
    /// Starts a slot, or a part of it with another product.
    pub(crate) fn new(product: f64, settled: bool) -> Self {
        Self { product, settled, ..Self::default() }
    }

    pub(crate) fn has(&self, product: f64) -> bool {
        self.product.to_bits() == product.to_bits()
    }

    pub(crate) fn add(&mut self, stretch: &Stretch) {
        let us = stretch.us as f64;
        self.seen_us += stretch.us;
        self.torque += stretch.torque_nm * us;
        self.speed += stretch.speed_rpm.abs() * us;
        self.inverse_k += stretch.inverse_k.unwrap_or(0.0) * us;
        self.work_mj += stretch.work_mj;
        self.turned_rad += stretch.turned_rad;
    }

    fn mean(&self, sum: f64) -> f64 {
        sum / self.seen_us as f64
    }

    /// Work above the usual, MJ.
    pub(crate) fn excess_mj(&self, expectation: &Expectation, words: &Words, has_temp: bool) -> f64 {
        let Some(answer) = self.answer(expectation, words) else { return 0.0 };
        if self.seen_us == 0 || self.turned_rad == 0.0 {
            return 0.0;
        }
        let inverse_k = if has_temp { self.mean(self.inverse_k) } else { crate::baseline::INVERSE_REF_K };
        let usual_mj = answer.expected_nm(self.mean(self.speed), inverse_k) * self.turned_rad * 1e-6;
        if self.work_mj > usual_mj * (1.0 + SPREADS * expectation.ln_sd) { self.work_mj - usual_mj } else { 0.0 }
    }

    fn answer(&self, expectation: &Expectation, words: &Words) -> Option<Answer> {
        expectation.of(words.word(self.product).unwrap_or(""))
    }

    /// The slot's means, if it is whole and fit to learn from.
    pub(crate) fn whole(&self, start_us: i64, words: &Words, has_temp: bool) -> Option<Slot> {
        let slot = Slot {
            start_us,
            product: words.word(self.product).unwrap_or("").into(),
            torque_nm: self.mean(self.torque),
            speed_rpm: self.mean(self.speed),
            inverse_k: has_temp.then(|| self.mean(self.inverse_k)),
        };
        let fit = self.seen_us == SLOT_US && self.settled && slot.torque_nm > 0.0 && slot.speed_rpm > 0.0;
        fit.then_some(slot)
    }
}
