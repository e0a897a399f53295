//! The folder in which an import lays what it has checked, so that one that was killed goes on where it was.
//!
//! Each source (a file, a query) is read in stretches. When a stretch is read its readings lie there as parts of days, and
//! then its record is written: from where on to read, what was counted. Nothing is synced: a part that is not whole, or a record
//! that does not read back, as a power cut may leave them, makes the import read again from that stretch on.

use std::collections::BTreeMap;
use std::fs::{self, File, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use jiff::Timestamp;
use jiff::civil::Date;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::HistoryError;
use crate::cache::Fingerprint;
use crate::import::{Outcome, Staged};
use crate::tally::{Added, ByTrack};
use crate::whole_file::{Keep, write_whole};

/// Raised when what lies in a staging folder changes: what another version left is not gone on with.
const FORMAT: u32 = 1;
const FOLDER: &str = "staging";
const LOCK: &str = "lock";
const STAGED: &str = "staged.json";
const MERGED: &str = "merged.json";

/// One import's folder. Its lock ends with the value, or with the process.
#[derive(Debug)]
pub struct Staging {
    folder: PathBuf,
    _lock: File,
}

/// The days of an import that are merged and current.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Merged {
    /// Which days, in order.
    pub days: Vec<Date>,
    /// How many of them changed.
    pub changed: u64,
    /// What they added.
    pub added: ByTrack<Added>,
}

impl Merged {
    /// A day was looked at, and gains this.
    pub fn note(&mut self, day: Date, added: &ByTrack<Added>) {
        self.days.push(day);
        self.changed += u64::from(added.iter().any(|(_, _, added)| added.new > 0));
        self.added.add(added);
    }
}

/// A part of a day: its name in the source's folder and its size in bytes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Part {
    pub(crate) name: String,
    pub(crate) bytes: u64,
}

/// Parts of days.
pub(crate) type Parts = BTreeMap<Date, Vec<Part>>;

impl Staging {
    /// The folder below `data` for an import that is told from others by `identity` (what is read, and how): a new one, or
    /// what was left when the same import was killed. `None` while another process works at it.
    ///
    /// # Errors
    /// If the folder cannot be made or locked.
    pub fn open(data: &Path, identity: &impl Serialize) -> Result<Option<Self>, HistoryError> {
        let name = format!("{:016x}", Fingerprint::of_json(&(FORMAT, env!("CARGO_PKG_VERSION"), identity)).0);
        let folder = data.join(FOLDER).join(name);
        fs::create_dir_all(&folder).map_err(HistoryError::io("create the folder", &folder))?;
        Ok(lock(&folder)?.map(|lock| Self { folder, _lock: lock }))
    }

    /// Whether something was staged already when it was opened.
    pub fn is_begun(&self) -> bool {
        self.folder.join("0").join("0.json").exists() || self.folder.join(STAGED).exists()
    }

    /// Removes what other imports left that nobody works at and nobody has touched since `before`; returns how many there were.
    ///
    /// # Errors
    /// If a folder cannot be listed or removed.
    pub fn sweep(data: &Path, keep: Option<&Staging>, before: Timestamp) -> Result<usize, HistoryError> {
        let root = data.join(FOLDER);
        let mut removed = 0;
        for folder in folders(&root)? {
            if keep.is_some_and(|keep| keep.folder == folder) || !is_older(&folder, before) {
                continue;
            }
            // Held while it is removed: nobody begins to work at it meanwhile.
            if let Some(_held) = lock(&folder)? {
                remove_all(&folder)?;
                removed += 1;
            }
        }
        // Those of earlier versions lay in the data folder itself, and are of no use to anybody.
        for folder in folders(data)? {
            let named =
                folder.file_name().and_then(|name| name.to_str()).is_some_and(|name| name.starts_with("staging-"));
            if named && is_older(&folder, before) {
                remove_all(&folder)?;
                removed += 1;
            }
        }
        let _ = fs::remove_dir(root);
        Ok(removed)
    }

    /// One of the sources of the import.
    pub(crate) fn source(&self, number: usize) -> Result<Source, HistoryError> {
        let folder = self.folder.join(number.to_string());
        fs::create_dir_all(&folder).map_err(HistoryError::io("create the folder", &folder))?;
        Ok(Source { folder })
    }

    /// What was staged, if all of it was.
    pub fn staged(&self) -> Option<Staged> {
        read_json(&self.folder.join(STAGED))
    }

    /// All is staged: reading is not begun again.
    pub(crate) fn keep_staged(&self, staged: &Staged) -> Result<(), HistoryError> {
        write_json(&self.folder.join(STAGED), staged)
    }

    /// What was staged could not be taken: whether it is whole is looked at again.
    pub fn doubt(&self) {
        // If it cannot be removed, the next try fails as this one did.
        let _ = fs::remove_file(self.folder.join(STAGED));
    }

