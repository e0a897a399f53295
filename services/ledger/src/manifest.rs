//! The manifest of day files, and the marks that belong to the whole store.

use jiff::Timestamp;
use plant::DayFile;

use crate::error::{LedgerError, damaged, database};
use crate::open::{Ledger, instant};

impl Ledger {
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
    /// [`LedgerError::Database`]; then the old files stay current.
    pub async fn commit_days(&self, files: &[DayFile], closed_until: Option<Timestamp>) -> Result<(), LedgerError> {
        let failed = || database("commit the manifest");
        let mut tx = self.writer.begin_with("BEGIN IMMEDIATE").await.map_err(failed())?;
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
                 ON CONFLICT (name) DO UPDATE SET value = max(value, excluded.value)",
            )
            .bind(until.as_microsecond())
            .execute(&mut *tx)
            .await
            .map_err(failed())?;
        }
        tx.commit().await.map_err(failed())
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
             ON CONFLICT (name) DO UPDATE SET value = value + 1 RETURNING value",
        )
        .fetch_one(&self.writer)
        .await
        .map_err(database("count a generation"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(second).unwrap()
    }

    #[tokio::test]
    async fn the_manifest_changes_as_a_whole_and_the_mark_never_goes_back() {
        let folder = tempfile::tempdir().unwrap();
        let ledger = Ledger::open(&folder.path().join("l.db")).await.unwrap();
        let generation = ledger.next_generation().await.unwrap();
        assert!(ledger.next_generation().await.unwrap() > generation);
        let file = DayFile {
            day: jiff::civil::date(2026, 3, 1),
            generation,
            path: "readings/2026-03-01/1.parquet".into(),
            rows: 10,
            conflicts: 0,
            first_at: at(0),
            last_at: at(9),
            bytes: 100,
        };
        ledger.commit_days(std::slice::from_ref(&file), Some(at(100))).await.unwrap();
        let newer = DayFile { generation: 2, rows: 12, ..file };
        ledger.commit_days(std::slice::from_ref(&newer), Some(at(50))).await.unwrap();
        assert_eq!(ledger.day_files().await.unwrap(), [newer]);
        assert_eq!(ledger.closed_until().await.unwrap(), Some(at(100)));
    }
}
