//! What several collectors have received, as if it were one.

use plant::{Fault, SignalReport};

use crate::arrivals::{ArrivalsReport, Totals};

impl ArrivalsReport {
    /// Adds what another collector of the same plant has received: counts and rates add up, the newest value is shown. The
    /// link stays one's own.
    pub fn add(&mut self, other: ArrivalsReport) {
        for signal in other.signals {
            match self.signals.iter_mut().find(|own| (&own.unit, own.signal) == (&signal.unit, signal.signal)) {
                Some(own) => add_signal(own, signal),
                None => self.signals.push(signal),
            }
        }
        self.signals.sort_by(|a, b| (&a.unit, a.signal).cmp(&(&b.unit, b.signal)));
        for topic in other.unmapped {
            match self.unmapped.iter_mut().find(|own| own.topic == topic.topic) {
                Some(own) => {
                    own.count += topic.count;
                    if topic.last > own.last {
                        (own.last, own.sample) = (topic.last, topic.sample);
                    }
                }
                None => self.unmapped.push(topic),
            }
        }
        self.unmapped.sort_by(|a, b| a.topic.cmp(&b.topic));
        add_faults(&mut self.faults, other.faults);
        self.totals.add(other.totals);
    }
}

impl Totals {
    fn add(&mut self, other: Totals) {
        let Totals {
            messages,
            bytes,
            readings,
            refused,
            doubts,
            committed,
            duplicates,
            unmapped,
            unmapped_unlisted,
            overrun,
        } = other;
        self.messages += messages;
        self.bytes += bytes;
        self.readings += readings;
        self.refused += refused;
        self.doubts += doubts;
        self.committed += committed;
        self.duplicates += duplicates;
        self.unmapped += unmapped;
        self.unmapped_unlisted += unmapped_unlisted;
        self.overrun += overrun;
    }
}

fn add_signal(own: &mut SignalReport, other: SignalReport) {
    own.count += other.count;
    own.per_min += other.per_min;
    own.arrived_at = own.arrived_at.max(other.arrived_at);
    own.unprotected |= other.unprotected;
    if other.last_at > own.last_at {
        (own.last_at, own.topic) = (other.last_at, other.topic);
        (own.value, own.raw, own.measure) = (other.value, other.raw, other.measure);
    }
    add_faults(&mut own.faults, other.faults);
}

fn add_faults(own: &mut Vec<Fault>, others: Vec<Fault>) {
    for fault in others {
        match own.iter_mut().find(|own| own.reason == fault.reason) {
            Some(own) => {
                own.count += fault.count;
                own.first = own.first.min(fault.first);
                own.last = own.last.max(fault.last);
            }
            None => own.push(fault),
        }
    }
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;
    use plant::{Signal, UnitId};

    use super::*;
    use crate::link::Link;

    fn fault(reason: &str, count: u64, first: i64, last: i64) -> Fault {
        let at = |second| Timestamp::from_second(second).unwrap();
        Fault { reason: reason.into(), count, first: at(first), last: at(last), sample: "x".into() }
    }

    fn report(last_at: i64, value: &str, faults: Vec<Fault>) -> ArrivalsReport {
        let at = Timestamp::from_second(last_at).unwrap();
        let signal = SignalReport {
            unit: UnitId::new("C1").unwrap(),
            signal: Signal::Torque,
            topic: "p/C1".into(),
            count: 10,
            per_min: 2.5,
            last_at: Some(at),
            arrived_at: Some(at),
            value: value.into(),
            measure: "N·m".into(),
            raw: value.into(),
            unprotected: false,
            faults,
        };
        let totals = Totals { messages: 11, readings: 10, refused: 1, ..Totals::default() };
        ArrivalsReport {
            signals: vec![signal],
            unmapped: Vec::new(),
            faults: Vec::new(),
            totals,
            link: Link::default(),
        }
    }

    #[test]
    fn two_halves_read_as_the_whole() {
        let mut sum = report(100, "95", vec![fault("spike", 2, 10, 20)]);
        sum.add(report(90, "80", vec![fault("spike", 3, 5, 15), fault("late", 1, 1, 1)]));
        assert_eq!(sum.signals.len(), 1);
        let signal = &sum.signals[0];
        assert_eq!((signal.count, signal.per_min, signal.value.as_str()), (20, 5.0, "95"), "the newer value is shown");
        assert_eq!(signal.faults, [fault("spike", 5, 5, 20), fault("late", 1, 1, 1)]);
        assert_eq!((sum.totals.messages, sum.totals.readings, sum.totals.refused), (22, 20, 2));
    }

    #[test]
    fn a_report_reads_back_as_it_was_written() {
        let report = report(100, "95", vec![fault("spike", 2, 10, 20)]);
        assert_eq!(serde_json::from_str::<ArrivalsReport>(&serde_json::to_string(&report).unwrap()).unwrap(), report);
    }
}
