//! Looks that an analyst has set aside: they stay in the record, and no fit and no score goes by them.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::{Finding, Record, TubeId};

/// A look that was set aside, and what became of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Aside {
    /// Counted from 1.
    pub id: i64,
    /// Of which tube.
    pub tube: TubeId,
    /// The instant of one of its findings: the look that holds it is set aside, whatever is added to that look.
    pub look: Timestamp,
    /// When it was set aside.
    pub at: Timestamp,
    /// By whom.
    pub who: String,
    /// Why.
    pub why: String,
    /// When it was taken back into use; `None` while it is set aside.
    pub lifted_at: Option<Timestamp>,
    /// By whom.
    pub lifted_by: Option<String>,
    /// Why.
    pub lifted_why: Option<String>,
}

impl Aside {
    /// Whether it is set aside now.
    pub fn stands(&self) -> bool {
        self.lifted_at.is_none()
    }

    /// As it was at an instant; `None` before it was set aside.
    pub(crate) fn known_at(&self, at: Timestamp) -> Option<Aside> {
        let lifted = self.lifted_at.is_some_and(|lifted_at| lifted_at <= at);
        let still = || Aside { lifted_at: None, lifted_by: None, lifted_why: None, ..self.clone() };
        (self.at <= at).then(|| if lifted { self.clone() } else { still() })
    }
}

impl Record {
    /// Whether findings of one stop are a look that is set aside.
    pub(crate) fn is_aside(&self, stop: &[&Finding]) -> bool {
        let holds = |aside: &Aside| stop.iter().any(|found| found.tube == aside.tube && found.at == aside.look);
        self.asides.iter().any(|aside| aside.stands() && holds(aside))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Grade;
    use crate::record::tests::{at, finding};

    fn aside(day: u32, set: u32, lifted: Option<u32>) -> Aside {
        let tube = TubeId::new("T1").unwrap();
        Aside {
            id: 1,
            tube,
            look: at(day),
            at: at(set),
            who: "Ada".into(),
            why: "wrong tube opened".into(),
            lifted_at: lifted.map(at),
            lifted_by: None,
            lifted_why: None,
        }
    }

    fn worst(record: &Record) -> Vec<u8> {
        record.looks(&TubeId::new("T1").unwrap()).iter().filter_map(|look| look.grade).map(Grade::get).collect()
    }

    #[test]
    fn a_look_set_aside_stays_in_the_record_and_is_no_look_to_go_by() {
        let record = Record {
            findings: vec![finding(10, 0), finding(50, 3), finding(90, 1)],
            asides: vec![aside(50, 95, None)],
            ..Record::default()
        };
        let tube = TubeId::new("T1").unwrap();
        assert_eq!(worst(&record), [0, 1]);
        assert_eq!(record.findings.len(), 3);
        assert_eq!(record.looks_aside(&tube).iter().map(|look| look.at).collect::<Vec<_>>(), [at(50)]);
        // Without the look at day 50 the interval from day 10 reaches to day 90.
        let spans = record.spans(&tube, Grade::CATCH);
        assert_eq!(spans.iter().map(|span| (span.start_at, span.end_at)).collect::<Vec<_>>(), [(Some(at(10)), at(90))]);
    }

    #[test]
    fn a_score_of_the_past_went_by_a_look_that_was_set_aside_later() {
        let record = Record {
            findings: vec![finding(10, 0), finding(50, 3)],
            asides: vec![aside(50, 60, Some(80))],
            ..Record::default()
        };
        assert_eq!(
            [55, 60, 79, 80].map(|day| worst(&record.known_at(at(day)))),
            [vec![0, 3], vec![0], vec![0], vec![0, 3]]
        );
    }
}
