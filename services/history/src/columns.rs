//! Readings as columns: one set per unit and signal, sorted by time.

use std::cmp::Ordering;
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use plant::{Quality, Reading, Signal, TimeSource, UnitId, Value};

/// Readings of one signal of one unit. All columns have the same length; `word` is empty for signals that are numbers.
#[derive(Debug, Clone, Default)]
pub struct SignalColumns {
    /// When, µs since 1970-01-01T00:00Z.
    pub at_us: Vec<i64>,
    /// In the signal's house unit; NaN where the source had no value, and throughout for words.
    pub value: Vec<f64>,
    /// Words of `mode` and `product`.
    pub word: Vec<Option<Box<str>>>,
    /// Code of [`Quality`].
    pub quality: Vec<u8>,
    /// Code of [`TimeSource`].
    pub time_source: Vec<u8>,
}

impl SignalColumns {
    /// How many readings.
    pub fn len(&self) -> usize {
        self.at_us.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.at_us.is_empty()
    }

    /// The word at a row.
    pub fn word_at(&self, row: usize) -> Option<&str> {
        self.word.get(row).and_then(Option::as_deref)
    }

    pub(crate) fn push(
        &mut self,
        at_us: i64,
        value: f64,
        word: Option<Option<Box<str>>>,
        quality: u8,
        time_source: u8,
    ) {
        self.at_us.push(at_us);
        self.value.push(value);
        self.word.extend(word);
        self.quality.push(quality);
        self.time_source.push(time_source);
    }

    /// By time; of one instant the best quality first, then the larger value, and none last: the first row that can be
    /// used is the one that counts, whatever the order of arrival.
    fn order(&self, a: usize, b: usize) -> Ordering {
        let value = |row: usize| if self.value[row].is_nan() { f64::NEG_INFINITY } else { self.value[row] };
        self.at_us[a]
            .cmp(&self.at_us[b])
            .then_with(|| self.quality[b].cmp(&self.quality[a]))
            .then_with(|| value(b).total_cmp(&value(a)))
            .then_with(|| self.word_at(b).cmp(&self.word_at(a)))
            .then_with(|| self.time_source[a].cmp(&self.time_source[b]))
    }

    fn same_value(&self, a: usize, b: usize) -> bool {
        let (x, y) = (self.value[a], self.value[b]);
        (x == y || (x.is_nan() && y.is_nan())) && self.word_at(a) == self.word_at(b)
    }

    fn take(&mut self, rows: &[(i64, u32)]) {
        fn pick<T: Clone>(from: &[T], rows: &[(i64, u32)]) -> Vec<T> {
            rows.iter().map(|(_, row)| from[*row as usize].clone()).collect()
        }
        self.at_us = pick(&self.at_us, rows);
        self.value = pick(&self.value, rows);
        self.quality = pick(&self.quality, rows);
        self.time_source = pick(&self.time_source, rows);
        if !self.word.is_empty() {
            self.word = pick(&self.word, rows);
        }
    }

    /// Sorts and drops rows that are equal in every column.
    pub(crate) fn sort(&mut self) {
        let rows = self.len();
        let tidy = (1..rows).all(|row| {
            self.at_us[row - 1] < self.at_us[row]
                || (self.at_us[row - 1] == self.at_us[row] && self.order(row - 1, row) == Ordering::Less)
        });
        if tidy {
            return;
        }
        // By time first, where rows lie in a few sorted runs; only what shares an instant is compared in full.
        let rows = u32::try_from(rows).expect("a day of one signal has fewer than 2^32 rows");
        let mut order: Vec<(i64, u32)> = self.at_us.iter().copied().zip(0..rows).collect();
        order.sort_by_key(|(at_us, _)| *at_us);
        for instant in order.chunk_by_mut(|a, b| a.0 == b.0).filter(|instant| instant.len() > 1) {
            instant.sort_by(|a, b| self.order(a.1 as usize, b.1 as usize));
        }
        order.dedup_by(|a, b| a.0 == b.0 && self.order(a.1 as usize, b.1 as usize) == Ordering::Equal);
        self.take(&order);
    }

