//! Tables for others: typed columns as Parquet.

use std::path::Path;

use jiff::Timestamp;
use polars::prelude::*;

use crate::error::{HistoryError, guarded};
use crate::whole_file::{Keep, write_whole};

/// The cells of a column, from the first row to the last; an empty one is null.
#[derive(Debug, Clone, PartialEq)]
pub enum Cells {
    /// Instants: `Datetime`, µs, UTC.
    Instants(Vec<Option<Timestamp>>),
    /// Text: `String`.
    Words(Vec<Option<String>>),
    /// Numbers: `Float64`.
    Numbers(Vec<Option<f64>>),
    /// Small whole numbers: `UInt8`.
    Small(Vec<Option<u8>>),
    /// Yes or no: `Boolean`.
    Truths(Vec<Option<bool>>),
}

impl Cells {
    /// How many there are.
    pub fn len(&self) -> usize {
        match self {
            Cells::Instants(cells) => cells.len(),
            Cells::Words(cells) => cells.len(),
            Cells::Numbers(cells) => cells.len(),
            Cells::Small(cells) => cells.len(),
            Cells::Truths(cells) => cells.len(),
        }
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// A cell as a CSV would have it: times as RFC 3339, nothing for null.
    pub fn text(&self, row: usize) -> String {
        fn shown<T: ToString>(cells: &[Option<T>], row: usize) -> String {
            cells.get(row).and_then(Option::as_ref).map_or(String::new(), T::to_string)
        }
        match self {
            Cells::Instants(cells) => shown(cells, row),
            Cells::Words(cells) => shown(cells, row),
            Cells::Numbers(cells) => shown(cells, row),
            Cells::Small(cells) => shown(cells, row),
            Cells::Truths(cells) => shown(cells, row),
        }
    }

    fn column(&self, name: &str) -> Column {
        match self {
            Cells::Instants(cells) => {
                let micros = cells.iter().map(|at| at.map(Timestamp::as_microsecond)).collect::<Int64Chunked>();
                let at = micros.into_datetime(TimeUnit::Microseconds, Some(TimeZone::UTC));
                at.into_series().with_name(name.into()).into()
            }
            Cells::Words(cells) => Column::new(name.into(), cells),
            Cells::Numbers(cells) => Column::new(name.into(), cells),
            Cells::Small(cells) => Column::new(name.into(), cells),
            Cells::Truths(cells) => Column::new(name.into(), cells),
        }
    }
}

/// Writes a table as Parquet, whole or not at all; a file that is there is replaced.
///
/// # Errors
/// [`HistoryError`] if the columns differ in length or the file cannot be written.
pub fn write_columns(path: &Path, columns: &[(&str, Cells)]) -> Result<(), HistoryError> {
    let rows = columns.first().map_or(0, |(_, cells)| cells.len());
    write_whole(path, Keep::Durable, |at, file| {
        guarded(at, || {
            let columns = columns.iter().map(|(name, cells)| cells.column(name)).collect();
            let mut frame = DataFrame::new(rows, columns)?;
            ParquetWriter::new(file).with_compression(ParquetCompression::Lz4Raw).finish(&mut frame)?;
            Ok(())
        })
    })?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read_table;

    #[test]
    fn what_is_written_reads_back_as_the_text_of_its_cells() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a/b.parquet");
        let at: Timestamp = "2026-05-11T06:00:00.000001Z".parse().unwrap();
        let columns = [
            ("at", Cells::Instants(vec![Some(at), None])),
            ("tube", Cells::Words(vec![None, Some("T 6 ö".into())])),
            ("risk", Cells::Numbers(vec![Some(0.1 + 0.2), None])),
            ("last_grade", Cells::Small(vec![None, Some(2)])),
        ];
        write_columns(&path, &columns).unwrap();
        let table = read_table(&path).unwrap();
        assert_eq!(table.columns, columns.each_ref().map(|(name, _)| *name));
        for (row, (_, cells)) in table.rows.iter().enumerate() {
            assert_eq!(*cells, columns.each_ref().map(|(_, cells)| cells.text(row)), "row {row}");
        }
        let ragged = [("a", Cells::Small(vec![Some(1)])), ("b", Cells::Truths(vec![]))];
        write_columns(&path, &ragged).unwrap_err();
        assert_eq!(read_table(&path).unwrap(), table, "a table that cannot be written takes the old one's place");
        assert_eq!(std::fs::read_dir(path.parent().unwrap()).unwrap().count(), 1, "something half written is left");
    }
}
