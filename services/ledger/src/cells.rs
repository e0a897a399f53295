//! Taking typed values out of a table's cells, collecting what is wrong.

use std::fmt::Display;
use std::str::FromStr;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use plant::{BadRow, Table, read_time};

/// One row of a table while it is being read. A cell that cannot be taken leaves a [`BadRow`] and yields `None`.
pub(crate) struct Cells<'a> {
    table: &'a Table,
    line: u64,
    cells: &'a [String],
    bad: &'a mut Vec<BadRow>,
    zone_assumed: &'a mut u64,
}

impl<'a> Cells<'a> {
    pub(crate) fn new(
        table: &'a Table,
        row: &'a (u64, Vec<String>),
        bad: &'a mut Vec<BadRow>,
        zone_assumed: &'a mut u64,
    ) -> Self {
        Self { table, line: row.0, cells: &row.1, bad, zone_assumed }
    }

    pub(crate) fn line(&self) -> u64 {
        self.line
    }

    pub(crate) fn refuse(&mut self, column: &str, problem: impl Display) {
        self.bad.push(BadRow::new(self.line, column, problem));
    }

    fn cell(&self, column: &str) -> &'a str {
        let position = self.table.column(column);
        position.and_then(|position| self.cells.get(position)).map_or("", String::as_str)
    }

    pub(crate) fn text(&self, column: &str) -> Option<String> {
        let cell = self.cell(column);
        (!cell.is_empty()).then(|| cell.to_owned())
    }

    /// A free text of at most `longest` characters. A note may have lines; nothing else has control characters.
    pub(crate) fn words(&mut self, column: &str, longest: usize) -> Option<String> {
        let text = self.text(column)?;
        let length = text.chars().count();
        if length > longest {
            self.refuse(column, format!("this text has {length} characters; right would be {longest} at most"));
            return None;
        }
        let lines = column == "note";
        let out_of_place = |letter: char| letter.is_control() && !(lines && matches!(letter, '\n' | '\r' | '\t'));
        if text.contains(out_of_place) {
            self.refuse(column, "this text has a control character; right would be plain text");
            return None;
        }
        Some(text)
    }

    /// An optional value: absent is `None`, wrong is `None` and noted.
    pub(crate) fn value<T: FromStr<Err: Display>>(&mut self, column: &str) -> Option<T> {
        self.take(column, str::parse)
    }

    /// A value made by `make`.
    pub(crate) fn take<T, E: Display>(&mut self, column: &str, make: impl FnOnce(&str) -> Result<T, E>) -> Option<T> {
        let cell = self.cell(column);
        if cell.is_empty() {
            return None;
        }
        make(cell).map_err(|error| self.refuse(column, error)).ok()
    }

    /// Notes a missing value of a column that every row needs.
    pub(crate) fn needed<T>(&mut self, column: &str, value: Option<T>) -> Option<T> {
        if value.is_none() && self.cell(column).is_empty() {
            self.refuse(column, "this is empty, but it is always needed");
        }
        value
    }

    /// A finite number of at least `least`, in the unit that the column's name ends in.
    pub(crate) fn number(&mut self, column: &str, least: f64) -> Option<f64> {
        self.take(column, |cell| {
            if cell.contains(',') {
                return Err(format!("{cell:?} has a comma; right would be a decimal point, as in 152.4"));
            }
            match cell.parse::<f64>() {
                Ok(number) if number.is_finite() && number >= least => Ok(number),
                Ok(number) => Err(format!("{number} is out of range; right would be a number from {least}")),
                Err(_) => Err(format!("{cell:?} is no number; right would be one from {least}, such as 152.4")),
            }
        })
    }

    pub(crate) fn time(&mut self, column: &str, zone: &TimeZone) -> Option<Timestamp> {
        let read = self.take(column, |cell| read_time(cell, zone))?;
        *self.zone_assumed += u64::from(read.zone_assumed);
        Some(read.at)
    }

    /// A time that cannot lie ahead.
    pub(crate) fn past_time(&mut self, column: &str, zone: &TimeZone, now: Timestamp) -> Option<Timestamp> {
        let at = self.time(column, zone)?;
        if at > now {
            self.refuse(column, format!("{at} lies ahead of now ({now:.0}); right would be when it was seen"));
            return None;
        }
        Some(at)
    }
}
