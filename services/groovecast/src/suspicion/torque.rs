//! Two units whose torque trades places at a stop: signals mapped the other way round after maintenance, or tubes
//! exchanged without a fitting written down.

use std::collections::BTreeMap;

use plant::{HourExposure, Suspicion, SuspicionKind, Term, UnitId, hour_start};

use crate::fleet::Fleet;

/// Standing for so many clock hours in a row is a stop at which somebody may have worked.
const STOP_H: i64 = 4;
/// Run hours on each side of a stop that are compared, and the fewest of them.
const WINDOW: usize = 24;
const LEAST: usize = 12;
/// Run hours before the stop in which a unit must not have run at the other's torque, and the share that may.
const PAST: usize = 1000;
const SHARE_SEEN: f64 = 0.05;
/// How near the torque must come to the other unit's: a share of the gap between the two.
const NEAR: f64 = 0.25;

/// Clock hours in which a unit ran, with the logarithm of its mean torque.
struct Profile {
    hours: Vec<(i64, f64)>,
    stops: Vec<Stop>,
}

/// A stop, with the median torque on both sides of it, as logarithms.
struct Stop {
    /// Where in the profile the running after it begins.
    place: usize,
    last_hour: i64,
    next_hour: i64,
    before: f64,
    after: f64,
}

/// Pairs of units that seem to have traded their torque; only such whose torques were at least `apart` times each other.
pub(super) fn doubts(fleet: &Fleet, bores_mm: &BTreeMap<UnitId, f64>, apart: f64) -> Vec<Suspicion> {
    let profiles: Vec<(&UnitId, Profile)> =
        fleet.hours.iter().filter_map(|(unit, hours)| Some((unit, Profile::of(hours, *bores_mm.get(unit)?)))).collect();
    let mut doubts = Vec::new();
    for (place, (unit, profile)) in profiles.iter().enumerate() {
        for (other_unit, other) in &profiles[place + 1..] {
            let mut trades: Vec<(&Stop, &Stop, usize)> = Vec::new();
            for (stop, there) in common_stops(profile, other) {
                if !traded(profile, stop, other, there, apart.ln()) {
                    continue;
                }
                let astray = profile.astray(stop) + other.astray(there);
                match trades.last_mut() {
                    // Windows reach over the stops beside: of such the one that parts the hours best is meant.
                    Some(last) if stop.place < last.0.place + WINDOW => {
                        if astray < last.2 {
                            *last = (stop, there, astray);
                        }
                    }
                    _ => trades.push((stop, there, astray)),
                }
            }
            doubts.extend(trades.into_iter().map(|(stop, there, _)| doubt([unit, other_unit], stop, there)));
        }
    }
    doubts
}

impl Profile {
    fn of(hours: &[HourExposure], bore_mm: f64) -> Profile {
        let hours: Vec<(i64, f64)> = hours
            .iter()
            .filter(|hour| hour.exposure.covered_h() >= 0.5)
            .filter_map(|hour| Some((hour.hour, torque_nm(hour, bore_mm)?.ln())))
            .filter(|(_, torque)| torque.is_finite())
            .collect();
        let mut stops = Vec::new();
        for place in LEAST..hours.len().saturating_sub(LEAST - 1) {
            let (last_hour, next_hour) = (hours[place - 1].0, hours[place].0);
            if next_hour - last_hour <= STOP_H {
                continue;
            }
            let before = median(&hours[place.saturating_sub(WINDOW)..place]);
            let after = median(&hours[place..hours.len().min(place + WINDOW)]);
            stops.push(Stop { place, last_hour, next_hour, before, after });
        }
        Profile { hours, stops }
    }

    /// How many hours around a stop have the torque of its other side.
    fn astray(&self, stop: &Stop) -> usize {
        let middle = (stop.before + stop.after) / 2.0;
        let is_after = |torque: f64| (torque > middle) == (stop.after > middle);
        let before = &self.hours[stop.place.saturating_sub(WINDOW)..stop.place];
        let after = &self.hours[stop.place..self.hours.len().min(stop.place + WINDOW)];
        before.iter().filter(|(_, torque)| is_after(*torque)).count()
            + after.iter().filter(|(_, torque)| !is_after(*torque)).count()
    }

    /// Whether the unit has hardly run within `width` of a torque before a stop.
    fn is_new(&self, stop: &Stop, torque: f64, width: f64) -> bool {
        let past = &self.hours[stop.place.saturating_sub(PAST)..stop.place];
        let seen = past.iter().filter(|(_, then)| (then - torque).abs() < width).count();
        seen as f64 <= SHARE_SEEN * past.len() as f64
    }
}

/// Mean torque of an hour, N·m: work over angle, where the angle follows from the sliding distance of the blade tip.
fn torque_nm(hour: &HourExposure, bore_mm: f64) -> Option<f64> {
    let work_j = hour.exposure.get(Term::ShaftWorkMj)? * 1e6;
    let angle_rad = hour.exposure.get(Term::SlidingKm)? * 1e3 / (bore_mm / 2000.0);
    (angle_rad > 0.0).then(|| work_j / angle_rad)
}

/// Stops of two units that overlap in time.
fn common_stops<'a>(one: &'a Profile, other: &'a Profile) -> impl Iterator<Item = (&'a Stop, &'a Stop)> {
    one.stops.iter().flat_map(|stop| {
        let first = other.stops.partition_point(|there| there.next_hour <= stop.last_hour);
        other.stops[first..].iter().take_while(|there| there.last_hour < stop.next_hour).map(move |there| (stop, there))
    })
}

