//! What the plant says about its units, as far as exposures need it.

use std::collections::{BTreeMap, BTreeSet};

use plant::{Bands, Signal, UnitId};
use serde::{Deserialize, Serialize};

/// A setting that contradicts itself.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{place}: {problem}")]
pub struct BadSettings {
    /// The unit, or the part of the settings.
    pub place: String,
    /// What is wrong and what would be right.
    pub problem: String,
}

/// When a shaft counts as running.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Running {
    /// While it turns faster than this, either way round, 1/min.
    SpeedAboveRpm(f64),
    /// While its torque is above this, N·m: for units that send no speed.
    TorqueAboveNm(f64),
}

/// When a turning shaft counts as dry: too little product to carry the blades.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DryRule {
    /// While the product flow is below this, m³/h. While the flow is not known nothing counts as dry.
    FlowBelowM3H(f64),
    /// While torque is below this share, 0 to 1, of what the baseline expects in production.
    TorqueBelowShare(f64),
}

/// When torque counts as a rise out of the ordinary.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ExcursionLimit {
    /// Above this, N·m.
    AboveNm(f64),
    /// Above this multiple of what the baseline expects in production.
    TimesExpected(f64),
}

/// One unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UnitSettings {
    /// The signals that the plant sends of it. A mapped signal that falls silent makes running time unseen; one that
    /// is not mapped makes the exposures that need it lacking.
    pub signals: BTreeSet<Signal>,
    /// When it counts as running.
    pub running: Running,
    /// Shaft speed, 1/min, taken while it runs if `speed` is not mapped.
    pub nominal_speed_rpm: Option<f64>,
    /// Bore of the tube, mm.
    pub bore_mm: Option<f64>,
    /// Modes (cleaning, steaming) whose running counts for hours, sliding, work and bands like any other, but neither
    /// for the torque baseline nor as excess over it. An unknown mode is taken as production.
    pub excluded_modes: BTreeSet<String>,
    /// When it counts as dry; without a rule `dry_h` is lacking.
    pub dry: Option<DryRule>,
    /// A start with the product below this, °C, is a cold one; without a limit `cold_starts` is lacking.
    pub cold_start_below_degc: Option<f64>,
    /// When torque counts as an excursion.
    pub excursion: ExcursionLimit,
    /// The smallest step that the hour meter shows, h.
    pub meter_resolution_h: f64,
}

impl UnitSettings {
    /// A unit with house defaults (no source): no speed, no bore, no rules for dry running and cold starts,
    /// excursions above 1.5 times the expected torque, an hour meter that shows whole hours.
    pub fn new(signals: impl IntoIterator<Item = Signal>, running: Running) -> Self {
        Self {
            signals: signals.into_iter().collect(),
            running,
            nominal_speed_rpm: None,
            bore_mm: None,
            excluded_modes: BTreeSet::new(),
            dry: None,
            cold_start_below_degc: None,
            excursion: ExcursionLimit::TimesExpected(1.5),
            meter_resolution_h: 1.0,
        }
    }

    pub(crate) fn has(&self, signal: Signal) -> bool {
        self.signals.contains(&signal)
    }

    fn problem(&self) -> Option<String> {
        let positive = |name: &str, value: Option<f64>| {
            let value = value.filter(|value| !(value.is_finite() && *value > 0.0))?;
            Some(format!("{name} is {value}; it must be a number above 0"))
        };
        let (needed, limit) = match self.running {
            Running::SpeedAboveRpm(rpm) => (Signal::Speed, rpm),
            Running::TorqueAboveNm(nm) => (Signal::Torque, nm),
        };
        if !self.has(needed) {
            return Some(format!(
                "running is judged by {needed}, which is not mapped; map it or judge by another signal"
            ));
        }
        if !(limit.is_finite() && limit >= 0.0) {
            return Some(format!("the running limit is {limit} {}; it must be 0 or more", needed.house_unit()));
        }
        let excursion = match self.excursion {
            ExcursionLimit::AboveNm(nm) => ("the excursion limit in N·m", nm),
            ExcursionLimit::TimesExpected(times) => ("the excursion limit as a multiple", times),
        };
        let dry = self.dry.map(|rule| match rule {
            DryRule::FlowBelowM3H(flow) => ("the dry limit in m³/h", flow),
            DryRule::TorqueBelowShare(share) => ("the dry limit as a share", share),
        });
        positive("nominal_speed_rpm", self.nominal_speed_rpm)
            .or_else(|| positive("bore_mm", self.bore_mm))
            .or_else(|| positive("meter_resolution_h", Some(self.meter_resolution_h)))
            .or_else(|| positive(excursion.0, Some(excursion.1)))
            .or_else(|| dry.and_then(|(name, limit)| positive(name, Some(limit))))
    }
}

