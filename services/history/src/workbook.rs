//! Spreadsheets of the plant's record: cells with types in, text cells as a CSV would have them out.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use calamine::{Data, ExcelDateTime, Range, Reader, Xlsx, XlsxError, open_workbook};
use plant::{BadRow, Table};

use crate::table::{TableError, Tables};

/// The sheets of a workbook that are called like one of `names`, or else its first sheet; and the names of the others.
pub(crate) fn read(path: &Path, names: &[&str]) -> Result<Tables, TableError> {
    let failed = |error: XlsxError| TableError::Workbook { path: path.to_owned(), why: error.to_string() };
    let mut book: Xlsx<BufReader<File>> = open_workbook(path).map_err(failed)?;
    let sheets = book.sheet_names();
    let called = |sheet: &&String| names.iter().any(|name| sheet.trim().eq_ignore_ascii_case(name));
    let mut wanted: Vec<String> = sheets.iter().filter(called).cloned().collect();
    if wanted.is_empty() {
        wanted.extend(sheets.first().cloned());
    }
    let left_out = sheets.into_iter().filter(|sheet| !wanted.contains(sheet)).collect();
    let read = |sheet: String| {
        let range = book.worksheet_range(&sheet).map_err(failed)?;
        let place = PathBuf::from(format!("{} [{sheet}]", path.display()));
        table(place, &range)
    };
    Ok(Tables { tables: wanted.into_iter().map(read).collect::<Result<_, _>>()?, left_out })
}

/// A sheet as a table. Rows are counted as the sheet shows them; empty rows are passed over.
fn table(path: PathBuf, range: &Range<Data>) -> Result<Table, TableError> {
    let refused = |row: u64, column: &str, problem: String| TableError::Row {
        path: path.clone(),
        row: BadRow::new(row, column, problem),
    };
    let first_row = u64::from(range.start().map_or(0, |(row, _)| row)) + 1;
    let mut rows = (first_row..).zip(range.rows());
    let Some((header_row, header)) = rows.next() else {
        return Err(refused(
            1,
            "",
            "the sheet is empty; right would be a row with the names of the columns".to_owned(),
        ));
    };
    let columns = header.iter().map(|cell| text(cell).map_err(|error| refused(header_row, "", error)));
    let mut columns: Vec<String> = columns.collect::<Result<_, _>>()?;
    while columns.last().is_some_and(String::is_empty) {
        columns.pop();
    }
    let mut table = Table { path: path.clone(), columns, rows: Vec::new() };
    for (number, row) in rows {
        let mut cells = Vec::with_capacity(row.len());
        for (place, cell) in row.iter().enumerate() {
            let column = table.columns.get(place).map_or("", String::as_str);
            let cell = text(cell).map_err(|error| refused(number, column, error))?;
            if column.is_empty() && !cell.is_empty() {
                let shown: String = cell.chars().take(40).collect();
                return Err(refused(number, "", format!("{shown:?} stands in a column without a name")));
            }
            cells.push(cell);
        }
        if cells.iter().any(|cell| !cell.is_empty()) {
            cells.truncate(table.columns.len());
            table.rows.push((number, cells));
        }
    }
    Ok(table)
}

/// A cell as a CSV would have it. A date of a sheet has no offset: it is taken in the plant's zone, as any such time.
fn text(cell: &Data) -> Result<String, String> {
    Ok(match cell {
        Data::Empty => String::new(),
        Data::String(text) | Data::DateTimeIso(text) | Data::DurationIso(text) => text.trim().to_owned(),
        Data::Int(number) => number.to_string(),
        Data::Float(number) => number.to_string(),
        Data::Bool(yes) => if *yes { "yes" } else { "no" }.to_owned(),
        Data::DateTime(at) if at.is_datetime() => date(at),
        Data::DateTime(_) => {
            return Err("the cell holds a length of time; right would be a plain number, or a date".to_owned());
        }
        Data::Error(error) => return Err(format!("the cell holds the error {error}")),
    })
}

