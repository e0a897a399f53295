//! One place read twice in one look by one inspector, with different grades. Two inspectors may differ.

use std::collections::BTreeMap;

use jiff::Timestamp;
use plant::{ClockPosition, Grade, Kind, Suspicion, SuspicionKind, Zone};

use super::{History, and_others, place_name};

/// The look, where, what kind of mark and who looked: of these there is one grade.
type Subject<'a> = (Timestamp, Option<&'a str>, Option<(&'a Zone, ClockPosition)>, Kind);

/// Different grades of the same look, place, kind and inspector; one doubt per look and inspector. The worse of them
/// counts.
pub(super) fn doubts(history: &History) -> Vec<Suspicion> {
    let mut said: BTreeMap<Subject, (Grade, Grade)> = BTreeMap::new();
    for finding in &history.findings {
        let Some(look) = history.looks.iter().find(|look| finding.at <= look.at) else { continue };
        let place = finding.zone.as_ref().zip(finding.clock);
        let subject = (look.at, finding.inspector.as_deref(), place, finding.kind.unwrap_or(Kind::Groove));
        let (least, worst) = said.entry(subject).or_insert((finding.grade, finding.grade));
        (*least, *worst) = ((*least).min(finding.grade), (*worst).max(finding.grade));
    }
    let apart: Vec<_> = said.into_iter().filter(|(_, (least, worst))| least < worst).collect();
    apart
        .chunk_by(|a, b| (a.0.0, a.0.1) == (b.0.0, b.0.1))
        .map(|look| {
            let ((at, inspector, place, _), (least, worst)) = &look[0];
            Suspicion {
                kind: SuspicionKind::TwoGrades,
                at: *at,
                tube: Some(history.tube.clone()),
                units: history.units_at(*at),
                what: format!(
                    "{} has grade {least} and grade {worst} in one look by {}{}; the worse one counts",
                    place_name(&place.map(|(zone, clock)| (zone.clone(), clock))),
                    inspector.unwrap_or("nobody that is named"),
                    and_others(look.len() - 1)
                ),
                check: "Which one holds? Did a second inspector look? Was one of them read after the work?".to_owned(),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::sample::{LIMITS, Sample};
    use super::super::{Meters, of_record};
    use super::*;

    fn doubted(inspectors: [Option<&str>; 2], grades: [u8; 2]) -> usize {
        let mut sample = Sample::default();
        sample.stations(10, [grades[0]; 12]).stations(10, [grades[1]; 12]);
        let second = sample.record.findings.len() / 2;
        for (place, finding) in sample.record.findings.iter_mut().enumerate() {
            finding.inspector = inspectors[usize::from(place >= second)].map(str::to_owned);
        }
        let doubts = of_record(&sample.record, &Meters::new(), &LIMITS).doubts;
        let found: Vec<_> = doubts.iter().filter(|doubt| doubt.kind == SuspicionKind::TwoGrades).collect();
        assert!(found.iter().all(|doubt| doubt.what.contains("at 11 other places too")), "{found:?}");
        found.len()
    }

    #[test]
    fn one_inspector_with_two_grades_is_doubted_once_and_two_may_differ() {
        assert_eq!(doubted([Some("A"), Some("A")], [1, 2]), 1);
        assert_eq!(doubted([None, None], [1, 2]), 1);
        assert_eq!(doubted([Some("A"), Some("B")], [1, 2]), 0);
        assert_eq!(doubted([Some("A"), Some("A")], [1, 1]), 0);
    }
}
