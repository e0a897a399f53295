//! The session at the broker. The only file that knows the MQTT client.
//!
//! One task owns the connection and does nothing but poll it. It numbers what comes and passes it on; the committer
//! makes it durable and acknowledges it; a third part publishes what the house has to say.

use std::collections::BTreeMap;
use std::fmt::Display;
use std::future::Future;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use plant::{Clock, Reading};
use rumqttc::{
    AsyncClient, ClientError, ConnectReturnCode, ConnectionError, Event, EventLoop, Incoming, LastWill, MqttOptions,
    Publish, QoS, Request, StateError, SubAck, SubscribeFilter, SubscribeReasonCode, Transport,
};
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::{mpsc, watch};
use tokio::task::{AbortHandle, JoinSet};
use tokio::time::{sleep, timeout};

use crate::arrivals::Arrivals;
use crate::backoff::Backoff;
use crate::committer::{Committed, Committer, Content, Delivery};
use crate::decode::Decoder;
use crate::fence::{Came, Fence, Standing};
use crate::link::LinkState;
use crate::mapping::TopicMap;
use crate::reason::Reason;
use crate::settings::{Outgoing, SessionError, Settings, Status};
use crate::tunnel::Tunnel;
use crate::window::Window;

/// What is held must be settled within this time after the order to stop...
const SETTLE_WITHIN: Duration = Duration::from_secs(2);
/// ...and then the good-bye said within this.
const GOODBYE_WITHIN: Duration = Duration::from_secs(1);
/// A connection that stood so long was a good one: the next wait is short again...
const STOOD: Duration = Duration::from_secs(30);
/// ...and so was one that stood so long and had something acknowledged. Two services under one client id, which throw each
/// other out at once, keep waiting longer.
const WORKED: Duration = Duration::from_secs(1);
/// A connection must stand within this time, s; TLS within a little less, so that its reason is known by then.
const CONNECTED_WITHIN_S: u64 = 15;
/// Own messages that the broker has not confirmed yet.
const OUTGOING_UNCONFIRMED: u16 = 100;
/// So many retained messages are published again when the broker has lost its memory.
const REMEMBERED_TOPICS: usize = 1000;

type Packet = (u16, QoS);

