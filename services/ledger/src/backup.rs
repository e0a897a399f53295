//! Backups: every table as it stood at one moment, in files that either database takes back.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use sqlx::AnyConnection;
use tokio::sync::mpsc;

use crate::error::LedgerError;
use crate::open::{Ledger, schema};
use crate::secret::hex;
use crate::tables::{TABLES, Table};

/// The file that says what a backup holds. It is written last: without it there is no backup.
pub(crate) const LIST: &str = "ledger.json";
/// How the files are laid out.
pub(crate) const FORMAT: u32 = 1;

/// What a backup holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Backup {
    /// How the files are laid out; 1.
    pub format: u32,
    /// The newest migration of the database that it was made from.
    pub schema: i64,
    /// When it was made.
    pub made_at: Timestamp,
    /// Its tables, in the order in which they are restored.
    pub tables: Vec<TableSum>,
}

/// How much a table holds, and what its rows add up to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TableSum {
    /// The table.
    pub table: String,
    /// How many rows.
    pub rows: u64,
    /// SHA-256 of its rows as lines, hexadecimal.
    pub sha256: String,
}

impl Ledger {
    /// Writes every table as it stands at one moment into a new folder, while others go on reading and writing.
    ///
    /// One file a table, a JSON object a line, and `ledger.json` with counts and hashes. Password hashes and token hashes
    /// are in it: it is as secret as the database. Sessions are not: who restores it logs in again.
    ///
    /// # Errors
    /// [`LedgerError::Backup`] if the folder holds a backup already or cannot be written, [`LedgerError::Database`].
    pub async fn backup(&self, folder: &Path, made_at: Timestamp) -> Result<Backup, LedgerError> {
        let place = folder.to_owned();
        away(folder, move || new_folder(&place)).await?;
        let mut tx = self.snapshot("read the tables").await?;
        let tables = sums(&mut tx, Some(folder)).await?;
        let backup = Backup { format: FORMAT, schema: schema(), made_at, tables };
        let (path, list) = (folder.join(LIST), backup.clone());
        let file = path.clone();
        away(&path, move || {
            let mut text = serde_json::to_vec_pretty(&list).map_err(io::Error::other)?;
            text.push(b'\n');
            let mut out = new_file(&file)?;
            out.write_all(&text)?;
            out.sync_all()?;
            file.parent().map_or(Ok(()), |folder| File::open(folder)?.sync_all())
        })
        .await?;
        Ok(backup)
    }

    /// The tables in which the database differs from a backup, with what they hold there and here.
    ///
    /// # Errors
    /// [`LedgerError::Backup`] if the folder holds no backup, [`LedgerError::Database`].
    pub async fn compare(&self, folder: &Path) -> Result<Vec<(TableSum, TableSum)>, LedgerError> {
        let backup = Backup::read(folder).await?;
        let mut tx = self.snapshot("read the tables").await?;
        let here = sums(&mut tx, None).await?;
        Ok(backup.tables.into_iter().zip(here).filter(|(there, here)| there != here).collect())
    }
}

impl Backup {
    /// What the backup in a folder says that it holds.
    ///
    /// # Errors
    /// [`LedgerError::Backup`] if there is none, or one of another layout or schema.
    pub async fn read(folder: &Path) -> Result<Backup, LedgerError> {
        let path = folder.join(LIST);
        let file = path.clone();
        let text = away(&path, move || fs::read(file)).await?;
        let wrong = |why: String| LedgerError::Backup { path: path.clone(), why };
        let backup: Backup = serde_json::from_slice(&text).map_err(|error| wrong(error.to_string()))?;
        if (backup.format, backup.schema) != (FORMAT, schema()) {
            return Err(wrong(format!(
                "it has layout {} and schema {}; right would be layout {FORMAT} and schema {}: restore it with the \
                 version that made it",
                backup.format,
                backup.schema,
                schema()
            )));
        }
        if !backup.tables.iter().map(|sum| sum.table.as_str()).eq(TABLES.iter().map(|table| table.name)) {
            return Err(wrong("its list of tables is not that of this version".to_owned()));
        }
        Ok(backup)
    }
}

/// Where a table's rows lie.
pub(crate) fn file_of(folder: &Path, table: &Table) -> PathBuf {
    folder.join(format!("{}.jsonl", table.name))
}

/// Counts and hashes of all tables as a transaction sees them; with a folder, their rows are written there.
pub(crate) async fn sums(tx: &mut AnyConnection, folder: Option<&Path>) -> Result<Vec<TableSum>, LedgerError> {
    let mut sums = Vec::new();
    for table in TABLES {
        let path = folder.map(|folder| file_of(folder, table));
        let shown = path.clone().unwrap_or_else(|| table.name.into());
        let (to, pieces) = mpsc::channel(4);
        let (told, taken) = tokio::join!(table.tell(tx, to), away(&shown, move || take(pieces, path.as_deref())));
        told?;
        let (rows, sha256) = taken?;
        sums.push(TableSum { table: table.name.to_owned(), rows, sha256 });
    }
    Ok(sums)
}

/// Counts and hashes lines, and writes them where there is a path.
fn take(mut pieces: mpsc::Receiver<Vec<u8>>, path: Option<&Path>) -> io::Result<(u64, String)> {
    let mut out = path.map(new_file).transpose()?;
    let (mut rows, mut hash) = (0, Sha256::new());
    while let Some(piece) = pieces.blocking_recv() {
        rows += piece.iter().filter(|byte| **byte == b'\n').count() as u64;
        hash.update(&piece);
        if let Some(out) = &mut out {
            out.write_all(&piece)?;
        }
    }
    if let Some(out) = out {
        out.sync_all()?;
    }
    Ok((rows, hex(&hash.finalize())))
}

fn new_folder(folder: &Path) -> io::Result<()> {
    if folder.join(LIST).exists() {
        return Err(io::Error::other("there is a backup already; right would be a new folder"));
    }
    fs::create_dir_all(folder)
}

/// A new file that only its owner reads.
///
/// # Errors
/// If it is there already or cannot be made.
pub fn new_file(path: &Path) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path)
}

/// Work on files, off the runtime's workers.
pub(crate) async fn away<T: Send + 'static>(
    path: &Path,
    work: impl FnOnce() -> io::Result<T> + Send + 'static,
) -> Result<T, LedgerError> {
    let done = tokio::task::spawn_blocking(work).await.unwrap_or_else(|broken| Err(io::Error::other(broken)));
    done.map_err(|error| LedgerError::Backup { path: path.to_owned(), why: error.to_string() })
}
