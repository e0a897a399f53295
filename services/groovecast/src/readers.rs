//! Places that two inspectors read at the same stop, and how far they agree.

use std::collections::BTreeMap;

use jiff::Timestamp;
use plant::{ClockPosition, Grade, Record, TubeId, Zone};
use publisher::{AgreementKappa, ReaderAgreement};
use wear::{Agreement, kappa};

/// Fewest double readings of which a kappa is told: its standard error holds for large numbers only (house limit).
pub const LEAST_PAIRS: u64 = 20;
/// Grades 0 to 4.
const GRADES: usize = 5;

/// How far the inspectors of a record agree: the first reader of a place at a stop against the second.
pub fn agreement(record: &Record) -> ReaderAgreement {
    let mut counts = [[0_u32; GRADES]; GRADES];
    for (first, second) in double_readings(record) {
        counts[usize::from(first.get())][usize::from(second.get())] += 1;
    }
    let pairs: u64 = counts.iter().flatten().map(|count| u64::from(*count)).sum();
    let same: u64 = (0..GRADES).map(|grade| u64::from(counts[grade][grade])).sum();
    let told = |agreement| {
        let found = kappa(&counts, agreement).filter(|_| pairs >= LEAST_PAIRS)?;
        Some(AgreementKappa { value: found.value, lower: found.lower, upper: found.upper })
    };
    ReaderAgreement {
        pairs,
        same,
        least_pairs: LEAST_PAIRS,
        unweighted: told(Agreement::Exact),
        linear: told(Agreement::Linear),
        quadratic: told(Agreement::Quadratic),
        table: counts.map(|row| row.to_vec()).to_vec(),
    }
}

/// A place within a stop: a station, or the whole tube.
type Place<'a> = (&'a TubeId, Timestamp, Option<(&'a Zone, ClockPosition)>);

/// What the first and the second inspector of a place read at one stop, as a groove's grade.
///
/// Of each inspector the last reading counts; a third one is left out, since three readings are no independent pairs.
fn double_readings(record: &Record) -> Vec<(Grade, Grade)> {
    let mut read: BTreeMap<Place, Vec<(&str, Grade)>> = BTreeMap::new();
    for tube in record.tubes.keys() {
        let mut ends: Vec<Timestamp> = record.looks(tube).iter().map(|look| look.at).collect();
        ends.extend(record.looks_aside(tube).iter().map(|look| look.at));
        ends.sort();
        for finding in record.findings.iter().filter(|finding| finding.tube == *tube && finding.is_groove()) {
            let stop = ends.get(ends.partition_point(|end| *end < finding.at));
            let (Some(stop), Some(inspector)) = (stop, finding.inspector.as_deref()) else { continue };
            let place = (tube, *stop, finding.zone.as_ref().zip(finding.clock));
            let readers = read.entry(place).or_default();
            match readers.iter_mut().find(|(name, _)| *name == inspector) {
                Some((_, grade)) => *grade = finding.grade,
                None => readers.push((inspector, finding.grade)),
            }
        }
    }
    read.into_values().filter_map(|readers| Some((readers.first()?.1, readers.get(1)?.1))).collect()
}

#[cfg(test)]
mod tests {
    use plant::{Finding, Tube};

    use super::*;

    fn finding(hour: i64, grade: u8, clock: ClockPosition, inspector: Option<&str>) -> Finding {
        Finding {
            at: Timestamp::from_second(hour * 3600).unwrap(),
            tube: TubeId::new("T1").unwrap(),
            grade: Grade::try_from(grade).unwrap(),
            zone: Some(Zone("far".into())),
            clock: Some(clock),
            method: None,
            kind: None,
            depth_um: None,
            reason: None,
            inspector: inspector.map(str::to_owned),
            run_h: None,
            recorded_at: None,
            note: None,
        }
    }

    fn record(findings: Vec<Finding>) -> Record {
        let tube = TubeId::new("T1").unwrap();
        let known = Tube {
            tube: tube.clone(),
            surface: "stainless".into(),
            bore_mm: None,
            length_mm: None,
            plating_um: None,
            run_h_before: None,
            note: None,
        };
        Record { tubes: [(tube, known)].into(), findings, ..Record::default() }
    }

    #[test]
    fn two_inspectors_of_one_place_and_stop_are_a_pair_and_nothing_else_is() {
        use ClockPosition::{Six, Three};
        let readings = record(vec![
            finding(10, 1, Six, Some("A")),
            finding(11, 2, Six, Some("A")),
            finding(12, 1, Six, Some("B")),
            finding(13, 4, Six, Some("C")),
            finding(12, 3, Three, Some("A")),
            finding(13, 0, Three, None),
            finding(500, 0, Three, Some("B")),
        ]);
        let grades: Vec<(u8, u8)> =
            double_readings(&readings).into_iter().map(|(first, second)| (first.get(), second.get())).collect();
        assert_eq!(grades, [(2, 1)]);
        let agreement = agreement(&readings);
        assert_eq!((agreement.pairs, agreement.same, agreement.linear), (1, 0, None));
    }

    /// Of twenty pairs half differ by one grade; chance is left to the room of statistics.
    #[test]
    fn enough_pairs_have_a_kappa() {
        let pair = |stop: i64, grade: u8, other: u8| {
            let at = stop * 100;
            [finding(at, grade, ClockPosition::Six, Some("A")), finding(at + 1, other, ClockPosition::Six, Some("B"))]
        };
        let pairs =
            |n: i64| (0..n).flat_map(|stop| pair(stop, (stop % 3) as u8, ((stop % 3) + stop % 2) as u8)).collect();
        let found = agreement(&record(pairs(20)));
        assert_eq!((found.pairs, found.same), (20, 10));
        let linear = found.linear.unwrap();
        assert!(linear.lower < linear.value && linear.value < linear.upper, "{linear:?}");
        assert_eq!(agreement(&record(pairs(19))).linear, None);
    }
}
