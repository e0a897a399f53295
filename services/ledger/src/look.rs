//! A look at a database as it is: nothing is made, brought up to date or written.

use std::collections::BTreeMap;
use std::time::Duration;

use jiff::Timestamp;
use plant::{Signal, UnitId};
use sqlx::any::{AnyPoolOptions, install_default_drivers};
use sqlx::{AssertSqlSafe, Executor, Row};

use crate::error::{LedgerError, damaged, database};
use crate::open::{Ledger, instant, schema};
use crate::place::{Kind, Place};
use crate::tables::TABLES;

/// How long a look waits for who holds the database.
const WAIT: Duration = Duration::from_secs(3);

/// How a database is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Condition {
    /// What keeps it, with its version.
    pub kept_by: String,
    /// The newest migration that was applied to it.
    pub schema: i64,
    /// The newest migration that this program knows.
    pub known_schema: i64,
    /// Rows of each table; `None` for one that is not there.
    pub rows: BTreeMap<&'static str, Option<i64>>,
}

/// Readings of a signal that are in the journal still.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JournalCount {
    /// Which unit.
    pub unit: UnitId,
    /// Which signal.
    pub signal: Signal,
    /// How many.
    pub readings: i64,
    /// The newest one's time.
    pub newest_at: Timestamp,
}

impl Ledger {
    /// Opens a database that is there, to be read only. It may be of another version, which [`Ledger::condition`] tells, and
    /// in use. Whoever holds it is waited for some seconds.
    ///
    /// # Errors
    /// [`LedgerError::Open`] if it is not there or cannot be read.
    pub async fn look(place: &Place) -> Result<Self, LedgerError> {
        install_default_drivers();
        let open = |source| LedgerError::Open { place: place.to_string(), source };
        let kind = place.kind();
        let readers = AnyPoolOptions::new()
            .max_connections(1)
            .acquire_timeout(WAIT)
            .after_connect(move |connection, _| {
                Box::pin(async move {
                    let careful = match kind {
                        Kind::Sqlite => ["PRAGMA busy_timeout = 3000", "PRAGMA query_only = ON"],
                        Kind::Postgres => ["SET lock_timeout = '3s'", "SET default_transaction_read_only = on"],
                    };
                    for setting in careful {
                        connection.execute(setting).await?;
                    }
                    Ok(())
                })
            })
            .connect_with(place.options(true).map_err(open)?)
            .await
            .map_err(open)?;
        Ok(Self { kind, writer: readers.clone(), readers })
    }

    /// How the database is.
    ///
    /// # Errors
    /// [`LedgerError::Database`], also if it is none of ours.
    pub async fn condition(&self) -> Result<Condition, LedgerError> {
        let failed = || database("be looked at");
        let version = match self.kind {
            Kind::Sqlite => "SELECT 'SQLite ' || sqlite_version()",
            Kind::Postgres => "SELECT 'PostgreSQL ' || current_setting('server_version')",
        };
        let kept_by: String = sqlx::query_scalar(version).fetch_one(&self.readers).await.map_err(failed())?;
        let schema_there: i64 =
            sqlx::query_scalar("SELECT CAST(COALESCE(MAX(version), 0) AS BIGINT) FROM _sqlx_migrations")
                .fetch_one(&self.readers)
                .await
                .map_err(failed())?;
        let mut rows = BTreeMap::new();
        for name in
            ["journal", "day_files", "marks", "sessions"].into_iter().chain(TABLES.iter().map(|table| table.name))
        {
            // Names of our own, from the lines above. A table of a later migration is not there yet.
            let count = sqlx::query_scalar(AssertSqlSafe(format!("SELECT COUNT(*) FROM {name}")));
            rows.insert(name, count.fetch_one(&self.readers).await.ok());
        }
        Ok(Condition { kept_by, schema: schema_there, known_schema: schema(), rows })
    }

    /// What is in the journal still, by unit and signal.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn journal_by_signal(&self) -> Result<Vec<JournalCount>, LedgerError> {
        let rows = sqlx::query(
            "SELECT unit, signal, COUNT(*) AS readings, MAX(at_us) AS newest FROM journal GROUP BY unit, signal \
             ORDER BY unit, signal",
        )
        .fetch_all(&self.readers)
        .await
        .map_err(database("count the journal"))?;
        rows.iter()
            .map(|row| {
                Ok(JournalCount {
                    unit: UnitId::new(row.get::<&str, _>("unit")).map_err(|error| damaged("unit")(&error))?,
                    signal: row.get::<&str, _>("signal").parse().map_err(|error| damaged("signal")(&error))?,
                    readings: row.get("readings"),
                    newest_at: instant(row.get("newest"))?,
                })
            })
            .collect()
    }

    /// Everybody whose name is in the record: who may log in, machines with tokens, and who is named in an audit row.
    /// Inspectors stand in the findings.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn names(&self) -> Result<Vec<String>, LedgerError> {
        sqlx::query_scalar(
            "SELECT name FROM people UNION SELECT name FROM tokens UNION SELECT who FROM audit ORDER BY 1",
        )
        .fetch_all(&self.readers)
        .await
        .map_err(database("read names"))
    }
}
