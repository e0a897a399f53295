//! Which scraped-surface heat exchangers to open at this changeover: the service.
//!
//! The binary: arguments, configuration and wiring, and the fleet in which record and exposures meet.

mod advising;
mod args;
mod backup;
mod beside;
mod by_station;
mod collect;
mod config;
#[cfg(feature = "demo")]
mod demo;
mod disk;
mod dose;
mod doubts;
mod evaluate;
mod exit;
mod fit_table;
mod fleet;
mod foretell;
mod grounds;
mod guess;
mod history_in;
mod history_sql;
mod imports;
mod intervals;
mod known;
mod latest;
mod listen;
mod live;
mod looks;
mod map;
mod model;
mod notifying;
mod pages;
mod people;
mod plant_store;
mod product_pace;
mod progress;
mod propose;
mod quoted;
mod readers;
mod reload;
mod reproduce;
mod retention;
mod rolling;
mod run;
mod scores_export;
mod scoring;
mod session;
mod show;
mod snapshot;
mod supervised;
mod support;
mod suspicion;
mod track;
mod validation_report;
mod wear_map;
mod wording;
mod worksheet;

use std::io::IsTerminal;
use std::process::ExitCode;
use std::sync::Arc;

use clap::Parser;
use plant::{Clock, SystemClock};
use tracing_subscriber::EnvFilter;

use crate::args::{Arguments, Command};
use crate::config::Config;
use crate::exit::Failure;
use crate::history_in::How;

/// A service runs for years. With the C library's own allocator its memory grew with all that ever went through it: pieces of
/// every size by many threads leave holes.
#[global_allocator]
static ALLOCATOR: tikv_jemallocator::Jemalloc = tikv_jemallocator::Jemalloc;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let filter =
        EnvFilter::try_from_env("GROOVECAST_LOG").unwrap_or_else(|_| EnvFilter::new("info,sqlx=warn,rumqttd=off"));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal())
        .with_target(false)
        .init();
    let runtime = match tokio::runtime::Builder::new_multi_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => return Failure::from(anyhow::Error::from(error)).report(),
    };
    match runtime.block_on(carry_out(arguments.command, Arc::new(SystemClock))) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => failure.report(),
    }
}

async fn carry_out(command: Command, clock: Arc<dyn Clock>) -> Result<(), Failure> {
    match command {
        #[cfg(feature = "demo")]
        Command::Demo { listen, seed, speed } => demo::demo(listen, seed, speed).await,
        Command::Run { with, listen } => run::run(&with.config, listen, clock).await,
        Command::Collect { with, name } => collect::collect(&with.config, &name, clock).await,
        Command::Check { with, live, lasts } => {
            let config = Config::read(&with.config)?;
            println!(
                "{} is right: {} units, {} topics",
                with.config.display(),
                config.units.len(),
                config.mappings.len()
            );
            retention::told(&config).iter().for_each(|line| println!("{line}"));
            if !config.text_missing.is_empty() {
                println!("not translated, so English: {}", config.text_missing.join(", "));
            }
            if live { live::check(&config, lasts, clock).await } else { Ok(()) }
        }
        Command::Listen { with, topics, lasts, json } => {
            listen::listen(&Config::read_to_listen(&with.config)?, topics, lasts, json, clock).await
        }
        Command::Map(asked) => map::map(&asked, clock).await,
        Command::Import { what, files, with, dry_run, zone, query } => {
            let how = How { dry_run, zone };
            let from = imports::From { files, query };
            imports::import(Config::read(&with.config)?, what, &from, &how, &*clock).await
        }
        Command::Intervals { with, out, rows } => {
            show::intervals(Config::read(&with.config)?, &out, rows, &*clock).await
        }
        Command::Fit(fit) => match (fit.table.is_empty(), &fit.config) {
            (false, _) => fit_table::fit(&fit),
            (true, Some(config)) => show::fit(Config::read(config)?, &fit, &*clock).await,
            (true, None) => Err(Failure::Usage("fit needs --config or --table".to_owned())),
        },
        Command::Validate(validate) => match (validate.fit.table.is_empty(), &validate.fit.config) {
            (false, _) => fit_table::validate(&validate),
            (true, Some(config)) => show::validate(Config::read(config)?, &validate, &*clock).await,
            (true, None) => Err(Failure::Usage("validate needs --config or --table".to_owned())),
        },
        Command::Backtest { with, horizon, out } => {
            show::backtest(Config::read(&with.config)?, horizon, &out, &*clock).await
        }
        Command::Score { with, at, json } => {
            show::score(Config::read(&with.config)?, at.as_deref(), json, &*clock).await
        }
        Command::Worksheet { unit, with, out, browser } => {
            worksheet::worksheet(Config::read(&with.config)?, &unit, &out, browser.as_deref(), &*clock).await
        }
        Command::Scores { what: args::Scores::Reproduce { tube, at, with } } => {
            reproduce::reproduce(Config::read(&with.config)?, &tube, &at, &*clock).await
        }
        Command::Scores { what: args::Scores::Export(asked) } => {
            scores_export::export(Config::read(&asked.with.config)?, &asked, &*clock).await
        }
        Command::Notify { what } => notifying::notify(what, &*clock).await,
        Command::Looks { what } => looks::looks(what, &*clock).await,
        Command::People { what } => people::people(what, &*clock).await,
        Command::Tokens { what } => people::tokens(what, &*clock).await,
        Command::Models { what } => show::models(what, &*clock).await,
        Command::Support(asked) => support::support(&asked, &*clock).await,
        Command::Backup { with, out } => backup::backup(Config::read(&with.config)?, &out, &*clock).await,
        Command::Restore { with, from } => backup::restore(Config::read(&with.config)?, &from).await,
    }
}
