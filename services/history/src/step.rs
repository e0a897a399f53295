//! A signal as a step in time: each reading speaks until the next one, or until its hold ends.

use plant::{Quality, Signal, TimeSource};
use serde::{Deserialize, Serialize};

use crate::columns::SignalColumns;

/// The last reading of a signal before a cut.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Held {
    /// When, µs since 1970-01-01T00:00Z.
    pub at_us: i64,
    /// Its number; `None` if it was bad, without a value, or a word.
    pub value: Option<f64>,
    /// Its word.
    pub word: Option<Box<str>>,
}

/// A walk along one signal. The value is NaN while it is unknown: never heard, held too long, bad, or without a value.
pub(crate) struct Step<'a> {
    at_us: &'a [i64],
    value: &'a [f64],
    quality: &'a [u8],
    time_source: &'a [u8],
    next: usize,
    hold_us: i64,
    /// The last reading: its instant and value (NaN if it could not be used).
    pub(crate) last: Option<(i64, f64)>,
    /// The value now.
    pub(crate) now: f64,
    /// The next instant at which the value may change.
    pub(crate) change_us: i64,
}

impl<'a> Step<'a> {
    /// Starts at `from_us` with what is carried in. `value` stands for the columns' own, so that words can walk as numbers.
    pub(crate) fn new(
        columns: &'a SignalColumns,
        value: &'a [f64],
        hold_us: i64,
        carried: Option<(i64, f64)>,
        from_us: i64,
    ) -> Self {
        Self {
            at_us: &columns.at_us,
            value,
            quality: &columns.quality,
            time_source: &columns.time_source,
            next: 0,
            hold_us,
            last: carried,
            now: f64::NAN,
            change_us: from_us,
        }
    }

    /// Moves on to an instant. Returns whether a reading was passed that can be used.
    pub(crate) fn advance(&mut self, to_us: i64) -> bool {
        let mut usable = false;
        while self.next < self.at_us.len() && self.at_us[self.next] <= to_us {
            let at_us = self.at_us[self.next];
            let mut heard = false;
            let mut value = f64::NAN;
            // Of one instant the best quality comes first, then the larger value: the first usable row counts.
            while self.next < self.at_us.len() && self.at_us[self.next] == at_us {
                let row = self.next;
                self.next += 1;
                if self.time_source[row] == TimeSource::Unknown as u8 {
                    continue;
                }
                heard = true;
                if value.is_nan() && self.quality[row] > Quality::Bad as u8 {
                    value = self.value[row];
                }
            }
            if heard {
                self.last = Some((at_us, value));
                usable |= !value.is_nan();
            }
        }
        // Untimed readings are passed over here too: they must not even cut a stretch in two.
        while self.time_source.get(self.next) == Some(&(TimeSource::Unknown as u8)) {
            self.next += 1;
        }
        let next_us = self.at_us.get(self.next).copied().unwrap_or(i64::MAX);
        (self.now, self.change_us) = match self.last {
            Some((at_us, value)) if !value.is_nan() && to_us < at_us.saturating_add(self.hold_us) => {
                (value, next_us.min(at_us.saturating_add(self.hold_us)))
            }
            _ => (f64::NAN, next_us),
        };
        usable
    }
}

/// Words as numbers: the place of each in a list that grows.
#[derive(Debug, Default)]
pub(crate) struct Words {
    known: Vec<Box<str>>,
}

impl Words {
    pub(crate) fn code(&mut self, word: &str) -> f64 {
        let place = self.known.iter().position(|known| **known == *word).unwrap_or_else(|| {
            self.known.push(word.into());
            self.known.len() - 1
        });
        place as f64
    }

    pub(crate) fn codes(&mut self, columns: &SignalColumns) -> Vec<f64> {
        (0..columns.len()).map(|row| columns.word_at(row).map_or(f64::NAN, |word| self.code(word))).collect()
    }

    pub(crate) fn all(&self) -> &[Box<str>] {
        &self.known
    }

    pub(crate) fn word(&self, code: f64) -> Option<&str> {
        if code.is_nan() { None } else { self.known.get(code as usize).map(AsRef::as_ref) }
    }

    pub(crate) fn held(&self, signal: Signal, last: (i64, f64)) -> Held {
        let (at_us, value) = last;
        match signal.quantity() {
            Some(_) => Held { at_us, value: (!value.is_nan()).then_some(value), word: None },
            None => Held { at_us, value: None, word: self.word(value).map(Box::from) },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn columns(rows: &[(i64, f64, Quality, TimeSource)]) -> SignalColumns {
        let mut columns = SignalColumns::default();
        for (at_us, value, quality, source) in rows {
            columns.push(*at_us, *value, None, *quality as u8, *source as u8);
        }
        columns.sort();
        columns
    }

    fn values(columns: &SignalColumns, hold_us: i64, at: &[i64]) -> Vec<f64> {
        let mut step = Step::new(columns, &columns.value, hold_us, None, 0);
        at.iter()
            .map(|at_us| {
                step.advance(*at_us);
                step.now
            })
            .collect()
    }

    use Quality::{Bad, Good, Uncertain};
    use TimeSource::{Own, Unknown};

    #[test]
    fn a_value_holds_and_then_is_unknown() {
        let got = values(&columns(&[(10, 5.0, Good, Own)]), 100, &[9, 10, 109, 110]);
        assert!(got[0].is_nan() && got[3].is_nan());
        assert_eq!(got[1..3], [5.0, 5.0]);
    }

    #[test]
    fn a_bad_reading_makes_unknown_until_the_next_usable_one() {
        let rows = columns(&[(10, 5.0, Good, Own), (20, 9.0, Bad, Own), (30, 6.0, Uncertain, Own)]);
        let got = values(&rows, 1000, &[15, 20, 25, 30]);
        assert_eq!((got[0], got[3]), (5.0, 6.0));
        assert!(got[1].is_nan() && got[2].is_nan());
    }

    #[test]
    fn quality_then_value_decides_an_instant_and_untimed_readings_never_do() {
        let rows = columns(&[
            (10, 9.0, Uncertain, Own),
            (10, 3.0, Good, Own),
            (10, 4.0, Good, Own),
            (10, 99.0, Good, Unknown),
            (12, 50.0, Good, Unknown),
        ]);
        assert_eq!(values(&rows, 1000, &[10, 12]), [4.0, 4.0]);
    }
}
