//! The command line.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use plant::Role;

/// Which scraped-surface heat exchangers to open at this changeover.
///
/// Results go to standard output, everything else to standard error.
/// Exit codes: 0 done, 1 failed, 2 usage, 65 bad input data, 78 bad configuration.
#[derive(Debug, Parser)]
#[command(name = "groovecast", version, arg_required_else_help = true)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The config file that most commands need.
#[derive(Debug, Args)]
pub struct WithConfig {
    /// The configuration file.
    #[arg(long, value_name = "FILE")]
    pub config: PathBuf,
}

/// What groovecast can do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Show an invented plant on an embedded broker, on a clock that runs many times real speed.
    #[cfg(feature = "demo")]
    Demo {
        /// Where the pages are served.
        #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:8080")]
        listen: SocketAddr,
        /// Which plant is invented.
        #[arg(long, value_name = "N", default_value_t = 7)]
        seed: u64,
        /// How many times as fast as ours its clock runs.
        #[arg(long, value_name = "TIMES", default_value_t = 600.0)]
        speed: f64,
    },
    /// Run the service: collect, score, publish.
    Run {
        #[command(flatten)]
        with: WithConfig,
        /// Serve pages here instead of where the config says.
        #[arg(long, value_name = "ADDRESS:PORT")]
        listen: Option<SocketAddr>,
    },
    /// Collect only, beside `run` and others: takes its share of what arrives (`share` in the config) into the same record on
    /// PostgreSQL, and closes hours when it is its turn.
    Collect {
        #[command(flatten)]
        with: WithConfig,
        /// Its own name, the same at every start and nobody else's: the broker keeps its session under it.
        #[arg(long, value_name = "NAME")]
        name: String,
    },
    /// Say what is wrong with a configuration, with file, line and key.
    Check {
        #[command(flatten)]
        with: WithConfig,
        /// Also listen until every mapped signal of every unit has come, and say which ones do not come or cannot be right.
        #[arg(long)]
        live: bool,
        /// For how long at most (60s, 20m): a signal that comes every 15 min needs more than that.
        #[arg(long = "for", value_name = "TIME", default_value = "60s", value_parser = span, requires = "live")]
        lasts: std::time::Duration,
    },
    /// Show what arrives from the broker: signal, rate, age, last value, faults; and for topics that no mapping takes, a
    /// mapping to begin with.
    Listen {
        #[command(flatten)]
        with: WithConfig,
        /// Listen to these topics too, such as harrow/# (may be given several times): what no mapping asks for is not seen otherwise.
        #[arg(long = "topic", value_name = "FILTER")]
        topics: Vec<String>,
        /// For how many seconds (60s, 2m).
        #[arg(long = "for", value_name = "TIME", default_value = "60s", value_parser = span)]
        lasts: std::time::Duration,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Bring the plant's files in: all or nothing, every bad row named, twice the same as once.
    Import {
        /// What the files hold.
        #[arg(value_enum)]
        what: What,
        /// CSV, .xlsx or Parquet files (history: CSV or Parquet). Of a workbook the sheets called like what is asked for, or
        /// the first one.
        #[arg(required_unless_present = "sql", value_name = "FILE")]
        files: Vec<PathBuf>,
        #[command(flatten)]
        with: WithConfig,
        /// Only say what would be taken, for each unit's signal (history).
        #[arg(long)]
        dry_run: bool,
        /// The zone of times without an offset, such as UTC or Europe/Amsterdam, where it is not the plant's (history).
        #[arg(long, value_name = "ZONE", value_parser = zone)]
        zone: Option<TimeZone>,
        #[command(flatten)]
        query: Query,
    },
    /// Write the intervals table that the model is fitted on.
    Intervals {
        #[command(flatten)]
        with: WithConfig,
        /// Where to (.csv or .parquet).
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
        /// Rows of the tube's worst place, or of every station.
        #[arg(long, value_enum, default_value = "worst")]
        rows: Rows,
    },
    /// Fit a wear model to the plant's record, or to anybody's table.
    Fit(Fit),
    /// Hold the model against the baselines by tube: JSON, a report with pictures, and what it would have said at each
    /// past inspection of a tube that it has not seen.
    Validate(Validate),
    /// What would have been published at each past inspection, fitted only on what was known before that day.
    Backtest {
        #[command(flatten)]
        with: WithConfig,
        /// Further run hours of which the risk speaks.
        #[arg(long, value_name = "H")]
        horizon: f64,
        /// Where to (CSV).
        #[arg(long, value_name = "FILE.csv")]
        out: PathBuf,
    },
    /// Score every tube now, or as known at a time.
    Score {
        #[command(flatten)]
        with: WithConfig,
        /// As known then, with a model fitted on what was known then.
        #[arg(long, value_name = "TIME")]
        at: Option<String>,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Write the work sheet of a unit to open, for print. PDF needs Chromium on this machine; HTML needs nothing.
    Worksheet {
        /// The unit.
        unit: String,
        #[command(flatten)]
        with: WithConfig,
        /// Where to (.pdf or .html).
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
        /// The browser that prints, if not `chromium`.
        #[arg(long, value_name = "FILE")]
        browser: Option<PathBuf>,
    },
    /// What was published.
    Scores {
        /// What to do with it.
        #[command(subcommand)]
        what: Scores,
    },
    /// Try out who is told when advice is raised.
    Notify {
        /// What to do with them.
        #[command(subcommand)]
        what: Notify,
    },
    /// Set looks aside that are doubted, or take them back into use.
    Looks {
        /// What to do with them.
        #[command(subcommand)]
        what: Looks,
    },
    /// Add, list or change people who may log in. Nobody can before somebody was added here.
    People {
        /// What to do with them.
        #[command(subcommand)]
        what: People,
    },
    /// Add, list or revoke tokens by which machines read and write.
    Tokens {
        /// What to do with them.
        #[command(subcommand)]
        what: Tokens,
    },
    /// Write what somebody who is asked for help would ask for into a new folder, beside the service and also where something is
    /// broken: versions, machine, configuration without secrets, health, counts, faults, disk, database, models, log. No readings.
    Support(Support),
    /// Copy record, readings and photos into a new folder, while the service may run. It is as secret as the database.
    Backup {
        #[command(flatten)]
        with: WithConfig,
        /// The new folder.
        #[arg(long, value_name = "FOLDER")]
        out: PathBuf,
    },
    /// Bring a backup into the empty place that the configuration names, verified and compared.
    Restore {
        #[command(flatten)]
        with: WithConfig,
        /// The folder that backup made.
        #[arg(long, value_name = "FOLDER")]
        from: PathBuf,
    },
    /// List, show or approve models. Nothing is published from a model that nobody approved.
    Models {
        /// What to do with them.
        #[command(subcommand)]
        what: Models,
    },
}

/// A query to the historian's database, instead of files (history).
#[derive(Debug, Args)]
pub struct Query {
    /// A file with a query to the database that `[historian]` of the config names. It gives at, unit, signal, value and perhaps
    /// quality; `:from` and `:to` stand for the bounds of a slice, where they must stand inside.
    #[arg(long, value_name = "FILE.sql", requires = "from", requires = "to", conflicts_with = "files")]
    pub sql: Option<PathBuf>,
    /// From when on (a time, or a day).
    #[arg(long, value_name = "TIME", requires = "sql")]
    pub from: Option<String>,
    /// Up to when, without it.
    #[arg(long, value_name = "TIME", requires = "sql")]
    pub to: Option<String>,
    /// How much time a slice holds (60m, 3600s); halved while slices take longer than --timeout.
    #[arg(long, value_name = "TIME", default_value = "1440m", value_parser = span, requires = "sql")]
    pub slice: std::time::Duration,
    /// How long a slice may take.
    #[arg(long, value_name = "TIME", default_value = "60s", value_parser = span, requires = "sql")]
    pub timeout: std::time::Duration,
    /// Most rows a second, on average over a slice and the pause after it.
    #[arg(long, value_name = "ROWS", default_value_t = 100_000, value_parser = clap::value_parser!(u64).range(1..), requires = "sql")]
    pub rate: u64,
}

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

/// What files hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum What {
    /// Tubes, fittings and work, told apart by their columns.
    Register,
    /// What inspectors found.
    Findings,
    /// Production runs, past and planned.
    Campaigns,
    /// Readings of the past.
    History,
}

