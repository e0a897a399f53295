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

const SLICE_ROWS: usize = 500_000;

/// One column of a slice, as far as a long table may have it.
enum Source {
    Text(StringChunked),
    Number(Float64Chunked),
    /// µs; with a zone, or read off a wall clock.
    Time(Int64Chunked, bool),
}

/// Reads one file. Words stand in `value` if that is text, or in a column `text` beside numbers.
pub(crate) fn read(
    path: &Path,
    settings: &ImportSettings,
    folder: &Path,
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
        Err(bad) => return Ok(Outcome { bad_count: bad.len() as u64, bad, ..Outcome::default() }),
    };
    let mut rows = Rows::new(settings);
    let mut spool = Spool::new(folder, 0, settings.units.iter().collect());
    let mut from = 0;
    while from < total {
        let reader = open()?.with_slice(Some((from, SLICE_ROWS))).set_rechunk(true);
        let frame = guarded(path, || reader.finish())?;
        let mut sources = Vec::with_capacity(names.len());
        for column in frame.columns() {
            match guarded(path, || source_of(column))? {
                Ok(source) => sources.push(source),
                Err(problem) => {
                    rows.refuse(BadRow::new(1, column.name(), problem));
                    return Ok(Outcome { bad: rows.bad, bad_count: rows.bad_count, ..Outcome::default() });
                }
            }
        }
        for row in 0..frame.height() {
            layout.take((from + row + 1) as u64, |place| cell(&sources[place], row), &mut rows, &mut spool)?;
        }
        from += frame.height();
        progress(Progress { file: path, done: from as u64, total: total as u64 });
        if frame.height() == 0 {
            return Err(HistoryError::layout(path, format!("it ends after {from} of {total} rows")));
        }
    }
    let parts = spool.finish()?;
    let Rows { zone_assumed, disbelieved, bad, bad_count, .. } = rows;
    Ok(Outcome { parts, rows: total as u64, zone_assumed, disbelieved, bad, bad_count })
}

fn source_of(column: &Column) -> PolarsResult<Result<Source, String>> {
    Ok(Ok(match column.dtype() {
        DataType::String => Source::Text(column.str()?.clone()),
        DataType::Datetime(unit, zone) => {
            let times = column.datetime()?.physical();
            let micros = match unit {
                TimeUnit::Nanoseconds => times.apply_values(|ns| ns.div_euclid(1000)),
                TimeUnit::Microseconds => times.clone(),
                TimeUnit::Milliseconds => times.apply_values(|ms| ms.saturating_mul(1000)),
            };
            Source::Time(micros, zone.is_some())
        }
        dtype if dtype.is_primitive_numeric() => Source::Number(column.cast(&DataType::Float64)?.f64()?.clone()),
        dtype => return Ok(Err(format!("its type is {dtype}; right would be text, a number or a timestamp"))),
    }))
}

fn cell(source: &Source, row: usize) -> Cell<'_> {
    match source {
        Source::Text(column) => Cell::Text(column.get(row).unwrap_or("").trim().as_bytes()),
        Source::Number(column) => column.get(row).map_or(Cell::Text(b""), Cell::Number),
        Source::Time(column, zoned) => match column.get(row) {
            None => Cell::Text(b""),
            Some(at_us) if *zoned => Cell::Instant(at_us),
            Some(at_us) => Cell::WallClock(at_us),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Store, import};
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
            zone: TimeZone::get("Europe/Amsterdam").unwrap(),
            units: [UnitId::new("C1").unwrap()].into(),
            wide: Default::default(),
            measures: Default::default(),
            quality_codes: None,
            listed_bad_rows: 10,
            earliest: "2000-01-01T00:00:00Z".parse().unwrap(),
            latest: "2030-01-01T00:00:00Z".parse().unwrap(),
        };
        let staged = import(&[path], &settings, &folder.path().join("staging"), &|_| {}).unwrap();
        assert_eq!((staged.rows, staged.zone_assumed), (3, 3));
        let (day, parts) = staged.days.first_key_value().unwrap();
        let store = Store::new(folder.path());
        let file = store.merge_staged(*day, None, 1, parts).unwrap().unwrap();
        let readings = store.read(&file).unwrap().readings();
        // 1775001600 s is 2026-04-01T00:00:00 on a wall clock, 22:00 UTC of the day before in Amsterdam.
        assert_eq!(readings[0].at.to_string(), "2026-03-31T22:00:00Z");
        assert_eq!(readings[0].value, Value::Number(95.0));
        assert_eq!((&readings[1].value, readings[1].quality), (&Value::Missing, Quality::Bad));
        assert_eq!((readings[2].signal, &readings[2].value), (Signal::Product, &Value::Text("sorbet".into())));
    }
}
