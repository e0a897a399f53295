//! Run hours that the unit's hour meter did not show when the inspector read it.

use jiff::Timestamp;
use plant::{Record, Suspicion, SuspicionKind, UnitId};

use super::Meters;

/// Findings whose run hours are further than `off_h` from the meter of the unit that the tube sat in. One doubt per tube
/// and reading.
pub(super) fn doubts(record: &Record, meters: &Meters, off_h: f64) -> Vec<Suspicion> {
    let mut doubts: Vec<Suspicion> = Vec::new();
    let mut told: Vec<(&plant::TubeId, Timestamp, f64)> = Vec::new();
    for finding in &record.findings {
        let Some(run_h) = finding.run_h else { continue };
        // At the end of a fitting the tube still belongs to the unit that it is drawn from.
        let unit =
            record.fittings_of(&finding.tube).find(|f| f.from <= finding.at && f.to.is_none_or(|to| finding.at <= to));
        let (Some(unit), Some(shown)) = (unit.map(|fitting| &fitting.unit), meters.get(&finding.at)) else { continue };
        let Some(own_h) = shown.get(unit) else { continue };
        let said = told.iter().any(|(tube, at, h)| {
            **tube == finding.tube && *h == run_h && finding.at.duration_since(*at).as_hours().abs() < 24
        });
        if (run_h - own_h).abs() <= off_h || said {
            continue;
        }
        told.push((&finding.tube, finding.at, run_h));
        let fits: Vec<&UnitId> = shown
            .iter()
            .filter(|(other, h)| *other != unit && (run_h - **h).abs() <= off_h)
            .map(|(other, _)| other)
            .collect();
        let other = match fits[..] {
            [other] => format!("; the meter of {other} did"),
            _ => String::new(),
        };
        doubts.push(Suspicion {
            kind: SuspicionKind::WrongMeter,
            at: finding.at,
            tube: Some(finding.tube.clone()),
            units: std::iter::once(unit.clone()).chain(fits.into_iter().cloned()).collect(),
            what: format!("It gives {run_h} run hours, but the meter of {unit} showed {own_h:.0} h then{other}"),
            check: "Which meter was read? Is it this tube and this unit? Was the meter replaced?".to_owned(),
        });
    }
    doubts
}

#[cfg(test)]
mod tests {
    use super::super::sample::{LIMITS, Sample, at, unit};
    use super::*;

    fn found(run_h: f64) -> Vec<Suspicion> {
        let mut sample = Sample::default();
        sample.stations(10, [1; 12]);
        sample.record.findings.iter_mut().for_each(|finding| finding.run_h = Some(run_h));
        let shown = [(unit("K1"), 4000.0), (unit("K2"), 9000.0), (unit("K3"), 12_000.0)];
        let meters = sample.record.findings.iter().map(|finding| (finding.at, shown.clone().into())).collect();
        doubts(&sample.record, &meters, LIMITS.meter_off_h)
    }

    #[test]
    fn hours_of_another_unit_are_doubted_once_and_the_unit_is_named() {
        let doubts = found(9002.0);
        assert_eq!(doubts.len(), 1);
        assert!(doubts[0].what.contains("the meter of K2 did"), "{}", doubts[0].what);
        assert_eq!(doubts[0].units, [unit("K1"), unit("K2")]);
        assert_eq!(found(7000.0)[0].units, [unit("K1")], "no meter fits");
    }

    #[test]
    fn a_meter_read_some_hours_apart_is_not_doubted() {
        assert_eq!(found(4006.0), []);
    }

    #[test]
    fn without_a_meter_nothing_is_said() {
        let mut sample = Sample::default();
        sample.worst(10, 1);
        sample.record.findings[0].run_h = Some(5.0);
        assert_eq!(doubts(&sample.record, &Meters::new(), 24.0), []);
        assert_eq!(doubts(&sample.record, &[(at(10), [(unit("K2"), 1.0)].into())].into(), 24.0), []);
    }
}
