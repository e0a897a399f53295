//! The one task that polls the connection: it numbers what comes and passes it on, and keeps the connection up.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};
use plant::Clock;
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::{mpsc, watch};
use tokio::time::{sleep, timeout};

use crate::arrivals::Arrivals;
use crate::backoff::Backoff;
use crate::committer::{Content, Delivery};
use crate::link::LinkState;
use crate::mqtt::{Break, Grant, Heard, Line, Lost, Message, Packet, Welcome};
use crate::reason::Reason;
use crate::settings::{Outgoing, Settings};
use crate::steady::Steady;
use crate::talk::Talk;
use crate::tunnel::Tunnel;
use crate::window::Window;

/// A connection that stood so long was a good one: the next wait is short again...
const STOOD: Duration = Duration::from_secs(30);
/// ...and so was one that stood so long and had something acknowledged. Two services under one client id, which throw each
/// other out at once, keep waiting longer.
const WORKED: Duration = Duration::from_secs(1);

/// While it waits for room, the connection shows so often that it does.
const LOOK_UP: Duration = Duration::from_secs(1);

/// The broker has so long to close after our good-bye.
const LINGER: Duration = Duration::from_millis(500);

/// A clock that goes back by more is told of; by less it may have been corrected.
const TOLD_FROM: SignedDuration = SignedDuration::from_secs(60);

/// What the publishing part needs to know of the connection.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Phase {
    pub(crate) online: bool,
    /// What must go out first, subscriptions above all, is on its way.
    pub(crate) free: bool,
    /// How often a connection was made.
    pub(crate) connections: u64,
}

/// Everything that belongs to the connection.
pub(crate) struct Owner {
    pub(crate) line: Line,
    pub(crate) window: Arc<Mutex<Window<Packet>>>,
    pub(crate) queue: mpsc::Sender<Delivery>,
    pub(crate) arrivals: Arc<Arrivals>,
    pub(crate) clock: Arc<dyn Clock>,
    pub(crate) settings: Settings,
    /// The way through TLS, if the connection is encrypted.
    pub(crate) tunnel: Option<Tunnel>,
    pub(crate) talk: Arc<Talk>,
    pub(crate) phase: watch::Sender<Phase>,
    pub(crate) up_since: Option<Instant>,
    pub(crate) steady: Steady,
    /// The set-back that was told last.
    pub(crate) told_back: SignedDuration,
}

impl Owner {
    /// Polls until we have disconnected ourselves.
    pub(crate) async fn poll_on(&mut self) {
        let mut backoff = Backoff::new(Duration::from_millis(200), Duration::from_secs(15));
        loop {
            self.arrivals.connection.beat();
            if !self.line.is_online() {
                self.dig();
            }
            match self.line.poll().await {
                Ok(Heard::Message(message)) => self.received(message).await,
                Ok(Heard::Connected(welcome)) => self.connected(welcome),
                Ok(Heard::Granted(grants)) => self.granted(grants),
                Ok(Heard::NotTaken(why)) => {
                    let sample = format!("the broker does not take a message of ours: {why}");
                    self.arrivals.fault(Reason::PublishRefused, self.clock.now(), sample);
                }
                Ok(Heard::Left) => break,
                Ok(Heard::Nothing) => {}
                Err(broken) => {
                    let needed = if lock(&self.window).has_acknowledged() { WORKED } else { STOOD };
                    if self.up_since.is_some_and(|since| since.elapsed() >= needed) {
                        backoff.reset();
                    }
                    let in_tls = self.lost(&broken).await;
                    sleep(backoff.next()).await;
                    self.begin_anew(&broken, in_tls);
                    continue;
                }
            }
            let free = self.talk.go_on();
            self.phase.send_if_modified(|phase| std::mem::replace(&mut phase.free, free) != free);
        }
        // The broker closes (MQTT 3.1.1, 3.14.4.2). Closed by us at once, with something of its still unread, the connection
        // would be reset, and what we wrote last, acknowledgements too, might be lost in it.
        let closed = async { while self.line.poll().await.is_ok() {} };
        // One that does not close is left all the same.
        let _ = timeout(LINGER, closed).await;
        self.line.close();
        if let Some(tunnel) = self.tunnel.take() {
            tunnel.finished().await;
        }
    }

    /// A way through TLS for the next connection, if there is to be one.
    fn dig(&mut self) {
        let Some(tls) = &self.settings.tls else { return };
        match Tunnel::open(tls.clone(), self.settings.host.clone(), self.settings.port) {
            Ok(tunnel) => {
                self.line.through(&tunnel.socket(), &self.settings);
                self.tunnel = Some(tunnel);
            }
            Err(error) => tracing::warn!(%error, "no socket for TLS in the folder of temporary files"),
        }
    }

    fn connected(&mut self, Welcome { session_present, kept_s }: Welcome) {
        let now = self.clock.now();
        self.up_since = Some(Instant::now());
        let keeps = self.settings.keep_session;
        let version = self.line.version();
        self.arrivals.change_link(|link| {
            link.sessions_lost += u64::from(keeps && link.connections > 0 && !session_present);
            link.connections += 1;
            (link.state, link.since, link.version) = (LinkState::Online, Some(now), Some(version.to_owned()));
            link.session_present = session_present;
        });
        tracing::info!(session_present, mqtt = version, "connected to the broker");
        if let Some(kept_s) = kept_s.filter(|_| keeps) {
            tracing::warn!(
                kept_s,
                "the broker forgets our session so long after we are gone, and what comes then is lost"
            );
        }
        let online = self.settings.status.as_ref().map(|status| Outgoing {
            topic: status.topic.clone(),
            payload: status.online.clone(),
            retain: true,
        });
        self.talk.connected(session_present, online);
        if let Some(tunnel) = &mut self.tunnel {
            tunnel.connected();
        }
        self.phase.send_modify(|phase| {
            (phase.online, phase.free) = (true, false);
            phase.connections += 1;
        });
    }

