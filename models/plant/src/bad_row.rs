//! A row of an imported file that cannot be taken.

use std::fmt;

use serde::{Deserialize, Serialize};

/// Where a file is wrong, what stands there, and what would be right.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct BadRow {
    /// Line in the file (CSV, the header is line 1), row of the sheet, or row number (Parquet, the first row is 1).
    pub line: u64,
    /// The column, empty if the whole row is meant.
    pub column: String,
    /// What is wrong and what would be right.
    pub problem: String,
}

impl BadRow {
    /// A bad row, from its line, its column and a sentence.
    pub fn new(line: u64, column: &str, problem: impl fmt::Display) -> Self {
        Self { line, column: column.to_owned(), problem: problem.to_string() }
    }
}

impl fmt::Display for BadRow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.column.is_empty() {
            write!(f, "line {}: {}", self.line, self.problem)
        } else {
            write!(f, "line {}, column {}: {}", self.line, self.column, self.problem)
        }
    }
}