    /// Instants with more than one value; the columns are sorted.
    pub(crate) fn conflicts(&self) -> u64 {
        let mut conflicts = 0;
        let mut first = 0;
        let mut counted = false;
        for row in 1..self.len() {
            if self.at_us[row] != self.at_us[first] {
                (first, counted) = (row, false);
            } else if !counted && !self.same_value(first, row) {
                counted = true;
                conflicts += 1;
            }
        }
        conflicts
    }

    fn append(&mut self, mut other: SignalColumns) {
        self.at_us.append(&mut other.at_us);
        self.value.append(&mut other.value);
        self.word.append(&mut other.word);
        self.quality.append(&mut other.quality);
        self.time_source.append(&mut other.time_source);
    }
}

/// Readings of many units, usually of one UTC day.
#[derive(Debug, Clone, Default)]
pub struct DayReadings {
    units: BTreeMap<UnitId, BTreeMap<Signal, SignalColumns>>,
}

impl DayReadings {
    /// Readings in any order, with duplicates or not.
    pub fn from_readings(readings: impl IntoIterator<Item = Reading>) -> Self {
        let mut day = Self::default();
        day.add(readings);
        day
    }

    /// Adds readings in any order; duplicates fall away.
    ///
    /// A reading without a value is taken as bad, whatever quality it came with. A number where a word belongs is
    /// kept as its text, a text where a number belongs as no value.
    pub fn add(&mut self, readings: impl IntoIterator<Item = Reading>) {
        for reading in readings {
            let words = reading.signal.quantity().is_none();
            let (value, word) = match reading.value {
                Value::Number(number) if words => (f64::NAN, Some(Some(number.to_string().into_boxed_str()))),
                Value::Text(text) if words => (f64::NAN, Some(Some(text))),
                Value::Number(number) if number.is_finite() => (number, None),
                _ => (f64::NAN, words.then_some(None)),
            };
            let missing = value.is_nan() && !matches!(word, Some(Some(_)));
            let quality = if missing { Quality::Bad } else { reading.quality };
            self.columns_mut(reading.unit, reading.signal).push(
                plant::micros(reading.at).as_microsecond(),
                value,
                word,
                quality as u8,
                reading.time_source as u8,
            );
        }
        self.sort();
    }

    pub(crate) fn columns_mut(&mut self, unit: UnitId, signal: Signal) -> &mut SignalColumns {
        self.units.entry(unit).or_default().entry(signal).or_default()
    }

    pub(crate) fn append(&mut self, other: DayReadings) {
        for (unit, signals) in other.units {
            let mine = self.units.entry(unit).or_default();
            for (signal, columns) in signals {
                match mine.entry(signal) {
                    Entry::Vacant(free) => {
                        free.insert(columns);
                    }
                    Entry::Occupied(mut taken) => taken.get_mut().append(columns),
                }
            }
        }
    }

    /// One after the other, in order of their names.
    pub(crate) fn into_units(self) -> impl Iterator<Item = DayReadings> {
        self.units.into_iter().map(|unit| DayReadings { units: BTreeMap::from([unit]) })
    }

    /// The last unit in order of names.
    pub(crate) fn last_unit(&self) -> Option<&UnitId> {
        self.units.last_key_value().map(|(unit, _)| unit)
    }

    /// Takes out the units before one; all of them, if there is none.
    pub(crate) fn take_before(&mut self, end: Option<&UnitId>) -> DayReadings {
        let rest = end.map_or_else(BTreeMap::new, |end| self.units.split_off(end));
        DayReadings { units: std::mem::replace(&mut self.units, rest) }
    }

    pub(crate) fn sort(&mut self) {
        self.units.values_mut().flat_map(BTreeMap::values_mut).for_each(SignalColumns::sort);
    }

    pub(crate) fn all(&self) -> impl Iterator<Item = &SignalColumns> {
        self.units.values().flat_map(BTreeMap::values)
    }

    /// The units in it, with their signals.
    pub fn units(&self) -> &BTreeMap<UnitId, BTreeMap<Signal, SignalColumns>> {
        &self.units
    }

