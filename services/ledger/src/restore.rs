//! Restoring a backup into an empty database.

use std::fs::File;
use std::io::{self, BufRead, BufReader};
use std::path::{Path, PathBuf};

use serde_json::{Map, Value};
use sha2::{Digest, Sha256};
use sqlx::AnyConnection;
use tokio::sync::mpsc;

use crate::backup::{Backup, TableSum, away, file_of, sums};
use crate::error::{LedgerError, database};
use crate::open::{Ledger, Turn};
use crate::place::{Kind, Place};
use crate::secret::hex;
use crate::tables::{TABLES, Table};

/// Rows per statement.
const ROWS: usize = 200;

type Rows = Vec<Map<String, Value>>;

impl Ledger {
    /// Restores a backup into an empty database of either kind: all of it, or nothing.
    ///
    /// Files are held against their hashes as they are read; then the database is read back and held against them too,
    /// before anything is committed.
    ///
    /// # Errors
    /// [`LedgerError::NotEmpty`], [`LedgerError::Backup`] if a file is missing or damaged or the database does not read
    /// back the same, [`LedgerError::Open`], [`LedgerError::Database`].
    pub async fn restore(folder: &Path, place: &Place) -> Result<Backup, LedgerError> {
        let backup = Backup::read(folder).await?;
        let ledger = Ledger::open(place).await?;
        let restored = ledger.take_back(folder, place, &backup).await;
        ledger.close().await;
        restored.map(|()| backup)
    }

    async fn take_back(&self, folder: &Path, place: &Place, backup: &Backup) -> Result<(), LedgerError> {
        let failed = || database("restore a backup");
        let mut tx = self.write(Turn::Record).await.map_err(failed())?;
        for table in TABLES {
            if !table.is_empty(&mut tx).await? {
                return Err(LedgerError::NotEmpty { place: place.to_string(), table: table.name });
            }
        }
        for (table, sum) in TABLES.iter().zip(&backup.tables) {
            fill(&mut tx, self.kind, table, file_of(folder, table), sum).await?;
        }
        let here = sums(&mut tx, None).await?;
        if let Some(place) = here.iter().zip(&backup.tables).position(|(here, sum)| here != sum) {
            let table = &TABLES[place];
            let why = "the database does not read back what stands there; nothing was restored".to_owned();
            return Err(LedgerError::Backup { path: file_of(folder, table), why });
        }
        tx.commit().await.map_err(failed())
    }
}

/// Reads a table's file into the database and holds it against its count and hash.
async fn fill(
    tx: &mut AnyConnection,
    kind: Kind,
    table: &'static Table,
    path: PathBuf,
    sum: &TableSum,
) -> Result<(), LedgerError> {
    let (to, mut pieces) = mpsc::channel(4);
    let (file, expected) = (path.clone(), sum.clone());
    let reading = away(&path, move || read(&file, table, &expected, &to));
    let writing = async {
        while let Some(rows) = pieces.recv().await {
            let bind = |statement, row: &Map<String, Value>| table.bind(statement, row);
            table.insert().run(&mut *tx, kind, &rows, bind).await.map_err(database("restore rows"))?;
        }
        Ok(())
    };
    let (read, written) = tokio::join!(reading, writing);
    read.and(written)
}

fn read(path: &Path, table: &Table, expected: &TableSum, to: &mpsc::Sender<Rows>) -> io::Result<()> {
    let mut lines = BufReader::new(File::open(path)?);
    let (mut count, mut hash, mut rows, mut line) = (0, Sha256::new(), Rows::new(), String::new());
    while lines.read_line(&mut line)? > 0 {
        count += 1;
        hash.update(&line);
        rows.push(table.row(&line).map_err(|why| io::Error::other(format!("line {count}: {why}")))?);
        line.clear();
        // Who receives says itself why it stopped.
        if rows.len() == ROWS && to.blocking_send(std::mem::take(&mut rows)).is_err() {
            return Ok(());
        }
    }
    let _ = to.blocking_send(rows);
    let sha256 = hex(&hash.finalize());
    if (count, &sha256) != (expected.rows, &expected.sha256) {
        let why = format!(
            "it has {count} rows with SHA-256 {sha256}; right would be {} rows with {}: it was changed or is not whole",
            expected.rows, expected.sha256
        );
        return Err(io::Error::other(why));
    }
    Ok(())
}