/// Holds the session until `shutdown` is true or its sender is gone.
///
/// Readings go to `commit`, from this task only and one call at a time; when it returns `Ok` they are durable, and only
/// then are their messages acknowledged. If it fails it is called again with the same readings, for ever if need be.
/// Messages of `outbox` are published with QoS 1; retained ones, the latest per topic (1,000 topics), once more when the
/// broker had forgotten the session. At the end what is held is committed and acknowledged and the status says
/// offline, within three seconds; what could not be committed by then the broker brings again.
///
/// A broken connection is no error: it is made again, and [`Arrivals::link`] shows how things stand.
///
/// # Errors
/// [`SessionError::Setting`] if a setting is out of range; [`SessionError::Stopped`] if a part of the session broke.
pub async fn run<C, F, E>(
    settings: Settings,
    map: TopicMap,
    commit: C,
    arrivals: Arc<Arrivals>,
    outbox: mpsc::Receiver<Outgoing>,
    clock: Arc<dyn Clock>,
    shutdown: watch::Receiver<bool>,
) -> Result<(), SessionError>
where
    C: Fn(Arc<[Reading]>) -> F,
    F: Future<Output = Result<Committed, E>>,
    E: Display,
{
    settings.check()?;
    // Acknowledgements must never find the request channel full for long: it holds two windows of them.
    let (client, mut eventloop) = AsyncClient::new(options(&settings, ""), settings.window * 2 + 256);
    let mut network = eventloop.network_options();
    network.set_connection_timeout(CONNECTED_WITHIN_S).set_tcp_nodelay(true);
    eventloop.set_network_options(network);
    let (queue_in, mut queue) = mpsc::channel((settings.batch * 2).max(1024));
    let window = Arc::new(Mutex::new(Window::new()));
    let (phase_in, phase) = watch::channel(Phase { online: false, fresh: 0 });
    let marker = settings.status.as_ref().map(|status| status.fence_topic(&settings.client_id));
    let mut owner = Owner {
        eventloop,
        client: client.clone(),
        window: window.clone(),
        queue: queue_in,
        arrivals: arrivals.clone(),
        clock: clock.clone(),
        filters: settings.filters(map.filters()).into_iter().chain(marker.clone()).collect(),
        settings: settings.clone(),
        tunnel: None,
        fence: Fence::new(marker, settings.window),
        phase: phase_in,
        up_since: None,
        subscribed: false,
    };
    let mut tasks = JoinSet::new();
    let connection = tasks.spawn(async move { owner.poll_on().await });
    tasks.spawn(publish_on(client.clone(), outbox, phase.clone()));
    let committer = Committer {
        decoder: Decoder::new(map, settings.limits).asking_for_births(settings.ask_rebirth).believing(settings.belief),
        window: &window,
        expected: settings.window,
        batch: settings.batch,
        commit,
        acknowledge: |packet: &Packet| acknowledge(&client, *packet),
        request: |command: Outgoing| {
            tracing::info!(topic = %command.topic, "asked a node for its births");
            // Commands of Sparkplug go with QoS 0 (Sparkplug 3.0.0, 6.4.21).
            sent("command", client.try_publish(command.topic, QoS::AtMostOnce, command.retain, command.payload));
        },
        arrivals: &arrivals,
        clock: &*clock,
    };
    tokio::select! {
        () = committer.run(&mut queue, shutdown.clone()) => {}
        () = overdue(shutdown) => tracing::warn!("what is held could not be committed in time; the broker brings it again"),
        ended = tasks.join_next() => {
            let why = ended.and_then(Result::err).map_or("the connection was given up".to_owned(), |error| error.to_string());
            return Err(SessionError::Stopped(why));
        }
    }
    drop(queue);
    if phase.borrow().online {
        leave(&client, settings.status.as_ref(), &connection).await;
    }
    tasks.shutdown().await;
    let now = clock.now();
    arrivals.change_link(|link| (link.state, link.since) = (LinkState::Closed, Some(now)));
    Ok(())
}

async fn overdue(mut shutdown: watch::Receiver<bool>) {
    // A sender that is gone cannot tell us any more: the same as being told.
    let _ = shutdown.wait_for(|stop| *stop).await;
    sleep(SETTLE_WITHIN).await;
}

/// Says offline and disconnects; the owner of the connection ends when that is written.
async fn leave(client: &AsyncClient, status: Option<&Status>, connection: &AbortHandle) {
    let left = async {
        if let Some(status) = status {
            client.publish(&status.topic, QoS::AtLeastOnce, true, status.offline.clone()).await?;
        }
        client.disconnect().await?;
        while !connection.is_finished() {
            sleep(Duration::from_millis(5)).await;
        }
        Ok::<_, ClientError>(())
    };
    if !matches!(timeout(GOODBYE_WITHIN, left).await, Ok(Ok(()))) {
        tracing::warn!("the broker did not take the good-bye in time; its will says that we are offline");
    }
}

/// With TLS the client goes to the tunnel's socket and nowhere else: nothing ever leaves it in the clear.
fn options(settings: &Settings, socket: &str) -> MqttOptions {
    let (to, transport) = match settings.tls {
        None => (settings.host.as_str(), Transport::Tcp),
        Some(_) => (socket, Transport::Unix),
    };
    let mut options = MqttOptions::new(&settings.client_id, to, settings.port);
    options
        .set_transport(transport)
        .set_keep_alive(Duration::from_secs(settings.keep_alive_s.into()))
        .set_clean_session(!settings.keep_session)
        .set_manual_acks(true)
        .set_inflight(OUTGOING_UNCONFIRMED)
        .set_max_packet_size(settings.max_packet_bytes, settings.max_packet_bytes);
    if let Some(username) = &settings.username {
        options.set_credentials(username, settings.password.clone().unwrap_or_default());
    }
    if let Some(status) = &settings.status {
        options.set_last_will(LastWill::new(&status.topic, status.offline.clone(), QoS::AtLeastOnce, true));
    }
    options
}

