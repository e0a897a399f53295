//! MQTT 5.
//!
//! What the session asks for is what MQTT 3.1.1 gives: a session that is kept for ever, every retained message at every
//! subscription, and the retain flag on what is old only ("retain as published" would set it on live messages too, and they
//! could no longer be told from what waited). New are the limit that the broker keeps to by itself, and reasons.

use std::time::Duration;

use rumqttc::v5::mqttbytes::Error::PayloadSizeLimitExceeded;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    ConnAck, ConnectReturnCode, DisconnectReasonCode, Filter, LastWill, PubAck, PubAckReason, Publish,
    SubscribeReasonCode,
};
use rumqttc::v5::{
    AsyncClient, ConnectionError, Event, EventLoop, Incoming, MqttOptions, MqttState, Request, StateError,
};
use rumqttc::{NetworkOptions, Outgoing as Sent, Transport};

use super::{
    Break, CONNECTED_WITHIN_S, Grant, Heard, Lost, Message, OUTGOING_UNCONFIRMED, Packet, Welcome, most_kept, room,
};
use crate::settings::{Outgoing, Settings};

/// A session that is kept for ever (MQTT 5, 3.1.2.11.2).
const FOR_EVER: u32 = u32::MAX;

#[derive(Clone)]
pub(super) struct Client(AsyncClient);

pub(super) struct Line {
    eventloop: EventLoop,
    /// As we ask; a broker may change its copy for one connection.
    options: MqttOptions,
    most_kept: usize,
    connecting: bool,
    /// How the connection ended, while something is still to be said before.
    ended: Option<Break>,
    /// The number of the message that we published last.
    last_sent: u16,
    /// The broker takes no larger packet, bytes.
    largest: Option<u32>,
}

pub(super) fn open(settings: &Settings) -> (Client, Line) {
    let options = options(settings, "");
    let (client, eventloop) = AsyncClient::new(options.clone(), room(settings));
    let most_kept = most_kept(settings);
    let line = Line { eventloop, options, most_kept, connecting: true, ended: None, last_sent: 0, largest: None };
    (Client(client), line)
}

/// With TLS the client goes to the tunnel's socket and nowhere else: nothing ever leaves it in the clear.
fn options(settings: &Settings, socket: &str) -> MqttOptions {
    let (to, transport) = match settings.tls {
        None => (settings.host.as_str(), Transport::Tcp),
        Some(_) => (socket, Transport::Unix),
    };
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    let mut options = MqttOptions::new(&settings.client_id, to, settings.port);
    options
        .set_transport(transport)
        .set_network_options(network)
        .set_connection_timeout(CONNECTED_WITHIN_S)
        .set_keep_alive(keep_alive(settings.keep_alive_s))
        .set_clean_start(!settings.keep_session)
        .set_session_expiry_interval(settings.keep_session.then_some(FOR_EVER))
        .set_receive_maximum(u16::try_from(settings.window).ok())
        .set_max_packet_size(u32::try_from(settings.max_packet_bytes).ok())
        .set_manual_acks(true)
        .set_outgoing_inflight_upper_limit(OUTGOING_UNCONFIRMED);
    if let Some(username) = &settings.username {
        options.set_credentials(username, settings.password.clone().unwrap_or_default());
    }
    if let Some(status) = &settings.status {
        options.set_last_will(LastWill::new(&status.topic, status.offline.clone(), QoS::AtLeastOnce, true, None));
    }
    options
}

/// The client takes no less than 5 s.
fn keep_alive(asked_s: u16) -> Duration {
    Duration::from_secs(asked_s.max(5).into())
}

impl Client {
    pub(super) fn acknowledge(&self, packet: &Packet) -> bool {
        let qos = if packet.exactly_once { QoS::ExactlyOnce } else { QoS::AtLeastOnce };
        let mut publish = Publish::new("", qos, Vec::new(), None);
        publish.pkid = packet.id;
        self.0.try_ack(&publish).is_ok()
    }

    pub(super) fn subscribe(&self, filters: &[String]) -> bool {
        let filters = filters.iter().map(|filter| Filter::new(filter, QoS::AtLeastOnce));
        self.0.try_subscribe_many(filters).is_ok()
    }

    pub(super) fn unsubscribe(&self, filter: &str) -> bool {
        self.0.try_unsubscribe(filter).is_ok()
    }

    pub(super) fn try_publish(&self, message: Outgoing, protected: bool) -> bool {
        let qos = if protected { QoS::AtLeastOnce } else { QoS::AtMostOnce };
        self.0.try_publish(message.topic, qos, message.retain, message.payload).is_ok()
    }

    pub(super) async fn publish(&self, message: Outgoing) -> bool {
        self.0.publish(message.topic, QoS::AtLeastOnce, message.retain, message.payload).await.is_ok()
    }

    pub(super) async fn leave(&self) -> bool {
        self.0.disconnect().await.is_ok()
    }
}

impl Line {
    pub(super) fn through(&mut self, socket: &str, settings: &Settings) {
        self.options = options(settings, socket);
    }

