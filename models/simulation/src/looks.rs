//! What an inspector sees of a wall, and writes down.
//!
//! A grade is misread by one step now and then. Whole tube, one finding: 6 % read one grade too low, 4 % one too high.
//! Station by station: 8 % too low, 0.8 % too high each, so that the worst of twelve is about as good. Nobody reads
//! grade 4 into a wall that has plating. Invented; that grades are readings with error and depend on the operator is
//! common practice.

use jiff::{SignedDuration, Timestamp};
use plant::{ClockPosition, Finding, Grade, Kind, Method, Reason, TubeId, Zone};

use crate::random::Chance;
use crate::wear::{STATIONS, Wall};

/// The zones of every tube, from the drive end.
pub(crate) const ZONES: [&str; 3] = ["drive", "middle", "far"];
const INSPECTORS: [&str; 3] = ["HB", "JK", "MV"];

/// How much of a tube is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Extent {
    /// One grade for the whole tube.
    Worst,
    /// Every station by itself.
    Stations,
    /// Only the far zone, through the open head: not complete.
    FarZone,
}

/// A tube being looked at.
#[derive(Debug)]
pub(crate) struct Visit<'a> {
    pub(crate) at: Timestamp,
    pub(crate) tube: &'a TubeId,
    pub(crate) wall: &'a Wall,
    pub(crate) reason: Reason,
    pub(crate) extent: Extent,
    /// What the unit's hour meter shows, if the inspector reads it, h.
    pub(crate) meter_h: Option<f64>,
}

impl Visit<'_> {
    /// The findings, in order of time, and the worst groove grade that was read.
    pub(crate) fn findings(&self, chance: &mut Chance) -> (Vec<Finding>, u8) {
        let inspector = INSPECTORS[chance.whole(0, 2) as usize];
        let entered_late = chance.happens(0.12).then(|| SignedDuration::from_hours(chance.whole(14, 72)));
        let mut findings: Vec<Finding> = match self.extent {
            Extent::Worst => vec![self.read(chance, None)],
            Extent::Stations => (0..STATIONS).map(|station| self.read(chance, Some(station))).collect(),
            Extent::FarZone => (8..STATIONS).map(|station| self.read(chance, Some(station))).collect(),
        };
        let worst = findings.iter().map(|finding| finding.grade.get()).max().unwrap_or(0);
        if worst == 4 && chance.happens(0.6) {
            findings.push(self.mark(chance, Kind::Flake, 4));
        }
        if chance.happens(0.05) {
            findings.push(self.mark(chance, Kind::AxialScratch, 1));
        }
        for (minutes, finding) in (0..).zip(&mut findings) {
            finding.at += SignedDuration::from_mins(minutes);
            finding.inspector = Some(inspector.to_owned());
            finding.recorded_at = entered_late.map(|delay| self.at + delay);
        }
        (findings, worst)
    }

    /// Reads one station, or the worst of all.
    fn read(&self, chance: &mut Chance, station: Option<usize>) -> Finding {
        let depth_um = station.map_or_else(|| self.wall.worst_um(), |station| self.wall.depth_um[station]);
        let (too_low, too_high) = if station.is_some() { (0.08, 0.008) } else { (0.06, 0.04) };
        let grade = misread(chance, self.wall.grade(depth_um), too_low, too_high);
        let measured = grade >= 2 && chance.happens(0.4);
        let method = if measured {
            Method::Gauge
        } else if grade == 0 && chance.happens(0.5) {
            Method::Light
        } else {
            Method::Nail
        };
        Finding {
            method: Some(method),
            kind: (grade > 0).then_some(Kind::Groove),
            depth_um: measured.then(|| (depth_um * chance.lognormal(1.0, 0.08)).round()),
            ..self.blank(grade, station)
        }
    }

    /// A mark that is no groove, somewhere in the far zone.
    fn mark(&self, chance: &mut Chance, kind: Kind, grade: u8) -> Finding {
        let station = chance.whole(8, STATIONS as i64 - 1) as usize;
        Finding { method: Some(Method::Light), kind: Some(kind), ..self.blank(grade, Some(station)) }
    }

    fn blank(&self, grade: u8, station: Option<usize>) -> Finding {
        Finding {
            at: self.at,
            tube: self.tube.clone(),
            grade: Grade::try_from(grade).expect("grades here are 0 to 4"),
            zone: station.map(|station| Zone(ZONES[station / 4].to_owned())),
            clock: station.map(|station| ClockPosition::ALL[station % 4]),
            method: None,
            kind: None,
            depth_um: None,
            reason: Some(self.reason),
            inspector: None,
            run_h: self.meter_h,
            recorded_at: None,
            note: None,
        }
    }
}

fn misread(chance: &mut Chance, grade: u8, too_low: f64, too_high: f64) -> u8 {
    let draw = chance.unit();
    if draw < too_low {
        grade.saturating_sub(1)
    } else if draw < too_low + too_high && grade < 3 {
        grade + 1
    } else {
        grade
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grades_are_misread_as_often_as_said() {
        let mut chance = Chance::new(6, "test", 0);
        let n = 100_000;
        let mut counts = [0; 5];
        for _ in 0..n {
            counts[misread(&mut chance, 1, 0.06, 0.04) as usize] += 1;
        }
        let share = |grade: usize| f64::from(counts[grade]) / f64::from(n);
        assert!((share(0) - 0.06).abs() < 0.003 && (share(2) - 0.04).abs() < 0.003, "{counts:?}");
        assert_eq!(counts[3] + counts[4], 0);
        assert!((0..1000).all(|_| misread(&mut chance, 3, 0.0, 1.0) == 3));
    }

    #[test]
    fn a_look_station_by_station_is_complete_and_one_through_the_head_is_not() {
        let mut chance = Chance::new(6, "test", 0);
        let wall = Wall::new(&mut chance, 1.0, Some(120.0));
        let tube = TubeId::new("T101").unwrap();
        let mut record =
            plant::Record { zones: ZONES.map(|zone| Zone(zone.to_owned())).to_vec(), ..Default::default() };
        for (extent, complete) in [(Extent::Stations, true), (Extent::FarZone, false), (Extent::Worst, true)] {
            let visit = Visit {
                at: Timestamp::UNIX_EPOCH,
                tube: &tube,
                wall: &wall,
                reason: Reason::Scheduled,
                extent,
                meter_h: None,
            };
            record.findings = visit.findings(&mut chance).0;
            let looks = record.looks(&tube);
            assert_eq!((looks.len(), looks[0].complete), (1, complete), "{extent:?}");
        }
    }
}
