//! `collect`: one of several that share what arrives, with one record on PostgreSQL. No pages, no scores.

use std::sync::Arc;

use anyhow::Context;
use collector::{Arrivals, LinkState, Status};
use ledger::Place;
use plant::Clock;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use crate::config::Config;
use crate::exit::Failure;
use crate::plant_store::PlantStore;
use crate::supervised::{self, Part};
use crate::{beside, run};

/// Collects until the process is told to stop.
pub async fn collect(config: Config, name: &str, clock: Arc<dyn Clock>) -> Result<(), Failure> {
    check(&config, name).map_err(Failure::Usage)?;
    let terms = run::terms(&config).map_err(anyhow::Error::from)?;
    let site = run::site(&config);
    let said = |since| publisher::collector_message(&site, &config.prefix, name, since);
    let (online, offline) = (said(Some(clock.now())), said(None));
    let status =
        Status { topic: online.topic, online: online.payload.into_bytes(), offline: offline.payload.into_bytes() };
    let mut settings = run::session(&config, Some(status));
    settings.client_id = format!("{}-{name}", settings.client_id);
    let store = Arc::new(PlantStore::open(Arc::new(config)).await?);
    let (stop, stopped) = watch::channel(false);
    let (_outbox, outgoing) = mpsc::channel(1);
    let arrivals = Arc::new(Arrivals::new());
    let mut tasks = JoinSet::new();
    let session = collector::run(
        settings,
        terms.for_good(),
        run::into_journal(store.ledger.clone()),
        arrivals.clone(),
        outgoing,
        clock.clone(),
        stopped.clone(),
    );
    tasks.spawn(async move { session.await.context("the collector stopped") });
    tasks.spawn(run::close_hours(store.clone(), clock.clone(), stopped.clone()));
    let parts = Part::of_session(&arrivals, &store.config).into();
    let (link, hung_after) = (arrivals.clone(), store.config.hung_after);
    let status = move || match link.link().state {
        LinkState::Offline { error } => format!("works, without its broker: {error}"),
        LinkState::Connecting | LinkState::Online | LinkState::Closed => "collecting".to_owned(),
    };
    tasks.spawn(supervised::keep_up(parts, None, hung_after, status, stopped.clone()));
    tasks.spawn(beside::tell(store, name.to_owned(), arrivals, clock, stopped));
    tracing::info!(name, "collecting");
    tokio::select! {
        Some(ended) = tasks.join_next() => {
            ended.context("a task broke").and_then(|result| result)?;
            return Err(Failure::Other(anyhow::anyhow!("a task ended before the collector was told to stop")));
        }
        () = run::told_to_stop() => {
            supervised::stopping();
            tracing::info!("stopping: what is held is stored first");
        }
    }
    stop.send_replace(true);
    while let Some(ended) = tasks.join_next().await {
        ended.context("a task broke").and_then(|result| result)?;
    }
    Ok(())
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