    pub(super) async fn poll(&mut self) -> Result<Heard, Break> {
        if let Some(ended) = self.ended.take() {
            return Err(ended);
        }
        if self.connecting {
            self.eventloop.options = self.options.clone();
        }
        let event = match self.eventloop.poll().await {
            Ok(event) => event,
            Err(error) => return self.broken(&error),
        };
        Ok(match event {
            Event::Incoming(Incoming::Publish(publish)) => Heard::Message(self.message(&publish)),
            Event::Incoming(Incoming::ConnAck(ack)) => Heard::Connected(self.connected(&ack)),
            Event::Incoming(Incoming::SubAck(ack)) => Heard::Granted(ack.return_codes.iter().map(grant).collect()),
            Event::Incoming(Incoming::PubAck(ack)) => taken(&ack).unwrap_or(Heard::Nothing),
            Event::Outgoing(Sent::Publish(number)) => {
                self.last_sent = number;
                Heard::Nothing
            }
            Event::Outgoing(Sent::Disconnect) => Heard::Left,
            _ => Heard::Nothing,
        })
    }

    /// A broker may close the connection right behind its word on a message of ours: that is heard first.
    fn broken(&mut self, error: &ConnectionError) -> Result<Heard, Break> {
        if let ConnectionError::MqttState(StateError::OutgoingPacketTooLarge { max, .. }) = error {
            self.largest = Some(*max);
        }
        let ended = explain(error, self.connecting);
        let refused = self.eventloop.state.events.drain(..).find_map(|event| match event {
            Event::Incoming(Incoming::PubAck(ack)) => taken(&ack),
            _ => None,
        });
        match refused {
            Some(refused) => {
                self.ended = Some(ended);
                Ok(refused)
            }
            None => Err(ended),
        }
    }

    fn connected(&mut self, ack: &ConnAck) -> Welcome {
        self.connecting = false;
        if self.eventloop.options.keep_alive().is_zero() {
            // The broker asks for no pings. We want them, to find a dead line; and the client would ping without a pause.
            self.eventloop.options.set_keep_alive(self.options.keep_alive());
        }
        let kept_s = ack.properties.as_ref().and_then(|properties| properties.session_expiry_interval);
        let asked = self.options.session_expiry_interval();
        Welcome { session_present: ack.session_present, kept_s: kept_s.filter(|kept| Some(*kept) != asked) }
    }

    fn message(&self, publish: &Publish) -> Message {
        let exactly_once = publish.qos == QoS::ExactlyOnce;
        let packet = (publish.qos != QoS::AtMostOnce).then_some(Packet { id: publish.pkid, exactly_once });
        let payload = publish.payload[..publish.payload.len().min(self.most_kept)].to_vec();
        Message {
            packet,
            topic: String::from_utf8_lossy(&publish.topic).into_owned(),
            payload,
            retained: publish.retain,
        }
    }

    /// `clean` drops acknowledgements and keeps what we publish, but neither in order nor in a state that can go on.
    pub(super) fn forget(&mut self) {
        (self.connecting, self.ended) = (true, None);
        self.eventloop.clean();
        // Numbers count up to what the last broker allowed; if the next allows fewer, they would never start again.
        self.eventloop.state = MqttState::new(OUTGOING_UNCONFIRMED, true);
        // What has no number yet was never sent: it may be hours old when the next connection stands, and whoever said it says it
        // anew, as it is then.
        let mut numbered: Vec<_> = self.eventloop.pending.drain(..).filter(is_under_way).collect();
        // Numbers run in a circle: the oldest is behind the newest. What is newer must stay so, or an old score would be
        // retained.
        numbered.sort_by_key(|request| match request {
            Request::Publish(publish) => (publish.pkid <= self.last_sent, publish.pkid),
            _ => (true, u16::MAX),
        });
        self.last_sent = 0;
        if let Some(largest) = self.largest.take() {
            numbered.retain(|request| fits(request, largest));
        }
        self.eventloop.pending.extend(numbered);
    }

    pub(super) fn close(&mut self) {
        self.eventloop.clean();
    }
}

/// Whether a request has gone out with a number, under which it must go out again (MQTT 5, 4.4).
fn is_under_way(request: &Request) -> bool {
    match request {
        Request::Publish(publish) => publish.pkid != 0,
        request => matches!(request, Request::PubRel(_) | Request::Disconnect),
    }
}

/// A message beyond what the broker takes would end every connection anew.
fn fits(request: &Request, largest: u32) -> bool {
    let Request::Publish(publish) = request else { return true };
    let fits = publish.size() <= largest as usize;
    if !fits {
        let topic = String::from_utf8_lossy(&publish.topic);
        tracing::warn!(%topic, bytes = publish.size(), largest, "not published: the broker takes no packet so large");
    }
    fits
}

