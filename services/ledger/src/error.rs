//! What can go wrong with the record.

use std::path::PathBuf;

use jiff::Timestamp;

/// A failure of the database, a row in it that cannot be read back, or a write that is refused.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// The database cannot be opened or migrated.
    #[error("cannot open the database {place}: {source}")]
    Open {
        /// Which: a path, or an address without its password.
        place: String,
        /// Why.
        source: sqlx::Error,
    },
    /// A newer version has brought the database up to date; it is left as it is.
    #[error(
        "{place} is of schema {found} and this version knows schemas up to {known}: a newer groovecast has brought it up to date. \
         Nothing in it was changed. Right would be that newer version; the way back to this one is the backup that was made \
         before the upgrade, restored by this version into an empty place"
    )]
    Newer {
        /// Which: a path, or an address without its password.
        place: String,
        /// The schema that it has, or one of several that are not known.
        found: i64,
        /// The newest schema that is known.
        known: i64,
    },
    /// A statement failed: disk full, locked for longer than the busy timeout, damaged file, connection lost.
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
    /// The model is the approved one already.
    #[error("model {version} was approved by {by} at {at:.0} already; that stays as it is")]
    AlreadyApproved {
        /// Which model.
        version: i64,
        /// Who approved it.
        by: String,
        /// When.
        at: Timestamp,
    },
    /// The model is retired already.
    #[error("model {0} is retired already")]
    AlreadyRetired(i64),
    /// No finding of the tube was made at this instant.
    #[error(
        "tube {tube} has no finding at {at}; right would be the time of one of its findings, to the second as it was entered"
    )]
    NoLook {
        /// Which tube.
        tube: String,
        /// When it should have been looked at.
        at: Timestamp,
    },
    /// The look is set aside already.
    #[error("this look is set aside already, as number {0}")]
    AlreadyAside(i64),
    /// No look is set aside under this number.
    #[error("no look is set aside as number {0}")]
    NoAside(i64),
    /// No finding has this number.
    #[error("there is no finding {0}")]
    NoFinding(i64),
    /// No tube of the register has this serial.
    #[error("tube {0} is not in the register; import the register first")]
    NoTube(String),
    /// Somebody else changed the finding first.
    #[error(
        "finding {id} is at version {found}, not {expected}: it was changed meanwhile; look at it again, then decide"
    )]
    Changed {
        /// Which finding.
        id: i64,
        /// The version that the writer had seen.
        expected: i64,
        /// The version that it has.
        found: i64,
    },
    /// The finding was withdrawn already.
    #[error("finding {0} is withdrawn already; a correction would bring it back")]
    AlreadyWithdrawn(i64),
    /// The record says this already, or said it before it was corrected or withdrawn.
    #[error("finding {id} says this already or said it before; right would be to correct or withdraw finding {id}")]
    SaidBefore {
        /// Which finding.
        id: i64,
    },
    /// No advice with this number is raised and open.
    #[error("no advice {0} is raised; it was cleared, or there never was one")]
    NoAdvice(i64),
    /// A hold is not put off.
    #[error("advice {0} asks to hold and assess; it cannot be put off")]
    MustHold(i64),
    /// The same request key came before with another request.
    #[error("the request key {0:?} was used for another request; right would be a new key for a new request")]
    KeyReused(String),
    /// A text that must say something, and does not, or holds what cannot be kept.
    #[error("{what} {text:?} cannot be taken: {why}")]
    BadText {
        /// Which text.
        what: &'static str,
        /// Its beginning.
        text: String,
        /// What would be right.
        why: &'static str,
    },
    /// A password that is too short or too long. It is not shown.
    #[error("this password has {0} characters; right would be 12 to 1024")]
    BadPassword(usize),
    /// Another person or token has this name, in upper or lower case.
    #[error("the name {0:?} is taken (upper and lower case are the same)")]
    NameTaken(String),
    /// Nobody has this name.
    #[error("there is nobody with the name {0:?}; `groovecast people list` shows those there are")]
    NoPerson(String),
    /// No token has this name.
    #[error("there is no token with the name {0:?}; `groovecast tokens list` shows those there are")]
    NoToken(String),
    /// The operating system gave no random bytes, or a password could not be hashed.
    #[error("no secret can be made: {0}")]
    NoSecret(String),
    /// A backup cannot be written or read.
    #[error("the backup's {path}: {why}")]
    Backup {
        /// Which file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// A backup is restored into an empty database only.
    #[error("{place} has rows in {table}; a backup is restored into an empty database only")]
    NotEmpty {
        /// Which database.
        place: String,
        /// A table with rows.
        table: &'static str,
    },
}

pub(crate) fn database(what: &'static str) -> impl FnOnce(sqlx::Error) -> LedgerError {
    move |source| LedgerError::Database { what, source }
}

pub(crate) fn damaged(what: &'static str) -> impl Fn(&dyn std::fmt::Display) -> LedgerError {
    move |why| LedgerError::Damaged { what, why: why.to_string() }
}
