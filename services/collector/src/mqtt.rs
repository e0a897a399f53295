//! What the session says and hears, whichever version of MQTT the broker speaks. `mqtt/` alone knows the client.

mod v311;
mod v5;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use tokio::time::timeout;

use crate::settings::{Outgoing, Protocol, Settings};

/// A connection must stand within this time, s; TLS within a little less, so that its reason is known by then.
const CONNECTED_WITHIN_S: u64 = 15;
/// Own messages that the broker has not confirmed yet.
const OUTGOING_UNCONFIRMED: u16 = 100;
/// A ping is due within the keep-alive and the client says so; if it says nothing so much longer it is stuck in writing.
const STUCK: Duration = Duration::from_secs(CONNECTED_WITHIN_S + 5);

/// A message of the broker that is to be acknowledged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Packet {
    id: u16,
    /// QoS 2, which a broker sends only for a subscription that was not ours.
    exactly_once: bool,
}

/// What came of the connection.
#[derive(Debug)]
pub(crate) enum Heard {
    Connected(Welcome),
    Message(Message),
    /// The answer to a subscription, filter by filter.
    Granted(Vec<Grant>),
    /// A message of ours that the broker did not take, and why.
    NotTaken(&'static str),
    /// Our good-bye is written.
    Left,
    Nothing,
}

/// What the broker says to a new connection.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Welcome {
    pub(crate) session_present: bool,
    /// It keeps the session only so long after we are gone, s; `None` if as long as we ask, which is for ever.
    pub(crate) kept_s: Option<u32>,
}

/// A message of the broker.
#[derive(Debug)]
pub(crate) struct Message {
    /// `None` for QoS 0.
    pub(crate) packet: Option<Packet>,
    pub(crate) topic: String,
    /// Of a payload that is too large only enough to see that: a flood of large ones costs no memory.
    pub(crate) payload: Vec<u8>,
    /// It was kept at the broker and is not new.
    pub(crate) retained: bool,
}

/// What a broker says to one filter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Grant {
    Full,
    Qos0,
    /// With what would help.
    Refused(&'static str),
}

/// Why a connection ended, or could not be made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Lost {
    /// A packet is larger than what we take.
    TooLarge,
    /// The broker said no, in words that follow "the broker".
    Refused(String),
    /// The broker closed the connection and said nothing.
    Closed,
    /// There was no way to it.
    NoWay(String),
    Other(String),
}

/// A broken connection, or one that was not made.
#[derive(Debug)]
pub(crate) struct Break {
    pub(crate) why: Lost,
    /// What a broker does that does not speak this version.
    foreign: bool,
}

/// The side that speaks. Cheap to clone.
#[derive(Clone)]
pub(crate) struct Client {
    v311: v311::Client,
    v5: v5::Client,
    speaks_5: Arc<AtomicBool>,
}

/// The side that listens. One task owns it and polls it.
pub(crate) struct Line {
    v311: v311::Line,
    v5: v5::Line,
    speaks_5: Arc<AtomicBool>,
    protocol: Protocol,
    online: bool,
    /// No poll takes longer.
    patience: Duration,
}

/// Both sides of a connection that is not yet made.
pub(crate) fn open(settings: &Settings) -> (Client, Line) {
    let speaks_5 = Arc::new(AtomicBool::new(settings.protocol != Protocol::V311));
    let (talk_311, v311) = v311::open(settings);
    let (talk_5, v5) = v5::open(settings);
    let patience = Duration::from_secs(settings.keep_alive_s.into()) + STUCK;
    let client = Client { v311: talk_311, v5: talk_5, speaks_5: speaks_5.clone() };
    (client, Line { v311, v5, speaks_5, protocol: settings.protocol, online: false, patience })
}

/// Room for what is to be sent. Acknowledgements must never find it full for long: it holds two windows of them.
fn room(settings: &Settings) -> usize {
    settings.window * 2 + 256
}

/// Of a payload so many bytes are kept, bytes.
fn most_kept(settings: &Settings) -> usize {
    settings.limits.max_payload_bytes + 1
}

impl Client {
    /// Puts one acknowledgement on its way; `false` if there is no room for it just now.
    pub(crate) fn acknowledge(&self, packet: &Packet) -> bool {
        if self.is_5() { self.v5.acknowledge(packet) } else { self.v311.acknowledge(packet) }
    }

    /// Subscribes with QoS 1; `false` if there is no room for it just now.
    pub(crate) fn subscribe(&self, filters: &[String]) -> bool {
        if self.is_5() { self.v5.subscribe(filters) } else { self.v311.subscribe(filters) }
    }

    /// Leaves a subscription; `false` if there is no room for it just now.
    pub(crate) fn unsubscribe(&self, filter: &str) -> bool {
        if self.is_5() { self.v5.unsubscribe(filter) } else { self.v311.unsubscribe(filter) }
    }

    /// Puts a message on its way, with QoS 1 or else 0; `false` if there is no room for it just now.
    pub(crate) fn try_publish(&self, message: Outgoing, protected: bool) -> bool {
        if self.is_5() { self.v5.try_publish(message, protected) } else { self.v311.try_publish(message, protected) }
    }

    /// Publishes with QoS 1 as soon as there is room; `false` if that topic cannot be.
    pub(crate) async fn publish(&self, message: Outgoing) -> bool {
        if self.is_5() { self.v5.publish(message).await } else { self.v311.publish(message).await }
    }

    /// Says good-bye, after what was put on its way before.
    pub(crate) async fn leave(&self) -> bool {
        if self.is_5() { self.v5.leave().await } else { self.v311.leave().await }
    }

    fn is_5(&self) -> bool {
        self.speaks_5.load(Ordering::Acquire)
    }
}

impl Line {
    pub(crate) fn is_online(&self) -> bool {
        self.online
    }

    /// The version that is spoken, or tried.
    pub(crate) fn version(&self) -> &'static str {
        if self.is_5() { "5" } else { "3.1.1" }
    }

    /// From now on connections go through this socket.
    pub(crate) fn through(&mut self, socket: &str, settings: &Settings) {
        self.v311.through(socket, settings);
        self.v5.through(socket, settings);
    }

    /// Connects if need be, and waits for what comes. Not to be called again before it has returned.
    pub(crate) async fn poll(&mut self) -> Result<Heard, Break> {
        let polled =
            async { if self.speaks_5.load(Ordering::Acquire) { self.v5.poll().await } else { self.v311.poll().await } };
        let heard = timeout(self.patience, polled).await.unwrap_or_else(|_| {
            Err(Break { why: Lost::Other("the broker takes nothing any more".to_owned()), foreign: false })
        });
        if let Ok(Heard::Connected(_)) = heard {
            self.online = true;
        }
        heard
    }

    /// Forgets a connection that broke: what it brought and was not seen, acknowledgements that were not sent, and what we said and
    /// was not sent. What was sent and not confirmed is sent again in the next one.
    pub(crate) fn forget(&mut self) {
        self.online = false;
        if self.is_5() {
            self.v5.forget();
        } else {
            self.v311.forget();
        }
    }

    /// Takes the other version for the next try, if a broker that does not speak this one would have ended the connection
    /// so, and the version is left to us.
    pub(crate) fn reconsider(&mut self, broken: &Break) {
        if broken.foreign && self.protocol == Protocol::Auto {
            self.speaks_5.fetch_xor(true, Ordering::AcqRel);
        }
    }

    /// Closes the connection.
    pub(crate) fn close(&mut self) {
        self.v311.close();
        self.v5.close();
    }

    fn is_5(&self) -> bool {
        self.speaks_5.load(Ordering::Acquire)
    }
}
