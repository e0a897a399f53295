//! The service: collect, close hours, evaluate, publish; one task each, and an orderly end.

use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;

use anyhow::Context;
use collector::{Arrivals, Committed, Limits, Outgoing, Settings, Status, TopicMap};
use ledger::LedgerError;
use plant::{Clock, Reading};
use publisher::{Publisher, ReadAccess, Site, Snapshot};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use crate::config::Config;
use crate::evaluate::Evaluator;
use crate::exit::Failure;
use crate::plant_store::PlantStore;
use crate::{beside, disk, doubts, known, retention};

/// Messages to publish that may wait for the connection.
const OUTBOX: usize = 2000;
/// MQTT 3.1.1, 2.2.3: no packet is larger. A message over the config's limit is taken from the broker, refused and counted;
/// left there it would come again for ever.
const LARGEST_PACKET: usize = 268_435_460;
/// How often it is looked whether an hour can be closed.
const CLOSE_EVERY: std::time::Duration = std::time::Duration::from_secs(20);

/// Runs until the process is told to stop.
pub async fn run(config: Config, listen: Option<SocketAddr>, clock: Arc<dyn Clock>) -> Result<(), Failure> {
    let listen = listen.unwrap_or(config.listen);
    if !listen.ip().is_loopback() && config.access.reading.is_none() {
        let problem = "the pages would be served beyond this machine, so the config must say who may read: reading = \
                       \"open\" or \"login\" below [access]";
        return Err(Failure::Usage(problem.to_owned()));
    }
    let listener = TcpListener::bind(listen).await.with_context(|| format!("cannot serve pages at {listen}"))?;
    let (stop, stopped) = watch::channel(false);
    let service = serve(Arc::new(config), listener, clock, stopped);
    let mut service = std::pin::pin!(service);
    tokio::select! {
        ended = &mut service => return ended,
        () = told_to_stop() => tracing::info!("stopping: what is held is stored first"),
    }
    stop.send_replace(true);
    service.await
}

/// The service on the caller's listener and clock, until `stopped` is true.
///
/// # Errors
/// [`Failure`] if the data folder cannot be used, or a task ends by itself.
pub async fn serve(
    config: Arc<Config>,
    listener: TcpListener,
    clock: Arc<dyn Clock>,
    stopped: watch::Receiver<bool>,
) -> Result<(), Failure> {
    let map = TopicMap::new(config.mappings.clone(), config.units.iter().cloned()).map_err(anyhow::Error::from)?;
    let store = Arc::new(PlantStore::open(config.clone()).await?);
    let _only_one = store.lock_service()?;
    let address = listener.local_addr().context("cannot tell where pages are served")?;
    tracing::info!("the board is at http://{address}/");
    let site = Arc::new(site(&config));
    let arrivals = Arc::new(Arrivals::new());
    let (outbox, outgoing) = mpsc::channel::<Outgoing>(OUTBOX);
    let (snapshots, newest) = watch::channel(Arc::new(Snapshot::default()));

    let mut tasks = JoinSet::new();
    let status = status(&site, &config.prefix, &*clock);
    let session = collector::run(
        session(&config, Some(status)),
        map,
        into_journal(store.clone()),
        arrivals.clone(),
        outgoing,
        clock.clone(),
        stopped.clone(),
    );
    tasks.spawn(async move { session.await.context("the collector stopped") });
    let publisher = Publisher::new(site.clone(), newest, clock.clone(), store.ledger.clone(), config.photos());
    let written = publisher.written.clone();
    let pages = publisher::serve(listener, publisher::app(publisher), until(stopped.clone()));
    tasks.spawn(async move { pages.await.context("the pages stopped") });
    tasks.spawn(close_hours(store.clone(), clock.clone(), stopped.clone()));
    tasks.spawn(retention::keep_up(store.clone(), clock.clone(), stopped.clone()));
    tasks.spawn(disk::keep_up(store.clone(), clock.clone(), stopped.clone()));
    tasks.spawn(doubts::keep_up(store.clone(), stopped.clone()));
    if config.broker.share.is_some() {
        tasks.spawn(beside::keep_up(store.clone(), stopped.clone()));
    }
    tasks.spawn(known::keep_up(store.clone(), clock.clone(), stopped.clone()));
    let evaluator = Evaluator { config, site, store, arrivals, snapshots, outbox, clock, written };
    tasks.spawn(evaluator.run(stopped.clone()));

    while let Some(ended) = tasks.join_next().await {
        ended.context("a task broke").and_then(|result| result)?;
        if !*stopped.borrow() {
            return Err(Failure::Other(anyhow::anyhow!("a task ended before the service was told to stop")));
        }
    }
    Ok(())
}

