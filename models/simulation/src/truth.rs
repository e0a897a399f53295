//! What really happened: for tests and reports, never for the service.

use std::collections::BTreeMap;

use jiff::Timestamp;
use plant::{TubeId, UnitId};

use crate::process::Sample;

/// The true sums of one unit in one clock hour (UTC).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct HourTruth {
    /// Hours of turning, cleaning included, 0 to 1.
    pub run_h: f64,
    /// Starts of the shaft, for cleaning included.
    pub starts: u32,
    /// Of these, on product below the unit's cold limit.
    pub cold_starts: u32,
    /// Hours of dry running.
    pub dry_h: f64,
    /// Integral of torque times angular speed, MJ.
    pub shaft_work_mj: f64,
    /// The part of it that layers on the wall made, MJ.
    pub excess_work_mj: f64,
    /// Revolutions of the shaft, in thousands.
    pub turns_k: f64,
    /// Plain hours' worth of wear; depends on much that no telemetry shows.
    pub drive_h: f64,
}

impl HourTruth {
    /// Adds one minute.
    pub(crate) fn add(&mut self, sample: &Sample) {
        const MINUTE_H: f64 = 1.0 / 60.0;
        let mj_per_nm = sample.speed_rpm * std::f64::consts::TAU * 1e-6; // one minute
        self.run_h += if sample.mode.turns() { MINUTE_H } else { 0.0 };
        self.starts += u32::from(sample.started);
        self.cold_starts += u32::from(sample.cold);
        self.dry_h += if sample.dry { MINUTE_H } else { 0.0 };
        self.shaft_work_mj += sample.torque_nm * mj_per_nm;
        self.excess_work_mj += sample.excess_nm * mj_per_nm;
        self.turns_k += sample.speed_rpm * 1e-3;
        self.drive_h += sample.drive_h;
    }

    /// Adds another period.
    pub fn include(&mut self, other: &HourTruth) {
        self.run_h += other.run_h;
        self.starts += other.starts;
        self.cold_starts += other.cold_starts;
        self.dry_h += other.dry_h;
        self.shaft_work_mj += other.shaft_work_mj;
        self.excess_work_mj += other.excess_work_mj;
        self.turns_k += other.turns_k;
        self.drive_h += other.drive_h;
    }
}

/// The true hours of one unit, one after the other.
#[derive(Debug, Clone)]
pub struct UnitTruth {
    /// The first hour, in whole hours since 1970 (UTC).
    pub first_hour: i64,
    /// Every hour of the past from then on.
    pub hours: Vec<HourTruth>,
    /// The instant at which its hour meter was replaced by one that stands at zero.
    pub meter_replaced_at: Option<Timestamp>,
}

impl UnitTruth {
    /// The sums from one hour since 1970 up to, not including, another; hours outside the past count nothing.
    pub fn sum(&self, from_hour: i64, to_hour: i64) -> HourTruth {
        let place = |hour: i64| usize::try_from(hour - self.first_hour).unwrap_or(0).min(self.hours.len());
        let (from, to) = (place(from_hour), place(to_hour));
        let mut sum = HourTruth::default();
        for hour in self.hours.get(from..to).unwrap_or_default() {
            sum.include(hour);
        }
        sum
    }

    /// The sums of a UTC day, given by its first hour since 1970.
    pub fn day(&self, first_hour: i64) -> HourTruth {
        self.sum(first_hour, first_hour + 24)
    }
}

/// When a life truly reached a catch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Caught {
    /// The end of the day or stop in which the deepest groove passed [`crate::CATCH_UM`].
    pub at: Timestamp,
    /// Run hours of the life until then, those before the records included, h.
    pub run_h: f64,
}

/// The truth of one tube between renewals.
#[derive(Debug, Clone)]
pub struct LifeTruth {
    /// Whose.
    pub tube: TubeId,
    /// The renewal that began it; `None` if it began before the records.
    pub from: Option<Timestamp>,
    /// The renewal that ended it; `None` while it lasts.
    pub to: Option<Timestamp>,
    /// Run hours before the records begin, h.
    pub run_h_before: f64,
    /// Run hours in all, those before the records included, h.
    pub run_h: f64,
    /// When a groove truly reached a catch, if it did in the records.
    pub caught: Option<Caught>,
    /// Deepest groove, µm, at the end of every day in a unit.
    pub worst_um: Vec<(Timestamp, f64)>,
}

/// What really happened in the plant.
#[derive(Debug, Clone)]
pub struct Truth {
    /// Per unit.
    pub units: BTreeMap<UnitId, UnitTruth>,
    /// Lives of all tubes, in order of tube, then time.
    pub lives: Vec<LifeTruth>,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::process::Mode;

    /// 95 N·m at 300 r/min is 4 hp (1 hp = 745.69987 W, NIST SP 811): 10.74 MJ in an hour.
    #[test]
    fn an_hour_of_four_horsepower_is_10_74_mj() {
        let mut hour = HourTruth::default();
        for minute in 0..60 {
            hour.add(&Sample {
                minute,
                mode: Mode::Production,
                product: "fondant_white",
                torque_nm: 94.944,
                temp_degc: 45.0,
                speed_rpm: 300.0,
                started: minute == 0,
                cold: false,
                dry: false,
                excess_nm: 0.0,
                drive_h: 1.0 / 60.0,
            });
        }
        assert!((hour.shaft_work_mj - 4.0 * 745.699_87 * 3600.0 * 1e-6).abs() < 1e-3, "{hour:?}");
        assert!((hour.run_h - 1.0).abs() < 1e-12 && hour.starts == 1 && (hour.turns_k - 18.0).abs() < 1e-9);
    }
}
