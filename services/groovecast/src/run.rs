//! The service: collect, close hours, evaluate, publish; one task each, and an orderly end.

use std::net::{IpAddr, SocketAddr};
use std::path::Path;
use std::sync::Arc;

use anyhow::Context;
use collector::{Arrivals, Outgoing, Pulse, Status};
use plant::{Clock, UnitId};
use publisher::{ConfigState, Publisher, ReadAccess, Site, Snapshot, Voice};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use crate::config::Config;
use crate::evaluate::Evaluator;
use crate::exit::Failure;
use crate::plant_store::PlantStore;
use crate::reload::{self, Next, ReadConfig};
use crate::session::{self, Inlet, Session};
use crate::supervised::{self, Part};
use crate::{beside, disk, doubts, known, notifying, retention};

/// How often it is looked whether an hour can be closed.
const CLOSE_EVERY: std::time::Duration = std::time::Duration::from_secs(20);

/// Runs until the process is told to stop. When it is told to (SIGHUP), it reads the configuration anew.
pub async fn run(path: &Path, listen: Option<SocketAddr>, clock: Arc<dyn Clock>) -> Result<(), Failure> {
    let config = Config::read(path)?;
    let listen = listen.unwrap_or(config.listen);
    may_be_served(&config, listen.ip()).map_err(Failure::Usage)?;
    let listener = TcpListener::bind(listen).await.with_context(|| format!("cannot serve pages at {listen}"))?;
    let (stop, stopped) = watch::channel(false);
    let (reads, reloads) = mpsc::channel(1);
    let reading = tokio::spawn(reload::read_when_told(path.to_owned(), reads));
    let service = serve(Arc::new(config), listener, clock, stopped, reloads);
    let mut service = std::pin::pin!(service);
    let ended = tokio::select! {
        ended = &mut service => ended,
        () = told_to_stop() => {
            tracing::info!("stopping: what is held is stored first");
            supervised::stopping();
            stop.send_replace(true);
            service.await
        }
    };
    reading.abort();
    ended
}

/// Whether a configuration says who may read the pages at this address; what it lacks if not.
pub fn may_be_served(config: &Config, address: IpAddr) -> Result<(), String> {
    if address.is_loopback() || config.access.reading.is_some() {
        return Ok(());
    }
    Err("the pages would be served beyond this machine, so the config must say who may read: reading = \"open\" or \"login\" \
         below [access]"
        .to_owned())
}

/// What stays while configurations come and go.
struct House {
    store: Arc<PlantStore>,
    listener: std::net::TcpListener,
    arrivals: Arc<Arrivals>,
    clock: Arc<dyn Clock>,
    snapshots: watch::Sender<Arc<Snapshot>>,
    state: watch::Sender<ConfigState>,
}

impl House {
    fn inlet(&self) -> Inlet {
        Inlet { ledger: self.store.ledger.clone(), arrivals: self.arrivals.clone(), clock: self.clock.clone() }
    }

    fn settings(&self, config: &Config) -> collector::Settings {
        session::settings(config, Some(status(&site(config), &config.prefix, &*self.clock)))
    }
}

/// The service on the caller's listener and clock, until `stopped` is true. Configurations that come by `reloads` take the place
/// of the one before.
///
/// # Errors
/// [`Failure`] if the data folder cannot be used, or a task ends by itself.
pub async fn serve(
    mut config: Arc<Config>,
    listener: TcpListener,
    clock: Arc<dyn Clock>,
    stopped: watch::Receiver<bool>,
    mut reloads: mpsc::Receiver<ReadConfig>,
) -> Result<(), Failure> {
    let store = Arc::new(PlantStore::open(config.clone()).await?);
    let _only_one = store.lock_service()?;
    let address = listener.local_addr().context("cannot tell where pages are served")?;
    tracing::info!("the board is at http://{address}/");
    let state = ConfigState { read_at: Some(clock.now()), ..ConfigState::default() };
    let mut house = House {
        store,
        listener: listener.into_std().context("cannot keep the pages' socket")?,
        arrivals: Arc::new(Arrivals::new()),
        clock,
        snapshots: watch::channel(Arc::new(Snapshot::default())).0,
        state: watch::channel(state).0,
    };
    let mut session = Session::start(house.settings(&config), session::terms(&config)?, &house.inlet(), Vec::new());
    loop {
        let mut works = Works::start(&config, &house, session.outbox.clone())?;
        let next = loop {
            let read = tokio::select! {
                () = until(stopped.clone()) => break None,
                ended = works.tasks.join_next() => return Err(early(ended)),
                ended = &mut session.task => return Err(early(Some(ended))),
                Some(read) = reloads.recv() => read,
            };
            match reload::taken(read, &config, address.ip()) {
                Ok(next) => break Some(next),
                Err(refused) => {
                    tracing::error!("the configuration is refused and the one before stays in force: {refused}");
                    house.state.send_modify(|state| state.refused = Some(refused));
                    supervised::ready();
                }
            }
        };
        works.end().await?;
        let Some(Next { config: next, needs_restart }) = next else { break };
        reload::tell(&needs_restart);
        let old = std::mem::replace(&mut config, Arc::new(next));
        house.store = Arc::new(house.store.under(config.clone()));
        session = session.go_on(house.settings(&config), session::terms(&config)?, &house.inlet()).await?;
        take_back(&old, &config, &session.outbox);
        let read_at = Some(house.clock.now());
        house.state.send_replace(ConfigState { read_at, refused: None, needs_restart });
        tracing::info!("the configuration was read anew and is in force");
    }
    session.end().await
}

