//! Findings that were entered long after they were seen.

use jiff::Timestamp;
use plant::{Suspicion, SuspicionKind};

use super::History;

/// One doubt per stop at which something was entered later than so many hours after it was seen.
pub(super) fn doubts(history: &History, after_h: f64) -> Vec<Suspicion> {
    let mut doubts: Vec<Suspicion> = Vec::new();
    let mut told: Option<(Timestamp, Timestamp)> = None;
    for finding in &history.findings {
        let Some(entered) = finding.recorded_at else { continue };
        let late_h = entered.duration_since(finding.at).as_secs_f64() / 3600.0;
        let stop = history.looks.iter().find(|look| finding.at <= look.at).map_or(finding.at, |look| look.at);
        if late_h <= after_h || told == Some((stop, entered)) {
            continue;
        }
        told = Some((stop, entered));
        doubts.push(Suspicion {
            kind: SuspicionKind::EnteredLate,
            at: finding.at,
            tube: Some(history.tube.clone()),
            units: history.units_at(finding.at),
            what: format!("It was entered {:.0} days after the time that it gives for the look", late_h / 24.0),
            check: "Is the time that of the look? A wrong one moves wear to another interval and another unit."
                .to_owned(),
        });
    }
    doubts
}

#[cfg(test)]
mod tests {
    use super::super::sample::{LIMITS, Sample, at};
    use super::super::{Meters, of_record};
    use super::*;

    fn entered(days: i64) -> Vec<SuspicionKind> {
        let mut sample = Sample::default();
        sample.stations(10, [1; 12]);
        sample.record.findings.iter_mut().for_each(|finding| finding.recorded_at = Some(at(10 + days)));
        of_record(&sample.record, &Meters::new(), &LIMITS).doubts.iter().map(|doubt| doubt.kind).collect()
    }

    #[test]
    fn a_month_late_is_doubted_once_a_stop_and_a_weekend_is_not() {
        assert_eq!(entered(30), [SuspicionKind::EnteredLate]);
        assert_eq!(entered(3), []);
        assert_eq!(entered(0), []);
    }
}
