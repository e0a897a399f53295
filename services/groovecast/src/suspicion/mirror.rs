//! Ends taken for each other: the picture of a wall that fits the earlier ones only when it is turned round.

use std::collections::BTreeMap;

use plant::{ClockPosition, Grade, Suspicion, SuspicionKind, Zone};

use super::History;

type Station = (Zone, ClockPosition);

/// Fewest stations that must be there in all three pictures.
const LEAST_STATIONS: usize = 6;
/// Fewest grades, added over the stations, that must be lower than before: a groove does not heal.
const LEAST_FALL: u32 = 3;
/// Largest correlation with the picture as it stands.
const UNLIKE: f64 = 0.2;

/// The looks of a tube that agree with the earlier ones of their life only when mirrored.
pub(super) fn doubts(history: &History, least_correlation: f64) -> Vec<Suspicion> {
    let zones = &history.record.zones;
    let mut doubts = Vec::new();
    for looks in history.looks_by_life() {
        let mut before: BTreeMap<Station, Grade> = BTreeMap::new();
        for look in looks {
            if is_mirrored(&look.stations, &before, zones, least_correlation) {
                doubts.push(Suspicion {
                    kind: SuspicionKind::EndsMirrored,
                    at: look.at,
                    tube: Some(history.tube.clone()),
                    units: history.units_at(look.at),
                    what: "The grades of this look fit the earlier ones of the tube when drive end and far end are \
                           exchanged, and not as they stand"
                        .to_owned(),
                    check: "From which end was it looked at? Was the tube turned round when it was fitted?".to_owned(),
                });
                // What is doubted is no measure for the next look.
                continue;
            }
            before.extend(look.stations.iter().map(|(station, grade)| (station.clone(), *grade)));
        }
    }
    doubts
}

fn is_mirrored(
    now: &BTreeMap<Station, Grade>,
    before: &BTreeMap<Station, Grade>,
    zones: &[Zone],
    least_correlation: f64,
) -> bool {
    // From the other end, 3 and 9 o'clock change places if the clock is read from there too.
    let turned = [mirrored(before, zones, |clock| clock), mirrored(before, zones, across)];
    turned.iter().any(|turned| {
        // The middle looks the same from both ends and says nothing.
        let moves = |(zone, _): &Station| {
            zones.iter().position(|other| other == zone).is_some_and(|p| p * 2 + 1 != zones.len())
        };
        let places: Vec<&Station> = now
            .keys()
            .filter(|place| moves(place) && before.contains_key(*place) && turned.contains_key(*place))
            .collect();
        if places.len() < LEAST_STATIONS {
            return false;
        }
        let pick = |picture: &BTreeMap<Station, Grade>| -> Vec<f64> {
            places.iter().map(|place| picture.get(*place).map_or(0.0, |grade| f64::from(grade.get()))).collect()
        };
        let (now, then, turned) = (pick(now), pick(before), pick(turned));
        let (fall, fall_if_turned) = (fall(&then, &now), fall(&turned, &now));
        fall >= LEAST_FALL
            && fall_if_turned * 3 <= fall
            && correlation(&now, &turned).is_some_and(|found| found >= least_correlation)
            && correlation(&now, &then).is_some_and(|found| found <= UNLIKE)
    })
}

fn mirrored(
    picture: &BTreeMap<Station, Grade>,
    zones: &[Zone],
    turn: impl Fn(ClockPosition) -> ClockPosition,
) -> BTreeMap<Station, Grade> {
    let opposite = |zone: &Zone| {
        let place = zones.iter().position(|other| other == zone)?;
        zones.get(zones.len() - 1 - place).cloned()
    };
    picture.iter().filter_map(|((zone, clock), grade)| Some(((opposite(zone)?, turn(*clock)), *grade))).collect()
}

fn across(clock: ClockPosition) -> ClockPosition {
    match clock {
        ClockPosition::Three => ClockPosition::Nine,
        ClockPosition::Nine => ClockPosition::Three,
        other => other,
    }
}

/// By how many grades, added up, the later picture is lower.
fn fall(then: &[f64], now: &[f64]) -> u32 {
    then.iter().zip(now).map(|(then, now)| (then - now).max(0.0) as u32).sum()
}

/// Pearson's correlation; `None` if one of the two is the same everywhere.
fn correlation(x: &[f64], y: &[f64]) -> Option<f64> {
    let n = x.len() as f64;
    let (mean_x, mean_y) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let sum = |pair: fn(f64, f64) -> f64| -> f64 { x.iter().zip(y).map(|(x, y)| pair(x - mean_x, y - mean_y)).sum() };
    let spread = (sum(|x, _| x * x) * sum(|_, y| y * y)).sqrt();
    (spread > 0.0).then(|| sum(|x, y| x * y) / spread)
}

#[cfg(test)]
mod tests {
    use super::super::sample::{LIMITS, Sample};
    use super::super::{Meters, of_record};
    use super::*;

    fn mirrored_looks(looks: &[[u8; 12]]) -> usize {
        let mut sample = Sample::default();
        for (day, grades) in (10..).step_by(30).zip(looks) {
            sample.stations(day, *grades);
        }
        let found = of_record(&sample.record, &Meters::new(), &LIMITS).doubts;
        found.iter().filter(|doubt| doubt.kind == SuspicionKind::EndsMirrored).count()
    }

    /// Drive, middle, far, each at 12, 3, 6 and 9 o'clock.
    const WORN_AT_THE_DRIVE: [u8; 12] = [1, 1, 2, 2, 0, 1, 1, 0, 0, 0, 0, 0];

    #[test]
    fn a_look_from_the_wrong_end_is_doubted() {
        let from_far = [0, 0, 0, 0, 0, 1, 1, 0, 1, 1, 2, 2];
        assert_eq!(mirrored_looks(&[WORN_AT_THE_DRIVE, from_far]), 1);
        let clock_too = [0, 0, 0, 0, 0, 1, 1, 0, 1, 2, 2, 1];
        assert_eq!(mirrored_looks(&[WORN_AT_THE_DRIVE, clock_too]), 1);
        assert_eq!(mirrored_looks(&[WORN_AT_THE_DRIVE, from_far, WORN_AT_THE_DRIVE]), 1, "the right look is no doubt");
    }

    #[test]
    fn wear_that_grows_where_it_was_and_new_wear_at_the_other_end_are_not_doubted() {
        assert_eq!(mirrored_looks(&[WORN_AT_THE_DRIVE, [2, 1, 3, 2, 1, 1, 1, 1, 0, 1, 0, 0]]), 0);
        assert_eq!(mirrored_looks(&[WORN_AT_THE_DRIVE, [1, 1, 2, 2, 0, 1, 1, 0, 1, 1, 2, 3]]), 0);
        assert_eq!(mirrored_looks(&[[1; 12], [1; 12]]), 0);
    }

    /// The textbook definition on four points, by hand.
    #[test]
    fn the_correlation_is_pearsons() {
        assert!((correlation(&[1.0, 2.0, 3.0, 4.0], &[1.0, 3.0, 2.0, 4.0]).unwrap() - 0.8).abs() < 1e-12);
        assert_eq!(correlation(&[1.0, 1.0], &[0.0, 1.0]), None);
    }
}