/// Takes back what the broker keeps of units that are gone, with empty messages (MQTT 3.1.1, 3.3.1.3): nobody would keep it up to
/// date.
fn take_back(old: &Config, new: &Config, outbox: &mpsc::Sender<Outgoing>) {
    let stays = |unit: &&UnitId| old.prefix == new.prefix && new.units.contains(unit);
    let gone = old.units.iter().filter(|unit| !stays(unit));
    for topic in gone.flat_map(|unit| publisher::unit_topics(unit, &old.prefix)) {
        if let Err(error) = outbox.try_send(Outgoing { topic, payload: Vec::new(), retain: true }) {
            let topic = error.into_inner().topic;
            tracing::warn!(topic, "no room to take this back: clear what the broker retains there by hand");
        }
    }
}

/// A task that ended though nobody told it to.
pub fn early(ended: Option<Result<anyhow::Result<()>, tokio::task::JoinError>>) -> Failure {
    let why = match ended {
        Some(Err(error)) => anyhow::Error::from(error).context("a task broke"),
        Some(Ok(Err(error))) => error,
        Some(Ok(Ok(()))) | None => anyhow::anyhow!("a task ended before the service was told to stop"),
    };
    Failure::Other(why)
}

/// What works by one configuration: pages, evaluation, and what keeps up with the readings.
struct Works {
    tasks: JoinSet<anyhow::Result<()>>,
    stop: watch::Sender<bool>,
}

impl Works {
    fn start(config: &Arc<Config>, house: &House, outbox: mpsc::Sender<Outgoing>) -> Result<Self, Failure> {
        let (stop, stopped) = watch::channel(false);
        let (store, clock) = (house.store.clone(), house.clock.clone());
        // Callers wait at the socket while one set of pages makes room for the next.
        let listener = house.listener.try_clone().and_then(TcpListener::from_std).context("cannot serve pages")?;
        let site = Arc::new(site(config));
        let newest = house.snapshots.subscribe();
        let publisher = Publisher::new(site.clone(), newest, clock.clone(), store.ledger.clone(), config.photos());
        let written = publisher.written.clone();
        let pages = publisher::serve(listener, publisher::app(publisher), until(stopped.clone()));
        let mut tasks = JoinSet::new();
        tasks.spawn(async move { pages.await.context("the pages stopped") });
        tasks.spawn(close_hours(store.clone(), clock.clone(), stopped.clone()));
        tasks.spawn(retention::keep_up(store.clone(), clock.clone(), stopped.clone()));
        tasks.spawn(disk::keep_up(store.clone(), clock.clone(), stopped.clone()));
        tasks.spawn(doubts::keep_up(store.clone(), stopped.clone()));
        tasks.spawn(notifying::keep_up(store.clone(), clock.clone(), stopped.clone()));
        if config.broker.share.is_some() {
            tasks.spawn(beside::keep_up(store.clone(), stopped.clone()));
        }
        tasks.spawn(known::keep_up(store.clone(), clock.clone(), stopped.clone()));
        let pulse = Pulse::default();
        let parts = [Part::evaluation(&pulse, config)].into_iter().chain(Part::of_session(&house.arrivals, config));
        let (newest, clock_of_status, site_of_status) = (house.snapshots.subscribe(), clock.clone(), site.clone());
        let status = move || {
            let lacks = publisher::lacks(&newest.borrow(), &site_of_status, clock_of_status.now());
            let lacks: Vec<String> = lacks.into_iter().map(|lack| lack.detail).collect();
            if lacks.is_empty() { "ready".to_owned() } else { format!("works, not ready: {}", lacks.join("; ")) }
        };
        let served_at = house.listener.local_addr().ok();
        tasks.spawn(supervised::keep_up(parts.collect(), served_at, config.hung_after, status, stopped.clone()));
        let evaluator = Evaluator {
            config: config.clone(),
            site,
            pulse,
            store,
            arrivals: house.arrivals.clone(),
            snapshots: house.snapshots.clone(),
            state: house.state.subscribe(),
            outbox,
            clock,
            written,
        };
        tasks.spawn(evaluator.run(stopped));
        Ok(Self { tasks, stop })
    }

    async fn end(mut self) -> Result<(), Failure> {
        self.stop.send_replace(true);
        while let Some(ended) = self.tasks.join_next().await {
            ended.context("a task broke").and_then(|result| result)?;
        }
        Ok(())
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
        voice: Voice { display: config.display, text: config.text.clone() },
    }
}

/// Closes hours again and again, as long as nobody else is at it.
pub async fn close_hours(
    store: Arc<PlantStore>,
    clock: Arc<dyn Clock>,
    stopped: watch::Receiver<bool>,
) -> anyhow::Result<()> {
    loop {
        let more = store.close_hours(clock.now()).await.unwrap_or_else(|error| {
            tracing::warn!(error = format!("{error:#}"), "hours stay in the journal; trying again");
            false
        });
        let lasts = if more { std::time::Duration::ZERO } else { CLOSE_EVERY };
        if !pause(lasts, &stopped).await {
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