fn taken(ack: &PubAck) -> Option<Heard> {
    Some(Heard::NotTaken(match ack.reason {
        PubAckReason::Success | PubAckReason::NoMatchingSubscribers => return None,
        PubAckReason::NotAuthorized => "give this client the right to write what it publishes",
        PubAckReason::QuotaExceeded => "we have sent more than the broker allows",
        _ => "see the broker's log for what it has against it",
    }))
}

fn grant(code: &SubscribeReasonCode) -> Grant {
    match code {
        SubscribeReasonCode::Success(QoS::AtMostOnce) => Grant::Qos0,
        SubscribeReasonCode::Success(_) => Grant::Full,
        SubscribeReasonCode::TopicFilterInvalid => Grant::Refused("it does not take such a filter"),
        SubscribeReasonCode::QuotaExceeded => Grant::Refused("it allows no more subscriptions"),
        SubscribeReasonCode::WildcardSubscriptionsNotSupported => {
            Grant::Refused("it knows no '+' and '#': write each topic in full")
        }
        SubscribeReasonCode::SharedSubscriptionsNotSupported => Grant::Refused("it shares no subscriptions"),
        _ => Grant::Refused("give this client the right to read it"),
    }
}

fn explain(error: &ConnectionError, connecting: bool) -> Break {
    let why = match error {
        ConnectionError::MqttState(StateError::Deserialization(PayloadSizeLimitExceeded { .. })) => Lost::TooLarge,
        ConnectionError::ConnectionRefused(code) => Lost::Refused(refusal(*code).to_owned()),
        ConnectionError::MqttState(StateError::ServerDisconnect { reason_code, reason_string }) => {
            let words = good_bye(*reason_code);
            Lost::Refused(reason_string.as_ref().map_or(words.to_owned(), |said| format!("{words} ({said:?})")))
        }
        ConnectionError::MqttState(StateError::ConnectionAborted) => Lost::Closed,
        ConnectionError::Io(error) => Lost::NoWay(error.to_string()),
        error => Lost::Other(error.to_string()),
    };
    let version = matches!(error, ConnectionError::ConnectionRefused(ConnectReturnCode::UnsupportedProtocolVersion));
    Break { foreign: version || (connecting && matches!(why, Lost::Closed | Lost::Other(_))), why }
}

/// Reason codes of CONNACK: MQTT 5, 3.2.2.2.
fn refusal(code: ConnectReturnCode) -> &'static str {
    match code {
        ConnectReturnCode::BadUserNamePassword
        | ConnectReturnCode::NotAuthorized
        | ConnectReturnCode::BadAuthenticationMethod => "refuses us: check user name and password",
        ConnectReturnCode::ClientIdentifierNotValid => "does not take our client id",
        ConnectReturnCode::UnsupportedProtocolVersion => "does not speak MQTT 5",
        ConnectReturnCode::Banned => "has shut this client out: ask who looks after it",
        ConnectReturnCode::ServerBusy => "is busy",
        ConnectReturnCode::ServerUnavailable => "is not available just now",
        ConnectReturnCode::QuotaExceeded => "allows no more clients",
        ConnectReturnCode::ConnectionRateExceeded => "is called too often",
        ConnectReturnCode::TopicNameInvalid => "does not take the topic of our status: another prefix may help",
        ConnectReturnCode::RetainNotSupported => "keeps no retained messages, and our status is one",
        ConnectReturnCode::QoSNotSupported => "takes no QoS 1, and our status needs it",
        ConnectReturnCode::UseAnotherServer | ConnectReturnCode::ServerMoved => "says that we should go to another one",
        _ => "refuses us and gives no reason: its log may",
    }
}

/// Reason codes of DISCONNECT: MQTT 5, 3.14.2.1.
fn good_bye(code: DisconnectReasonCode) -> &'static str {
    match code {
        DisconnectReasonCode::SessionTakenOver => {
            "closed the connection: another client has come under our client id; every client needs its own"
        }
        DisconnectReasonCode::ServerShuttingDown => "is shutting down",
        DisconnectReasonCode::ServerBusy => "closed the connection: it is busy",
        DisconnectReasonCode::KeepAliveTimeout => "closed the connection: it has not heard of us for too long",
        DisconnectReasonCode::NotAuthorized => "closed the connection: this client may not do what it did",
        DisconnectReasonCode::AdministrativeAction => "closed the connection: somebody asked it to",
        DisconnectReasonCode::QuotaExceeded => "closed the connection: we have used more than it allows",
        DisconnectReasonCode::MessageRateTooHigh => "closed the connection: we publish too fast for it",
        DisconnectReasonCode::PacketTooLarge => "closed the connection: a packet is too large for it",
        DisconnectReasonCode::ConnectionRateExceeded => "closed the connection: it is called too often",
        DisconnectReasonCode::MaximumConnectTime => "closed the connection: it allows none for longer",
        DisconnectReasonCode::UseAnotherServer | DisconnectReasonCode::ServerMoved => {
            "closed the connection: it says that we should go to another one"
        }
        _ => "closed the connection and gives no clear reason: its log may",
    }
}
