//! The audit trail: who wrote what, when.

use jiff::Timestamp;
use sqlx::Row;

use crate::error::{LedgerError, damaged, database};
use crate::open::{Ledger, instant};

/// One write.
#[derive(Debug, Clone, PartialEq)]
pub struct AuditRow {
    /// Counted from 1.
    pub id: i64,
    /// When.
    pub at: Timestamp,
    /// Who.
    pub who: String,
    /// What was done, such as `correct finding`.
    pub action: String,
    /// To what, such as `finding 17`.
    pub subject: String,
    /// What was written, and where something was replaced, what stood there. Passwords and secrets never.
    pub detail: serde_json::Value,
}

/// Which rows of the audit trail are wanted; nothing given is all.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct AuditFilter {
    /// Written by exactly this name.
    pub who: Option<String>,
    /// Exactly this action.
    pub action: Option<String>,
    /// Exactly this subject.
    pub subject: Option<String>,
    /// Older than the row with this number.
    pub before: Option<i64>,
}

impl Ledger {
    /// The newest `limit` rows of the audit trail that a filter lets through, newest first.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn audit(&self, filter: &AuditFilter, limit: u32) -> Result<Vec<AuditRow>, LedgerError> {
        let texts = [&filter.who, &filter.action, &filter.subject];
        // No stored text holds a zero character, and PostgreSQL takes none.
        if texts.iter().any(|text| text.as_ref().is_some_and(|text| text.contains('\0'))) {
            return Ok(Vec::new());
        }
        let rows = sqlx::query(
            "SELECT id, at_us, who, action, subject, detail FROM audit
             WHERE coalesce($1, who) = who AND coalesce($2, action) = action AND coalesce($3, subject) = subject
             AND coalesce($4, id + 1) > id ORDER BY id DESC LIMIT $5",
        )
        .bind(filter.who.clone())
        .bind(filter.action.clone())
        .bind(filter.subject.clone())
        .bind(filter.before)
        .bind(i64::from(limit))
        .fetch_all(&self.readers)
        .await
        .map_err(database("read the audit trail"))?;
        rows.iter().map(audit_row).collect()
    }
}

fn audit_row(row: &sqlx::any::AnyRow) -> Result<AuditRow, LedgerError> {
    Ok(AuditRow {
        id: row.get("id"),
        at: instant(row.get("at_us"))?,
        who: row.get("who"),
        action: row.get("action"),
        subject: row.get("subject"),
        detail: serde_json::from_str(row.get("detail")).map_err(|error| damaged("audit row")(&error))?,
    })
}