/// Which rows an intervals table has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Rows {
    /// The tube's worst place.
    Worst,
    /// Every station.
    Station,
}

/// Which standard errors.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum StandardErrors {
    /// From the observed information.
    Observed,
    /// From the expected information.
    Expected,
}

/// On which scale the ridge is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum RidgeScale {
    /// In each column's own unit.
    Raw,
    /// Per standard deviation.
    Sd,
}

/// Fit a wear model.
#[derive(Debug, Args)]
pub struct Fit {
    /// The plant's own record.
    #[arg(long, value_name = "FILE", required_unless_present = "table", conflicts_with = "table")]
    pub config: Option<PathBuf>,
    /// A table (CSV or Parquet) instead; given several times, each is a site of its own, called by the name of its file.
    #[arg(long, value_name = "FILE")]
    pub table: Vec<PathBuf>,
    /// The table's column of the site: each further site gets an offset of its own against the first, without a penalty.
    #[arg(long, value_name = "COL", requires = "table")]
    pub site: Option<String>,
    /// The grade whose onset is modelled.
    #[arg(long, value_name = "G", value_parser = clap::value_parser!(u8).range(1..=4))]
    pub limit: Option<u8>,
    /// Columns that enter.
    #[arg(long, value_name = "A,B,C", value_delimiter = ',')]
    pub terms: Option<Vec<String>>,
    /// Columns that enter without a penalty.
    #[arg(long, value_name = "D,E", value_delimiter = ',')]
    pub unpenalised: Vec<String>,
    /// Ridge penalty.
    #[arg(long, value_name = "L", allow_negative_numbers = true)]
    pub ridge: Option<f64>,
    /// On which scale the penalty is (default: sd with --table, raw with --config).
    #[arg(long, value_enum)]
    pub ridge_scale: Option<RidgeScale>,
    /// Shape of the hazard over run hours: a number, or `fit`.
    #[arg(long, value_name = "K|fit", value_parser = shape)]
    pub shape: Option<Shape>,
    /// Which standard errors.
    #[arg(long, value_enum, default_value = "observed")]
    pub se: StandardErrors,
    /// Rows of the tube's worst place, or of every station; with --config.
    #[arg(long, value_enum, default_value = "worst", conflicts_with = "table")]
    pub rows: Rows,
    /// Write the fitted model here as JSON (otherwise it is printed).
    #[arg(long, value_name = "MODEL.json")]
    pub out: Option<PathBuf>,
    /// The table's column of the group (default: tube).
    #[arg(long, value_name = "COL", default_value = "tube")]
    pub group: String,
    /// The table's column of the earlier age (default: start_h).
    #[arg(long, value_name = "COL", default_value = "start_h")]
    pub start: String,
    /// The table's column of the later age (default: end_h).
    #[arg(long, value_name = "COL", default_value = "end_h")]
    pub end: String,
    /// A 0/1 column of events, for tables without grades.
    #[arg(long, value_name = "COL")]
    pub event: Option<String>,
}

