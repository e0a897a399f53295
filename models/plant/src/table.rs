//! A small table read from a file: text cells with the line they stood in.

use std::path::PathBuf;

use crate::BadRow;

/// A table as it was read, before anybody believed it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Table {
    /// The file it came from.
    pub path: PathBuf,
    /// Column names, in the order of the file.
    pub columns: Vec<String>,
    /// Rows: line (CSV, the header is line 1) or row number (Parquet), then one cell per column, trimmed, empty if absent.
    pub rows: Vec<(u64, Vec<String>)>,
}

impl Table {
    /// The position of a column.
    pub fn column(&self, name: &str) -> Option<usize> {
        self.columns.iter().position(|column| column == name)
    }

    /// Holds the header against what a table needs and may have.
    ///
    /// # Errors
    /// One [`BadRow`] per missing or unknown column, naming what is right.
    pub fn check_columns(&self, needed: &[&str], optional: &[&str]) -> Result<(), Vec<BadRow>> {
        let right = format!("columns are {}; optional: {}", needed.join(", "), optional.join(", "));
        let missing = needed.iter().filter(|name| self.column(name).is_none());
        let unknown =
            self.columns.iter().filter(|name| !needed.contains(&name.as_str()) && !optional.contains(&name.as_str()));
        let mut bad: Vec<BadRow> =
            missing.map(|name| BadRow::new(1, name, format!("this column is missing; {right}"))).collect();
        bad.extend(unknown.map(|name| BadRow::new(1, name, format!("this column is not known; {right}"))));
        if bad.is_empty() { Ok(()) } else { Err(bad) }
    }
}
