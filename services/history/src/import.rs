//! Import of a historian's past, as CSV or Parquet: long tables of at, unit, signal, value and perhaps quality, or wide
//! ones with a column per signal.
//!
//! All files or none: rows are checked and staged as parts of days, every bad row is named, and only when all are good
//! does the caller merge the parts into the days. An import that was killed goes on where it was ([`Staging`]).

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use plant::{BadRow, Measure, Signal, Status, UnitId};
use serde::{Deserialize, Serialize};

use crate::staging::{Parts, Staging};
use crate::tally::{ByTrack, Tally};
use crate::{HistoryError, import_csv, import_parquet};

/// What numbers in a quality column mean where they do not say it themselves: 0 is good to one and bad to the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum QualityCodes {
    /// OPC UA status codes ([`Status::of_opc_ua`]).
    OpcUa,
    /// The codes before it: 192 good, 64 uncertain, 0 bad.
    Classic,
}

/// What a column of a wide table is.
#[derive(Debug, Clone, PartialEq)]
pub struct WideColumn {
    /// Of which unit.
    pub unit: UnitId,
    /// Which signal.
    pub signal: Signal,
    /// What it measures in; what all files do ([`ImportSettings::measures`]) where nothing is said.
    pub measure: Option<Measure>,
    /// The column that holds its quality, if there is one.
    pub quality: Option<String>,
}

/// What the columns of files are called, where they have names of their own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    /// The time.
    pub at: String,
    /// The tag, in tables with one reading per row that name it by a tag instead of unit and signal.
    pub tag: String,
    /// The value of such a row, or of one with unit and signal.
    pub value: String,
    /// Its quality.
    pub quality: String,
}

impl Header {
    /// The names that the house uses.
    pub fn house() -> Self {
        let [at, tag, value, quality] = ["at", "tag", "value", "quality"].map(str::to_owned);
        Self { at, tag, value, quality }
    }

    /// The house's name of a column.
    pub(crate) fn own<'n>(&self, name: &'n str) -> &'n str {
        match name {
            name if name == self.at => "at",
            name if name == self.tag => "tag",
            name if name == self.value => "value",
            name if name == self.quality => "quality",
            name => name,
        }
    }
}

/// How files are read.
#[derive(Debug, Clone)]
pub struct ImportSettings {
    /// What their columns are called.
    pub header: Header,
    /// Columns of a wide table, and tags, that are passed over, but for those of `wide`.
    pub skip: BTreeSet<String>,
    /// The zone of times without an offset.
    pub zone: TimeZone,
    /// The units of the config; a row of another is bad.
    pub units: BTreeSet<UnitId>,
    /// What the columns of a wide table are, by name; such a table has `at`, these, and the qualities that they name. An
    /// empty cell of it is no reading, for not every signal has one at every instant. Tags are looked up here too.
    pub wide: BTreeMap<String, WideColumn>,
    /// What the file measures a signal in; the house unit where nothing is said.
    pub measures: BTreeMap<Signal, Measure>,
    /// Least and greatest number that a unit's signal can be, in the house unit; [`Signal::believable`] where nothing is said.
    pub spans: BTreeMap<(UnitId, Signal), (f64, f64)>,
    /// What bare numbers in the quality column mean.
    pub quality_codes: Option<QualityCodes>,
    /// What words in the quality column mean, in small letters, besides the known ones.
    pub quality_words: BTreeMap<String, Status>,
    /// So much of a CSV file is read per core before it is written down how far it went, bytes ([`STRETCH_BYTES`]): less
    /// is done again after a kill, and more files are staged.
    pub stretch_bytes: u64,
    /// Bad rows listed per file, 1000 at most; the others are counted.
    pub listed_bad_rows: usize,
    /// Earliest time taken.
    pub earliest: Timestamp,
    /// Latest time taken.
    pub latest: Timestamp,
}

impl ImportSettings {
    /// What tells an import with these settings from one with others. The latest time is not in it: it moves on while an
    /// import is killed and started again.
    pub fn identity(&self) -> String {
        format!("{:?}", Self { latest: self.earliest, ..self.clone() })
    }
}

/// The usual stretch of a CSV file per core, bytes.
pub const STRETCH_BYTES: u64 = 64 << 20;

/// How far an import is.
#[derive(Debug, Clone, Copy)]
pub struct Progress<'a> {
    /// What is being read.
    pub source: &'a Path,
    /// Bytes (CSV) or rows (Parquet) read of it.
    pub done: u64,
    /// Bytes (CSV) or rows (Parquet) in it.
    pub total: u64,
}

/// Checked readings, staged as parts of days.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Staged {
    /// The parts of each UTC day, to be merged and then removed.
    pub days: BTreeMap<Date, Vec<PathBuf>>,
    /// Rows read.
    pub rows: u64,
    /// Times that were taken in the zone of the settings.
    pub zone_assumed: u64,
    /// Of these, such that the zone's clock showed twice or skipped.
    pub zone_unclear: u64,
    /// What there is of each signal. Numbers that their signal cannot be are staged as missing and bad, so that each ends what
    /// the reading before it said.
    pub tallies: ByTrack<Tally>,
    /// The first number that cannot be: its file, where it stands, and why it is not believed.
    pub disbelieved_sample: Option<(PathBuf, BadRow)>,
}

/// A file with bad rows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadFile {
    /// Which file.
    pub path: PathBuf,
    /// Its bad rows, as far as they are listed, by line.
    pub listed: Vec<BadRow>,
    /// All of its bad rows.
    pub count: u64,
}

