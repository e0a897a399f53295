//! What collectors that share one plant tell each other of themselves. It is of the moment, and in no backup.

use jiff::{SignedDuration, Timestamp};
use sqlx::Row;

use crate::error::{LedgerError, database};
use crate::open::{Ledger, instant};

/// A collector that has not been heard of for so long is forgotten.
const FORGOTTEN_AFTER: SignedDuration = SignedDuration::from_hours(7 * 24);

/// What a collector said last.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CollectorNote {
    /// Its name.
    pub name: String,
    /// When it said so, by its own clock.
    pub at: Timestamp,
    /// What it said, as JSON.
    pub body: String,
}

impl Ledger {
    /// Keeps what a collector says of itself, in place of what it said before.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn note_collector(&self, note: &CollectorNote) -> Result<(), LedgerError> {
        let failed = || database("keep what a collector says");
        sqlx::query(
            "INSERT INTO collectors (name, at_us, body) VALUES ($1, $2, $3)
             ON CONFLICT (name) DO UPDATE SET at_us = excluded.at_us, body = excluded.body",
        )
        .bind(note.name.as_str())
        .bind(note.at.as_microsecond())
        .bind(note.body.as_str())
        .execute(&self.writer)
        .await
        .map_err(failed())?;
        let forgotten = note.at.saturating_sub(FORGOTTEN_AFTER).unwrap_or(Timestamp::MIN);
        sqlx::query("DELETE FROM collectors WHERE at_us < $1")
            .bind(forgotten.as_microsecond())
            .execute(&self.writer)
            .await
            .map_err(failed())?;
        Ok(())
    }

    /// What every collector said last, by name.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn collectors(&self) -> Result<Vec<CollectorNote>, LedgerError> {
        let rows = sqlx::query("SELECT name, at_us, body FROM collectors ORDER BY name")
            .fetch_all(&self.readers)
            .await
            .map_err(database("read what collectors say"))?;
        rows.iter()
            .map(|row| {
                Ok(CollectorNote { name: row.get("name"), at: instant(row.get("at_us"))?, body: row.get("body") })
            })
            .collect()
    }
}
