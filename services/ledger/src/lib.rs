//! The durable record: journal, manifest, register, findings, campaigns, baselines, models, scores, people.
//!
//! The only room that names sqlx. One database, of SQLite's or of PostgreSQL's, with the same SQL; on SQLite in WAL mode
//! with full sync one connection writes and a few read. What people write goes through a [`By`], and its audit row stands
//! in the same transaction.

mod advice;
mod asides;
mod audit;
mod backup;
mod cells;
mod change;
mod collectors;
mod entry;
mod error;
mod finding_rules;
mod findings;
mod historian;
mod hours_seen;
mod import;
mod journal;
mod look;
mod manifest;
mod models;
mod notices;
mod open;
mod password;
mod people;
mod photos;
mod place;
mod record;
mod register;
mod restore;
mod rows;
mod scores;
mod secret;
mod sessions;
mod tables;
#[cfg(test)]
mod tests;

pub use audit::{AuditFilter, AuditRow};
pub use backup::{Backup, TableSum, new_file};
pub use change::By;
pub use collectors::CollectorNote;
pub use error::LedgerError;
pub use finding_rules::{FindingRules, read_findings};
pub use findings::{Added, StoredFinding, Version};
pub use historian::{Historian, HistorianError};
pub use hours_seen::SeenDay;
pub use import::{FileImport, ImportError, Rules};
pub use journal::Appended;
pub use look::{Condition, JournalCount};
pub use manifest::DaysRight;
pub use models::{ModelRecord, Status};
pub use notices::{NewNotice, Notice, Telling};
pub use open::Ledger;
pub use people::Person;
pub use photos::{NewPhoto, Photo};
pub use place::Place;
pub use scores::{Evaluation, KeptScore};
pub use sessions::{Session, Token};
