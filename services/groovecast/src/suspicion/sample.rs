//! A record of one tube in one unit, for the tests of doubts.

use jiff::Timestamp;
use plant::{ClockPosition, Finding, Fitting, Grade, Method, Record, Tube, TubeId, UnitId, Work, WorkKind, Zone};

use super::DoubtLimits;

/// The defaults of the config.
pub(super) const LIMITS: DoubtLimits = DoubtLimits {
    grade_fall: 2,
    catch_depth_um: (10.0, 50.0),
    mirror_correlation: 0.6,
    meter_off_h: 24.0,
    entered_after_h: 168.0,
    torque_apart: 1.3,
};

pub(super) fn at(day: i64) -> Timestamp {
    Timestamp::from_second(day * 86_400).unwrap()
}

pub(super) fn tube() -> TubeId {
    TubeId::new("T1").unwrap()
}

pub(super) fn unit(name: &str) -> UnitId {
    UnitId::new(name).unwrap()
}

/// A record that is written down step by step.
pub(super) struct Sample {
    pub(super) record: Record,
}

impl Default for Sample {
    fn default() -> Self {
        let known = Tube {
            tube: tube(),
            surface: "hard_chrome".into(),
            bore_mm: None,
            length_mm: None,
            plating_um: None,
            run_h_before: None,
            note: None,
        };
        let record = Record {
            tubes: [(tube(), known)].into(),
            fittings: vec![Fitting { tube: tube(), unit: unit("K1"), from: at(0), to: None }],
            zones: ["drive", "middle", "far"].map(|zone| Zone(zone.to_owned())).to_vec(),
            ..Record::default()
        };
        Sample { record }
    }
}

impl Sample {
    fn find(&mut self, day: i64, grade: u8, station: Option<usize>, depth_um: Option<f64>) {
        let zone = station.map(|station| self.record.zones[station / 4].clone());
        self.record.findings.push(Finding {
            at: at(day),
            tube: tube(),
            grade: Grade::try_from(grade).unwrap(),
            zone,
            clock: station.map(|station| ClockPosition::ALL[station % 4]),
            method: Some(Method::Nail),
            kind: None,
            depth_um,
            reason: None,
            inspector: None,
            run_h: None,
            recorded_at: None,
            note: None,
        });
    }

    /// A look at the tube's worst place.
    pub(super) fn worst(&mut self, day: i64, grade: u8) -> &mut Self {
        self.find(day, grade, None, None);
        self
    }

    /// A look at every station: drive, middle and far, each at 12, 3, 6 and 9 o'clock.
    pub(super) fn stations(&mut self, day: i64, grades: [u8; 12]) -> &mut Self {
        (0..12).zip(grades).for_each(|(station, grade)| self.find(day, grade, Some(station), None));
        self
    }

    /// A depth at one station.
    pub(super) fn depth(&mut self, day: i64, grade: u8, depth_um: f64) -> &mut Self {
        self.find(day, grade, Some(2), Some(depth_um));
        self
    }

    pub(super) fn work(&mut self, day: i64, work: WorkKind) -> &mut Self {
        self.record.work.push(Work { at: at(day), tube: tube(), work, note: None });
        self
    }
}