fn traded(one: &Profile, stop: &Stop, other: &Profile, there: &Stop, least_gap: f64) -> bool {
    let gap = (stop.before - there.before).abs();
    gap >= least_gap
        && (stop.after - there.before).abs() <= NEAR * gap
        && (there.after - stop.before).abs() <= NEAR * gap
        && one.is_new(stop, there.before, gap / 2.0)
        && other.is_new(there, stop.before, gap / 2.0)
}

fn doubt(units: [&UnitId; 2], stop: &Stop, there: &Stop) -> Suspicion {
    let [one, other] = units;
    Suspicion {
        kind: SuspicionKind::TradedTorque,
        at: hour_start(stop.next_hour.max(there.next_hour)),
        tube: None,
        units: vec![one.clone(), other.clone()],
        what: format!(
            "{one} usually took {:.0} N·m and {other} {:.0} N·m; since the stop it is {:.0} and {:.0} N·m, each as the \
             other before",
            stop.before.exp(),
            there.before.exp(),
            stop.after.exp(),
            there.after.exp()
        ),
        check: "Are the signals of the two units mapped the other way round, or were tubes or products exchanged?"
            .to_owned(),
    }
}

fn median(hours: &[(i64, f64)]) -> f64 {
    let mut torques: Vec<f64> = hours.iter().map(|(_, torque)| *torque).collect();
    torques.sort_by(f64::total_cmp);
    let middle = torques.len() / 2;
    if torques.len() % 2 == 1 { torques[middle] } else { (torques[middle - 1] + torques[middle]) / 2.0 }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use jiff::Timestamp;
    use plant::{Exposure, Record};

    use super::super::sample::{LIMITS, unit};
    use super::*;

    const BORE_MM: f64 = 152.4;

    /// An hour at a torque, turning at 300 1/min: 8.618 km of sliding.
    fn hour(hour: i64, torque_nm: f64) -> HourExposure {
        let mut exposure = Exposure::default();
        exposure.add(Term::RunH, 1.0);
        exposure.add(Term::SlidingKm, 8.618);
        exposure.add(Term::ShaftWorkMj, torque_nm * 300.0 * std::f64::consts::TAU / 60.0 * 3600.0 / 1e6);
        HourExposure { hour, exposure }
    }

    /// Days of 16 h; the torque of each is told by its number, and swings by 10 % within the day.
    fn days(torque_nm: impl Fn(i64) -> f64) -> Vec<HourExposure> {
        days_of(16, torque_nm)
    }

    /// Days that begin at 06:00.
    fn days_of(hours: i64, torque_nm: impl Fn(i64) -> f64) -> Vec<HourExposure> {
        (0..30)
            .flat_map(|day| (6..6 + hours).map(move |clock| (day, clock)))
            .map(|(day, clock)| {
                hour(day * 24 + clock, torque_nm(day) * (0.95 + 0.1 * ((clock * 7) % 16) as f64 / 15.0))
            })
            .collect()
    }

    fn found(one: Vec<HourExposure>, other: Vec<HourExposure>) -> Vec<Suspicion> {
        let until = Timestamp::from_second(30 * 86_400).unwrap();
        let fleet = Fleet {
            record: Record::default(),
            hours: Arc::new([(unit("K1"), one), (unit("K2"), other)].into()),
            first_reading: std::sync::Arc::default(),
            last_reading: std::sync::Arc::default(),
            until,
            hours_until: until,
        };
        let bores_mm = [(unit("K1"), BORE_MM), (unit("K2"), BORE_MM)].into();
        doubts(&fleet, &bores_mm, LIMITS.torque_apart)
    }

    /// 95 N·m at 300 1/min are 4 hp (745.7 W each, NIST SP 811): 2984 W. A bore of 152.4 mm slides 8.618 km an hour.
    #[test]
    fn torque_follows_from_work_and_sliding() {
        let mut at_4_hp = hour(0, 0.0);
        at_4_hp.exposure.add(Term::ShaftWorkMj, 4.0 * 745.7 * 3600.0 / 1e6);
        assert!((torque_nm(&at_4_hp, BORE_MM).unwrap() - 94.95).abs() < 0.05);
    }

    #[test]
    fn units_that_trade_their_torque_at_a_stop_are_doubted_once() {
        for hours in [16, 8] {
            let doubts = found(
                days_of(hours, |day| if day < 15 { 90.0 } else { 150.0 }),
                days_of(hours, |day| if day < 15 { 150.0 } else { 90.0 }),
            );
            assert_eq!(doubts.len(), 1, "{hours} h a day: {doubts:?}");
            assert_eq!(doubts[0].units, [unit("K1"), unit("K2")]);
            assert_eq!(doubts[0].at.to_string(), "1970-01-16T06:00:00Z");
        }
    }

    #[test]
    fn what_a_unit_has_run_at_before_is_no_trade() {
        // Two products that go round between the two.
        let doubts = found(
            days(|day| if day / 3 % 2 == 0 { 90.0 } else { 150.0 }),
            days(|day| if day / 3 % 2 == 1 { 90.0 } else { 150.0 }),
        );
        // The first time both torques are new to the units: that cannot be told from a trade.
        assert!(doubts.len() <= 1, "{doubts:?}");
    }

    #[test]
    fn a_unit_that_changes_alone_and_units_alike_are_not_doubted() {
        assert_eq!(found(days(|day| if day < 15 { 90.0 } else { 150.0 }), days(|_| 150.0)), []);
        assert_eq!(
            found(days(|day| if day < 15 { 100.0 } else { 110.0 }), days(|day| if day < 15 { 110.0 } else { 100.0 })),
            []
        );
    }
}
