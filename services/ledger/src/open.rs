//! Opening the database.

use std::time::Duration;

use jiff::Timestamp;
use sqlx::any::{AnyConnectOptions, AnyPoolOptions, install_default_drivers};
use sqlx::migrate::{MigrateError, Migrator};
use sqlx::{Any, AnyConnection, AnyPool, ConnectOptions, Connection, Transaction};

use crate::error::{LedgerError, database};
use crate::place::{Kind, Place, prepare};

static SQLITE: Migrator = sqlx::migrate!("migrations/sqlite");
static POSTGRES: Migrator = sqlx::migrate!("migrations/postgres");

/// Connections to PostgreSQL that write; SQLite has one writer at a time by its nature.
const POSTGRES_WRITERS: u32 = 4;
/// Connections that read.
const READERS: u32 = 4;
/// How long a request waits for a connection: as long as a writer waits for another process.
const WAIT: Duration = Duration::from_secs(30);

/// How a transaction that writes begins on PostgreSQL.
const WRITE: &str = "BEGIN ISOLATION LEVEL READ COMMITTED";

/// The record of one plant.
#[derive(Debug, Clone)]
pub struct Ledger {
    pub(crate) kind: Kind,
    pub(crate) writer: AnyPool,
    pub(crate) readers: AnyPool,
}

/// What must not overlap with its like. The numbers are PostgreSQL's advisory locks; SQLite has one writer anyway.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Turn {
    /// Record, models, people, tokens: whoever checks something before writing sees what the writer before wrote.
    Record = 0x6772_6f6f,
    /// Readings: two collectors that bring the same ones would otherwise wait for each other in a circle.
    Readings = 0x6772_6f70,
    /// Scores: what is kept of an evaluation is kept once.
    Scores = 0x6772_6f72,
}

impl Ledger {
    /// Opens the database at a place (a file of SQLite's is made if it is not there) and brings its tables up to date.
    ///
    /// # Errors
    /// [`LedgerError::Open`] if it cannot be reached or written, [`LedgerError::Newer`] if a newer version has written it.
    pub async fn open(place: &Place) -> Result<Self, LedgerError> {
        install_default_drivers();
        let open = |source| LedgerError::Open { place: place.to_string(), source };
        let kind = place.kind();
        let options = place.options(false).map_err(open)?;
        migrate(&options, kind).await.map_err(|source| match unknown_schema(&source) {
            Some(found) => LedgerError::Newer { place: place.to_string(), found, known: schema() },
            None => open(source),
        })?;
        // A full or failing disk makes SQLite end a transaction by itself, and the driver then believes for ever that the
        // connection is still in it. Such a one is closed, and another takes its place.
        let pool = |connections: u32, read_only: bool| {
            AnyPoolOptions::new()
                .max_connections(connections)
                .acquire_timeout(WAIT)
                .before_acquire(|connection, _| {
                    let free = !connection.is_in_transaction();
                    Box::pin(async move { Ok(free) })
                })
                .after_connect(move |connection, _| Box::pin(async move { prepare(connection, kind, read_only).await }))
        };
        let writers = match kind {
            Kind::Sqlite => 1,
            Kind::Postgres => POSTGRES_WRITERS,
        };
        let writer = pool(writers, false).connect_with(options).await.map_err(open)?;
        let readers = pool(READERS, true).connect_with(place.options(true).map_err(open)?).await.map_err(open)?;
        Ok(Self { kind, writer, readers })
    }

    /// Closes all connections; what was committed is on disk.
    pub async fn close(&self) {
        self.readers.close().await;
        self.writer.close().await;
    }

    /// A transaction that writes, and that no other of the same kind overlaps, in this process or another.
    pub(crate) async fn write(&self, turn: Turn) -> Result<Transaction<'static, Any>, sqlx::Error> {
        match self.kind {
            Kind::Sqlite => self.writer.begin_with("BEGIN IMMEDIATE").await,
            Kind::Postgres => {
                let tx = self.writer.begin_with(WRITE).await?;
                in_turn(tx, turn).await
            }
        }
    }

    /// A transaction that reads: all that it sees stood there at one moment.
    pub(crate) async fn snapshot(&self, what: &'static str) -> Result<Transaction<'static, Any>, LedgerError> {
        let begin = match self.kind {
            Kind::Sqlite => "BEGIN",
            Kind::Postgres => "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY",
        };
        self.readers.begin_with(begin).await.map_err(database(what))
    }
}

/// The same on a connection of its own to PostgreSQL.
pub(crate) async fn write_on(connection: &mut AnyConnection, turn: Turn) -> Result<Transaction<'_, Any>, sqlx::Error> {
    let tx = connection.begin_with(WRITE).await?;
    in_turn(tx, turn).await
}

async fn in_turn(mut tx: Transaction<'_, Any>, turn: Turn) -> Result<Transaction<'_, Any>, sqlx::Error> {
    sqlx::query("SELECT pg_advisory_xact_lock($1)").bind(turn as i64).execute(&mut *tx).await?;
    Ok(tx)
}

/// Brings the tables up to date, over a connection of its own: a pool would go on trying for a database that is not there.
async fn migrate(options: &AnyConnectOptions, kind: Kind) -> Result<(), sqlx::Error> {
    let mut connection = options.connect().await?;
    prepare(&mut connection, kind, false).await?;
    match kind {
        // The migrator takes a lock on PostgreSQL only. Here the transaction keeps a second process out.
        Kind::Sqlite => {
            let mut tx = connection.begin_with("BEGIN IMMEDIATE").await?;
            SQLITE.run_direct(None, &mut *tx, false).await?;
            tx.commit().await?;
        }
        Kind::Postgres => POSTGRES.run_direct(None, &mut connection, false).await?,
    }
    connection.close().await
}

/// A schema that was applied and is not known here, if that is why the tables cannot be brought up to date.
fn unknown_schema(error: &sqlx::Error) -> Option<i64> {
    match error {
        sqlx::Error::Migrate(why) => match **why {
            MigrateError::VersionMissing(found) if found > schema() => Some(found),
            _ => None,
        },
        _ => None,
    }
}

/// The number of the newest migration.
pub(crate) fn schema() -> i64 {
    SQLITE.iter().map(|migration| migration.version).max().unwrap_or_default()
}

/// An instant from stored microseconds.
pub(crate) fn instant(micros: i64) -> Result<Timestamp, LedgerError> {
    Timestamp::from_microsecond(micros).map_err(|error| LedgerError::Damaged { what: "time", why: error.to_string() })
}