/// Hold a model against the baselines.
#[derive(Debug, Args)]
pub struct Validate {
    /// What is fitted in each fold.
    #[command(flatten)]
    pub fit: Fit,
    /// Folds, with --table (with --config they stand there).
    #[arg(long, value_name = "N", default_value_t = 5)]
    pub folds: usize,
    /// Further run hours of which the predictions speak.
    #[arg(long, value_name = "H", requires = "predictions")]
    pub horizon: Option<f64>,
    /// Write the prediction at each past inspection here.
    #[arg(long, value_name = "FILE.csv", requires = "horizon", conflicts_with = "table")]
    pub predictions: Option<PathBuf>,
    /// Write the report here, to be read: one HTML file with pictures, which ends in publish or do not, and why.
    #[arg(long, value_name = "FILE.html")]
    pub html: Option<PathBuf>,
}

/// Shape of the hazard over run hours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// This one.
    Fixed(f64),
    /// Estimated.
    Fitted,
}

fn shape(text: &str) -> Result<Shape, String> {
    if text == "fit" {
        return Ok(Shape::Fitted);
    }
    match text.parse::<f64>() {
        Ok(k) if k.is_finite() && k > 0.0 => Ok(Shape::Fixed(k)),
        _ => Err(format!("{text:?} is no shape; right would be a number above 0, or fit")),
    }
}

fn zone(text: &str) -> Result<TimeZone, String> {
    TimeZone::get(text)
        .map_err(|error| format!("{error}; right would be UTC, or an IANA name such as Europe/Amsterdam"))
}

fn span(text: &str) -> Result<std::time::Duration, String> {
    let right = || format!("{text:?} is no length of time; right would be 60s or 2m");
    let (number, factor) = match text.strip_suffix('m') {
        Some(minutes) => (minutes, 60.0),
        None => (text.strip_suffix('s').unwrap_or(text), 1.0),
    };
    let seconds = number.parse::<f64>().map_err(|_| right())? * factor;
    if seconds.is_finite() && seconds > 0.0 && seconds < 1e7 {
        Ok(std::time::Duration::from_secs_f64(seconds))
    } else {
        Err(right())
    }
}

/// Reads the time given to `--at`.
pub fn time(text: &str, zone: &jiff::tz::TimeZone) -> Result<Timestamp, plant::BadTime> {
    plant::read_time(text, zone).map(|read| read.at)
}
