//! A day of readings on disk, as the manifest lists it.

use std::collections::BTreeSet;

use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::Signal;

/// The Parquet file that holds all readings of one UTC day, as far as they have left the journal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DayFile {
    /// The UTC day.
    pub day: Date,
    /// Grows with every rewrite of any day; names the file.
    pub generation: i64,
    /// Path below the data folder.
    pub path: String,
    /// Readings in it.
    pub rows: u64,
    /// Instants of a unit's signal with more than one value.
    pub conflicts: u64,
    /// Its first reading.
    pub first_at: Timestamp,
    /// Its last reading.
    pub last_at: Timestamp,
    /// Size on disk, bytes.
    pub bytes: u64,
    /// Signals of which it holds readings; `None` if it was written before this was listed.
    #[serde(default)]
    pub signals: Option<BTreeSet<Signal>>,
}
