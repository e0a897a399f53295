//! The configuration, read anew while the service runs.

use std::net::IpAddr;
use std::path::PathBuf;
use std::sync::Arc;

use ledger::Place;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;

use crate::config::{Config, Problem};
use crate::run::may_be_served;
use crate::supervised;

/// A configuration as it was read, or all that is wrong with it.
pub type ReadConfig = Result<Config, Vec<Problem>>;

/// A configuration to go on with.
pub struct Next {
    /// What is in force from now on.
    pub config: Config,
    /// Keys that have changed, and stay as they were until a restart.
    pub needs_restart: Vec<&'static str>,
}

/// Reads the file whenever the process is told to (SIGHUP).
pub async fn read_when_told(path: PathBuf, reads: mpsc::Sender<ReadConfig>) {
    let mut told = match signal(SignalKind::hangup()) {
        Ok(told) => told,
        Err(error) => {
            tracing::warn!(%error, "SIGHUP cannot be listened for: a changed configuration needs a restart");
            return;
        }
    };
    while told.recv().await.is_some() {
        tracing::info!(config = %path.display(), "reading the configuration anew");
        supervised::reloading();
        if reads.send(Config::read(&path)).await.is_err() {
            return;
        }
    }
}

/// Says which keys have changed in vain.
pub fn tell(needs_restart: &[&'static str]) {
    for key in needs_restart {
        tracing::warn!(key, "this has changed in the configuration and needs a restart; until then it stays as it was");
    }
}

/// What to go on with after a reading: the new configuration, but for what cannot change while the service runs.
///
/// # Errors
/// Why it is refused, as `check` would say it.
pub fn taken(read: ReadConfig, old: &Arc<Config>, served_at: IpAddr) -> Result<Next, String> {
    let mut config = read.map_err(|problems| {
        let problems: Vec<String> = problems.iter().map(Problem::to_string).collect();
        problems.join("; ")
    })?;
    may_be_served(&config, served_at)?;
    let mut needs_restart = Vec::new();
    if config.data != old.data {
        needs_restart.push("site.data");
    }
    // A file of SQLite's lies in the data folder and goes where that goes.
    let goes_along = matches!((&config.database, &old.database), (Place::Sqlite(_), Place::Sqlite(_)));
    if config.database != old.database && !goes_along {
        needs_restart.push("data.database");
    }
    if config.listen != old.listen {
        needs_restart.push("http.listen");
    }
    config.data.clone_from(&old.data);
    config.database.clone_from(&old.database);
    config.listen = old.listen;
    Ok(Next { config, needs_restart })
}