/// Why nothing was imported.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// Some rows are bad; nothing was taken.
    #[error("{} bad rows in {} files, first: {}: {}", count(.files), .files.len(), .files[0].path.display(), .files[0].listed.first().map(BadRow::to_string).unwrap_or_default())]
    Bad {
        /// The files with bad rows.
        files: Vec<BadFile>,
        /// What there is of each signal, in all files.
        tallies: Box<ByTrack<Tally>>,
    },
    /// A file could not be read, or the staging folder not be written.
    #[error(transparent)]
    History(#[from] HistoryError),
}

fn count(files: &[BadFile]) -> u64 {
    files.iter().map(|file| file.count).sum()
}

/// Bad rows that are kept of a file, to be listed.
const MOST_LISTED: usize = 1000;

/// What a file, or a stretch of it, gave.
#[derive(Debug, Default, Serialize, Deserialize)]
pub(crate) struct Outcome {
    pub(crate) parts: Parts,
    pub(crate) rows: u64,
    pub(crate) zone_assumed: u64,
    pub(crate) zone_unclear: u64,
    pub(crate) tallies: ByTrack<Tally>,
    /// The first number that its signal cannot be.
    pub(crate) disbelieved: Option<BadRow>,
    pub(crate) bad: Vec<BadRow>,
    pub(crate) bad_count: u64,
}

impl Outcome {
    /// The header itself is bad.
    pub(crate) fn bad_header(bad: Vec<BadRow>) -> Outcome {
        Outcome { bad_count: bad.len() as u64, bad, ..Outcome::default() }
    }

    /// Adds what another reader of the same file found, or what follows in it.
    pub(crate) fn add(&mut self, other: Outcome) {
        for (day, mut parts) in other.parts {
            self.parts.entry(day).or_default().append(&mut parts);
        }
        self.rows += other.rows;
        self.zone_assumed += other.zone_assumed;
        self.zone_unclear += other.zone_unclear;
        self.tallies.add(&other.tallies);
        self.disbelieved = self.disbelieved.take().into_iter().chain(other.disbelieved).min_by_key(|row| row.line);
        self.bad.extend(other.bad);
        self.bad.sort_by_key(|bad| bad.line);
        self.bad.truncate(MOST_LISTED);
        self.bad_count += other.bad_count;
    }
}

/// What tells files apart from others, and from themselves after a change: path, length and time of the last change.
///
/// # Errors
/// If one of them is not there.
pub fn identity_of(files: &[PathBuf]) -> Result<Vec<(PathBuf, u64, i128)>, HistoryError> {
    let identity = |path: &PathBuf| {
        let whole = fs::canonicalize(path).map_err(HistoryError::io("open", path))?;
        let file = fs::metadata(&whole).map_err(HistoryError::io("look at", path))?;
        let changed = file.modified().ok().and_then(|time| Timestamp::try_from(time).ok());
        Ok((whole, file.len(), changed.map_or(0, Timestamp::as_nanosecond)))
    };
    files.iter().map(identity).collect()
}

/// Reads and checks files, by extension `.parquet` or CSV, and stages their readings, from where the same import was
/// when it was killed. Blocking; CSV is read on all cores, in memory that does not grow with the file.
///
/// # Errors
/// If any row is bad (all are named or counted), or a file cannot be read.
pub fn import(
    files: &[PathBuf],
    settings: &ImportSettings,
    staging: &Staging,
    progress: &dyn Fn(Progress<'_>),
) -> Result<Staged, ImportError> {
    if let Some(staged) = staging.staged() {
        return Ok(staged);
    }
    let mut gathered = Gathered::default();
    for (number, path) in files.iter().enumerate() {
        let source = staging.source(number)?;
        let parquet = path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("parquet"));
        let read = if parquet { import_parquet::read } else { import_csv::read };
        let outcome = read(path, settings, &source, progress)?;
        gathered.add(path, &source.folder, outcome, settings.listed_bad_rows);
    }
    gathered.finish(staging)
}

/// What the sources of an import gave together.
#[derive(Debug, Default)]
pub(crate) struct Gathered {
    staged: Staged,
    bad: Vec<BadFile>,
}

impl Gathered {
    pub(crate) fn add(&mut self, path: &Path, folder: &Path, mut outcome: Outcome, listed: usize) {
        let staged = &mut self.staged;
        if outcome.bad_count > 0 {
            outcome.bad.truncate(listed);
            self.bad.push(BadFile { path: path.to_owned(), listed: outcome.bad, count: outcome.bad_count });
        }
        staged.rows += outcome.rows;
        staged.zone_assumed += outcome.zone_assumed;
        staged.zone_unclear += outcome.zone_unclear;
        staged.tallies.add(&outcome.tallies);
        if staged.disbelieved_sample.is_none() {
            staged.disbelieved_sample = outcome.disbelieved.map(|row| (path.to_owned(), row));
        }
        for (day, parts) in outcome.parts {
            let paths = parts.into_iter().map(|part| folder.join(part.name));
            staged.days.entry(day).or_default().extend(paths);
        }
    }

    /// What is told where some rows are bad.
    pub(crate) fn bad(self) -> ImportError {
        ImportError::Bad { files: self.bad, tallies: Box::new(self.staged.tallies) }
    }

    pub(crate) fn finish(self, staging: &Staging) -> Result<Staged, ImportError> {
        if !self.bad.is_empty() {
            return Err(self.bad());
        }
        staging.keep_staged(&self.staged)?;
        Ok(self.staged)
    }
}

#[cfg(test)]
#[path = "import_tests.rs"]
pub(crate) mod tests;