/// A serial date, to the millisecond.
fn date(at: &ExcelDateTime) -> String {
    let (year, month, day, hour, minute, second, milli) = at.to_ymd_hms_milli();
    format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}.{milli:03}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Written by openpyxl 3.1.5, see make.py beside it.
    fn sheet(name: &str) -> Result<Vec<Table>, TableError> {
        read(Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/workbooks/plant.xlsx")), &[name])
            .map(|file| file.tables)
    }

    #[test]
    fn a_sheet_reads_like_the_csv_of_it() {
        let table = &sheet("findings").unwrap()[0];
        assert!(table.path.display().to_string().ends_with("plant.xlsx [Findings]"));
        let columns = ["at", "tube", "grade", "zone", "clock", "method", "depth_um", "inspector", "note"];
        assert_eq!(table.columns, columns);
        let rows: Vec<(u64, String)> = table.rows.iter().map(|(row, cells)| (*row, cells.join("|"))).collect();
        let row = |row: u64, text: &str| (row, text.to_owned());
        let expected = [
            row(2, "2026-03-31T06:30:00.000|T-K1|2|far|6|gauge|34.5|A. Marsh|ring, 1 mm wide"),
            row(4, "2026-04-02T00:00:00.000|1017|0|||light||A. Marsh|"),
            row(5, "2026-04-03T08:00:00+02:00|T-K2|1|drive|12|nail||R. Stone|"),
            row(6, "2026-04-04T23:59:59.000|T-K2|1|drive|3|nail||R. Stone|"),
        ];
        assert_eq!(rows, expected);
    }

    #[test]
    fn a_date_cell_is_a_time_in_the_plants_zone_and_flagged() {
        let zone = jiff::tz::TimeZone::get("Europe/Amsterdam").unwrap();
        let read = plant::read_time(&sheet("findings").unwrap()[0].rows[0].1[0], &zone).unwrap();
        assert!(read.zone_assumed);
        // Central European Summer Time, UTC+2 since 29 March 2026 (IANA time zone database).
        assert_eq!(read.at.to_string(), "2026-03-31T04:30:00Z");
    }

    #[test]
    fn sheets_are_found_by_name_in_any_case_and_else_the_first_is_taken() {
        let path = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/workbooks/plant.xlsx"));
        let names = |names: &[&str]| -> Vec<String> {
            let tables = read(path, names).unwrap().tables;
            tables.iter().map(|table| table.path.display().to_string().rsplit('/').next().unwrap().to_owned()).collect()
        };
        assert_eq!(names(&["tubes", "fittings", "work"]), ["plant.xlsx [tubes]", "plant.xlsx [Work]"]);
        assert_eq!(names(&["campaigns"]), ["plant.xlsx [Read me]"]);
        let left_out = read(path, &["tubes", "work"]).unwrap().left_out;
        assert_eq!(left_out, ["Read me", "Findings", "broken", "long", "nameless", "empty"], "none goes unnamed");
    }

    #[test]
    fn what_cannot_be_taken_names_its_row() {
        for (name, words) in [
            ("broken", "plant.xlsx [broken]: line 3, column grade: the cell holds the error #DIV/0!"),
            ("long", "plant.xlsx [long]: line 2, column run_h: the cell holds a length of time"),
            ("nameless", "plant.xlsx [nameless]: line 2: \"seen\" stands in a column without a name"),
            ("empty", "plant.xlsx [empty]: line 1: the sheet is empty"),
        ] {
            let error = sheet(name).unwrap_err().to_string();
            assert!(error.contains(words), "{error}");
        }
    }

    #[test]
    fn what_is_no_workbook_is_an_error() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.xlsx");
        for bytes in [&b"tube,note\n"[..], b"PK\x03\x04 torn", b""] {
            std::fs::write(&path, bytes).unwrap();
            assert!(read(&path, &[]).unwrap_err().to_string().contains("right would be .xlsx"));
        }
    }
}
