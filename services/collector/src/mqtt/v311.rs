//! MQTT 3.1.1.

use std::time::Duration;

use rumqttc::mqttbytes::Error::PayloadSizeLimitExceeded;
use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, EventLoop, Incoming, LastWill, MqttOptions, Publish, QoS,
    Request, StateError, SubscribeFilter, SubscribeReasonCode, Transport,
};

use super::{
    Break, CONNECTED_WITHIN_S, Grant, Heard, Lost, Message, OUTGOING_UNCONFIRMED, Packet, Welcome, most_kept, room,
};
use crate::settings::{Outgoing, Settings};

/// The largest packet there is, bytes (MQTT 3.1.1, 2.2.3). What we send ourselves is small.
const LARGEST_PACKET: usize = 268_435_460;

#[derive(Clone)]
pub(super) struct Client(AsyncClient);

pub(super) struct Line {
    eventloop: EventLoop,
    most_kept: usize,
}

pub(super) fn open(settings: &Settings) -> (Client, Line) {
    let (client, mut eventloop) = AsyncClient::new(options(settings, ""), room(settings));
    let mut network = eventloop.network_options();
    network.set_connection_timeout(CONNECTED_WITHIN_S).set_tcp_nodelay(true);
    eventloop.set_network_options(network);
    (Client(client), Line { eventloop, most_kept: most_kept(settings) })
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
        .set_max_packet_size(settings.max_packet_bytes, LARGEST_PACKET);
    if let Some(username) = &settings.username {
        options.set_credentials(username, settings.password.clone().unwrap_or_default());
    }
    if let Some(status) = &settings.status {
        options.set_last_will(LastWill::new(&status.topic, status.offline.clone(), QoS::AtLeastOnce, true));
    }
    options
}

impl Client {
    pub(super) fn acknowledge(&self, packet: &Packet) -> bool {
        let qos = if packet.exactly_once { QoS::ExactlyOnce } else { QoS::AtLeastOnce };
        let mut publish = Publish::new("", qos, Vec::new());
        publish.pkid = packet.id;
        self.0.try_ack(&publish).is_ok()
    }

    pub(super) fn subscribe(&self, filters: &[String]) -> bool {
        let filters = filters.iter().map(|filter| SubscribeFilter::new(filter.clone(), QoS::AtLeastOnce));
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
        self.eventloop.mqtt_options = options(settings, socket);
    }

    pub(super) async fn poll(&mut self) -> Result<Heard, Break> {
        let connecting = self.eventloop.network.is_none();
        let event = self.eventloop.poll().await.map_err(|error| explain(&error, connecting))?;
        Ok(match event {
            Event::Incoming(Incoming::Publish(publish)) => Heard::Message(self.message(publish)),
            Event::Incoming(Incoming::ConnAck(ack)) => {
                Heard::Connected(Welcome { session_present: ack.session_present, kept_s: None })
            }
            Event::Incoming(Incoming::SubAck(ack)) => Heard::Granted(ack.return_codes.iter().map(grant).collect()),
            Event::Outgoing(rumqttc::Outgoing::Disconnect) => Heard::Left,
            _ => Heard::Nothing,
        })
    }

    fn message(&self, publish: Publish) -> Message {
        let exactly_once = publish.qos == QoS::ExactlyOnce;
        let packet = (publish.qos != QoS::AtMostOnce).then_some(Packet { id: publish.pkid, exactly_once });
        let payload = publish.payload[..publish.payload.len().min(self.most_kept)].to_vec();
        Message { packet, topic: publish.topic, payload, retained: publish.retain }
    }

    /// `clean` drops acknowledgements and keeps what we publish, but not in a state that can go on.
    pub(super) fn forget(&mut self) {
        self.eventloop.clean();
        self.eventloop.state.events.clear();
        // A publish that waited for its number to come free would wait for ever.
        self.eventloop.state.collision = None;
        // What has no number yet was never sent: it may be hours old when the next connection stands, and whoever said it says it
        // anew, as it is then.
        self.eventloop.pending.retain(is_under_way);
    }

    pub(super) fn close(&mut self) {
        self.eventloop.clean();
    }
}

/// Whether a request has gone out with a number, under which it must go out again (MQTT 3.1.1, 4.4).
fn is_under_way(request: &Request) -> bool {
    match request {
        Request::Publish(publish) => publish.pkid != 0,
        request => matches!(request, Request::PubRel(_) | Request::Disconnect(_)),
    }
}

fn grant(code: &SubscribeReasonCode) -> Grant {
    match code {
        SubscribeReasonCode::Success(QoS::AtMostOnce) => Grant::Qos0,
        SubscribeReasonCode::Success(_) => Grant::Full,
        SubscribeReasonCode::Failure => Grant::Refused("give this client the right to read it"),
    }
}

fn explain(error: &ConnectionError, connecting: bool) -> Break {
    let why = match error {
        ConnectionError::MqttState(StateError::Deserialization(PayloadSizeLimitExceeded(_))) => Lost::TooLarge,
        ConnectionError::ConnectionRefused(code) => Lost::Refused(refusal(*code).to_owned()),
        ConnectionError::MqttState(StateError::ConnectionAborted) => Lost::Closed,
        ConnectionError::Io(error) => Lost::NoWay(error.to_string()),
        error => Lost::Other(error.to_string()),
    };
    let version = matches!(error, ConnectionError::ConnectionRefused(ConnectReturnCode::RefusedProtocolVersion));
    Break { foreign: version || (connecting && matches!(why, Lost::Closed | Lost::Other(_))), why }
}

fn refusal(code: ConnectReturnCode) -> &'static str {
    match code {
        ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => {
            "refuses us: check user name and password"
        }
        ConnectReturnCode::BadClientId => "does not take our client id",
        ConnectReturnCode::RefusedProtocolVersion => "does not speak MQTT 3.1.1",
        _ => "is not available just now",
    }
}
