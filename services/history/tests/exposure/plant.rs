//! A plant of one unit, and readings by the second.

use history::{ExposureSettings, Exposures, Running, Store, UnitHours, UnitSettings};
use jiff::Timestamp;
use plant::{Exposure, Quality, Reading, Signal, Term, TimeSource, UnitId, Value};

/// The only unit.
pub fn unit() -> UnitId {
    UnitId::new("C1").unwrap()
}

/// The instant so many seconds after 2026-03-02T00:00:00Z, a Monday.
pub fn at(s: f64) -> Timestamp {
    Timestamp::from_microsecond(1_772_409_600_000_000 + (s * 1e6) as i64).unwrap()
}

/// A good reading.
pub fn number(signal: Signal, s: f64, value: f64) -> Reading {
    reading(signal, s, Value::Number(value), Quality::Good)
}

/// A good word.
pub fn word(signal: Signal, s: f64, value: &str) -> Reading {
    reading(signal, s, Value::Text(value.into()), Quality::Good)
}

/// Any reading.
pub fn reading(signal: Signal, s: f64, value: Value, quality: Quality) -> Reading {
    Reading { unit: unit(), signal, at: at(s), value, quality, time_source: TimeSource::Own }
}

/// A value repeated from an instant up to another, every so many seconds.
pub fn every(step_s: f64, signal: Signal, from_s: f64, to_s: f64, value: f64) -> Vec<Reading> {
    let count = ((to_s - from_s) / step_s).ceil() as usize;
    (0..count).map(|number_| number(signal, from_s + number_ as f64 * step_s, value)).collect()
}

/// The reference unit: bore 152.4 mm, sends torque and speed, runs above 10 1/min.
pub fn reference() -> UnitSettings {
    let mut settings = UnitSettings::new([Signal::Torque, Signal::Speed], Running::SpeedAboveRpm(10.0));
    settings.bore_mm = Some(152.4);
    settings
}

/// Settings of a plant with this unit alone.
pub fn plant(settings: UnitSettings) -> ExposureSettings {
    ExposureSettings::new([(unit(), settings)].into())
}

/// All hours of the unit up to an instant, without any file.
pub fn hours(settings: ExposureSettings, readings: &[Reading], until_s: f64) -> UnitHours {
    let folder = tempfile::tempdir().unwrap();
    let exposures = Exposures::new(settings, None, &[]).unwrap();
    let mut all = exposures.fleet_hours(&Store::new(folder.path()), &[], readings, at(until_s)).unwrap();
    all.remove(&unit()).unwrap()
}

/// The sum of everything.
pub fn total(settings: UnitSettings, readings: &[Reading], until_s: f64) -> Exposure {
    hours(plant(settings), readings, until_s).sum(Timestamp::MIN, Timestamp::MAX)
}

/// A term of a sum.
#[track_caller]
pub fn close(exposure: &Exposure, term: Term, right: f64, tolerance: f64) {
    let got = exposure.get(term).unwrap_or_else(|| panic!("{term} is lacking"));
    assert!((got - right).abs() <= tolerance, "{term} is {got}, not {right}");
}
