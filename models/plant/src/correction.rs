//! What was believed before it was corrected: a score of the past stands on what was known then, right or wrong.

use jiff::Timestamp;

use crate::{Finding, Fitting, Record};

/// A finding that was corrected or withdrawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Correction {
    /// When: until then the finding stood as it was.
    pub at: Timestamp,
    /// What was written down until then.
    pub was: Finding,
    /// What has stood in its place since then; `None` if it was withdrawn.
    pub became: Option<Finding>,
}

impl Record {
    /// The findings as they read at an instant, in order of time: what was corrected later stands as it was.
    /// Findings that were entered later are among them.
    pub fn findings_as_read(&self, at: Timestamp) -> Vec<Finding> {
        let mut findings = self.findings.clone();
        for later in self.corrections.iter().rev().filter(|correction| correction.at > at) {
            let place = later.became.as_ref().and_then(|became| findings.iter().position(|finding| finding == became));
            match place {
                Some(place) => findings[place] = later.was.clone(),
                None => findings.push(later.was.clone()),
            }
        }
        findings.sort_by_key(|finding| finding.at);
        findings
    }

    /// The record as it was known at an instant: findings by the time they were entered and as they read then, no
    /// fitting's later end.
    pub fn known_at(&self, at: Timestamp) -> Record {
        Record {
            tubes: self.tubes.clone(),
            fittings: self
                .fittings
                .iter()
                .filter(|fitting| fitting.from <= at)
                .map(|fitting| Fitting { to: fitting.to.filter(|to| *to <= at), ..fitting.clone() })
                .collect(),
            work: self.work.iter().filter(|work| work.at <= at).cloned().collect(),
            findings: self.findings_as_read(at).into_iter().filter(|finding| finding.known_at() <= at).collect(),
            campaigns: self.campaigns.clone(),
            zones: self.zones.clone(),
            effects: self.effects,
            corrections: self.corrections.iter().filter(|correction| correction.at <= at).cloned().collect(),
            asides: self.asides.iter().filter_map(|aside| aside.known_at(at)).collect(),
            revision: self.revision,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::TubeId;
    use crate::record::tests::{at, finding};

    fn grades(record: &Record) -> Vec<u8> {
        record.findings.iter().map(|finding| finding.grade.get()).collect()
    }

    #[test]
    fn a_late_entry_is_unknown_until_it_is_entered() {
        let late = Finding { recorded_at: Some(at(30)), ..finding(10, 2) };
        let record = Record { findings: vec![late], ..Record::default() };
        assert!(record.known_at(at(20)).findings.is_empty());
        assert_eq!(record.known_at(at(30)).findings.len(), 1);
    }

    #[test]
    fn a_correction_is_unknown_until_it_is_made() {
        let (first, second, third) = (finding(10, 1), finding(10, 3), finding(10, 2));
        let record = Record {
            findings: vec![third.clone(), finding(50, 2)],
            corrections: vec![
                Correction { at: at(20), was: first, became: Some(second.clone()) },
                Correction { at: at(40), was: second, became: Some(third) },
            ],
            ..Record::default()
        };
        let known = |day| grades(&record.known_at(at(day)));
        assert_eq!(
            [known(10), known(20), known(39), known(40), known(60)],
            [vec![1], vec![3], vec![3], vec![2], vec![2, 2]]
        );
        assert_eq!(record.known_at(at(25)).corrections.len(), 1, "a later correction was told early");
    }

    #[test]
    fn a_withdrawn_finding_stood_until_it_was_withdrawn() {
        let withdrawn = Correction { at: at(20), was: finding(10, 4), became: None };
        let record = Record { corrections: vec![withdrawn], ..Record::default() };
        assert_eq!(grades(&record.known_at(at(19))), [4]);
        assert!(record.known_at(at(20)).findings.is_empty());
    }

    #[test]
    fn a_correction_of_the_tube_moves_the_finding_back_too() {
        let right = Finding { tube: TubeId::new("T2").unwrap(), ..finding(10, 2) };
        let moved = Correction { at: at(20), was: finding(10, 2), became: Some(right.clone()) };
        let record = Record { findings: vec![right], corrections: vec![moved], ..Record::default() };
        assert_eq!(record.findings_as_read(at(15))[0].tube.as_str(), "T1");
        assert_eq!(record.findings_as_read(at(25))[0].tube.as_str(), "T2");
    }
}
