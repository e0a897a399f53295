//! Baselines and models: kept for ever, published only when somebody approved them.

use jiff::Timestamp;
use serde_json::json;
use sqlx::Row;
use sqlx::any::AnyRow;

use crate::change::{By, said};
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
    pub async fn add_baseline(&self, body: &str, by: &By) -> Result<i64, LedgerError> {
        let mut change = self.change("keep a baseline", by).await?;
        let failed = change.failed();
        let version: i64 = sqlx::query_scalar(
            "INSERT INTO baselines (version, created_us, body)
             SELECT coalesce(max(version), 0) + 1, $1, $2 FROM baselines RETURNING version",
        )
        .bind(by.at.as_microsecond())
        .bind(body.to_owned())
        .fetch_one(&mut *change.tx)
        .await
        .map_err(failed)?;
        change.note("add baseline", format!("baseline {version}"), json!({}));
        change.commit().await?;
        Ok(version)
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
    pub async fn add_model(&self, body: &str, by: &By) -> Result<i64, LedgerError> {
        let mut change = self.change("keep a model", by).await?;
        let failed = change.failed();
        let version: i64 = sqlx::query_scalar(
            "INSERT INTO models (version, created_us, status, body)
             SELECT coalesce(max(version), 0) + 1, $1, 'proposed', $2 FROM models RETURNING version",
        )
        .bind(by.at.as_microsecond())
        .bind(body.to_owned())
        .fetch_one(&mut *change.tx)
        .await
        .map_err(failed)?;
        change.note("propose model", format!("model {version}"), json!({}));
        change.commit().await?;
        Ok(version)
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
    /// [`LedgerError::NoModel`] if there is none of this version, [`LedgerError::AlreadyApproved`] if it is the approved
    /// one, so that who approved it stays; [`LedgerError::BadText`] without a name or a reason.
    pub async fn approve(&self, version: i64, why: &str, by: &By) -> Result<(), LedgerError> {
        said("why", why)?;
        let mut change = self.change("approve a model", by).await?;
        let failed = change.failed();
        let rows = sqlx::query("SELECT * FROM models WHERE version = $1 OR status = 'approved'")
            .bind(version)
            .fetch_all(&mut *change.tx)
            .await
            .map_err(failed)?;
        let rows: Vec<ModelRecord> = rows.iter().map(model).collect::<Result<_, _>>()?;
        let asked = rows.iter().find(|row| row.version == version).ok_or(LedgerError::NoModel(version))?;
        if asked.status == Status::Approved {
            let by = asked.decided_by.clone().unwrap_or_default();
            return Err(LedgerError::AlreadyApproved { version, by, at: asked.decided_at.unwrap_or_default() });
        }
        for old in rows.iter().filter(|row| row.status == Status::Approved) {
            let failed = change.failed();
            sqlx::query("UPDATE models SET status = 'retired' WHERE version = $1")
                .bind(old.version)
                .execute(&mut *change.tx)
                .await
                .map_err(failed)?;
            change.note("retire model", format!("model {}", old.version), json!({ "for": version }));
        }
        let failed = change.failed();
        sqlx::query(
            "UPDATE models SET status = 'approved', decided_us = $2, decided_by = $3, why = $4 WHERE version = $1",
        )
        .bind(version)
        .bind(by.at.as_microsecond())
        .bind(by.who.clone())
        .bind(why.to_owned())
        .execute(&mut *change.tx)
        .await
        .map_err(failed)?;
        change.note("approve model", format!("model {version}"), json!({ "why": why }));
        change.commit().await
    }
}

impl Ledger {
    /// Takes a model out of the choice: one that was proposed is not approved by mistake, and the approved one stands
    /// behind scores no longer. Who approved it stays in the audit trail.
    ///
    /// # Errors
    /// [`LedgerError::NoModel`], [`LedgerError::AlreadyRetired`], [`LedgerError::BadText`] without a name or a reason.
    pub async fn retire(&self, version: i64, why: &str, by: &By) -> Result<(), LedgerError> {
        said("why", why)?;
        let mut change = self.change("retire a model", by).await?;
        let failed = change.failed();
        let row = sqlx::query("SELECT * FROM models WHERE version = $1")
            .bind(version)
            .fetch_optional(&mut *change.tx)
            .await
            .map_err(failed)?;
        let before = model(&row.ok_or(LedgerError::NoModel(version))?)?;
        if before.status == Status::Retired {
            return Err(LedgerError::AlreadyRetired(version));
        }
        let failed = change.failed();
        sqlx::query(
            "UPDATE models SET status = 'retired', decided_us = $2, decided_by = $3, why = $4 WHERE version = $1",
        )
        .bind(version)
        .bind(by.at.as_microsecond())
        .bind(by.who.clone())
        .bind(why.to_owned())
        .execute(&mut *change.tx)
        .await
        .map_err(failed)?;
        let was = json!({ "why": why, "was": before.status.as_str(), "approved_by": before.decided_by });
        change.note("retire model", format!("model {version}"), was);
        change.commit().await
    }
}

fn model(row: &AnyRow) -> Result<ModelRecord, LedgerError> {
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
