//! Parquet in: the same columns as CSV, read some rows at a time.

use std::fs::File;
use std::path::Path;

use plant::BadRow;
use polars::prelude::*;

use crate::HistoryError;
use crate::error::guarded;
use crate::import::{ImportSettings, Outcome, Progress};
use crate::import_row::{Cell, Rows};
use crate::layout::Layout;
use crate::spool::Spool;
use crate::staging::{Resumed, Source, Stretch};

/// Cells that are read at a time.
const SLICE_CELLS: usize = 3_000_000;
/// After so many slices it is written down how far it went.
const STRETCH_SLICES: usize = 4;

/// One column of a slice, as far as a long table may have it.
enum Values {
    Text(StringChunked),
    Number(Float64Chunked),
    /// µs; with a zone, or read off a wall clock.
    Time(Int64Chunked, bool),
}

/// Reads one file. Words stand in `value` if that is text, or in a column `text` beside numbers.
pub(crate) fn read(
    path: &Path,
    settings: &ImportSettings,
    source: &Source,
    progress: &dyn Fn(Progress<'_>),
) -> Result<Outcome, HistoryError> {
    let open = || File::open(path).map(ParquetReader::new).map_err(HistoryError::io("open", path));
    let mut first = open()?;
    let (total, names) = guarded(path, || {
        let names: Vec<String> = first.schema()?.iter_names().map(|name| name.to_string()).collect();
        Ok((first.num_rows()?, names))
    })?;
    let layout = match Layout::of(&names, settings, Some("text")) {
        Ok(layout) => layout,
        Err(bad) => return Ok(Outcome::bad_header(bad)),
    };
    let slice_rows = (SLICE_CELLS / names.len().max(1)).max(1000);
    let Resumed { mut number, next, mut outcome, .. } = source.resume(0, 1);
    let mut from = next as usize;
    while from < total {
        let mut rows = Rows::new(settings, outcome.bad_count > 0);
        let mut spool = Spool::new(&source.folder, number.to_string(), settings.units.iter().collect());
        let until = (from + STRETCH_SLICES * slice_rows).min(total);
        let begun = from;
        while from < until {
            let reader = open()?.with_slice(Some((from, slice_rows.min(until - from)))).set_rechunk(true);
            let frame = guarded(path, || reader.finish())?;
            if frame.height() == 0 {
                return Err(HistoryError::layout(path, format!("it ends after {from} of {total} rows")));
            }
            let mut columns = Vec::with_capacity(names.len());
            for column in frame.columns() {
                match guarded(path, || source_of(column))? {
                    Ok(column) => columns.push(column),
                    Err(problem) => return Ok(Outcome::bad_header(vec![BadRow::new(1, column.name(), problem)])),
                }
            }
            for row in 0..frame.height() {
                layout.take((from + row + 1) as u64, |place| cell(&columns[place], row), &mut rows, &mut spool)?;
            }
            from += frame.height();
            progress(Progress { source: path, done: from as u64, total: total as u64 });
        }
        let stretch = Stretch {
            next: from as i64,
            line: from as u64 + 1,
            outcome: rows.outcome(spool.finish()?, (from - begun) as u64),
        };
        source.keep(number, &stretch)?;
        outcome.add(stretch.outcome);
        number += 1;
    }
    Ok(outcome)
}

fn source_of(column: &Column) -> PolarsResult<Result<Values, String>> {
    Ok(Ok(match column.dtype() {
        DataType::String => Values::Text(column.str()?.clone()),
        DataType::Datetime(unit, zone) => {
            let times = column.datetime()?.physical();
            let micros = match unit {
                TimeUnit::Nanoseconds => times.apply_values(|ns| ns.div_euclid(1000)),
                TimeUnit::Microseconds => times.clone(),
                TimeUnit::Milliseconds => times.apply_values(|ms| ms.saturating_mul(1000)),
            };
            Values::Time(micros, zone.is_some())
        }
        dtype if dtype.is_primitive_numeric() => Values::Number(column.cast(&DataType::Float64)?.f64()?.clone()),
        dtype => return Ok(Err(format!("its type is {dtype}; right would be text, a number or a timestamp"))),
    }))
}

fn cell(column: &Values, row: usize) -> Cell<'_> {
    match column {
        Values::Text(column) => Cell::Text(column.get(row).unwrap_or("").trim().as_bytes()),
        Values::Number(column) => column.get(row).map_or(Cell::Text(b""), Cell::Number),
        Values::Time(column, zoned) => match column.get(row) {
            None => Cell::Text(b""),
            Some(at_us) if *zoned => Cell::Instant(at_us),
            Some(at_us) => Cell::WallClock(at_us),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Staging, Store, import};
    use jiff::tz::TimeZone;
    use plant::{Quality, Signal, UnitId, Value};

    /// A file as notebooks write it: times in ms or ns with or without a zone, words in a column of their own, nulls.
    #[test]
    fn a_notebooks_file_is_read() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("past.parquet");
        let at = Int64Chunked::from_vec("at".into(), vec![1_775_001_600_000, 1_775_001_660_000, 1_775_001_720_000]);
        let mut frame = DataFrame::new(
            3,
            vec![
                at.into_datetime(TimeUnit::Milliseconds, None).into_series().into(),
                Column::new("unit".into(), ["C1", "C1", "C1"]),
                Column::new("signal".into(), ["torque", "torque", "product"]),
                Column::new("value".into(), [Some(95i64), None, None]),
                Column::new("text".into(), [None, None, Some("sorbet")]),
                Column::new("quality".into(), ["good", "", "uncertain"]),
            ],
        )
        .unwrap();
        ParquetWriter::new(File::create(&path).unwrap()).finish(&mut frame).unwrap();
        let settings = ImportSettings {
            header: crate::Header::house(),
            skip: Default::default(),
            zone: TimeZone::get("Europe/Amsterdam").unwrap(),
            units: [UnitId::new("C1").unwrap()].into(),
            wide: Default::default(),
            measures: Default::default(),
            spans: Default::default(),
            quality_codes: None,
            quality_words: Default::default(),
            stretch_bytes: crate::STRETCH_BYTES,
            listed_bad_rows: 10,
            earliest: "2000-01-01T00:00:00Z".parse().unwrap(),
            latest: "2030-01-01T00:00:00Z".parse().unwrap(),
        };
        let staging = Staging::open(folder.path(), &"a test").unwrap().unwrap();
        let staged = import(&[path], &settings, &staging, &|_| {}).unwrap();
        assert_eq!((staged.rows, staged.zone_assumed), (3, 3));
        let (day, parts) = staged.days.first_key_value().unwrap();
        let store = Store::new(folder.path());
        let file = store.merge_staged(*day, None, 1, parts).unwrap().0.unwrap();
        let readings = store.read(&file).unwrap().readings();
        // 1775001600 s is 2026-04-01T00:00:00 on a wall clock, 22:00 UTC of the day before in Amsterdam.
        assert_eq!(readings[0].at.to_string(), "2026-03-31T22:00:00Z");
        assert_eq!(readings[0].value, Value::Number(95.0));
        assert_eq!((&readings[1].value, readings[1].quality), (&Value::Missing, Quality::Bad));
        assert_eq!((readings[2].signal, &readings[2].value), (Signal::Product, &Value::Text("sorbet".into())));
    }
}
