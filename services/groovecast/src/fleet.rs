//! The fleet as known at an instant: the record, and what every unit went through hour by hour.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use plant::{Exposure, HourExposure, Life, Record, TubeId, UnitId, hour_of, hour_start};

/// Record and exposures, both as known at `until`.
pub struct Fleet {
    /// What is written down.
    pub record: Record,
    /// What each unit went through, hours in order. Views of other instants share them.
    pub hours: Arc<BTreeMap<UnitId, Vec<HourExposure>>>,
    /// The last reading of each unit.
    pub last_reading: BTreeMap<UnitId, Timestamp>,
    /// The instant of which this speaks.
    pub until: Timestamp,
    /// The instant up to which the hours reach: the last of them may not have passed whole.
    pub hours_until: Timestamp,
}

/// A part of a unit's hour that belongs to a tube.
pub struct Piece<'a> {
    /// The hour.
    pub hour: &'a HourExposure,
    /// Which share of it, 0 to 1.
    pub share: f64,
}

impl Fleet {
    /// What a tube went through after `from` (its beginning, if `None`) and up to `to`, in order of time,
    /// following it through its fittings. An hour that is cut is shared by time.
    pub fn pieces<'a>(
        &'a self,
        tube: &'a TubeId,
        from: Option<Timestamp>,
        to: Timestamp,
    ) -> impl Iterator<Item = Piece<'a>> {
        let (to, until) = (to.min(self.until), self.hours_until);
        self.record.fittings_of(tube).flat_map(move |fitting| {
            let begin = from.map_or(fitting.from, |from| from.max(fitting.from));
            let end = fitting.to.map_or(to, |there| there.min(to));
            let hours = self.hours.get(&fitting.unit).map_or(&[][..], Vec::as_slice);
            let first = hours.partition_point(|hour| hour.hour < hour_of(begin));
            hours[first..]
                .iter()
                .take_while(move |hour| hour_start(hour.hour) < end)
                .map(move |hour| Piece { hour, share: share(hour.hour, begin, end, until) })
                .filter(|piece| piece.share > 0.0)
        })
    }

    /// The fleet as it stood at an earlier instant, with what was written down of it. No unit counts as silent then.
    pub fn as_of(&self, at: Timestamp, record: Record) -> Fleet {
        let last_reading = self.hours.keys().map(|unit| (unit.clone(), at)).collect();
        Fleet { record, hours: self.hours.clone(), last_reading, until: at, hours_until: self.hours_until }
    }

    /// The sum of [`Fleet::pieces`].
    pub fn exposure(&self, tube: &TubeId, from: Option<Timestamp>, to: Timestamp) -> Exposure {
        let mut sum = Exposure::default();
        for piece in self.pieces(tube, from, to) {
            sum += &piece.hour.exposure.share(piece.share);
        }
        sum
    }

    /// The life in which a tube is.
    pub fn life_now(&self, tube: &TubeId) -> Option<Life> {
        self.record.lives(tube).into_iter().rev().find(|life| life.holds(self.until))
    }

    /// The last instant of any unit's exposures; `None` before the first.
    pub fn data_to(&self) -> Option<Timestamp> {
        self.hours.values().filter_map(|hours| hours.last()).map(|hour| hour_start(hour.hour + 1).min(self.until)).max()
    }

    /// The first instant of any unit's exposures.
    pub fn data_from(&self) -> Option<Timestamp> {
        self.hours.values().filter_map(|hours| hours.first()).map(|hour| hour_start(hour.hour)).min()
    }
}

/// The share of an hour, as far as it has passed, that lies between two instants.
fn share(hour: i64, begin: Timestamp, end: Timestamp, until: Timestamp) -> f64 {
    let micros = |at: Timestamp| at.as_microsecond() as f64;
    let start = micros(hour_start(hour));
    let stop = micros(hour_start(hour + 1)).min(micros(until).max(start + 1.0));
    let overlap = micros(end).min(stop) - micros(begin).max(start);
    (overlap / (stop - start)).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use plant::{Fitting, Term};

    fn at(hour: f64) -> Timestamp {
        Timestamp::from_microsecond((hour * 3.6e9) as i64).unwrap()
    }

    fn unit(name: &str) -> UnitId {
        UnitId::new(name).unwrap()
    }

    fn hours(count: i64) -> Vec<HourExposure> {
        let mut exposure = Exposure::default();
        exposure.add(Term::RunH, 1.0);
        (0..count).map(|hour| HourExposure { hour, exposure: exposure.clone() }).collect()
    }

    fn fleet(until: f64) -> Fleet {
        let tube = TubeId::new("T1").unwrap();
        let fittings = vec![
            Fitting { tube: tube.clone(), unit: unit("A"), from: at(2.5), to: Some(at(5.0)) },
            Fitting { tube, unit: unit("B"), from: at(7.0), to: None },
        ];
        let mut open = hours(10);
        open.last_mut().unwrap().exposure = open[0].exposure.share(until - 9.0);
        Fleet {
            record: Record { fittings, ..Record::default() },
            hours: Arc::new([(unit("A"), hours(10)), (unit("B"), open)].into()),
            last_reading: BTreeMap::new(),
            until: at(until),
            hours_until: at(until),
        }
    }

    #[test]
    fn a_moved_tube_takes_its_hours_from_both_units() {
        let fleet = fleet(10.0);
        let tube = TubeId::new("T1").unwrap();
        assert!((fleet.exposure(&tube, None, at(10.0)).run_h() - 5.5).abs() < 1e-9);
        assert!((fleet.exposure(&tube, Some(at(4.0)), at(8.0)).run_h() - 2.0).abs() < 1e-9);
    }

    #[test]
    fn an_earlier_view_ends_inside_an_hour_that_has_passed_whole() {
        let fleet = fleet(10.0);
        let tube = TubeId::new("T1").unwrap();
        let then = fleet.as_of(at(8.25), fleet.record.clone());
        assert!((then.exposure(&tube, None, at(10.0)).run_h() - 3.75).abs() < 1e-9);
    }

    #[test]
    fn the_open_hour_counts_as_far_as_it_has_passed() {
        let fleet = fleet(9.5);
        let tube = TubeId::new("T1").unwrap();
        assert!((fleet.exposure(&tube, Some(at(8.0)), at(9.5)).run_h() - 1.5).abs() < 1e-9);
    }
}