/// A commit under way.
pub type Committing = Pin<Box<dyn Future<Output = Result<Committed, LedgerError>> + Send>>;

/// Makes readings durable in the journal.
pub fn into_journal(store: Arc<PlantStore>) -> impl Fn(Arc<[Reading]>) -> Committing {
    move |readings| {
        let store = store.clone();
        Box::pin(async move {
            let appended = store.ledger.append(&readings).await?;
            Ok(Committed { new: appended.new, duplicates: appended.duplicates })
        })
    }
}

/// The session's settings; without a status it only listens.
pub fn session(config: &Config, status: Option<Status>) -> Settings {
    let broker = &config.broker;
    let (username, password) = broker.login.clone().map(|login| (login.user, login.password)).unzip();
    let window = usize::from(broker.window);
    Settings {
        host: broker.host.clone(),
        port: broker.port,
        protocol: broker.protocol,
        client_id: broker.client_id.clone(),
        tls: broker.tls.clone(),
        username,
        password,
        keep_alive_s: broker.keep_alive_s,
        keep_session: true,
        window,
        batch: window.max(512),
        max_packet_bytes: LARGEST_PACKET,
        limits: Limits { max_payload_bytes: broker.max_message_bytes },
        ask_rebirth: broker.ask_rebirth,
        belief: config.belief.clone(),
        share: broker.share.clone(),
        more_filters: Vec::new(),
        status,
    }
}

fn status(site: &Site, prefix: &str, clock: &dyn Clock) -> Status {
    let online = publisher::online_message(site, prefix, clock.now());
    let offline = publisher::offline_message(site, prefix);
    Status { topic: online.topic, online: online.payload.into_bytes(), offline: offline.payload.into_bytes() }
}

/// What pages and messages say of the plant itself.
pub fn site(config: &Config) -> Site {
    Site {
        name: config.site_name.clone(),
        zone: config.time_zone.clone(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        limit: config.model.limit,
        zones: config.zones.clone(),
        bands: config.exposure.bands.clone(),
        longest_interval: config.longest_interval,
        opening: config.opening.clone(),
        frame_origins: config.frame_origins.clone(),
        late_after: config.late_after,
        reading: config.access.reading.unwrap_or(ReadAccess::Open),
        https: config.access.https,
        address: config.address.as_ref().map(ToString::to_string),
        session_lasts: config.access.session_lasts,
        photo_bytes: config.access.photo_bytes,
    }
}

/// Closes hours again and again, as long as nobody else is at it.
pub async fn close_hours(
    store: Arc<PlantStore>,
    clock: Arc<dyn Clock>,
    stopped: watch::Receiver<bool>,
) -> anyhow::Result<()> {
    loop {
        if let Err(error) = store.close_hours(clock.now()).await {
            tracing::warn!(error = format!("{error:#}"), "hours stay in the journal; trying again");
        }
        if !pause(CLOSE_EVERY, &stopped).await {
            return Ok(());
        }
    }
}

/// Waits; `false` if the service is told to stop meanwhile.
pub async fn pause(lasts: std::time::Duration, stopped: &watch::Receiver<bool>) -> bool {
    tokio::select! {
        () = tokio::time::sleep(lasts) => true,
        () = until(stopped.clone()) => false,
    }
}

/// Done when `stopped` is true.
pub async fn until(mut stopped: watch::Receiver<bool>) {
    // An error means that the sender is gone: then nobody can tell us to go on either.
    let _ = stopped.wait_for(|stop| *stop).await;
}

/// Done when the process is asked to end.
pub async fn told_to_stop() {
    use tokio::signal::unix::{SignalKind, signal};
    match signal(SignalKind::terminate()) {
        Ok(mut terminate) => {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = tokio::signal::ctrl_c() => {}
            }
        }
        Err(_) => {
            // Without a handler for SIGTERM an interrupt still ends the service in order.
            let _ = tokio::signal::ctrl_c().await;
        }
    }
}
