//! Small tables of the plant's record, as CSV or Parquet: text cells in, typed columns out.

use std::fs::File;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use plant::{BadRow, Table};
use polars::prelude::*;

use crate::error::{HistoryError, guarded};
use crate::workbook;

/// A file that is no table.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    /// It cannot be opened, or is no Parquet file.
    #[error(transparent)]
    File(#[from] HistoryError),
    /// It is no regular table.
    #[error("{}: {row}", path.display())]
    Row {
        /// Which file.
        path: PathBuf,
        /// Where and why.
        row: BadRow,
    },
    /// It is no workbook that can be read.
    #[error("{}: no workbook that can be read: {why}; right would be .xlsx without a password", path.display())]
    Workbook {
        /// Which file.
        path: PathBuf,
        /// Why.
        why: String,
    },
}

/// The tables of a file.
#[derive(Debug, Clone, PartialEq)]
pub struct Tables {
    /// Those that were asked for; at least one.
    pub tables: Vec<Table>,
    /// The names of sheets that were not.
    pub left_out: Vec<String>,
}

/// Reads a small table: Parquet if the name ends in `.parquet`, the first sheet of a `.xlsx`, else CSV with a header,
/// comma and UTF-8.
///
/// # Errors
/// [`TableError`] if the file cannot be read, has no header or rows of unequal length.
pub fn read_table(path: &Path) -> Result<Table, TableError> {
    Ok(read_tables(path, &[])?.tables.swap_remove(0))
}

/// Reads the tables of a file: one, but of a `.xlsx` all sheets that are called like one of `sheets` (in any case of
/// letters), or the first sheet if none is. Each has the rows and cells that a CSV of it would have; times in date cells
/// come without an offset.
///
/// # Errors
/// As [`read_table`], and for cells with an error or a length of time in them.
pub fn read_tables(path: &Path, sheets: &[&str]) -> Result<Tables, TableError> {
    let one = |table: Table| Tables { tables: vec![table], left_out: Vec::new() };
    match path.extension() {
        Some(extension) if extension == "parquet" => Ok(one(read_parquet(path)?)),
        Some(extension) if extension.eq_ignore_ascii_case("xlsx") => workbook::read(path, sheets),
        _ => Ok(one(read_csv(path)?)),
    }
}

fn read_csv(path: &Path) -> Result<Table, TableError> {
    let bad =
        |line: u64, problem: String| TableError::Row { path: path.to_owned(), row: BadRow::new(line, "", problem) };
    let text = std::fs::read(path).map_err(HistoryError::io("read", path))?;
    let text = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&text);
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(text);
    let columns: Vec<String> = match reader.headers() {
        Ok(header) => header.iter().map(str::to_owned).collect(),
        Err(error) => return Err(bad(1, format!("the header is not UTF-8 text: {error}"))),
    };
    if columns.iter().any(|column| column.contains(';')) {
        return Err(bad(1, "columns are parted by semicolons; right would be commas (and decimal points)".to_owned()));
    }
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| {
            let line = error.position().map_or(0, |position| line_of(position, text));
            let problem = match error.kind() {
                csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
                    format!("the row has {len} cells, the header {expected_len}; a cell with a comma needs quotes")
                }
                csv::ErrorKind::Utf8 { .. } => "the row is not UTF-8 text; save the file as UTF-8".to_owned(),
                _ => error.to_string(),
            };
            bad(line, problem)
        })?;
        let line = record.position().map_or(0, |position| line_of(position, text));
        rows.push((line, record.iter().map(str::to_owned).collect()));
    }
    Ok(Table { path: path.to_owned(), columns, rows })
}

/// The line in which a record begins: its position is that of the empty lines before it, if there are any.
pub(crate) fn line_of(position: &csv::Position, text: &[u8]) -> u64 {
    let from = text.get(position.byte() as usize..).unwrap_or_default();
    let ends = from.iter().take_while(|byte| matches!(byte, b'\n' | b'\r'));
    position.line() + ends.filter(|byte| **byte == b'\n').count() as u64
}