    /// The days that are merged and current.
    pub fn merged(&self) -> Merged {
        read_json(&self.folder.join(MERGED)).unwrap_or_default()
    }

    /// Some days are merged and current: their parts are removed.
    ///
    /// # Errors
    /// If the folder cannot be written.
    pub fn keep_merged<'p>(
        &self,
        merged: &Merged,
        parts: impl IntoIterator<Item = &'p PathBuf>,
    ) -> Result<(), HistoryError> {
        write_json(&self.folder.join(MERGED), merged)?;
        parts.into_iter().try_for_each(|part| crate::whole_file::remove(part))
    }

    /// Removes it: the import is over.
    ///
    /// # Errors
    /// If it cannot be removed.
    pub fn remove(self) -> Result<(), HistoryError> {
        remove_all(&self.folder)?;
        // Only if no other import lies there.
        let _ = fs::remove_dir(self.folder.parent().unwrap_or(Path::new(".")));
        Ok(())
    }
}

/// The folder of one file or query.
#[derive(Debug)]
pub(crate) struct Source {
    pub(crate) folder: PathBuf,
}

/// A stretch that was read to its end.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Stretch {
    /// From where on to read: a byte, a row, or µs since 1970-01-01T00:00Z.
    pub(crate) next: i64,
    /// The line, counted from 1, that stands there.
    pub(crate) line: u64,
    /// What was found in it.
    pub(crate) outcome: Outcome,
}

/// Where a source is to be read on.
#[derive(Debug)]
pub(crate) struct Resumed {
    pub(crate) number: usize,
    pub(crate) next: i64,
    pub(crate) line: u64,
    pub(crate) outcome: Outcome,
}

impl Source {
    /// Adds up the stretches that were read, and says where to go on; from `next` and `line` if there are none.
    pub(crate) fn resume(&self, next: i64, line: u64) -> Resumed {
        let mut resumed = Resumed { number: 0, next, line, outcome: Outcome::default() };
        while let Some(stretch) = read_json::<Stretch>(&self.record(resumed.number)).filter(|read| self.is_whole(read))
        {
            resumed.number += 1;
            resumed.next = stretch.next;
            resumed.line = stretch.line;
            resumed.outcome.add(stretch.outcome);
        }
        resumed
    }

    fn is_whole(&self, stretch: &Stretch) -> bool {
        let there = |part: &Part| is_parquet(&self.folder.join(&part.name), part.bytes).unwrap_or(false);
        stretch.outcome.parts.values().flatten().all(there)
    }

    fn record(&self, number: usize) -> PathBuf {
        self.folder.join(format!("{number}.json"))
    }

    /// A stretch was read to its end.
    pub(crate) fn keep(&self, number: usize, stretch: &Stretch) -> Result<(), HistoryError> {
        write_json(&self.record(number), stretch)
    }
}

fn lock(folder: &Path) -> Result<Option<File>, HistoryError> {
    let path = folder.join(LOCK);
    let file = File::create(&path).map_err(HistoryError::io("create", &path))?;
    match file.try_lock() {
        Ok(()) => Ok(Some(file)),
        Err(TryLockError::WouldBlock) => Ok(None),
        Err(TryLockError::Error(error)) => Err(HistoryError::io("lock", &path)(error)),
    }
}

fn folders(parent: &Path) -> Result<Vec<PathBuf>, HistoryError> {
    let mut entries = crate::store::entries(parent)?;
    entries.retain(|path| path.is_dir());
    Ok(entries)
}

/// By when something in it was written last; a folder that cannot be looked at is as old as can be.
fn is_older(folder: &Path, before: Timestamp) -> bool {
    let written = |path: &Path| fs::metadata(path).and_then(|file| file.modified()).unwrap_or(SystemTime::UNIX_EPOCH);
    Timestamp::try_from(written(folder).max(written(&folder.join(LOCK)))).is_ok_and(|last| last < before)
}

fn remove_all(folder: &Path) -> Result<(), HistoryError> {
    fs::remove_dir_all(folder).map_err(HistoryError::io("remove", folder))
}

/// Whether a file has its size, and ends as such a file does.
fn is_parquet(path: &Path, bytes: u64) -> std::io::Result<bool> {
    let mut file = File::open(path)?;
    let mut end = [0; 4];
    file.seek(SeekFrom::End(-4))?;
    file.read_exact(&mut end)?;
    Ok(file.metadata()?.len() == bytes && end == *b"PAR1")
}

fn read_json<T: DeserializeOwned>(path: &Path) -> Option<T> {
    serde_json::from_slice(&fs::read(path).ok()?).ok()
}

fn write_json<T: Serialize>(path: &Path, value: &T) -> Result<(), HistoryError> {
    let text = serde_json::to_vec(value).expect("maps have text keys and numbers are finite");
    write_whole(path, Keep::Remakeable, |path, mut file| {
        file.write_all(&text).map_err(HistoryError::io("write", path))
    })?;
    Ok(())
}
