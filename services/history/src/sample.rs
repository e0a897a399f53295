//! Some rows of a large file, from all over it.

use std::collections::{HashMap, HashSet};
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
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
/// Where rows name tags, all of the file is read, for it may be in their order: kept are one row of so many that this remains
/// of it, and so many of each tag.
const ROWS_OF_A_TAG: u32 = 16;
/// Parquet: so many slices of so many rows, and tags are looked for in so many rows at a time.
const SLICES: usize = 64;
const SLICE_ROWS: usize = 2000;
const TAG_ROWS: usize = 1 << 20;

/// Rows from all over a CSV (comma, header) or Parquet file, in its order, as cells of text. `tags` finds the columns among the
/// names of all that tell what a row is about, if there are some: then rows of each of their words are among them. Rows of
/// another length than the header are left out.
///
/// # Errors
/// [`TableError`] if it cannot be read, is no text, or its columns are not parted by commas.
pub fn sample(path: &Path, tags: impl Fn(&[String]) -> Vec<usize>) -> Result<Table, TableError> {
    if path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("parquet")) {
        return Ok(parquet(path, tags)?);
    }
    let mut file = File::open(path).map_err(HistoryError::io("open", path))?;
    let length = file.metadata().map_err(HistoryError::io("look at", path))?.len();
    let mut start = Vec::new();
    let first = STRETCH_BYTES.min(length);
    file.by_ref().take(first).read_to_end(&mut start).map_err(HistoryError::io("read", path))?;
    let start = start.strip_prefix(BOM).unwrap_or(&start);
    if let Some(problem) = unlike_csv(start) {
        return Err(TableError::Row { path: path.to_owned(), row: BadRow::new(1, "", problem) });
    }
    let mut header = csv::ByteRecord::new();
    // Reading from memory does not fail, and every length of record is taken.
    let _ = reader(start).read_byte_record(&mut header);
    let columns = cells(&header);
    let (tags, every) = match tags(&columns) {
        _ if length <= WHOLE_BYTES => (Vec::new(), 1),
        tags if !tags.is_empty() => (tags, length / WHOLE_BYTES + 1),
        _ => {
            let text = stretches(&mut file, length).map_err(HistoryError::io("read", path))?;
            let rows = rows(&mut reader(&text[..]), &columns, (&[], 1)).unwrap_or_default();
            return Ok(Table { path: path.to_owned(), columns, rows });
        }
    };
    file.rewind().map_err(HistoryError::io("read", path))?;
    let rows = rows(&mut reader(BufReader::with_capacity(1 << 20, file)), &columns, (&tags, every));
    let rows = rows.map_err(|error| HistoryError::io("read", path)(error.into()))?;
    Ok(Table { path: path.to_owned(), columns, rows })
}

const BOM: &[u8] = b"\xef\xbb\xbf";

fn reader<R: Read>(text: R) -> csv::Reader<R> {
    csv::ReaderBuilder::new().has_headers(false).flexible(true).trim(csv::Trim::All).from_reader(text)
}

fn cells(record: &csv::ByteRecord) -> Vec<String> {
    let text = |cell| String::from_utf8_lossy(cell).into_owned();
    record.iter().map(|cell| text(cell.strip_prefix(BOM).unwrap_or(cell))).collect()
}

/// The rows behind the header: one of so many, and the first of each tag.
fn rows<R: Read>(
    reader: &mut csv::Reader<R>,
    columns: &[String],
    (tags, every): (&[usize], u64),
) -> Result<Vec<(u64, Vec<String>)>, csv::Error> {
    let mut rows = Vec::new();
    let mut record = csv::ByteRecord::new();
    let mut seen: HashMap<Vec<u8>, u32> = HashMap::new();
    let (mut line, mut key) = (0, Vec::new());
    while reader.read_byte_record(&mut record)? {
        line += 1;
        if line == 1 || record.len() != columns.len() {
            continue;
        }
        key.clear();
        for tag in tags {
            key.extend_from_slice(&record[*tag]);
            key.push(0);
        }
        let is_new = match seen.get_mut(&key) {
            _ if tags.is_empty() => false,
            Some(count) => {
                *count += 1;
                *count <= ROWS_OF_A_TAG
            }
            None => seen.insert(key.clone(), 1).is_none(),
        };
        if is_new || line % every == 0 {
            rows.push((line, cells(&record)));
        }
    }
    Ok(rows)
}

/// Stretches from all over a file, cut to whole lines, with its first line before them.
fn stretches(file: &mut File, length: u64) -> std::io::Result<Vec<u8>> {
    let mut text = Vec::new();
    for stretch in 0..STRETCHES {
        let at = (length - STRETCH_BYTES) * stretch / (STRETCHES - 1);
        file.seek(SeekFrom::Start(at))?;
        let mut part = Vec::new();
        file.by_ref().take(STRETCH_BYTES).read_to_end(&mut part)?;
        let end = part.iter().rposition(|byte| *byte == b'\n').map_or(part.len(), |end| end + 1);
        // The line that it begins within is left out.
        let from = if at == 0 { 0 } else { part.iter().position(|byte| *byte == b'\n').map_or(end, |at| at + 1) };
        text.extend_from_slice(part.get(from..end).unwrap_or_default());
    }
    Ok(text)
}