    /// One unit's signals.
    pub fn unit(&self, unit: &UnitId) -> Option<&BTreeMap<Signal, SignalColumns>> {
        self.units.get(unit)
    }

    /// The signals of any unit.
    pub(crate) fn signals(&self) -> BTreeSet<Signal> {
        self.units.values().flat_map(BTreeMap::keys).copied().collect()
    }

    /// Drops all readings of some signals.
    pub(crate) fn drop_signals(&mut self, signals: &BTreeSet<Signal>) {
        self.units.values_mut().for_each(|unit| unit.retain(|signal, _| !signals.contains(signal)));
        self.units.retain(|_, unit| !unit.is_empty());
    }

    /// How many readings.
    pub fn rows(&self) -> u64 {
        self.all().map(|columns| columns.len() as u64).sum()
    }

    /// Instants of a unit's signal with more than one value.
    pub fn conflicts(&self) -> u64 {
        self.all().map(SignalColumns::conflicts).sum()
    }

    /// Its first and last instant, µs since 1970-01-01T00:00Z.
    pub(crate) fn span_us(&self) -> Option<(i64, i64)> {
        let first = self.all().filter_map(|columns| columns.at_us.first().copied()).min()?;
        let last = self.all().filter_map(|columns| columns.at_us.last().copied()).max()?;
        Some((first, last))
    }

    /// The readings as single values, by unit, signal and time: for people and tests, not for sums over millions.
    pub fn readings(&self) -> Vec<Reading> {
        let mut readings = Vec::new();
        for (unit, signals) in &self.units {
            for (signal, columns) in signals {
                readings.extend((0..columns.len()).map(|row| Reading {
                    unit: unit.clone(),
                    signal: *signal,
                    at: instant(columns.at_us[row]),
                    value: match columns.word_at(row) {
                        Some(word) => Value::Text(word.into()),
                        None if columns.value[row].is_nan() => Value::Missing,
                        None => Value::Number(columns.value[row]),
                    },
                    quality: Quality::from_code(columns.quality[row]).unwrap_or(Quality::Bad),
                    time_source: TimeSource::from_code(columns.time_source[row]).unwrap_or(TimeSource::Unknown),
                }));
            }
        }
        readings
    }
}

/// An instant from µs since 1970-01-01T00:00Z; beyond what a [`Timestamp`] can say, its nearest end.
pub(crate) fn instant(at_us: i64) -> Timestamp {
    Timestamp::from_microsecond(at_us).unwrap_or(if at_us < 0 { Timestamp::MIN } else { Timestamp::MAX })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(at_s: i64, value: Value, quality: Quality) -> Reading {
        Reading {
            unit: UnitId::new("C1").unwrap(),
            signal: Signal::Torque,
            at: Timestamp::from_second(at_s).unwrap(),
            value,
            quality,
            time_source: TimeSource::Own,
        }
    }

    #[test]
    fn duplicates_fall_away_and_two_values_of_one_instant_stay() {
        let number = |at, value| reading(at, Value::Number(value), Quality::Good);
        let day = DayReadings::from_readings([number(5, 2.0), number(1, 7.0), number(5, 1.0), number(5, 2.0)]);
        assert_eq!(day.rows(), 3);
        assert_eq!(day.conflicts(), 1);
        let values: Vec<_> = day.readings().iter().map(|r| r.value.number().unwrap()).collect();
        assert_eq!(values, [7.0, 2.0, 1.0]);
    }

    #[test]
    fn no_value_is_bad_whatever_it_says() {
        let day = DayReadings::from_readings([reading(1, Value::Missing, Quality::Good)]);
        assert_eq!(day.readings()[0].quality, Quality::Bad);
    }

    #[test]
    fn the_same_value_twice_with_two_qualities_is_no_conflict() {
        let day = DayReadings::from_readings([
            reading(1, Value::Number(3.0), Quality::Uncertain),
            reading(1, Value::Number(3.0), Quality::Good),
        ]);
        assert_eq!((day.rows(), day.conflicts()), (2, 0));
        assert_eq!(day.readings()[0].quality, Quality::Good);
    }
}
