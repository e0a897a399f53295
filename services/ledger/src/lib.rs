//! The durable record: journal, manifest, register, findings, campaigns, baselines, models, scores.
//!
//! The only room that names sqlx. One SQLite database in WAL mode with full sync; one connection writes, a few read.

mod cells;
mod error;
mod finding_rules;
mod import;
#[cfg(test)]
mod import_tests;
mod journal;
mod manifest;
mod models;
mod open;
mod record;
mod scores;

pub use error::LedgerError;
pub use finding_rules::{FindingRules, read_findings};
pub use import::{FileImport, ImportError, Rules};
pub use journal::Appended;
pub use models::{ModelRecord, Status};
pub use open::Ledger;
