//! Depths some 25 times off: a thousandth of an inch is 25.4 µm (exact, NIST SP 811).

use std::collections::BTreeMap;

use plant::{ClockPosition, Finding, Grade, Suspicion, SuspicionKind, Zone};

use super::History;

const UM_PER_MIL: f64 = 25.4;
/// How far from exactly 25.4 times an earlier depth still looks like it: a factor.
const NEARLY: f64 = 2.0;
/// A depth this many times outside the usual ones is doubted if the other unit would bring it in.
const OUTSIDE: f64 = 2.0;

/// Depths of a tube that fit the other unit better.
pub(super) fn doubts(history: &History, usual_um: (f64, f64)) -> Vec<Suspicion> {
    let mut doubts = Vec::new();
    for life in &history.lives {
        let mut before: BTreeMap<(&Zone, ClockPosition), f64> = BTreeMap::new();
        for finding in history.findings.iter().filter(|finding| life.holds(finding.at) && finding.is_groove()) {
            let Some(depth_um) = finding.depth_um.filter(|depth| *depth > 0.0) else { continue };
            let station = finding.zone.as_ref().zip(finding.clock);
            let earlier_um = station.and_then(|station| before.get(&station).copied());
            match by_grade(finding.grade, depth_um, usual_um).or_else(|| by_earlier(depth_um, earlier_um)) {
                Some(why) => doubts.push(doubt(history, finding, why)),
                // What is doubted is no measure for the next one.
                None => {
                    station.map(|station| before.insert(station, depth_um));
                }
            }
        }
    }
    doubts
}

/// Far outside what a catch usually has, and inside it in the other unit.
fn by_grade(grade: Grade, depth_um: f64, (least_um, greatest_um): (f64, f64)) -> Option<String> {
    let as_mil_um = depth_um * UM_PER_MIL;
    let divided_um = depth_um / UM_PER_MIL;
    if grade >= Grade::CATCH && depth_um < least_um / OUTSIDE && as_mil_um >= least_um {
        return Some(format!(
            "{depth_um} µm is shallow for grade {grade} ({}), {depth_um} mil would be {as_mil_um:.0} µm",
            grade.meaning()
        ));
    }
    (grade <= Grade::CATCH && depth_um > greatest_um * OUTSIDE && divided_um <= greatest_um).then(|| {
        format!(
            "{depth_um} µm is deep for grade {grade} ({}), a 25th of it would be {divided_um:.0} µm",
            grade.meaning()
        )
    })
}

/// Some 25 times what the same station had before in this life, or a 25th of it.
fn by_earlier(depth_um: f64, earlier_um: Option<f64>) -> Option<String> {
    let earlier_um = earlier_um?;
    let off = (depth_um / earlier_um).ln().abs() - UM_PER_MIL.ln();
    (off.abs() < NEARLY.ln()).then(|| {
        format!("{depth_um} µm is {:.1} times the {earlier_um} µm of the same station before", depth_um / earlier_um)
    })
}

fn doubt(history: &History, finding: &Finding, why: String) -> Suspicion {
    Suspicion {
        kind: SuspicionKind::DepthUnit,
        at: finding.at,
        tube: Some(history.tube.clone()),
        units: history.units_at(finding.at),
        what: format!("The depth fits another unit of length: {why}"),
        check: "Was the gauge read in mil (thousandths of an inch), or converted twice? Correct the finding in µm."
            .to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::super::sample::{LIMITS, Sample};
    use super::super::{Meters, of_record};
    use super::*;

    fn doubts(depths: &[(u8, f64)]) -> usize {
        let mut sample = Sample::default();
        for (day, (grade, depth_um)) in (10..).step_by(30).zip(depths) {
            sample.depth(day, *grade, *depth_um);
        }
        let found = of_record(&sample.record, &Meters::new(), &LIMITS).doubts;
        found.iter().filter(|doubt| doubt.kind == SuspicionKind::DepthUnit).count()
    }

    /// 1.4 mil is 35.6 µm: a usual catch.
    #[test]
    fn mil_in_a_column_of_um_is_doubted() {
        assert_eq!(doubts(&[(2, 1.4)]), 1);
        assert_eq!(doubts(&[(3, 2.8)]), 1);
        assert_eq!(doubts(&[(2, 900.0)]), 1, "35 µm converted once too often");
    }

    #[test]
    fn a_25th_of_the_depth_before_is_doubted() {
        assert_eq!(doubts(&[(1, 20.0), (1, 0.8)]), 1);
        assert_eq!(doubts(&[(1, 20.0), (1, 0.8), (1, 22.0)]), 1, "what was doubted became the measure");
    }

    #[test]
    fn depths_as_they_grow_are_not_doubted() {
        assert_eq!(doubts(&[(1, 8.0), (2, 26.0), (2, 41.0), (3, 70.0), (3, 110.0), (4, 180.0)]), 0);
        assert_eq!(doubts(&[(2, 12.0), (2, 9.0), (2, 6.0)]), 0, "a gauge has its error");
    }
}
