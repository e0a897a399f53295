//! The exposures of a unit over all its hours, and sums over any period.

use jiff::Timestamp;
use plant::{Exposure, HourExposure, UnitId, hour_of, hour_start};

/// So many hours are summed ahead of time: a query then adds at most two such blocks one by one.
const BLOCK: usize = 64;

/// All hours of a unit in which its shaft ran, in order.
#[derive(Debug, Clone)]
pub struct UnitHours {
    unit: UnitId,
    hours: Vec<HourExposure>,
    blocks: Vec<Exposure>,
    nothing: Exposure,
    until: Timestamp,
    first_reading_at: Option<Timestamp>,
    last_reading_at: Option<Timestamp>,
}

impl UnitHours {
    /// From hours in order, an exposure of nothing (with its lacking terms), the instant up to which time exists, and
    /// the unit's first and last reading.
    pub(crate) fn new(
        unit: UnitId,
        hours: Vec<HourExposure>,
        nothing: Exposure,
        until: Timestamp,
        (first_reading_at, last_reading_at): (Option<Timestamp>, Option<Timestamp>),
    ) -> Self {
        let blocks = hours.chunks(BLOCK).map(|block| total(&nothing, block)).collect();
        Self { unit, hours, blocks, nothing, until, first_reading_at, last_reading_at }
    }

    /// Which unit.
    pub fn unit(&self) -> &UnitId {
        &self.unit
    }

    /// The hours with any running, in order.
    pub fn hours(&self) -> &[HourExposure] {
        &self.hours
    }

    /// The hours themselves.
    pub fn into_hours(self) -> Vec<HourExposure> {
        self.hours
    }

    /// Its last reading that carries a time, of the signals that exposures need.
    pub fn last_reading_at(&self) -> Option<Timestamp> {
        self.last_reading_at
    }

    /// Its first reading ever that carries a time, of any signal: its time counts from there.
    pub fn first_reading_at(&self) -> Option<Timestamp> {
        self.first_reading_at
    }

    /// The instant up to which time exists.
    pub fn until(&self) -> Timestamp {
        self.until
    }

    /// The hours that touch a period, in order.
    pub fn between(&self, from: Timestamp, to: Timestamp) -> &[HourExposure] {
        let start = self.hours.partition_point(|hour| hour_start(hour.hour + 1) <= from);
        let end = self.hours.partition_point(|hour| hour_start(hour.hour) < to);
        &self.hours[start.min(end)..end]
    }

    /// The exposure from an instant up to, not including, another. An hour that is cut counts by its share.
    pub fn sum(&self, from: Timestamp, to: Timestamp) -> Exposure {
        let to = to.min(self.until);
        let mut sum = self.nothing.clone();
        if from >= to {
            return sum;
        }
        let first = self.hours.partition_point(|hour| hour.hour < hour_of(from));
        let end = self.hours.partition_point(|hour| hour_start(hour.hour) < to);
        let whole_from = first + usize::from(self.hours.get(first).is_some_and(|hour| hour_start(hour.hour) < from));
        let whole_to = self.hours[..end].partition_point(|hour| self.end_of(hour) <= to);
        for hour in
            self.hours[first..whole_from.min(end)].iter().chain(&self.hours[whole_to.max(whole_from).min(end)..end])
        {
            sum += &hour.exposure.share(self.share(hour, from, to));
        }
        if whole_from < whole_to {
            let (block_from, block_to) = (whole_from.div_ceil(BLOCK), whole_to / BLOCK);
            if block_from < block_to {
                add_hours(&mut sum, &self.hours[whole_from..block_from * BLOCK]);
                self.blocks[block_from..block_to].iter().for_each(|block| sum += block);
                add_hours(&mut sum, &self.hours[block_to * BLOCK..whole_to]);
            } else {
                add_hours(&mut sum, &self.hours[whole_from..whole_to]);
            }
        }
        sum
    }

    fn end_of(&self, hour: &HourExposure) -> Timestamp {
        hour_start(hour.hour + 1).min(self.until)
    }

    fn share(&self, hour: &HourExposure, from: Timestamp, to: Timestamp) -> f64 {
        let us = |at: Timestamp| at.as_microsecond() as f64;
        let (start, end) = (hour_start(hour.hour), self.end_of(hour));
        ((us(end.min(to)) - us(start.max(from))) / (us(end) - us(start))).clamp(0.0, 1.0)
    }
}

fn total(nothing: &Exposure, hours: &[HourExposure]) -> Exposure {
    let mut sum = nothing.clone();
    add_hours(&mut sum, hours);
    sum
}

fn add_hours(sum: &mut Exposure, hours: &[HourExposure]) {
    hours.iter().for_each(|hour| *sum += &hour.exposure);
}

#[cfg(test)]
mod tests {
    use super::*;
    use plant::Term;
    use proptest::prelude::*;

    fn hours(runs: &[(i64, f64)], until_s: i64) -> UnitHours {
        let hour = |(hour, run_h): &(i64, f64)| {
            let mut exposure = Exposure::default();
            exposure.add(Term::RunH, *run_h);
            HourExposure { hour: *hour, exposure }
        };
        let until = Timestamp::from_second(until_s).unwrap();
        UnitHours::new(
            UnitId::new("C1").unwrap(),
            runs.iter().map(hour).collect(),
            Exposure::default(),
            until,
            (None, None),
        )
    }

    #[test]
    fn the_open_hour_counts_whole_up_to_now() {
        let unit = hours(&[(0, 1.0), (1, 0.5)], 3600 + 1800);
        let sum =
            |from, to| unit.sum(Timestamp::from_second(from).unwrap(), Timestamp::from_second(to).unwrap()).run_h();
        assert_eq!(sum(0, 9999), 1.5);
        assert_eq!(sum(0, 1800), 0.5);
        assert_eq!(sum(3600 + 900, 3600 + 1800), 0.25);
        assert_eq!(sum(9000, 9999), 0.0);
        assert_eq!(sum(600, 1200), 1.0 / 6.0);
    }

    proptest! {
        /// Against adding every hour's share one by one.
        #[test]
        fn any_period_is_the_sum_of_its_shares(gaps in prop::collection::vec(1i64..4, 1..300), from in 0i64..3_000_000, length in 0i64..3_000_000) {
            let mut at = 0;
            let runs: Vec<(i64, f64)> = gaps.iter().map(|gap| { at += gap; (at, 1.0 / *gap as f64) }).collect();
            let unit = hours(&runs, i64::MAX / 1_000_000_000);
            let to = from + length;
            let direct: f64 = runs.iter().map(|(hour, run_h)| {
                let overlap = (to.min((hour + 1) * 3600) - from.max(hour * 3600)).max(0);
                run_h * overlap as f64 / 3600.0
            }).sum();
            let got = unit.sum(Timestamp::from_second(from).unwrap(), Timestamp::from_second(to).unwrap()).run_h();
            prop_assert!((got - direct).abs() < 1e-9, "{got} instead of {direct}");
        }
    }
}