fn read_parquet(path: &Path) -> Result<Table, HistoryError> {
    let file = File::open(path).map_err(HistoryError::io("open", path))?;
    guarded(path, || {
        let frame = ParquetReader::new(file).finish()?;
        let columns: Vec<String> = frame.get_column_names().iter().map(|name| name.to_string()).collect();
        let mut rows = Vec::with_capacity(frame.height());
        for row in 0..frame.height() {
            let cells: PolarsResult<Vec<String>> =
                frame.columns().iter().map(|column| column.get(row).map(text)).collect();
            rows.push((row as u64 + 1, cells?));
        }
        Ok(Table { path: path.to_owned(), columns, rows })
    })
}

/// A value as the CSV would have it.
pub(crate) fn text(value: AnyValue) -> String {
    match value {
        AnyValue::Null => String::new(),
        AnyValue::String(text) => text.trim().to_owned(),
        AnyValue::StringOwned(text) => text.trim().to_owned(),
        AnyValue::Boolean(yes) => if yes { "yes" } else { "no" }.to_owned(),
        AnyValue::Datetime(at, unit, _) | AnyValue::DatetimeOwned(at, unit, _) => {
            let nanos = match unit {
                TimeUnit::Nanoseconds => i128::from(at),
                TimeUnit::Microseconds => i128::from(at) * 1_000,
                TimeUnit::Milliseconds => i128::from(at) * 1_000_000,
            };
            Timestamp::from_nanosecond(nanos).map_or_else(|_| at.to_string(), |at| at.to_string())
        }
        AnyValue::Float64(number) => number.to_string(),
        AnyValue::Float32(number) => number.to_string(),
        other => other.to_string(),
    }
}

/// Writes a table as Parquet: the columns in `words` as text, `*_at` among them as they are, all others as 64-bit
/// floats (empty cells as nulls).
///
/// # Errors
/// [`HistoryError`] if the file cannot be written.
pub fn write_table(path: &Path, columns: &[String], rows: &[Vec<String>], words: &[&str]) -> Result<(), HistoryError> {
    let file = File::create(path).map_err(HistoryError::io("create", path))?;
    guarded(path, || {
        let frame: Vec<Column> = columns
            .iter()
            .enumerate()
            .map(|(position, name)| {
                let cells = rows.iter().map(|row| row[position].as_str());
                if words.contains(&name.as_str()) {
                    let cells: Vec<Option<&str>> = cells.map(|cell| (!cell.is_empty()).then_some(cell)).collect();
                    Column::new(name.into(), cells)
                } else {
                    Column::new(name.into(), cells.map(|cell| cell.parse::<f64>().ok()).collect::<Vec<_>>())
                }
            })
            .collect();
        let mut frame = DataFrame::new(rows.len(), frame)?;
        ParquetWriter::new(file).finish(&mut frame)?;
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(name: &str, text: &str) -> (tempfile::TempDir, PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        (folder, path)
    }

    #[test]
    fn a_row_keeps_the_line_it_stood_in() {
        let (_folder, path) = file("a.csv", "\u{feff}tube,note\nT1,\"two\nlines\"\n\n T2 , x\n");
        let table = read_table(&path).unwrap();
        assert_eq!(table.columns, ["tube", "note"]);
        assert_eq!(table.rows[0], (2, vec!["T1".to_owned(), "two\nlines".to_owned()]));
        assert_eq!(table.rows[1], (5, vec!["T2".to_owned(), "x".to_owned()]));
    }

    #[test]
    fn semicolons_and_ragged_rows_say_what_would_be_right() {
        let (_folder, path) = file("a.csv", "tube;note\nT1;x\n");
        assert!(read_table(&path).unwrap_err().to_string().contains("right would be commas"));
        let (_folder, path) = file("b.csv", "tube,note\nT1,x\nT2\n");
        let error = read_table(&path).unwrap_err().to_string();
        assert!(error.contains("line 3: the row has 1 cells, the header 2"), "{error}");
    }

    #[test]
    fn parquet_reads_like_the_csv_it_was_written_from() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.parquet");
        let columns = ["tube", "run_h"].map(str::to_owned);
        let rows = vec![vec!["T1".to_owned(), "12.5".to_owned()], vec!["T2".to_owned(), String::new()]];
        write_table(&path, &columns, &rows, &["tube"]).unwrap();
        let table = read_table(&path).unwrap();
        assert_eq!(table.columns, columns);
        assert_eq!(table.rows.into_iter().map(|(_, cells)| cells).collect::<Vec<_>>(), rows);
        std::fs::write(&path, b"PAR1 but torn").unwrap();
        assert!(read_table(&path).is_err());
    }
}
