//! `collect`: one of several that share what arrives, with one record on PostgreSQL. No pages, no scores.

use std::net::{IpAddr, Ipv4Addr};
use std::path::Path;
use std::sync::Arc;

use anyhow::Context;
use collector::{Arrivals, LinkState, Settings, Status};
use ledger::Place;
use plant::Clock;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use crate::config::Config;
use crate::exit::Failure;
use crate::plant_store::PlantStore;
use crate::reload::{self, Next};
use crate::session::{self, Inlet, Session};
use crate::supervised::{self, Part};
use crate::{beside, run};

/// Collects until the process is told to stop. When it is told to (SIGHUP), it reads the configuration anew.
pub async fn collect(path: &Path, name: &str, clock: Arc<dyn Clock>) -> Result<(), Failure> {
    let mut config = Arc::new(Config::read(path)?);
    check(&config, name).map_err(Failure::Usage)?;
    let mut store = Arc::new(PlantStore::open(config.clone()).await?);
    let inlet = Inlet { ledger: store.ledger.clone(), arrivals: Arc::new(Arrivals::new()), clock };
    let (reads, mut reloads) = mpsc::channel(1);
    let reading = tokio::spawn(reload::read_when_told(path.to_owned(), reads));
    let mut session = Session::start(settings(&config, name, &inlet), session::terms(&config)?, &inlet, Vec::new());
    tracing::info!(name, "collecting");
    loop {
        let (stop, mut tasks) = works(&store, name, &inlet);
        let next = loop {
            let read = tokio::select! {
                () = run::told_to_stop() => break None,
                ended = tasks.join_next() => return Err(run::early(ended)),
                ended = &mut session.task => return Err(run::early(Some(ended))),
                Some(read) = reloads.recv() => read,
            };
            // It serves no pages, so nobody beyond this machine can read any.
            let taken = reload::taken(read, &config, IpAddr::V4(Ipv4Addr::LOCALHOST));
            match taken.and_then(|next| check(&next.config, name).map(|()| next)) {
                Ok(next) => break Some(next),
                Err(refused) => {
                    tracing::error!("the configuration is refused and the one before stays in force: {refused}");
                    supervised::ready();
                }
            }
        };
        if next.is_none() {
            supervised::stopping();
            tracing::info!("stopping: what is held is stored first");
        }
        stop.send_replace(true);
        while let Some(ended) = tasks.join_next().await {
            ended.context("a task broke").and_then(|result| result)?;
        }
        let Some(Next { config: next, needs_restart }) = next else { break };
        reload::tell(&needs_restart);
        config = Arc::new(next);
        store = Arc::new(store.under(config.clone()));
        session = session.go_on(settings(&config, name, &inlet), session::terms(&config)?, &inlet).await?;
        tracing::info!("the configuration was read anew and is in force");
    }
    reading.abort();
    session.end().await
}

/// What works by one configuration beside the session, and how to end it.
fn works(store: &Arc<PlantStore>, name: &str, inlet: &Inlet) -> (watch::Sender<bool>, JoinSet<anyhow::Result<()>>) {
    let (stop, stopped) = watch::channel(false);
    let mut tasks = JoinSet::new();
    tasks.spawn(run::close_hours(store.clone(), inlet.clock.clone(), stopped.clone()));
    let parts = Part::of_session(&inlet.arrivals, &store.config).into();
    let link = inlet.arrivals.clone();
    let status = move || match link.link().state {
        LinkState::Offline { error } => format!("works, without its broker: {error}"),
        LinkState::Connecting | LinkState::Online | LinkState::Closed => "collecting".to_owned(),
    };
    tasks.spawn(supervised::keep_up(parts, None, store.config.hung_after, status, stopped.clone()));
    let (arrivals, clock) = (inlet.arrivals.clone(), inlet.clock.clone());
    tasks.spawn(beside::tell(store.clone(), name.to_owned(), arrivals, clock, stopped));
    (stop, tasks)
}

/// The session's settings: each collector is a client of its own.
fn settings(config: &Config, name: &str, inlet: &Inlet) -> Settings {
    let site = run::site(config);
    let said = |since| publisher::collector_message(&site, &config.prefix, name, since);
    let (online, offline) = (said(Some(inlet.clock.now())), said(None));
    let status =
        Status { topic: online.topic, online: online.payload.into_bytes(), offline: offline.payload.into_bytes() };
    let mut settings = session::settings(config, Some(status));
    settings.client_id = format!("{}-{name}", settings.client_id);
    settings
}

fn check(config: &Config, name: &str) -> Result<(), String> {
    if name.is_empty() || name.len() > 60 || !name.chars().all(|c| c.is_ascii_alphanumeric() || "-_.".contains(c)) {
        return Err(format!(
            "{name:?} is no name for a collector; right would be letters, digits, '-', '_' and '.', such as b"
        ));
    }
    if config.broker.share.is_none() {
        return Err(
            "collectors beside each other need a share: share = \"groovecast\" below [broker]; without it each \
                    would take all that arrives"
                .to_owned(),
        );
    }
    if matches!(config.database, Place::Sqlite(_)) {
        return Err(
            "collectors beside each other need one record on PostgreSQL: database = \"postgresql://...\" below \
                    [data]"
                .to_owned(),
        );
    }
    Ok(())
}