/// Puts one acknowledgement on its way; `false` if there is no room for it just now.
fn acknowledge(client: &AsyncClient, (id, qos): Packet) -> bool {
    let mut publish = Publish::new("", qos, Vec::new());
    publish.pkid = id;
    client.try_ack(&publish).is_ok()
}

/// What the publishing part needs to know of the connection.
#[derive(Debug, Clone, Copy)]
struct Phase {
    online: bool,
    /// Connections for which the broker had forgotten us.
    fresh: u64,
}

/// Publishes what the house has to say while the connection stands.
async fn publish_on(client: AsyncClient, mut outbox: mpsc::Receiver<Outgoing>, mut phase: watch::Receiver<Phase>) {
    let mut remembered: BTreeMap<String, Outgoing> = BTreeMap::new();
    let mut fresh = 0;
    let mut open = true;
    loop {
        let now = *phase.borrow_and_update();
        if now.online && now.fresh != fresh {
            fresh = now.fresh;
            for message in remembered.values() {
                publish(&client, message.clone()).await;
            }
        }
        tokio::select! {
            changed = phase.changed() => if changed.is_err() {
                break;
            },
            message = outbox.recv(), if open && now.online => match message {
                Some(message) => {
                    let known = remembered.contains_key(&message.topic);
                    if message.retain && (known || remembered.len() < REMEMBERED_TOPICS) {
                        remembered.insert(message.topic.clone(), message.clone());
                    }
                    publish(&client, message).await;
                }
                None => open = false,
            },
        }
    }
    // The owner of the connection is gone and `run` ends.
    std::future::pending::<()>().await;
}

async fn publish(client: &AsyncClient, message: Outgoing) {
    let topic = message.topic.clone();
    if let Err(error) = client.publish(message.topic, QoS::AtLeastOnce, message.retain, message.payload).await {
        tracing::warn!(%topic, %error, "not published: right would be a topic without '+' and '#'");
    }
}

/// The one task that polls the connection.
struct Owner {
    eventloop: EventLoop,
    client: AsyncClient,
    window: Arc<Mutex<Window<Packet>>>,
    queue: mpsc::Sender<Delivery>,
    arrivals: Arc<Arrivals>,
    clock: Arc<dyn Clock>,
    settings: Settings,
    /// The way through TLS, if the connection is encrypted.
    tunnel: Option<Tunnel>,
    /// What we subscribe to, the marker's topic included.
    filters: Vec<String>,
    fence: Fence,
    phase: watch::Sender<Phase>,
    up_since: Option<Instant>,
    /// The broker answered to the subscriptions of this config, and has not forgotten the session since. Before that a
    /// session may hold those of an older config, or none.
    subscribed: bool,
}

impl Owner {
    /// Polls until we have disconnected ourselves.
    async fn poll_on(&mut self) {
        let mut backoff = Backoff::new(Duration::from_millis(200), Duration::from_secs(15));
        loop {
            if self.eventloop.network.is_none() {
                self.dig();
            }
            match self.eventloop.poll().await {
                Ok(Event::Incoming(Incoming::Publish(publish))) => self.received(publish).await,
                Ok(Event::Incoming(Incoming::ConnAck(ack))) => self.connected(ack.session_present),
                Ok(Event::Incoming(Incoming::SubAck(ack))) => self.granted(&ack),
                Ok(Event::Outgoing(rumqttc::Outgoing::Disconnect)) => break,
                Ok(_) => {}
                Err(error) => {
                    let needed = if lock(&self.window).has_acknowledged() { WORKED } else { STOOD };
                    if self.up_since.is_some_and(|since| since.elapsed() >= needed) {
                        backoff.reset();
                    }
                    self.lost(&error).await;
                    sleep(backoff.next()).await;
                }
            }
        }
        self.eventloop.clean();
        if let Some(tunnel) = self.tunnel.take() {
            tunnel.finished().await;
        }
    }

