//! Opening the database.

use std::path::Path;
use std::time::Duration;

use jiff::Timestamp;
use sqlx::migrate::Migrator;
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePool, SqlitePoolOptions, SqliteSynchronous};

use crate::error::LedgerError;

static MIGRATIONS: Migrator = sqlx::migrate!();

/// How long a writer waits for another process before it gives up.
const BUSY: Duration = Duration::from_secs(30);

/// The record of one plant.
#[derive(Debug, Clone)]
pub struct Ledger {
    pub(crate) writer: SqlitePool,
    pub(crate) readers: SqlitePool,
}

impl Ledger {
    /// Opens the database at `path`, makes it if it is not there, and brings its tables up to date.
    ///
    /// # Errors
    /// [`LedgerError::Open`] if the file or its folder cannot be written, or was made by a newer version.
    pub async fn open(path: &Path) -> Result<Self, LedgerError> {
        let open = |source| LedgerError::Open { path: path.to_owned(), source };
        let options = SqliteConnectOptions::new()
            .filename(path)
            .create_if_missing(true)
            .busy_timeout(BUSY)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .foreign_keys(true)
            .statement_cache_capacity(300);
        let writer = SqlitePoolOptions::new().max_connections(1).connect_with(options.clone()).await.map_err(open)?;
        MIGRATIONS.run(&writer).await.map_err(|error| open(error.into()))?;
        let readers =
            SqlitePoolOptions::new().max_connections(4).connect_with(options.read_only(true)).await.map_err(open)?;
        Ok(Self { writer, readers })
    }

    /// Closes all connections; what was committed is on disk.
    pub async fn close(&self) {
        self.readers.close().await;
        self.writer.close().await;
    }
}

/// An instant from stored microseconds.
pub(crate) fn instant(micros: i64) -> Result<Timestamp, LedgerError> {
    Timestamp::from_microsecond(micros).map_err(|error| LedgerError::Damaged { what: "time", why: error.to_string() })
}
