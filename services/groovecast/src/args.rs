//! The command line.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use jiff::Timestamp;
use jiff::tz::TimeZone;

pub use fitting::{Fit, RidgeScale, Rows, Shape, StandardErrors, Validate};
pub use subcommands::{ExportScores, FileFormat, Looks, Map, Models, Notify, People, Scores, Support, Tokens};

mod fitting;
mod subcommands;

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
    /// Propose a whole configuration from a historian's export, from what arrives from the broker, or from both: units, columns,
    /// topics, signals, units of measure, each guess with its reason and how sure it is. It is printed, to be edited and checked.
    Map(Map),
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
