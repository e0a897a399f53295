//! One change of the record: a transaction with its audit rows, all or nothing.

use jiff::Timestamp;
use serde_json::Value;
use sqlx::{Any, AnyConnection, Transaction};

use crate::error::{LedgerError, database};
use crate::open::{Ledger, Turn};
use crate::place::Kind;
use crate::rows::{Insert, Statement};

/// Rows of the audit trail per statement.
const ROWS_PER_STATEMENT: usize = 200;
const AUDIT: Insert =
    Insert { head: "INSERT INTO audit (id, at_us, who, action, subject, detail)", columns: 6, tail: "" };
/// Longest name of a writer and longest reason, in characters.
const LONGEST: usize = 2000;

/// Who writes, and when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct By {
    /// The name of a person or token, or which part of the service it was.
    pub who: String,
    /// When, by the caller's clock.
    pub at: Timestamp,
}

struct Note {
    action: &'static str,
    subject: String,
    detail: Value,
}

/// A transaction that writes and that no other change overlaps. Dropped without [`Change::commit`], it leaves nothing.
pub(crate) struct Change<'a> {
    pub(crate) tx: Transaction<'static, Any>,
    pub(crate) by: &'a By,
    kind: Kind,
    what: &'static str,
    notes: Vec<Note>,
    revises: bool,
}

impl Ledger {
    /// Begins a change.
    pub(crate) async fn change<'a>(&self, what: &'static str, by: &'a By) -> Result<Change<'a>, LedgerError> {
        said("who", &by.who)?;
        let tx = self.write(Turn::Record).await.map_err(database(what))?;
        Ok(Change { tx, by, kind: self.kind, what, notes: Vec::new(), revises: false })
    }

    /// How often the record of the fleet was written to. It grows with every change of it.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn revision(&self) -> Result<i64, LedgerError> {
        let value = sqlx::query_scalar("SELECT value FROM marks WHERE name = 'revision'")
            .fetch_optional(&self.readers)
            .await
            .map_err(database("read a mark"))?;
        Ok(value.unwrap_or(0))
    }
}

impl Change<'_> {
    /// Notes what was done, for the audit trail.
    pub(crate) fn note(&mut self, action: &'static str, subject: String, detail: Value) {
        self.notes.push(Note { action, subject, detail });
    }

    /// Notes what was done to the record of the fleet.
    pub(crate) fn revise(&mut self, action: &'static str, subject: String, detail: Value) {
        self.revises = true;
        self.note(action, subject, detail);
    }

    /// The failure of a statement.
    pub(crate) fn failed(&self) -> impl FnOnce(sqlx::Error) -> LedgerError + use<> {
        database(self.what)
    }

    /// Writes the audit rows and makes everything durable.
    pub(crate) async fn commit(mut self) -> Result<(), LedgerError> {
        let what = self.what;
        let by = self.by;
        write_notes(&mut self.tx, self.kind, by, &self.notes).await.map_err(database(what))?;
        if self.revises {
            sqlx::query(
                "INSERT INTO marks (name, value) VALUES ('revision', 1)
                 ON CONFLICT (name) DO UPDATE SET value = marks.value + 1",
            )
            .execute(&mut *self.tx)
            .await
            .map_err(database(what))?;
        }
        self.tx.commit().await.map_err(database(what))
    }
}

async fn write_notes(tx: &mut AnyConnection, kind: Kind, by: &By, notes: &[Note]) -> Result<(), sqlx::Error> {
    if notes.is_empty() {
        return Ok(());
    }
    let last: i64 = sqlx::query_scalar("SELECT coalesce(max(id), 0) FROM audit").fetch_one(&mut *tx).await?;
    let numbered: Vec<(i64, &Note)> = (last + 1..).zip(notes).collect();
    for chunk in numbered.chunks(ROWS_PER_STATEMENT) {
        let write = |statement: Statement, (id, note): &(i64, &Note)| {
            statement
                .bind(*id)
                .bind(by.at.as_microsecond())
                .bind(by.who.clone())
                .bind(note.action)
                .bind(note.subject.clone())
                .bind(note.detail.to_string())
        };
        AUDIT.run(&mut *tx, kind, chunk, write).await?;
    }
    Ok(())
}

/// A text that says something and can be kept by either database.
pub(crate) fn said(what: &'static str, text: &str) -> Result<(), LedgerError> {
    let why = if text.trim().is_empty() {
        "it is blank"
    } else if text.chars().count() > LONGEST {
        "it is longer than 2000 characters"
    } else if text.contains('\0') {
        "it holds a zero character"
    } else {
        return Ok(());
    };
    Err(LedgerError::BadText { what, text: text.chars().take(40).collect(), why })
}
