//! How the program ends when it could not do what it was asked.

use std::path::PathBuf;
use std::process::ExitCode;

use ledger::{ImportError, LedgerError};
use plant::BadRow;

use crate::config::Problem;

/// How many bad rows are printed per file; the rest are counted.
const ROWS_SHOWN: usize = 100;

/// Why a command failed, and with which exit code.
#[derive(Debug)]
pub enum Failure {
    /// The configuration is wrong: exit 78.
    Config(Vec<Problem>),
    /// The input data are wrong: exit 65.
    Data(Vec<(PathBuf, Vec<BadRow>, u64)>),
    /// The input as a whole cannot carry what was asked of it, or a newer version has written the record: exit 65.
    Input(String),
    /// The command line asks for what cannot be: exit 2.
    Usage(String),
    /// Anything else: exit 1.
    Other(anyhow::Error),
}

impl Failure {
    /// Says on standard error what was wrong, and gives the exit code.
    pub fn report(self) -> ExitCode {
        match self {
            Failure::Config(problems) => {
                problems.iter().for_each(|problem| eprintln!("{problem}"));
                ExitCode::from(78)
            }
            Failure::Data(files) => {
                for (path, rows, more) in files {
                    rows.iter().take(ROWS_SHOWN).for_each(|row| eprintln!("{}: {row}", path.display()));
                    let more = more + rows.len().saturating_sub(ROWS_SHOWN) as u64;
                    if more > 0 {
                        eprintln!("{}: {more} more bad rows", path.display());
                    }
                }
                eprintln!("nothing was imported");
                ExitCode::from(65)
            }
            Failure::Input(problem) => {
                eprintln!("{problem}");
                ExitCode::from(65)
            }
            Failure::Usage(problem) => {
                eprintln!("{problem}");
                ExitCode::from(2)
            }
            Failure::Other(error) => {
                eprintln!("{error:#}");
                ExitCode::FAILURE
            }
        }
    }
}

impl From<Vec<Problem>> for Failure {
    fn from(problems: Vec<Problem>) -> Self {
        Failure::Config(problems)
    }
}

impl From<ImportError> for Failure {
    fn from(error: ImportError) -> Self {
        match error {
            ImportError::BadRows(files) => {
                Failure::Data(files.into_iter().map(|(path, rows)| (path, rows, 0)).collect())
            }
            ImportError::Ledger(error) => Failure::Other(error.into()),
        }
    }
}

impl From<LedgerError> for Failure {
    fn from(error: LedgerError) -> Self {
        match error {
            LedgerError::BadPassword(_)
            | LedgerError::BadText { .. }
            | LedgerError::NameTaken(_)
            | LedgerError::Newer { .. }
            | LedgerError::NoPerson(_)
            | LedgerError::NoToken(_) => Failure::Input(error.to_string()),
            error => Failure::Other(error.into()),
        }
    }
}

impl From<anyhow::Error> for Failure {
    fn from(error: anyhow::Error) -> Self {
        match error.downcast_ref() {
            Some(LedgerError::Newer { .. }) => Failure::Input(format!("{error:#}")),
            _ => Failure::Other(error),
        }
    }
}
