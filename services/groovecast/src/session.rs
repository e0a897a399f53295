//! The session at the broker: the service's, or that of a collector beside it.

use std::pin::Pin;
use std::sync::Arc;

use anyhow::Context;
use collector::{Arrivals, Committed, Limits, Outgoing, Settings, Status, Terms, TopicMap};
use ledger::{Ledger, LedgerError};
use plant::{Clock, Reading};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

use crate::config::Config;
use crate::exit::Failure;

/// Messages to publish that may wait for the connection.
const OUTBOX: usize = 2000;
/// MQTT 3.1.1, 2.2.3: no packet is larger. A message over the config's limit is taken from the broker, refused and counted;
/// left there it would come again for ever.
const LARGEST_PACKET: usize = 268_435_460;

/// Where readings go, what is counted on the way, and by whose clock.
pub struct Inlet {
    /// The record with the journal.
    pub ledger: Ledger,
    /// What has arrived.
    pub arrivals: Arc<Arrivals>,
    /// Now.
    pub clock: Arc<dyn Clock>,
}

/// A session that outlives configurations that leave it alone.
pub struct Session {
    settings: Settings,
    terms: watch::Sender<Arc<Terms>>,
    /// For messages to publish.
    pub outbox: mpsc::Sender<Outgoing>,
    stop: watch::Sender<bool>,
    /// Ends with the session.
    pub task: JoinHandle<anyhow::Result<()>>,
}

impl Session {
    /// `former`: topic filters that a session before this one may have left at the broker.
    pub fn start(settings: Settings, terms: Terms, inlet: &Inlet, former: Vec<String>) -> Self {
        let (terms, by) = watch::channel(Arc::new(terms));
        let (outbox, outgoing) = mpsc::channel(OUTBOX);
        let (stop, stopped) = watch::channel(false);
        let commit = into_journal(inlet.ledger.clone());
        let (arrivals, clock) = (inlet.arrivals.clone(), inlet.clock.clone());
        let by_this = Settings { former, ..settings.clone() };
        let session = collector::run(by_this, by, commit, arrivals, outgoing, clock, stopped);
        let task = tokio::spawn(async move { session.await.context("the collector stopped") });
        Self { settings, terms, outbox, stop, task }
    }

    /// The same session by another configuration; another one if it must connect otherwise.
    ///
    /// # Errors
    /// If the session before ended badly.
    pub async fn go_on(self, mut settings: Settings, terms: Terms, inlet: &Inlet) -> Result<Self, Failure> {
        // The message that we are online tells since when, and that has not changed.
        if let (Some(new), Some(old)) = (&mut settings.status, &self.settings.status)
            && (&new.topic, &new.offline) == (&old.topic, &old.offline)
        {
            new.online.clone_from(&old.online);
        }
        if settings == self.settings {
            self.terms.send_replace(Arc::new(terms));
            return Ok(self);
        }
        tracing::info!("the way to the broker has changed: connecting anew");
        let former = self.settings.filters_of(&self.terms.borrow());
        self.end().await?;
        Ok(Self::start(settings, terms, inlet, former))
    }

    /// Stores what is held, and ends.
    ///
    /// # Errors
    /// If it ended badly.
    pub async fn end(self) -> Result<(), Failure> {
        self.stop.send_replace(true);
        self.task.await.context("the collector broke").and_then(|result| result).map_err(Failure::Other)
    }
}

/// How a configuration reads messages.
///
/// # Errors
/// If its mappings cannot be told apart.
pub fn terms(config: &Config) -> anyhow::Result<Terms> {
    let map = TopicMap::new(config.mappings.clone(), config.units.iter().cloned())?;
    Ok(Terms { map, belief: config.belief.clone(), ask_rebirth: config.broker.ask_rebirth })
}

/// A commit under way.
type Committing = Pin<Box<dyn Future<Output = Result<Committed, LedgerError>> + Send>>;

/// Makes readings durable in the journal.
fn into_journal(ledger: Ledger) -> impl Fn(Arc<[Reading]>) -> Committing {
    move |readings| {
        let ledger = ledger.clone();
        Box::pin(async move {
            let appended = ledger.append(&readings).await?;
            Ok(Committed { new: appended.new, duplicates: appended.duplicates })
        })
    }
}

/// The session's settings; without a status it only listens.
pub fn settings(config: &Config, status: Option<Status>) -> Settings {
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
        share: broker.share.clone(),
        former: Vec::new(),
        more_filters: Vec::new(),
        status,
    }
}