    fn granted(&mut self, grants: Vec<Grant>) {
        let now = self.clock.now();
        for (filter, grant) in self.talk.granted(grants) {
            let (reason, problem) = match grant {
                Grant::Full => continue,
                Grant::Qos0 => {
                    (Reason::GrantedQos0, "the broker grants QoS 0 only: what is lost on the way is lost".to_owned())
                }
                Grant::Refused(help) => (Reason::FilterRefused, format!("the broker refuses the subscription: {help}")),
            };
            tracing::warn!(%filter, problem);
            self.arrivals.fault(reason, now, format!("{filter}: {problem}"));
        }
    }

    async fn received(&mut self, message: Message) {
        let Message { packet, topic, payload, retained } = message;
        let ticket = packet.map(|packet| lock(&self.window).receive(packet));
        let content = if self.talk.is_marker(&topic) {
            self.talk.marker(&payload);
            None
        } else {
            let backlog = self.talk.message();
            let arrived_at = self.clock.now();
            let connection = lock(&self.window).epoch();
            let set_back = self.set_back(arrived_at);
            Some(Content { topic, payload, retained, backlog, connection, arrived_at, set_back })
        };
        let protected = ticket.is_some();
        let delivery = Delivery { ticket, content };
        if protected {
            // Full only if the broker sends more unacknowledged messages than the queue holds: then the connection waits.
            // Closed only when we leave: the broker keeps the message.
            if let Err(TrySendError::Full(delivery)) = self.queue.try_send(delivery) {
                let mut sending = std::pin::pin!(self.queue.send(delivery));
                while timeout(LOOK_UP, &mut sending).await.is_err() {
                    self.arrivals.connection.beat();
                }
            }
        } else if let Err(TrySendError::Full(Delivery { content: Some(content), .. })) = self.queue.try_send(delivery) {
            let sample = format!("{}: QoS 0 faster than it can be stored; publish with QoS 1", content.topic);
            self.arrivals.fault(Reason::Overrun, content.arrived_at, sample);
        }
    }

    /// By how much the clock has been set back; tells it when it is more than what was told.
    fn set_back(&mut self, now: Timestamp) -> SignedDuration {
        let set_back = self.steady.set_back(now, Instant::now());
        if set_back > self.told_back.saturating_add(TOLD_FROM) {
            let by = set_back.as_secs();
            let sample = format!(
                "this machine's clock was set back by {by} s; times ahead of it by that much are believed until the service \
                 is started again, and messages without a time of their own get the new one; right would be a clock that is kept by the network"
            );
            tracing::warn!("{sample}");
            self.arrivals.fault(Reason::ClockSetBack, now, sample);
            self.told_back = set_back;
        } else if set_back.is_zero() {
            self.told_back = set_back;
        }
        set_back
    }

    /// Says that the connection is gone and why; whether TLS knew the reason. Nobody acknowledges in it any more.
    async fn lost(&mut self, broken: &Break) -> bool {
        lock(&self.window).renew();
        self.talk.lost();
        self.up_since = None;
        self.phase.send_modify(|phase| phase.online = false);
        let now = self.clock.now();
        let in_tls = match self.tunnel.take() {
            Some(tunnel) => tunnel.trouble().await,
            None => None,
        };
        let text = match &in_tls {
            Some(why) => format!("no connection to {}:{}: {why}", self.settings.host, self.settings.port),
            None => explain(&broken.why, &self.settings),
        };
        if broken.why == Lost::TooLarge {
            self.arrivals.fault(Reason::TooLarge, now, text.clone());
        }
        self.arrivals.change_link(|link| {
            let news = !matches!(&link.state, LinkState::Offline { error } if *error == text);
            if news {
                tracing::warn!("{text}");
            }
            if !matches!(link.state, LinkState::Offline { .. }) {
                link.since = Some(now);
            }
            (link.state, link.unacknowledged) = (LinkState::Offline { error: text }, 0);
        });
        in_tls.is_some()
    }

    /// Throws away what was said too late for the connection that is gone, acknowledgements and messages, with what it had brought
    /// and we have not seen: the broker brings that again, and the newest messages are published again. Only now, because somebody
    /// may have waited for room until then.
    fn begin_anew(&mut self, broken: &Break, in_tls: bool) {
        self.line.forget();
        if !in_tls {
            self.line.reconsider(broken);
        }
    }
}

fn lock<T>(shared: &Mutex<T>) -> MutexGuard<'_, T> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Why the connection is gone, and what may help.
fn explain(why: &Lost, settings: &Settings) -> String {
    let Settings { host, port, client_id, max_packet_bytes: limit, .. } = settings;
    match why {
        Lost::TooLarge => {
            format!("a packet is larger than max_packet_bytes ({limit} bytes); it comes again until that is raised")
        }
        Lost::Refused(words) => format!("the broker at {host}:{port} {words}"),
        Lost::Closed => {
            format!(
                "the broker at {host}:{port} closed the connection; does another client use client id {client_id:?}?"
            )
        }
        Lost::NoWay(error) => format!("no connection to {host}:{port}: {error}"),
        Lost::Other(error) => format!("connection to {host}:{port} lost: {error}"),
    }
}
