//! What happens to readings on their way: lost hours, dead sensors, wrong values, repeats and late arrivals.
//!
//! The kinds are those of any plant (common practice, no source); how often they happen is invented.

use plant::{Quality, Reading, Signal, Value};

use crate::random::Chance;

/// Mean time between two losses of a unit's readings, and their median length, minutes.
const BETWEEN_GAPS_MIN: f64 = 120.0 * 1440.0;
const GAP_MIN: f64 = 8.0 * 60.0;
/// Mean time between two outages whose readings arrive afterwards, and their median length, minutes.
const BETWEEN_OUTAGES_MIN: f64 = 150.0 * 1440.0;
const OUTAGE_MIN: f64 = 90.0;
/// Mean time between two failures of a sensor, and their median length, minutes.
const BETWEEN_FAILURES_MIN: f64 = 45.0 * 1440.0;
const FAILURE_MIN: f64 = 60.0;
/// Share of single readings that come without a value, with a wild value marked bad, or marked uncertain.
const MISSING: f64 = 2e-4;
const WILD: f64 = 1e-4;
const UNCERTAIN: f64 = 3e-4;
/// Share of readings that come twice, and of those that come hours late.
const TWICE: f64 = 2e-4;
const LATE: f64 = 1e-4;
/// What an open temperature loop reads on a 16-bit input with one decimal.
const OPEN_LOOP: f64 = 3276.7;

/// A reading and when it arrives, milliseconds since 1970.
#[derive(Debug, Clone)]
pub(crate) struct Delivery {
    pub(crate) arrives_ms: i64,
    pub(crate) reading: Reading,
}

/// A kind of trouble that comes and goes, by minutes since 1970.
#[derive(Debug, Clone)]
struct Spell {
    from: i64,
    until: i64,
    between_min: f64,
    median_min: f64,
}

impl Spell {
    fn new(chance: &mut Chance, start: i64, between_min: f64, median_min: f64) -> Self {
        let mut spell = Self { from: start, until: start, between_min, median_min };
        spell.renew(chance);
        spell
    }

    fn renew(&mut self, chance: &mut Chance) {
        self.from = self.until + chance.wait(self.between_min).max(1.0) as i64;
        self.until = self.from + chance.lognormal(self.median_min, 1.0).clamp(10.0, 3.0 * 1440.0) as i64;
    }

    /// Whether it lasts in this minute; plans the next one when it is over.
    fn lasts(&mut self, chance: &mut Chance, minute: i64) -> bool {
        if minute >= self.until {
            self.renew(chance);
        }
        minute >= self.from
    }
}

/// The way of one unit's readings.
#[derive(Debug, Clone)]
pub(crate) struct Faults {
    chance: Chance,
    gap: Spell,
    outage: Spell,
    failure: Spell,
    failed: Option<Signal>,
}

impl Faults {
    /// Faults from a minute since 1970 on.
    pub(crate) fn new(seed: u64, number: usize, start: i64) -> Self {
        let mut chance = Chance::new(seed, "faults", number);
        let gap = Spell::new(&mut chance, start, BETWEEN_GAPS_MIN, GAP_MIN);
        let outage = Spell::new(&mut chance, start, BETWEEN_OUTAGES_MIN, OUTAGE_MIN);
        let failure = Spell::new(&mut chance, start, BETWEEN_FAILURES_MIN, FAILURE_MIN);
        Self { chance, gap, outage, failure, failed: None }
    }

    /// Sends a reading on its way: it arrives once, twice, late, without its value, or never.
    pub(crate) fn pass(&mut self, mut reading: Reading, deliver: &mut Vec<Delivery>) {
        let sent_ms = reading.at.as_millisecond();
        let minute = sent_ms.div_euclid(60_000);
        let is_lost = self.gap.lasts(&mut self.chance, minute);
        let waits = self.outage.lasts(&mut self.chance, minute);
        if self.is_dead(&mut reading, minute) || is_lost {
            return;
        }
        let draw = self.chance.unit();
        if draw < MISSING {
            reading.value = Value::Missing;
            reading.quality = Quality::Bad;
        } else if draw < MISSING + WILD && reading.signal == Signal::ProductTemp {
            reading.value = Value::Number(OPEN_LOOP);
            reading.quality = Quality::Bad;
        } else if draw < MISSING + WILD + UNCERTAIN {
            reading.quality = Quality::Uncertain;
        }
        let mut arrives_ms = if waits { self.outage.until * 60_000 + 500 } else { sent_ms };
        let fate = self.chance.unit();
        if fate < LATE {
            arrives_ms += self.chance.lognormal(2.0 * 3_600_000.0, 1.2).min(40.0 * 3_600_000.0) as i64;
        } else if fate < LATE + TWICE {
            let again_ms = arrives_ms + self.chance.whole(0, 120_000);
            deliver.push(Delivery { arrives_ms: again_ms, reading: reading.clone() });
        }
        deliver.push(Delivery { arrives_ms, reading });
    }

    /// A dead sensor says so once and is silent until it is mended.
    fn is_dead(&mut self, reading: &mut Reading, minute: i64) -> bool {
        if !self.failure.lasts(&mut self.chance, minute) {
            self.failed = None;
            return false;
        }
        match self.failed {
            Some(signal) => signal == reading.signal,
            None if matches!(reading.signal, Signal::Torque | Signal::ProductTemp) => {
                self.failed = Some(reading.signal);
                reading.value = Value::Missing;
                reading.quality = Quality::Bad;
                false
            }
            None => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::instant;
    use plant::{TimeSource, UnitId};

    #[test]
    fn most_readings_arrive_at_once_and_every_kind_of_fault_occurs() {
        let mut faults = Faults::new(11, 0, 0);
        let mut deliveries = Vec::new();
        let minutes = 400 * 1440;
        for minute in 0..minutes {
            let reading = Reading {
                unit: UnitId::new("K1").unwrap(),
                signal: Signal::ProductTemp,
                at: instant(minute, 0),
                value: Value::Number(45.0),
                quality: Quality::Good,
                time_source: TimeSource::Own,
            };
            faults.pass(reading, &mut deliveries);
        }
        let at_once = deliveries.iter().filter(|d| d.arrives_ms == d.reading.at.as_millisecond()).count() as f64;
        let lost = 1.0 - deliveries.len() as f64 / minutes as f64;
        assert!((0.001..0.05).contains(&lost), "{lost} lost");
        assert!(at_once / minutes as f64 > 0.94);
        let some = |test: &dyn Fn(&Delivery) -> bool| assert!(deliveries.iter().any(test));
        some(&|d| d.reading.value == Value::Missing && d.reading.quality == Quality::Bad);
        some(&|d| d.reading.value == Value::Number(OPEN_LOOP) && d.reading.quality == Quality::Bad);
        some(&|d| d.reading.quality == Quality::Uncertain);
        some(&|d| d.arrives_ms > d.reading.at.as_millisecond() + 600_000);
        assert!(deliveries.windows(2).any(|pair| pair[0].reading == pair[1].reading));
    }
}