    /// A way through TLS for the next connection, if there is to be one.
    fn dig(&mut self) {
        let Some(tls) = &self.settings.tls else { return };
        match Tunnel::open(tls.clone(), self.settings.host.clone(), self.settings.port) {
            Ok(tunnel) => {
                self.eventloop.mqtt_options = options(&self.settings, &tunnel.socket());
                self.tunnel = Some(tunnel);
            }
            Err(error) => tracing::warn!(%error, "no socket for TLS in the folder of temporary files"),
        }
    }

    fn connected(&mut self, session_present: bool) {
        let now = self.clock.now();
        self.up_since = Some(Instant::now());
        let keeps = self.settings.keep_session;
        let backlog = session_present && self.fence.topic().is_some();
        self.arrivals.change_link(|link| {
            link.sessions_lost += u64::from(keeps && link.connections > 0 && !session_present);
            link.connections += 1;
            (link.state, link.since) = (LinkState::Online, Some(now));
            (link.session_present, link.backlog) = (session_present, backlog);
        });
        tracing::info!(session_present, "connected to the broker");
        self.subscribed &= session_present;
        if !self.subscribed && !self.filters.is_empty() {
            let filters = self.filters.iter().map(|filter| SubscribeFilter::new(filter.clone(), QoS::AtLeastOnce));
            sent("subscription", self.client.try_subscribe_many(filters));
        }
        if let Some(tunnel) = &mut self.tunnel {
            tunnel.connected();
        }
        if let Some(status) = &self.settings.status {
            let online = status.online.clone();
            sent("status", self.client.try_publish(&status.topic, QoS::AtLeastOnce, true, online));
        }
        if backlog {
            self.raise_fence(now);
        }
        self.phase.send_modify(|phase| {
            phase.online = true;
            phase.fresh += u64::from(!session_present);
        });
    }

    fn raise_fence(&mut self, now: Timestamp) {
        let Some(topic) = self.fence.topic() else { return };
        // Unlike any marker of another connection or of an earlier life of this service.
        let marker = format!("{}-{}", now.as_microsecond(), lock(&self.window).epoch());
        sent("marker", self.client.try_publish(topic, QoS::AtLeastOnce, false, marker.clone()));
        self.fence.raise(marker, Instant::now());
    }

    fn granted(&mut self, ack: &SubAck) {
        let now = self.clock.now();
        let mut poor = Vec::new();
        for (filter, code) in self.filters.iter().zip(&ack.return_codes) {
            let (reason, problem) = match code {
                SubscribeReasonCode::Success(QoS::AtMostOnce) => {
                    (Reason::GrantedQos0, "the broker grants QoS 0 only: what is lost on the way is lost")
                }
                SubscribeReasonCode::Success(_) => continue,
                SubscribeReasonCode::Failure => (
                    Reason::FilterRefused,
                    "the broker refuses the subscription: give this client the right to read it",
                ),
            };
            tracing::warn!(%filter, problem);
            self.arrivals.fault(reason, now, format!("{filter}: {problem}"));
            poor.push(filter.clone());
        }
        // What was not granted in full is asked for again at the next connection: somebody may have mended the rights.
        self.subscribed = poor.is_empty();
        self.arrivals.change_link(|link| link.poor_filters = poor);
    }