/// Why a text is no CSV as it is taken, by its header.
fn unlike_csv(text: &[u8]) -> Option<&'static str> {
    let header = text.split(|byte| *byte == b'\n').next().unwrap_or_default();
    let count = |wanted: u8| header.iter().filter(|byte| **byte == wanted).count();
    if header.is_empty() {
        Some("there is no header; right would be the names of the columns, parted by commas")
    } else if text[..text.len().min(4096)].contains(&0) {
        Some("this is no text in UTF-8: save it as CSV in UTF-8, or as Parquet")
    } else if std::str::from_utf8(header).is_err() {
        Some("the header is not UTF-8: save the file as UTF-8")
    } else if count(b';').max(count(b'\t')) > count(b',') {
        Some("the columns are parted by semicolons or tabs: save it with commas (and decimal points)")
    } else {
        None
    }
}

fn parquet(path: &Path, tags: impl Fn(&[String]) -> Vec<usize>) -> Result<Table, HistoryError> {
    let open = || File::open(path).map(ParquetReader::new).map_err(HistoryError::io("open", path));
    let mut first = open()?;
    let (total, columns) = guarded(path, || {
        let names: Vec<String> = first.schema()?.iter_names().map(|name| name.to_string()).collect();
        Ok((first.num_rows()?, names))
    })?;
    let count = if total <= SLICES * SLICE_ROWS { 1 } else { SLICES };
    let length = if count == 1 { total } else { SLICE_ROWS };
    let mut slices: Vec<(usize, usize)> =
        (0..count).map(|slice| ((total - length) * slice / (count - 1).max(1), length)).collect();
    let tags = tags(&columns);
    if count > 1 && !tags.is_empty() {
        let names: Vec<String> = tags.iter().map(|tag| columns[*tag].clone()).collect();
        let mut seen = HashSet::new();
        for from in (0..total).step_by(TAG_ROWS) {
            let reader = open()?.with_slice(Some((from, TAG_ROWS))).with_columns(Some(names.clone()));
            let frame = guarded(path, || reader.finish())?;
            for row in 0..frame.height() {
                let words = || frame.columns().iter().map(|column| column.get(row).map(text)).collect();
                if seen.insert(guarded::<Vec<String>>(path, words)?) {
                    slices.push((from + row, ROWS_OF_A_TAG as usize));
                }
            }
        }
        slices.sort_unstable();
    }
    let mut rows = Vec::new();
    for slice in slices {
        let reader = open()?.with_slice(Some(slice));
        let frame = guarded(path, || reader.finish())?;
        for row in 0..frame.height() {
            let cells = guarded(path, || frame.columns().iter().map(|column| column.get(row).map(text)).collect())?;
            rows.push(((slice.0 + row) as u64 + 1, cells));
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
        let count = 4_000_000;
        (0..count).for_each(|line| lines.push_str(&format!("{line:07},{}\n", line % 10)));
        assert!(lines.len() as u64 > WHOLE_BYTES);
        std::fs::write(&path, lines).unwrap();
        let table = sample(&path, |_| Vec::new()).unwrap();
        let at: Vec<u64> = table.rows.iter().map(|(_, cells)| cells[0].parse().unwrap()).collect();
        assert!(at.is_sorted() && at[0] == 0 && at[at.len() - 1] == count - 1, "{} {}", at[0], at[at.len() - 1]);
        assert!(at.len() > 1_000_000, "{}", at.len());
    }

    /// An export in the order of its tags, as many historians write it: the last ones fill little of it.
    #[test]
    fn no_tag_of_a_large_file_is_missed() {
        let folder = tempfile::tempdir().unwrap();
        let tag =
            |columns: &[String]| -> Vec<usize> { columns.iter().position(|name| name == "tag").into_iter().collect() };
        let names =
            |table: &Table| -> HashSet<String> { table.rows.iter().map(|(_, cells)| cells[1].clone()).collect() };
        let path = folder.path().join("past.csv");
        let mut lines = "at,tag,value\n".to_owned();
        (0..3_000_000).for_each(|row| lines.push_str(&format!("{row:07},big,{}\n", row % 10)));
        (0..500).for_each(|row| lines.push_str(&format!("0,small{row},1\n")));
        assert!(lines.len() as u64 > WHOLE_BYTES);
        std::fs::write(&path, lines).unwrap();
        let table = sample(&path, tag).unwrap();
        assert_eq!(names(&table).len(), 501);
        assert!(table.rows.len() > 100_000 && table.rows.len() < 2_000_000, "{}", table.rows.len());
        let path = folder.path().join("past.parquet");
        let count = SLICES * SLICE_ROWS + 500_000;
        let tags: Vec<String> = (0..count).map(|row| format!("t{}", (row / 1000).min(600))).collect();
        let mut frame = df!("at" => vec![0_i64; count], "tag" => tags, "value" => vec![1.0; count]).unwrap();
        ParquetWriter::new(File::create(&path).unwrap()).finish(&mut frame).unwrap();
        assert_eq!(names(&sample(&path, tag).unwrap()).len(), 601);
    }

    #[test]
    fn what_is_no_csv_says_why() {
        let folder = tempfile::tempdir().unwrap();
        for (name, bytes, right) in [
            ("semicolons.csv", &b"Zeit;K1 Drehmoment, Ist;K1 Temp\n"[..], "semicolons"),
            ("empty.csv", b"", "no header"),
            ("blank.csv", b"\n\n", "no header"),
            ("utf16.csv", b"\xff\xfea\0t\0,\0", "no text in UTF-8"),
            ("latin1.csv", b"at,K\xfchler\n", "not UTF-8"),
            ("zip.parquet", b"PK\x03\x04", "zip.parquet"),
        ] {
            let path = folder.path().join(name);
            std::fs::write(&path, bytes).unwrap();
            let error = sample(&path, |_| Vec::new()).unwrap_err().to_string();
            assert!(error.contains(right), "{name}: {error}");
        }
    }
}
