//! One place read twice at one instant by one inspector, with different grades. Two inspectors may differ.

use std::collections::BTreeMap;

use jiff::Timestamp;
use plant::{ClockPosition, Grade, Kind, Suspicion, SuspicionKind, Zone};

use super::{History, place_name};

/// When, where, what kind of mark and who looked: a place has one grade of these.
type Subject<'a> = (Timestamp, Option<(&'a Zone, ClockPosition)>, Kind, Option<&'a str>);

/// Different grades of the same place, instant, kind and inspector; one doubt per instant. The worse of them counts.
pub(super) fn doubts(history: &History) -> Vec<Suspicion> {
    let mut said: BTreeMap<Subject, (Grade, Grade)> = BTreeMap::new();
    for finding in &history.findings {
        let place = finding.zone.as_ref().zip(finding.clock);
        let subject = (finding.at, place, finding.kind.unwrap_or(Kind::Groove), finding.inspector.as_deref());
        let (least, worst) = said.entry(subject).or_insert((finding.grade, finding.grade));
        (*least, *worst) = ((*least).min(finding.grade), (*worst).max(finding.grade));
    }
    let mut doubts: Vec<Suspicion> = Vec::new();
    for ((at, place, _, inspector), (least, worst)) in said {
        if least == worst || doubts.last().is_some_and(|doubt| doubt.at == at) {
            continue;
        }
        let place = place.map(|(zone, clock)| (zone.clone(), clock));
        doubts.push(Suspicion {
            kind: SuspicionKind::TwoGrades,
            at,
            tube: Some(history.tube.clone()),
            units: history.units_at(at),
            what: format!(
                "{} has grade {least} and grade {worst} at the same instant by {}; the worse one counts",
                place_name(&place),
                inspector.unwrap_or("nobody that is named")
            ),
            check: "Which one holds? Did a second inspector look? Was one of them read after the work?".to_owned(),
        });
    }
    doubts
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
        doubts.iter().filter(|doubt| doubt.kind == SuspicionKind::TwoGrades).count()
    }

    #[test]
    fn one_inspector_with_two_grades_is_doubted_once_and_two_may_differ() {
        assert_eq!(doubted([Some("A"), Some("A")], [1, 2]), 1);
        assert_eq!(doubted([None, None], [1, 2]), 1);
        assert_eq!(doubted([Some("A"), Some("B")], [1, 2]), 0);
        assert_eq!(doubted([Some("A"), Some("A")], [1, 1]), 0);
    }
}
