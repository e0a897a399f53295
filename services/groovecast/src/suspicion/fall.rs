//! Grades that fall by themselves. One lower is a usual misread and only counted.

use std::collections::BTreeMap;

use plant::{ClockPosition, Grade, Look, Suspicion, SuspicionKind, Zone};

use super::{History, and_others, place_name};

/// What came of comparing each grade with the one before it at the same place.
pub(super) struct Falls {
    pub(super) doubts: Vec<Suspicion>,
    pub(super) one_lower: u64,
    pub(super) compared: u64,
}

/// A station, or `None` for the tube's worst place.
type Place = Option<(Zone, ClockPosition)>;

/// The grades of a tube that are lower than before within a life, by `least` and more. One doubt per look.
pub(super) fn falls(history: &History, least: u8) -> Falls {
    let mut falls = Falls { doubts: Vec::new(), one_lower: 0, compared: 0 };
    for looks in history.looks_by_life() {
        let mut before: BTreeMap<Place, Grade> = BTreeMap::new();
        for look in looks {
            let mut fallen: Vec<(u8, Place, Grade, Grade)> = Vec::new();
            for (place, grade) in grades(look) {
                if let Some(then) = before.insert(place.clone(), grade) {
                    falls.compared += 1;
                    let by = then.get().saturating_sub(grade.get());
                    falls.one_lower += u64::from(by == 1);
                    if by >= least {
                        fallen.push((by, place, then, grade));
                    }
                }
            }
            fallen.sort_by_key(|(by, ..)| std::cmp::Reverse(*by));
            let Some((_, place, then, now)) = fallen.first() else { continue };
            let others = and_others(fallen.len() - 1);
            falls.doubts.push(Suspicion {
                kind: SuspicionKind::GradeFell,
                at: look.at,
                tube: Some(history.tube.clone()),
                units: history.units_at(look.at),
                what: format!(
                    "{} reads grade {now} where it read grade {then} before, and no work is written down in \
                     between{others}",
                    place_name(place)
                ),
                check:
                    "Was the tube honed, re-plated or replaced and not written down? Is it this tube? Was the earlier \
                        look misread?"
                        .to_owned(),
            });
        }
    }
    falls
}

/// The grades of a look: its stations, or the tube's worst if it read no station.
fn grades(look: &Look) -> Vec<(Place, Grade)> {
    if look.stations.is_empty() {
        let worst = look.grade.filter(|_| look.complete);
        worst.map(|grade| (None, grade)).into_iter().collect()
    } else {
        look.stations.iter().map(|(station, grade)| (Some(station.clone()), *grade)).collect()
    }
}

#[cfg(test)]
mod tests {
    use plant::WorkKind;

    use super::super::sample::{LIMITS, Sample, tube};
    use super::super::{Meters, of_record};
    use super::*;

    #[test]
    fn a_grade_that_falls_by_two_without_work_is_doubted_once_a_look() {
        let mut sample = Sample::default();
        sample.stations(10, [3; 12]).stations(40, [1; 12]);
        let found = of_record(&sample.record, &Meters::new(), &LIMITS);
        assert_eq!(found.doubts.len(), 1);
        let doubt = &found.doubts[0];
        assert_eq!((doubt.kind, doubt.tube.as_ref()), (SuspicionKind::GradeFell, Some(&tube())));
        assert!(
            doubt.what.contains("grade 1 where it read grade 3") && doubt.what.contains("11 other places"),
            "{doubt:?}"
        );
    }

    #[test]
    fn one_lower_is_counted_and_not_doubted() {
        let mut sample = Sample::default();
        sample.worst(10, 2).worst(40, 1).worst(70, 1).worst(90, 2);
        let found = of_record(&sample.record, &Meters::new(), &LIMITS);
        assert_eq!((found.doubts.len(), found.one_lower, found.compared), (0, 1, 3));
    }

    #[test]
    fn after_honing_a_smooth_wall_is_expected() {
        let mut sample = Sample::default();
        sample.worst(10, 3).work(10, WorkKind::HonePolish).worst(40, 0);
        assert_eq!(of_record(&sample.record, &Meters::new(), &LIMITS).doubts, []);
        sample.record.work.clear();
        assert_eq!(of_record(&sample.record, &Meters::new(), &LIMITS).doubts.len(), 1);
    }
}