    async fn received(&mut self, publish: Publish) {
        let protected = publish.qos != QoS::AtMostOnce;
        let ticket = protected.then(|| lock(&self.window).receive((publish.pkid, publish.qos)));
        let content = if self.fence.topic() == Some(publish.topic.as_str()) {
            match self.fence.came(&publish.payload) {
                Came::Nothing => {}
                Came::Crowded => self.raise_fence(self.clock.now()),
                Came::Over => self.arrivals.change_link(|link| link.backlog = false),
            }
            None
        } else {
            let arrived_at = self.clock.now();
            let backlog = self.is_backlog(arrived_at);
            let Publish { topic, payload, retain: retained, .. } = publish;
            // Of a larger payload only enough is kept to refuse it: a flood of large ones costs no memory.
            let most_kept = self.settings.limits.max_payload_bytes + 1;
            let payload = payload[..payload.len().min(most_kept)].to_vec();
            let connection = lock(&self.window).epoch();
            Some(Content { topic, payload, retained, backlog, connection, arrived_at })
        };
        let delivery = Delivery { ticket, content };
        if protected {
            // Full only if the broker sends more unacknowledged messages than the queue holds: then the connection waits.
            // Closed only when we leave: the broker keeps the message.
            let _ = self.queue.send(delivery).await;
        } else if let Err(TrySendError::Full(Delivery { content: Some(content), .. })) = self.queue.try_send(delivery) {
            let sample = format!("{}: QoS 0 faster than it can be stored; publish with QoS 1", content.topic);
            self.arrivals.fault(Reason::Overrun, content.arrived_at, sample);
        }
    }

    fn is_backlog(&mut self, now: Timestamp) -> bool {
        match self.fence.standing(Instant::now()) {
            Standing::Live => false,
            Standing::Backlog => true,
            Standing::GivenUp => {
                let topic = self.fence.topic().unwrap_or_default();
                let sample =
                    format!("{topic}: the marker did not come back; give this client the right to write and read it");
                tracing::warn!("{sample}");
                self.arrivals.fault(Reason::FenceLost, now, sample);
                self.arrivals.change_link(|link| link.backlog = false);
                false
            }
        }
    }

    async fn lost(&mut self, error: &ConnectionError) {
        // First nobody may acknowledge in the old connection any more; then what was acknowledged too late for it is
        // thrown away (clean drops acknowledgements and keeps what we publish); then what it had brought and we have
        // not seen, because the broker brings it again.
        lock(&self.window).renew();
        self.eventloop.clean();
        self.eventloop.state.events.clear();
        // clean() forgets nothing of a publish that waits for its number to come free, and would wait for ever.
        if let Some(mut publish) = self.eventloop.state.collision.take() {
            publish.pkid = 0;
            self.eventloop.pending.push_back(Request::Publish(publish));
        }
        self.fence.drop();
        self.up_since = None;
        self.phase.send_modify(|phase| phase.online = false);
        let now = self.clock.now();
        let in_tls = match self.tunnel.take() {
            Some(tunnel) => tunnel.trouble().await,
            None => None,
        };
        let text = match in_tls {
            Some(why) => format!("no connection to {}:{}: {why}", self.settings.host, self.settings.port),
            None => explain(error, &self.settings),
        };
        if is_too_large(error) {
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
            (link.state, link.unacknowledged, link.backlog) = (LinkState::Offline { error: text }, 0, false);
        });
    }
}

fn lock<P>(window: &Mutex<Window<P>>) -> MutexGuard<'_, Window<P>> {
    window.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A request that finds no room is said; the channel is far wider than what is sent at once.
fn sent(what: &str, result: Result<(), ClientError>) {
    if let Err(error) = result {
        tracing::warn!(%error, "no room to send the {what}");
    }
}

fn is_too_large(error: &ConnectionError) -> bool {
    use rumqttc::mqttbytes::Error::PayloadSizeLimitExceeded;
    matches!(error, ConnectionError::MqttState(StateError::Deserialization(PayloadSizeLimitExceeded(_))))
}

/// The error, and what may help.
fn explain(error: &ConnectionError, settings: &Settings) -> String {
    let Settings { host, port, .. } = settings;
    match error {
        _ if is_too_large(error) => {
            let limit = settings.max_packet_bytes;
            format!("a packet is larger than max_packet_bytes ({limit} bytes); it comes again until that is raised")
        }
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
        ) => {
            format!("the broker at {host}:{port} refuses us: check user name and password")
        }
        ConnectionError::MqttState(StateError::ConnectionAborted) => {
            format!(
                "the broker at {host}:{port} closed the connection; does another client use client id {:?}?",
                settings.client_id
            )
        }
        ConnectionError::Io(error) => format!("no connection to {host}:{port}: {error}"),
        error => format!("connection to {host}:{port} lost: {error}"),
    }
}