/// How long a reading speaks for the time after it, s, if nothing newer comes. Plants that report by exception send
/// nothing while nothing changes: holds are long, and end only because a dead source looks the same.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hold {
    /// Torque, s.
    pub torque_s: f64,
    /// Product temperature, s.
    pub product_temp_s: f64,
    /// Speed, s.
    pub speed_s: f64,
    /// Flow, s.
    pub flow_s: f64,
    /// Mode and product, s.
    pub words_s: f64,
}

impl Hold {
    /// House defaults (no source): torque 10 min, product temperature 30 min, speed and flow 1 h, words 7 days.
    pub const HOUSE: Hold =
        Hold { torque_s: 600.0, product_temp_s: 1800.0, speed_s: 3600.0, flow_s: 3600.0, words_s: 7.0 * 86_400.0 };
}

/// A line reaches into the next day and no further, s.
const LONGEST_LINE_S: f64 = 86_400.0;

/// What exposures are summed by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExposureSettings {
    /// The units; readings of others enter no exposure.
    pub units: BTreeMap<UnitId, UnitSettings>,
    /// Torque and temperature bands.
    pub bands: Bands,
    /// How long readings speak.
    pub hold: Hold,
    /// Signals of which a value changes evenly from one reading to the next, where these are no further apart than its hold;
    /// others, and these beyond it, keep the value of the reading before. Torque, product temperature, speed and flow may.
    pub lines: BTreeSet<Signal>,
    /// A standstill shorter than this, s, makes no start. House default 10 s (no source): a torque or speed that
    /// crosses its limit from one sample to the next is noise, and a shaft this heavy does not stop, let the product
    /// settle and start again within it.
    pub min_stop_s: f64,
}

impl ExposureSettings {
    /// Settings with house defaults, no bands, and every signal kept from reading to reading.
    pub fn new(units: BTreeMap<UnitId, UnitSettings>) -> Self {
        Self { units, bands: Bands::default(), hold: Hold::HOUSE, lines: BTreeSet::new(), min_stop_s: 10.0 }
    }

    /// Holds the settings against themselves.
    ///
    /// # Errors
    /// The first thing that contradicts itself.
    pub fn check(&self) -> Result<(), BadSettings> {
        let bad = |place: &str, problem: String| BadSettings { place: place.to_owned(), problem };
        for (unit, settings) in &self.units {
            if let Some(problem) = settings.problem() {
                return Err(bad(&format!("unit {unit}"), problem));
            }
        }
        for (name, edges) in [("torque", &self.bands.torque_nm), ("temperature", &self.bands.temp_degc)] {
            if edges.iter().any(|edge| !edge.is_finite()) || edges.windows(2).any(|pair| pair[0] >= pair[1]) {
                return Err(bad("bands", format!("the {name} edges are {edges:?}; they must rise")));
            }
        }
        let hold = &self.hold;
        for hold_s in [hold.torque_s, hold.product_temp_s, hold.speed_s, hold.flow_s, hold.words_s] {
            if !(hold_s.is_finite() && hold_s > 0.0) {
                return Err(bad("hold", format!("a hold is {hold_s} s; it must be above 0")));
            }
        }
        for signal in &self.lines {
            let hold_s = match signal {
                Signal::Torque => hold.torque_s,
                Signal::ProductTemp => hold.product_temp_s,
                Signal::Speed => hold.speed_s,
                Signal::Flow => hold.flow_s,
                _ => {
                    return Err(bad("between", format!("{signal} cannot change evenly; right would be a step")));
                }
            };
            if hold_s > LONGEST_LINE_S {
                let problem = format!(
                    "{signal} changes evenly and is held for {hold_s} s; right would be {LONGEST_LINE_S} s at most"
                );
                return Err(bad("hold", problem));
            }
        }
        if !(self.min_stop_s.is_finite() && self.min_stop_s >= 0.0) {
            return Err(bad("min_stop_s", format!("it is {} s; it must be 0 or more", self.min_stop_s)));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rule_on_a_signal_that_never_comes_is_refused() {
        let unit = UnitSettings::new([Signal::Torque], Running::SpeedAboveRpm(10.0));
        let settings = ExposureSettings::new([(UnitId::new("C1").unwrap(), unit)].into());
        let error = settings.check().unwrap_err().to_string();
        assert!(error.contains("C1") && error.contains("speed"), "{error}");
    }

    #[test]
    fn falling_band_edges_are_refused() {
        let mut settings = ExposureSettings::new(BTreeMap::new());
        settings.check().unwrap();
        settings.bands.torque_nm = vec![100.0, 50.0];
        assert!(settings.check().is_err());
    }
}
