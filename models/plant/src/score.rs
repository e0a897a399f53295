//! What is published of a tube.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::finding::words;
use crate::{Grade, TubeId, UnitId};

words!(
    /// What stands behind a score, or why there is none.
    State, "state", {
        /// A fitted and approved model.
        Ok = "ok",
        /// Hours alone: no model beat them.
        Baseline = "baseline",
        /// The plant's stated belief: too few findings for anything else.
        Prior = "prior",
        /// A look in this life has already found the limit.
        Reached = "reached",
        /// Most run hours since the last look are blind: the risk is a floor.
        Blind = "blind",
        /// Nothing has arrived for longer than the config allows.
        Stale = "stale",
        /// No tube is fitted.
        NoTube = "no_tube",
        /// The tube sits in no unit.
        NotFitted = "not_fitted",
    }
);

/// A risk some run hours ahead.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Horizon {
    /// Further run hours, h; 0 is now.
    pub horizon_h: f64,
    /// Probability, 0 to 1, that a complete look then would find the limit reached.
    pub risk: f64,
    /// Lower end of its interval.
    pub lower: f64,
    /// Upper end of its interval.
    pub upper: f64,
}

impl Horizon {
    /// The risk after so many further run hours, on straight lines between those of `risks`, which may stand in any order;
    /// the first of them before that, and `None` beyond the last.
    pub fn after(risks: &[Horizon], run_h: f64) -> Option<Horizon> {
        let by_hours = |a: &&Horizon, b: &&Horizon| a.horizon_h.total_cmp(&b.horizon_h);
        let next = risks.iter().filter(|ahead| ahead.horizon_h >= run_h).min_by(by_hours)?;
        let Some(before) = risks.iter().filter(|ahead| ahead.horizon_h < run_h).max_by(by_hours) else {
            return Some(next.clone());
        };
        let part = (run_h - before.horizon_h) / (next.horizon_h - before.horizon_h);
        let between = |from: f64, to: f64| from + part * (to - from);
        Some(Horizon {
            horizon_h: run_h,
            risk: between(before.risk, next.risk),
            lower: between(before.lower, next.lower),
            upper: between(before.upper, next.upper),
        })
    }
}

/// A part of the wear since the last look, in plain run hours that would do the same.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Driver {
    /// The exposure's name, `run_h` for running itself, `blind_h` for blind hours.
    pub name: String,
    /// Equivalent run hours, h. All drivers of a score add up to its `equivalent_h`.
    pub hours_equivalent: f64,
    /// What it means, in a sentence.
    pub text: String,
}

/// Above this share of assumed run hours a risk is a guess (house choice: a tenth of the hours moves a chance by less than its
/// interval is wide).
const ASSUMED_SHARE: f64 = 0.1;

/// The risk of one tube, or of one unit without a tube, as known at an instant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Score {
    /// As known when.
    pub at: Timestamp,
    /// The tube; `None` for a unit in which none is fitted.
    pub tube: Option<TubeId>,
    /// The unit in which it sits; `None` for a tube on the shelf.
    pub unit: Option<UnitId>,
    /// What stands behind it.
    pub state: State,
    /// Why the state is what it is, in a sentence.
    pub reason: String,
    /// Risk now (first) and ahead; empty if there is none to give. Never drawn as zero, never read as safe.
    pub risks: Vec<Horizon>,
    /// The last complete look in this life.
    pub last_look_at: Option<Timestamp>,
    /// The running worst grade of this life.
    pub last_grade: Option<Grade>,
    /// Run hours since that look, or since the life began, h.
    pub run_h: f64,
    /// Of these, blind, h.
    pub blind_h: f64,
    /// Of these, hours that nobody counted, h: from before the unit sent its first reading, taken from how it has run since.
    #[serde(default)]
    pub assumed_h: f64,
    /// Share of these that readings cover, 0 to 1; `None` if there were none.
    pub coverage: Option<f64>,
    /// Plain run hours that would have done the same, h.
    pub equivalent_h: f64,
    /// What made them, largest first.
    pub drivers: Vec<Driver>,
    /// A look saw flakes or exposed metal in this life: hold and assess, whatever the risk.
    pub hold_and_assess: bool,
    /// The model's name.
    pub model: String,
    /// First instant of the data that it was fitted on.
    pub data_from: Option<Timestamp>,
    /// Last instant of the data that it was fitted on.
    pub data_to: Option<Timestamp>,
}

impl Score {
    /// The risk now.
    pub fn now(&self) -> Option<&Horizon> {
        self.risks.first()
    }

    /// Whether so many of the run hours were counted by nobody that the risk is a guess: neither a floor nor an estimate.
    pub fn is_guess(&self) -> bool {
        self.assumed_h > ASSUMED_SHARE * self.run_h
    }

    /// Whether the risk is a floor: most hours are blind, so conditions may have been worse, and the hours were counted.
    pub fn is_floor(&self) -> bool {
        self.state == State::Blind && !self.is_guess()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ahead(horizon_h: f64, risk: f64, lower: f64, upper: f64) -> Horizon {
        Horizon { horizon_h, risk, lower, upper }
    }

    #[test]
    fn between_two_horizons_a_risk_lies_on_the_line() {
        // By hand.
        let risks = [ahead(400.0, 0.5, 0.2, 0.9), ahead(0.0, 0.1, 0.05, 0.2), ahead(200.0, 0.2, 0.1, 0.5)];
        for (h, risk, lower, upper) in [(0.0, 0.1, 0.05, 0.2), (100.0, 0.15, 0.075, 0.35), (300.0, 0.35, 0.15, 0.7)] {
            let found = Horizon::after(&risks, h).unwrap();
            let off = [found.horizon_h - h, found.risk - risk, found.lower - lower, found.upper - upper];
            assert!(off.iter().all(|off| off.abs() < 1e-12), "{found:?}");
        }
        assert_eq!(Horizon::after(&risks, 401.0), None, "nothing was said of so far ahead");
        assert_eq!(Horizon::after(&risks[..1], 3.0), Some(risks[0].clone()));
        assert_eq!(Horizon::after(&[], 0.0), None);
    }
}
