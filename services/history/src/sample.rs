//! Some rows of a large file, from all over it.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use plant::{BadRow, Table};
use polars::prelude::*;

use crate::error::guarded;
use crate::table::text;
use crate::{HistoryError, TableError};

/// A CSV file up to this size is read as a whole, bytes.
const WHOLE_BYTES: u64 = 32 << 20;
/// Of larger ones so many stretches of so many bytes are read, evenly apart: what fills less than a stretch's share of the
/// file may be missed.
const STRETCHES: u64 = 400;
const STRETCH_BYTES: u64 = 64 << 10;
/// Parquet: so many slices of so many rows.
const SLICES: usize = 64;
const SLICE_ROWS: usize = 2000;

/// Rows from all over a CSV (comma, header) or Parquet file, in its order, as cells of text. Rows of another length than the
/// header are left out.
///
/// # Errors
/// [`TableError`] if it cannot be read, or its columns are not parted by commas.
pub fn sample(path: &Path) -> Result<Table, TableError> {
    if path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("parquet")) {
        return Ok(parquet(path)?);
    }
    let mut file = File::open(path).map_err(HistoryError::io("open", path))?;
    let length = file.metadata().map_err(HistoryError::io("look at", path))?.len();
    let mut text = Vec::new();
    if length <= WHOLE_BYTES {
        file.read_to_end(&mut text).map_err(HistoryError::io("read", path))?;
    } else {
        for stretch in 0..STRETCHES {
            let at = (length - STRETCH_BYTES) / (STRETCHES - 1) * stretch;
            file.seek(SeekFrom::Start(at)).map_err(HistoryError::io("read", path))?;
            let mut part = Vec::new();
            file.by_ref().take(STRETCH_BYTES).read_to_end(&mut part).map_err(HistoryError::io("read", path))?;
            let end = part.iter().rposition(|byte| *byte == b'\n').map_or(part.len(), |end| end + 1);
            // The line that it begins within is left out.
            let from = if at == 0 { 0 } else { part.iter().position(|byte| *byte == b'\n').map_or(end, |at| at + 1) };
            text.extend_from_slice(part.get(from..end).unwrap_or_default());
        }
    }
    let text = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&text);
    let mut reader = csv::ReaderBuilder::new().has_headers(false).flexible(true).trim(csv::Trim::All).from_reader(text);
    let mut record = csv::ByteRecord::new();
    let cells = |record: &csv::ByteRecord| -> Vec<String> {
        record.iter().map(|cell| String::from_utf8_lossy(cell).into_owned()).collect()
    };
    // Reading from memory does not fail, and every length of record is taken.
    let mut next = |record: &mut csv::ByteRecord| reader.read_byte_record(record).unwrap_or(false);
    let columns = if next(&mut record) { cells(&record) } else { Vec::new() };
    if let [only] = &columns[..]
        && (only.contains(';') || only.contains('\t'))
    {
        let problem = "the columns are parted by semicolons or tabs: save it with commas (and decimal points)";
        return Err(TableError::Row { path: path.to_owned(), row: BadRow::new(1, "", problem) });
    }
    let mut rows = Vec::new();
    while next(&mut record) {
        if record.len() == columns.len() {
            rows.push((rows.len() as u64 + 2, cells(&record)));
        }
    }
    Ok(Table { path: path.to_owned(), columns, rows })
}

fn parquet(path: &Path) -> Result<Table, HistoryError> {
    let open = || File::open(path).map(ParquetReader::new).map_err(HistoryError::io("open", path));
    let mut first = open()?;
    let (total, columns) = guarded(path, || {
        let names: Vec<String> = first.schema()?.iter_names().map(|name| name.to_string()).collect();
        Ok((first.num_rows()?, names))
    })?;
    let slices = if total <= SLICES * SLICE_ROWS { 1 } else { SLICES };
    let mut rows = Vec::new();
    for slice in 0..slices {
        let from = if slices == 1 { 0 } else { (total - SLICE_ROWS) / (slices - 1) * slice };
        let length = if slices == 1 { total } else { SLICE_ROWS };
        let reader = open()?.with_slice(Some((from, length)));
        let frame = guarded(path, || reader.finish())?;
        for row in 0..frame.height() {
            let cells = guarded(path, || frame.columns().iter().map(|column| column.get(row).map(text)).collect())?;
            rows.push(((from + row) as u64 + 1, cells));
        }
    }
    Ok(Table { path: path.to_owned(), columns, rows })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_large_file_is_looked_at_from_its_first_to_its_last_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("past.csv");
        let mut lines = "at,x\n".to_owned();
        let count = 3_000_000;
        (0..count).for_each(|line| lines.push_str(&format!("{line:07},{}\n", line % 10)));
        assert!(lines.len() as u64 > WHOLE_BYTES);
        std::fs::write(&path, lines).unwrap();
        let table = sample(&path).unwrap();
        let at: Vec<u64> = table.rows.iter().map(|(_, cells)| cells[0].parse().unwrap()).collect();
        assert!(at.is_sorted() && at[0] == 0 && at[at.len() - 1] == count - 1, "{} {}", at[0], at[at.len() - 1]);
        assert!(at.len() > 1_000_000, "{}", at.len());
        std::fs::write(&path, "at;x\n").unwrap();
        assert!(sample(&path).unwrap_err().to_string().contains("semicolons"));
    }
}
