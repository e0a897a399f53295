//! Between columns of readings and frames: the layout of a file of readings.
//!
//! | column | type | |
//! |---|---|---|
//! | at | Datetime, µs, UTC | |
//! | unit, signal | String | |
//! | value | Float64 | null: none, or a word |
//! | text | String | null: none, or a number |
//! | quality | UInt8 | 0 bad, 1 uncertain, 2 good |
//! | time_source | UInt8 | 0 own, 1 arrival, 2 unknown |
//!
//! Rows are sorted by unit, signal, at, quality (best first), value (largest first, none last).

use plant::{Signal, UnitId};
use polars::prelude::*;

use crate::columns::{DayReadings, SignalColumns};

/// The columns.
pub(crate) fn schema() -> Schema {
    Schema::from_iter([
        Field::new("at".into(), DataType::Datetime(TimeUnit::Microseconds, Some(TimeZone::UTC))),
        Field::new("unit".into(), DataType::String),
        Field::new("signal".into(), DataType::String),
        Field::new("value".into(), DataType::Float64),
        Field::new("text".into(), DataType::String),
        Field::new("quality".into(), DataType::UInt8),
        Field::new("time_source".into(), DataType::UInt8),
    ])
}

/// Sorted readings as a frame.
pub(crate) fn frame(readings: &DayReadings) -> PolarsResult<DataFrame> {
    let mut parts: Vec<(&str, &str, &SignalColumns)> = Vec::new();
    for (unit, signals) in readings.units() {
        let mut named: Vec<_> =
            signals.iter().map(|(signal, columns)| (unit.as_str(), signal.as_str(), columns)).collect();
        named.sort_by_key(|part| part.1);
        parts.extend(named);
    }
    let rows: usize = parts.iter().map(|part| part.2.len()).sum();
    let mut at = Vec::with_capacity(rows);
    let mut value = Vec::with_capacity(rows);
    let mut quality = Vec::with_capacity(rows);
    let mut time_source = Vec::with_capacity(rows);
    let mut unit = StringChunked::full_null("unit".into(), 0);
    let mut signal = StringChunked::full_null("signal".into(), 0);
    let mut text = StringChunked::full_null("text".into(), 0);
    for (unit_name, signal_name, columns) in parts {
        at.extend_from_slice(&columns.at_us);
        value.extend_from_slice(&columns.value);
        quality.extend_from_slice(&columns.quality);
        time_source.extend_from_slice(&columns.time_source);
        unit.append(&StringChunked::full("unit".into(), unit_name, columns.len()))?;
        signal.append(&StringChunked::full("signal".into(), signal_name, columns.len()))?;
        if columns.word.is_empty() {
            text.append(&StringChunked::full_null("text".into(), columns.len()))?;
        } else {
            text.append(&columns.word.iter().map(Option::as_deref).collect::<StringChunked>())?;
        }
    }
    let value: Float64Chunked = if value.iter().any(|value| value.is_nan()) {
        value.iter().map(|value| (!value.is_nan()).then_some(*value)).collect()
    } else {
        Float64Chunked::from_vec("value".into(), value)
    };
    DataFrame::new(
        rows,
        vec![
            Int64Chunked::from_vec("at".into(), at)
                .into_datetime(TimeUnit::Microseconds, Some(TimeZone::UTC))
                .into_series()
                .into(),
            unit.rechunk().into_owned().into_series().into(),
            signal.rechunk().into_owned().into_series().into(),
            value.with_name("value".into()).into_series().into(),
            text.rechunk().into_owned().into_series().into(),
            UInt8Chunked::from_vec("quality".into(), quality).into_series().into(),
            UInt8Chunked::from_vec("time_source".into(), time_source).into_series().into(),
        ],
    )
}

/// The first row for which a fact that holds up to somewhere no longer holds.
pub(crate) fn partition(rows: usize, holds: impl Fn(usize) -> bool) -> usize {
    let (mut low, mut high) = (0, rows);
    while low < high {
        let middle = low + (high - low) / 2;
        if holds(middle) { low = middle + 1 } else { high = middle }
    }
    low
}

/// Splits a frame, sorted as above, into columns per unit and signal. Runs are found by halving, not by comparing
/// millions of names.
pub(crate) fn split(frame: &DataFrame) -> PolarsResult<Result<DayReadings, String>> {
    let at = frame.column("at")?.datetime()?.physical().clone();
    let unit = frame.column("unit")?.str()?;
    let signal = frame.column("signal")?.str()?;
    let value = frame.column("value")?.f64()?;
    let text = frame.column("text")?.str()?;
    let quality = frame.column("quality")?.u8()?;
    let time_source = frame.column("time_source")?.u8()?;
    let mut day = DayReadings::default();
    let mut from = 0;
    while from < frame.height() {
        let (unit_name, signal_name) = (unit.get(from).unwrap_or(""), signal.get(from).unwrap_or(""));
        let here =
            |row: usize| (unit.get(row).unwrap_or(""), signal.get(row).unwrap_or("")) <= (unit_name, signal_name);
        let to = gallop(from, frame.height(), here);
        let (id, known) = match (UnitId::new(unit_name), signal_name.parse::<Signal>()) {
            (Ok(id), Ok(known)) => (id, known),
            (Err(error), _) => return Ok(Err(error.to_string())),
            (_, Err(error)) => return Ok(Err(error.to_string())),
        };
        let part = SignalColumns {
            at_us: numbers(&at, from, to, 0),
            value: numbers(value, from, to, f64::NAN),
            word: match known.quantity() {
                Some(_) => Vec::new(),
                None => (from..to).map(|row| text.get(row).map(Box::from)).collect(),
            },
            quality: numbers(quality, from, to, 0),
            time_source: numbers(time_source, from, to, 2),
        };
        *day.columns_mut(id, known) = part;
        from = to;
    }
    Ok(Ok(day))
}

fn gallop(from: usize, rows: usize, holds: impl Fn(usize) -> bool) -> usize {
    let mut step = 1;
    let mut low = from;
    while low + step < rows && holds(low + step) {
        low += step;
        step *= 2;
    }
    let high = (low + step).min(rows);
    low + 1 + partition(high - low - 1, |row| holds(low + 1 + row))
}

/// A stretch of a column, nulls replaced.
fn numbers<T: PolarsNumericType>(column: &ChunkedArray<T>, from: usize, to: usize, null: T::Native) -> Vec<T::Native> {
    let part = column.slice(from as i64, to - from);
    let mut numbers = Vec::with_capacity(to - from);
    for chunk in part.downcast_iter() {
        if chunk.validity().is_none_or(|bits| bits.unset_bits() == 0) {
            numbers.extend_from_slice(chunk.values().as_slice());
        } else {
            numbers.extend(chunk.iter().map(|value| value.copied().unwrap_or(null)));
        }
    }
    numbers
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_ends_where_the_next_begins() {
        let names = [1, 1, 1, 2, 2, 3];
        for (from, end) in [(0, 3), (3, 5), (5, 6)] {
            assert_eq!(gallop(from, names.len(), |row| names[row] <= names[from]), end);
        }
    }
}
