//! The manifest of day files, and the marks that belong to the whole store.

use jiff::Timestamp;
use jiff::civil::Date;
use plant::DayFile;
use sqlx::{Any, AnyConnection, Executor, Transaction};

use crate::error::{LedgerError, damaged, database};
use crate::open::{Ledger, Turn, instant, write_on};
use crate::place::Kind;

/// The lock on PostgreSQL that the holder of the right has.
const DAYS: i64 = 0x6772_6f71;

/// The right to change day files. On PostgreSQL it is a lock of the connection that it holds, so that processes on several
/// machines have it one at a time, and the server takes it back from one that dies or is cut off; what is written through that
/// connection is written by the holder or not at all. On SQLite whoever has the file beside the database has the right.
#[derive(Debug)]
pub struct DaysRight {
    connection: Option<AnyConnection>,
}

impl Ledger {
    /// The right to change day files; `None` while somebody else has it, elsewhere or in this process.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn days_right(&self) -> Result<Option<DaysRight>, LedgerError> {
        if self.kind == Kind::Sqlite {
            return Ok(Some(DaysRight { connection: None }));
        }
        let failed = || database("ask for the right to change day files");
        // Taken out of the pool: dropping it ends the connection, and with it the lock.
        let mut connection = self.writer.acquire().await.map_err(failed())?.detach();
        // A holder whose machine is gone keeps others waiting half a minute, not the two hours of most systems.
        for setting in
            ["SET tcp_keepalives_idle = 10", "SET tcp_keepalives_interval = 5", "SET tcp_keepalives_count = 4"]
        {
            connection.execute(setting).await.map_err(failed())?;
        }
        let held: bool = sqlx::query_scalar("SELECT pg_try_advisory_lock($1)")
            .bind(DAYS)
            .fetch_one(&mut connection)
            .await
            .map_err(failed())?;
        Ok(held.then_some(DaysRight { connection: Some(connection) }))
    }

    /// The current file of every day, in order of day.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn day_files(&self) -> Result<Vec<DayFile>, LedgerError> {
        let bodies: Vec<String> = sqlx::query_scalar("SELECT body FROM day_files ORDER BY day")
            .fetch_all(&self.readers)
            .await
            .map_err(database("read the manifest"))?;
        bodies.iter().map(|body| serde_json::from_str(body).map_err(|e| damaged("manifest row")(&e))).collect()
    }

    /// Makes new day files the current ones, all at once, and moves the mark up to which hours are closed.
    ///
    /// # Errors
    /// [`LedgerError::Database`], also if the right was lost meanwhile; then the old files stay current.
    pub async fn commit_days(
        &self,
        right: &mut DaysRight,
        files: &[DayFile],
        closed_until: Option<Timestamp>,
    ) -> Result<(), LedgerError> {
        let failed = || database("commit the manifest");
        let mut tx = self.write_by(right).await.map_err(failed())?;
        for file in files {
            let body = serde_json::to_string(file).map_err(|error| damaged("manifest row")(&error))?;
            sqlx::query(
                "INSERT INTO day_files (day, generation, body) VALUES ($1, $2, $3)
                 ON CONFLICT (day) DO UPDATE SET generation = excluded.generation, body = excluded.body",
            )
            .bind(file.day.to_string())
            .bind(file.generation)
            .bind(body)
            .execute(&mut *tx)
            .await
            .map_err(failed())?;
        }
        if let Some(until) = closed_until {
            sqlx::query(
                "INSERT INTO marks (name, value) VALUES ('closed_until_us', $1)
                 ON CONFLICT (name) DO UPDATE SET value = excluded.value
                 WHERE marks.value < excluded.value",
            )
            .bind(until.as_microsecond())
            .execute(&mut *tx)
            .await
            .map_err(failed())?;
        }
        tx.commit().await.map_err(failed())
    }

    /// Takes days from the list: nothing of them is kept any more.
    ///
    /// # Errors
    /// [`LedgerError::Database`], also if the right was lost meanwhile; then they stay.
    pub async fn forget_days(&self, right: &mut DaysRight, days: &[Date]) -> Result<(), LedgerError> {
        let failed = || database("forget days");
        let mut tx = self.write_by(right).await.map_err(failed())?;
        for day in days {
            sqlx::query("DELETE FROM day_files WHERE day = $1")
                .bind(day.to_string())
                .execute(&mut *tx)
                .await
                .map_err(failed())?;
        }
        tx.commit().await.map_err(failed())
    }

    async fn write_by<'a>(&self, right: &'a mut DaysRight) -> Result<Transaction<'a, Any>, sqlx::Error> {
        match &mut right.connection {
            None => self.write(Turn::Readings).await,
            Some(connection) => write_on(connection, Turn::Readings).await,
        }
    }

    /// The instant up to which hours have left the journal (late readings apart); `None` before the first time.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn closed_until(&self) -> Result<Option<Timestamp>, LedgerError> {
        let value: Option<i64> = sqlx::query_scalar("SELECT value FROM marks WHERE name = 'closed_until_us'")
            .fetch_optional(&self.readers)
            .await
            .map_err(database("read a mark"))?;
        value.map(instant).transpose()
    }

    /// A new generation: larger than any before it.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn next_generation(&self) -> Result<i64, LedgerError> {
        sqlx::query_scalar(
            "INSERT INTO marks (name, value) VALUES ('generation', 1)
             ON CONFLICT (name) DO UPDATE SET value = marks.value + 1 RETURNING value",
        )
        .fetch_one(&self.writer)
        .await
        .map_err(database("count a generation"))
    }
}
