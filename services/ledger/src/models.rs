//! Baselines and models: kept for ever, published only when somebody approved them.

use jiff::Timestamp;
use sqlx::Row;

use crate::error::{LedgerError, database};
use crate::open::{Ledger, instant};

/// Where a model stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// Fitted, not published.
    Proposed,
    /// The one that is published.
    Approved,
    /// Was published once.
    Retired,
}

impl Status {
    /// The word in files and JSON.
    pub const fn as_str(self) -> &'static str {
        match self {
            Status::Proposed => "proposed",
            Status::Approved => "approved",
            Status::Retired => "retired",
        }
    }

    fn read(word: &str) -> Self {
        match word {
            "approved" => Status::Approved,
            "retired" => Status::Retired,
            _ => Status::Proposed,
        }
    }
}

/// A stored model.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelRecord {
    /// Counted from 1.
    pub version: i64,
    /// When it was fitted.
    pub created_at: Timestamp,
    /// Where it stands.
    pub status: Status,
    /// When that was decided.
    pub decided_at: Option<Timestamp>,
    /// By whom.
    pub decided_by: Option<String>,
    /// Why.
    pub why: Option<String>,
    /// The model itself, JSON.
    pub body: String,
}

impl Ledger {
    /// Keeps a torque baseline and gives it the next version.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn add_baseline(&self, body: &str, now: Timestamp) -> Result<i64, LedgerError> {
        sqlx::query_scalar("INSERT INTO baselines (created_us, body) VALUES ($1, $2) RETURNING version")
            .bind(now.as_microsecond())
            .bind(body.to_owned())
            .fetch_one(&self.writer)
            .await
            .map_err(database("keep a baseline"))
    }

    /// A baseline by its version, or the newest.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn baseline(&self, version: Option<i64>) -> Result<Option<(i64, String)>, LedgerError> {
        let row = sqlx::query(
            "SELECT version, body FROM baselines WHERE version = coalesce($1, version) ORDER BY version DESC LIMIT 1",
        )
        .bind(version)
        .fetch_optional(&self.readers)
        .await
        .map_err(database("read a baseline"))?;
        Ok(row.map(|row| (row.get("version"), row.get("body"))))
    }

    /// Keeps a proposed model and gives it the next version.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn add_model(&self, body: &str, now: Timestamp) -> Result<i64, LedgerError> {
        sqlx::query_scalar(
            "INSERT INTO models (created_us, status, body) VALUES ($1, 'proposed', $2) RETURNING version",
        )
        .bind(now.as_microsecond())
        .bind(body.to_owned())
        .fetch_one(&self.writer)
        .await
        .map_err(database("keep a model"))
    }

    /// All models, newest first.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn models(&self) -> Result<Vec<ModelRecord>, LedgerError> {
        let rows = sqlx::query("SELECT * FROM models ORDER BY version DESC")
            .fetch_all(&self.readers)
            .await
            .map_err(database("read the models"))?;
        rows.iter().map(model).collect()
    }

    /// The approved model.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn approved_model(&self) -> Result<Option<ModelRecord>, LedgerError> {
        let row = sqlx::query("SELECT * FROM models WHERE status = 'approved' ORDER BY version DESC LIMIT 1")
            .fetch_optional(&self.readers)
            .await
            .map_err(database("read the approved model"))?;
        row.as_ref().map(model).transpose()
    }

    /// Approves a model and retires the one before it.
    ///
    /// # Errors
    /// [`LedgerError::NoModel`] if there is none of this version.
    pub async fn approve(&self, version: i64, by: &str, why: &str, now: Timestamp) -> Result<(), LedgerError> {
        let failed = || database("approve a model");
        let mut tx = self.writer.begin_with("BEGIN IMMEDIATE").await.map_err(failed())?;
        sqlx::query("UPDATE models SET status = 'retired' WHERE status = 'approved' AND version <> $1")
            .bind(version)
            .execute(&mut *tx)
            .await
            .map_err(failed())?;
        let done = sqlx::query(
            "UPDATE models SET status = 'approved', decided_us = $2, decided_by = $3, why = $4 WHERE version = $1",
        )
        .bind(version)
        .bind(now.as_microsecond())
        .bind(by.to_owned())
        .bind(why.to_owned())
        .execute(&mut *tx)
        .await
        .map_err(failed())?;
        if done.rows_affected() == 0 {
            return Err(LedgerError::NoModel(version));
        }
        tx.commit().await.map_err(failed())
    }
}

fn model(row: &sqlx::sqlite::SqliteRow) -> Result<ModelRecord, LedgerError> {
    Ok(ModelRecord {
        version: row.get("version"),
        created_at: instant(row.get("created_us"))?,
        status: Status::read(row.get("status")),
        decided_at: row.get::<Option<i64>, _>("decided_us").map(instant).transpose()?,
        decided_by: row.get("decided_by"),
        why: row.get("why"),
        body: row.get("body"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn approving_a_model_retires_the_one_before_it() {
        let folder = tempfile::tempdir().unwrap();
        let ledger = Ledger::open(&folder.path().join("l.db")).await.unwrap();
        let now = Timestamp::from_second(1000).unwrap();
        let first = ledger.add_model("{}", now).await.unwrap();
        let second = ledger.add_model("{}", now).await.unwrap();
        assert_eq!(ledger.approved_model().await.unwrap(), None);
        ledger.approve(first, "analyst", "first", now).await.unwrap();
        ledger.approve(second, "analyst", "better", now).await.unwrap();
        assert_eq!(ledger.approved_model().await.unwrap().unwrap().version, second);
        let statuses: Vec<_> = ledger.models().await.unwrap().iter().map(|m| m.status).collect();
        assert_eq!(statuses, [Status::Approved, Status::Retired]);
        assert!(matches!(ledger.approve(9, "analyst", "", now).await, Err(LedgerError::NoModel(9))));
        assert_eq!(
            ledger.approved_model().await.unwrap().unwrap().version,
            second,
            "a failed approval changes nothing"
        );
    }
}
