//! What can go wrong with the record.

use std::path::PathBuf;

/// A failure of the database, or a row in it that cannot be read back.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// The database cannot be opened or migrated.
    #[error("cannot open the database {path}: {source}")]
    Open {
        /// Which file.
        path: PathBuf,
        /// Why.
        source: sqlx::Error,
    },
    /// A statement failed: disk full, locked for longer than the busy timeout, damaged file.
    #[error("the database refused to {what}: {source}")]
    Database {
        /// What was tried.
        what: &'static str,
        /// Why it failed.
        source: sqlx::Error,
    },
    /// A stored row does not read back; it was written by another version or by hand.
    #[error("a stored {what} does not read back: {why}")]
    Damaged {
        /// Which kind of row.
        what: &'static str,
        /// Why.
        why: String,
    },
    /// No model has this version.
    #[error("there is no model {0}; `groovecast models list` shows those there are")]
    NoModel(i64),
}

pub(crate) fn database(what: &'static str) -> impl FnOnce(sqlx::Error) -> LedgerError {
    move |source| LedgerError::Database { what, source }
}

pub(crate) fn damaged(what: &'static str) -> impl Fn(&dyn std::fmt::Display) -> LedgerError {
    move |why| LedgerError::Damaged { what, why: why.to_string() }
}
