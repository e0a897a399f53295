//! Commands that have commands of their own, or many options.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};
use plant::Role;

use super::{WithConfig, span};

/// What is done with people. Passwords come from the terminal or from standard input, never as arguments.
#[derive(Debug, Subcommand)]
pub enum People {
    /// Add a person; the password is asked for.
    Add {
        /// Their name, under which everything that they write is kept.
        name: String,
        /// reader, inspector (writes findings), analyst or admin (also see the audit trail).
        #[arg(long, value_name = "ROLE", value_parser = str::parse::<Role>)]
        role: Role,
        #[command(flatten)]
        with: WithConfig,
    },
    /// Everybody.
    List {
        #[command(flatten)]
        with: WithConfig,
    },
    /// Give a person another role.
    Role {
        /// Their name.
        name: String,
        /// reader, inspector, operations, analyst or admin.
        #[arg(long, value_name = "ROLE", value_parser = str::parse::<Role>)]
        role: Role,
        #[command(flatten)]
        with: WithConfig,
    },
    /// Give a person a new password and end their sessions.
    Password {
        /// Their name.
        name: String,
        #[command(flatten)]
        with: WithConfig,
    },
    /// Keep a person from logging in; a new password lets them in again.
    Disable {
        /// Their name.
        name: String,
        #[command(flatten)]
        with: WithConfig,
    },
}

/// What is done with tokens.
#[derive(Debug, Subcommand)]
pub enum Tokens {
    /// Make a token and show it this once.
    Add {
        /// The machine's name, under which everything that it writes is kept.
        name: String,
        /// reader, inspector, operations, analyst or admin.
        #[arg(long, value_name = "ROLE", value_parser = str::parse::<Role>)]
        role: Role,
        #[command(flatten)]
        with: WithConfig,
    },
    /// All of them, without their secrets.
    List {
        #[command(flatten)]
        with: WithConfig,
    },
    /// Take a token no longer.
    Revoke {
        /// Its name.
        name: String,
        #[command(flatten)]
        with: WithConfig,
    },
}

/// What is done with those who are told of advice.
#[derive(Debug, Subcommand)]
pub enum Notify {
    /// Send each of them a message that is marked as a trial, and say whether it was taken.
    Try {
        /// Only these: names of [notify.NAME] in the config.
        #[arg(value_name = "NAME")]
        targets: Vec<String>,
        #[command(flatten)]
        with: WithConfig,
    },
}

/// What is done with looks that are doubted.
#[derive(Debug, Subcommand)]
pub enum Looks {
    /// Those that were ever set aside.
    List {
        #[command(flatten)]
        with: WithConfig,
    },
    /// Let a look count no more. It stays in the record, and no fit and no score goes by it.
    Aside {
        /// The tube.
        tube: String,
        /// The time of one of its findings.
        at: String,
        #[command(flatten)]
        with: WithConfig,
        /// Who sets it aside.
        #[arg(long, value_name = "NAME")]
        by: String,
        /// Why it is doubted.
        #[arg(long, value_name = "TEXT")]
        why: String,
    },
    /// Let a look count again.
    Return {
        /// Its number in the list.
        number: i64,
        #[command(flatten)]
        with: WithConfig,
        /// Who takes it back into use.
        #[arg(long, value_name = "NAME")]
        by: String,
        /// Why.
        #[arg(long, value_name = "TEXT")]
        why: String,
    },
}

/// What is done with published scores.
#[derive(Debug, Subcommand)]
pub enum Scores {
    /// Make a past score again from the stored exposures and model, and say what differs if it is not the same, bit for bit.
    Reproduce {
        /// The tube.
        tube: String,
        /// The last score that was kept by then.
        at: String,
        #[command(flatten)]
        with: WithConfig,
    },
    /// Write what was published as files by day, for data lakes and notebooks: a row for each score and horizon.
    Export(ExportScores),
}

/// What is told to whoever is asked for help.
#[derive(Debug, Args)]
pub struct Support {
    #[command(flatten)]
    pub with: WithConfig,
    /// The new folder.
    #[arg(long, value_name = "FOLDER")]
    pub out: PathBuf,
    /// Leave the names of people in.
    #[arg(long)]
    pub names: bool,
    /// The log, if systemd does not keep it.
    #[arg(long, value_name = "FILE")]
    pub log: Option<PathBuf>,
    /// A file with a reader's token, where the pages ask for a login.
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
}

/// Which scores are written, and where to.
#[derive(Debug, Args)]
pub struct ExportScores {
    #[command(flatten)]
    pub with: WithConfig,
    /// The folder; files of the same days are replaced.
    #[arg(long, value_name = "FOLDER")]
    pub out: PathBuf,
    /// From this time on (default: the first score that was kept).
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// Before this time (default: all).
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Parquet or CSV.
    #[arg(long, value_enum, default_value = "parquet")]
    pub format: FileFormat,
    /// Beside them, what the approved model says of days of which another one spoke. Such a score was made later, and its model
    /// knows what came after: it is no forecast, and is marked.
    #[arg(long)]
    pub back_dated: bool,
}

/// How files are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FileFormat {
    /// Parquet.
    Parquet,
    /// CSV.
    Csv,
}

/// What is done with models.
#[derive(Debug, Subcommand)]
pub enum Models {
    /// All of them, newest first.
    List {
        #[command(flatten)]
        with: WithConfig,
    },
    /// One, as JSON.
    Show {
        /// Its version.
        version: i64,
        #[command(flatten)]
        with: WithConfig,
    },
    /// Publish from this one on.
    Approve {
        /// Its version.
        version: i64,
        #[command(flatten)]
        with: WithConfig,
        /// Who approves it.
        #[arg(long, value_name = "NAME")]
        by: String,
        /// Why.
        #[arg(long, value_name = "TEXT")]
        why: String,
    },
    /// Take one out of the choice; from the approved one nothing is published any more.
    Retire {
        /// Its version.
        version: i64,
        #[command(flatten)]
        with: WithConfig,
        /// Who retires it.
        #[arg(long, value_name = "NAME")]
        by: String,
        /// Why.
        #[arg(long, value_name = "TEXT")]
        why: String,
    },
}

/// From what a whole configuration is proposed.
#[derive(Debug, Args)]
pub struct Map {
    /// CSV or Parquet files: a column per signal, one tag per row, or at, unit, signal, value.
    #[arg(required_unless_present = "live", value_name = "EXPORT")]
    pub files: Vec<PathBuf>,
    /// Also listen to the broker. Nothing is stored or acknowledged for the service.
    #[arg(long)]
    pub live: bool,
    /// Which broker, if nothing else has to be said of it (port 1883).
    #[arg(long, value_name = "HOST[:PORT]", requires = "live", conflicts_with = "config")]
    pub broker: Option<String>,
    /// A file that says how to connect (TLS, a password); its sections site and broker are taken over.
    #[arg(long, value_name = "FILE", requires = "live")]
    pub config: Option<PathBuf>,
    /// Listen to these topics, such as harrow/# (may be given several times); to all if none is given.
    #[arg(long = "topic", value_name = "FILTER", requires = "live")]
    pub topics: Vec<String>,
    /// For how many seconds (60s, 2m).
    #[arg(long = "for", value_name = "TIME", default_value = "60s", value_parser = span, requires = "live")]
    pub lasts: std::time::Duration,
    /// Write it here instead. What is there already stays, and is an error.
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
}
