//! The fleet as known at an instant: the record, and what every unit went through hour by hour.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use plant::{Exposure, HourExposure, Life, Record, Term, TubeId, UnitId, hour_of, hour_start};

/// How a unit ran before it was heard is told by so much time after: enough for weeks of cleaning and of short campaigns
/// to even out (house rule).
const DUTY_OVER: SignedDuration = SignedDuration::from_hours(90 * 24);

/// Record and exposures, both as known at `until`.
pub struct Fleet {
    /// What is written down.
    pub record: Record,
    /// What each unit went through, hours in order. Views of other instants share them.
    pub hours: Arc<BTreeMap<UnitId, Vec<HourExposure>>>,
    /// The first reading of each unit.
    pub first_reading: Arc<BTreeMap<UnitId, Timestamp>>,
    /// The last reading of each unit.
    pub last_reading: Arc<BTreeMap<UnitId, Timestamp>>,
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
        let last_reading = Arc::new(self.hours.keys().map(|unit| (unit.clone(), at)).collect());
        let (hours, first_reading) = (self.hours.clone(), self.first_reading.clone());
        Fleet { record, hours, first_reading, last_reading, until: at, hours_until: self.hours_until }
    }

    /// The fleet as it was known at an earlier instant: nothing of it speaks of later hours.
    pub fn before(&self, at: Timestamp) -> Fleet {
        let cut =
            |hours: &Vec<HourExposure>| hours[..hours.partition_point(|hour| hour_start(hour.hour + 1) <= at)].to_vec();
        let hours = self.hours.iter().map(|(unit, hours)| (unit.clone(), cut(hours))).collect();
        let view = self.as_of(at, self.record.known_at(at));
        Fleet { hours: Arc::new(hours), hours_until: at.min(self.hours_until), ..view }
    }

    /// The same fleet with what is written down of one tube alone; the hours are shared.
    pub fn with_record(&self, record: Record) -> Fleet {
        Fleet {
            record,
            hours: self.hours.clone(),
            first_reading: self.first_reading.clone(),
            last_reading: self.last_reading.clone(),
            until: self.until,
            hours_until: self.hours_until,
        }
    }

    /// Run hours of a tube in its units before these sent their first reading, h. Nobody counted them: a unit is taken
    /// to have run then as much of the time as it has since, and all of the time if it never sent anything. Where the
    /// register gives the hours before the records begin, they are those.
    pub fn unheard_h(&self, tube: &TubeId, from: Option<Timestamp>, to: Timestamp) -> f64 {
        let to = to.min(self.until);
        let counted_before = self.record.tubes.get(tube).is_some_and(|tube| tube.run_h_before.is_some());
        if from.is_none() && counted_before {
            return 0.0;
        }
        self.record
            .fittings_of(tube)
            .map(|fitting| {
                let heard = self.first_reading.get(&fitting.unit).copied();
                let begin = from.map_or(fitting.from, |from| from.max(fitting.from));
                let end = fitting.to.map_or(to, |there| there.min(to));
                let end = heard.map_or(end, |heard| heard.min(end));
                let hours = end.duration_since(begin).as_secs_f64() / 3600.0;
                hours.max(0.0) * heard.map_or(1.0, |heard| self.duty(&fitting.unit, heard))
            })
            .sum()
    }

    /// The share of the first months since its first reading in which a unit ran, 0 to 1; 1 if it has not run yet.
    ///
    /// It goes by what was read, never by what time it is: the same data make the same past whenever they are asked.
    fn duty(&self, unit: &UnitId, heard: Timestamp) -> f64 {
        let ends = heard + DUTY_OVER;
        let until = ends.min(self.hours_until);
        let own = self.hours.get(unit).map_or(&[][..], Vec::as_slice);
        let since = own.iter().skip_while(|hour| hour_start(hour.hour + 1) <= heard);
        let of_window = since.take_while(|hour| hour_start(hour.hour) < until);
        let (run_h, last) =
            of_window.fold((0.0, None), |(sum, _), hour| (sum + hour.exposure.run_h(), Some(hour.hour)));
        // While the window lasts, time that no running closes does not count yet.
        let closed = if own.last().is_some_and(|hour| hour_start(hour.hour) >= ends) { Some(ends) } else { None };
        let reached = closed.or(last.map(|hour| hour_start(hour + 1).min(until)));
        let passed_h = reached.map_or(0.0, |reached| reached.duration_since(heard).as_secs_f64() / 3600.0);
        if passed_h > 0.0 { (run_h / passed_h).clamp(0.0, 1.0) } else { 1.0 }
    }

    /// The sum of [`Fleet::pieces`], and of the hours before the units were heard as blind ones.
    pub fn exposure(&self, tube: &TubeId, from: Option<Timestamp>, to: Timestamp) -> Exposure {
        let mut sum = Exposure::default();
        let unheard_h = self.unheard_h(tube, from, to);
        sum.add(Term::RunH, unheard_h);
        sum.add(Term::BlindH, unheard_h);
        for piece in self.pieces(tube, from, to) {
            sum += &piece.hour.exposure.share(piece.share);
        }
        sum
    }

    /// Run hours at an instant since the surface of a life was plated or came new, h. Honing between goes on counting.
    pub fn surface_h(&self, tube: &TubeId, life: &Life, at: Timestamp) -> f64 {
        let before_h = self.record.tubes.get(tube).and_then(|tube| tube.run_h_before).unwrap_or(0.0);
        let before_h = if life.surface_from.is_none() { before_h } else { 0.0 };
        before_h + self.exposure(tube, life.surface_from, at).run_h()
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
    use plant::Fitting;

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
            first_reading: Arc::new([(unit("A"), at(0.0)), (unit("B"), at(0.0))].into()),
            last_reading: Arc::default(),
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
    fn hours_before_a_unit_was_heard_are_blind_not_nothing() {
        let mut fleet = fleet(10.0);
        let tube = TubeId::new("T1").unwrap();
        Arc::make_mut(&mut fleet.first_reading).insert(unit("A"), at(4.0));
        let exposure = fleet.exposure(&tube, None, at(5.0));
        // Unit A ran ten hours in the six since it was heard: it counts as always running.
        assert!((exposure.blind_h() - 1.5).abs() < 1e-9, "{exposure:?}");
        fleet.first_reading = Arc::default();
        assert!((fleet.unheard_h(&tube, None, at(5.0)) - 2.5).abs() < 1e-9);
    }

    #[test]
    fn the_past_is_the_same_whenever_it_is_asked() {
        let tube = TubeId::new("T1").unwrap();
        let asked = |until: f64| {
            let mut fleet = fleet(10.0);
            Arc::make_mut(&mut fleet.first_reading).insert(unit("A"), at(4.0));
            (fleet.until, fleet.hours_until) = (at(until), at(until));
            fleet.unheard_h(&tube, None, at(5.0))
        };
        // No reading has come since hour 10: a month later the past is no shorter.
        assert_eq!(asked(10.0).to_bits(), asked(730.0).to_bits());
    }

    #[test]
    fn a_unit_that_stands_later_has_run_no_less_before_it_was_heard() {
        let tube = TubeId::new("T1").unwrap();
        let mut fleet = fleet(10.0);
        Arc::make_mut(&mut fleet.first_reading).insert(unit("A"), at(4.0));
        let mut long = hours(24 * 90);
        long.extend(hours(2).into_iter().map(|hour| HourExposure { hour: hour.hour + 24 * 200, ..hour }));
        fleet.hours = Arc::new([(unit("A"), long)].into());
        (fleet.until, fleet.hours_until) = (at(24.0 * 300.0), at(24.0 * 300.0));
        // Ninety days from hour 4 on, of which the last four hours stood still.
        let duty = (24.0 * 90.0 - 4.0) / (24.0 * 90.0);
        assert!((fleet.unheard_h(&tube, None, at(5.0)) - 1.5 * duty).abs() < 1e-9);
    }

    #[test]
    fn the_open_hour_counts_as_far_as_it_has_passed() {
        let fleet = fleet(9.5);
        let tube = TubeId::new("T1").unwrap();
        assert!((fleet.exposure(&tube, Some(at(8.0)), at(9.5)).run_h() - 1.5).abs() < 1e-9);
    }
}
