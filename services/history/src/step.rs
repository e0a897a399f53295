//! A signal in time: each reading speaks until the next one, or until its hold ends. What it says stays, or changes evenly
//! towards the next reading where that one is known and no further away than the hold.

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

/// A line is walked in pieces between whole minutes, each with its value in the middle: exact for what only adds up.
const PIECE_US: i64 = 60_000_000;

/// What makes a signal change evenly from reading to reading.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Line {
    /// The first instant after the columns' own at which it was read, and its value (NaN if it cannot be used).
    pub(crate) ahead: Option<(i64, f64)>,
    /// Readings from here on are not known yet.
    pub(crate) known_until_us: i64,
}

/// A walk along one signal. The value is NaN while it is unknown: never heard, held too long, bad, or without a value.
pub(crate) struct Step<'a> {
    at_us: &'a [i64],
    value: &'a [f64],
    quality: &'a [u8],
    time_source: &'a [u8],
    next: usize,
    hold_us: i64,
    line: Option<Line>,
    /// The change per µs, while it goes along a line.
    slope: f64,
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
            line: None,
            slope: 0.0,
            last: carried,
            now: f64::NAN,
            change_us: from_us,
        }
    }

    /// The same, but it changes evenly where it can.
    pub(crate) fn along(self, line: Option<Line>) -> Self {
        Self { line, ..self }
    }

    /// The value from now up to an instant before the next change.
    pub(crate) fn over(&self, from_us: i64, to_us: i64) -> f64 {
        match self.last {
            Some((at_us, value)) if self.slope != 0.0 && !self.now.is_nan() => {
                value + self.slope * ((from_us - at_us) as f64 + (to_us - from_us) as f64 / 2.0)
            }
            _ => self.now,
        }
    }

    /// The next reading: its instant and value (NaN if it cannot be used); those without a time of their own are passed over.
    fn following(&self, line: Line) -> Option<(i64, f64)> {
        let heard = |row: &usize| self.time_source[*row] != TimeSource::Unknown as u8;
        let Some(first) = (self.next..self.at_us.len()).find(heard) else { return line.ahead };
        let at_us = self.at_us[first];
        let same = (first..self.at_us.len()).take_while(|row| self.at_us[*row] == at_us);
        let usable =
            same.filter(heard).find(|row| self.quality[*row] > Quality::Bad as u8 && !self.value[*row].is_nan());
        Some((at_us, usable.map_or(f64::NAN, |row| self.value[row])))
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
        self.slope = 0.0;
        if let (Some(line), Some((at_us, value))) = (self.line, self.last.filter(|_| !self.now.is_nan()))
            && let Some((next_us, next)) = self.following(line).filter(|(next_us, _)| *next_us < line.known_until_us)
            && !next.is_nan()
            && next_us - at_us <= self.hold_us
        {
            self.slope = (next - value) / (next_us - at_us) as f64;
            self.change_us = next_us.min((to_us.div_euclid(PIECE_US) + 1) * PIECE_US);
        }
        usable
    }
}

/// The first instant at which a signal was read, and its value (NaN if it cannot be used).
pub(crate) fn head(columns: &SignalColumns) -> Option<(i64, f64)> {
    Step::new(columns, &columns.value, 0, None, 0).following(Line { ahead: None, known_until_us: i64::MAX })
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

    /// From 10 to 20 within the hold of 100 s, and from 20 on held for it: the next reading is further away. What lies
    /// after the columns counts if it is known.
    #[test]
    fn a_line_goes_from_reading_to_reading_that_are_near() {
        const S: i64 = 1_000_000;
        let rows = columns(&[(0, 10.0, Good, Own), (100 * S, 20.0, Good, Own), (300 * S, 40.0, Good, Own)]);
        let walk = |ahead, known_until_us, from: i64, to: i64| {
            let line = Line { ahead, known_until_us };
            let mut step = Step::new(&rows, &rows.value, 100 * S, None, 0).along(Some(line));
            step.advance(from * S);
            (step.over(from * S, to * S), step.change_us)
        };
        assert_eq!(walk(None, i64::MAX, 0, 60), (13.0, 60 * S));
        assert_eq!(walk(None, i64::MAX, 60, 100), (18.0, 100 * S));
        assert_eq!(walk(None, 100 * S, 0, 60), (10.0, 100 * S), "the reading at its end is not known yet");
        assert_eq!(walk(None, i64::MAX, 100, 160), (20.0, 200 * S));
        assert_eq!(walk(None, i64::MAX, 300, 360), (40.0, 400 * S));
        assert_eq!(walk(Some((400 * S, 50.0)), i64::MAX, 300, 360), (43.0, 360 * S));
        assert_eq!(walk(Some((400 * S, f64::NAN)), i64::MAX, 300, 360), (40.0, 400 * S), "nobody knows where it goes");
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
