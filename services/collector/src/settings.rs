//! What the session needs to know.

use std::fmt;
use std::sync::Arc;

use tokio::sync::watch;

use crate::belief::Belief;
use crate::decode::Limits;
use crate::mapping::TopicMap;
use crate::pattern::covers;
use crate::tls::{Tls, TlsError};

/// Which version of MQTT is spoken. What is promised is the same in both.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Protocol {
    /// 5; and 3.1.1 with a broker that refuses 5, or ends every connection in it unanswered.
    Auto,
    /// 5 only. The broker says why it refuses something.
    V5,
    /// 3.1.1 only.
    V311,
}

/// The session at the broker.
#[derive(Clone, PartialEq)]
pub struct Settings {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Which version of MQTT is spoken.
    pub protocol: Protocol,
    /// Client id; the broker keeps the session under it, so it stays the same for ever and is nobody else's.
    pub client_id: String,
    /// Whether and how the connection is encrypted.
    pub tls: Option<Tls>,
    /// User name, if the broker wants one.
    pub username: Option<String>,
    /// Password, if the broker wants one.
    pub password: Option<String>,
    /// A ping after so many seconds, 1 or more (5 or more with MQTT 5); without an answer the connection counts as lost.
    pub keep_alive_s: u16,
    /// Whether the broker keeps the session while we are away. `false` for a listener that only looks.
    pub keep_session: bool,
    /// How many unacknowledged messages the broker sends at most (20 in a usual broker). A commit waits a moment for
    /// so many; if the broker sends fewer, each group waits a millisecond or two in vain.
    pub window: usize,
    /// Most messages in one commit, at least `window`.
    pub batch: usize,
    /// Largest packet taken from the broker, bytes. A larger one breaks the connection and comes again; let this be
    /// well above `limits.max_payload_bytes`, beyond which a message is refused and done with.
    pub max_packet_bytes: usize,
    /// What a message may be.
    pub limits: Limits,
    /// The name under which several collectors share what arrives, each message going to one of them; `None` for all of it.
    /// A broker sends no retained messages to a share.
    pub share: Option<String>,
    /// Topic filters that an earlier session under this client id may have left at the broker, see [`Settings::filters_of`].
    pub former: Vec<String>,
    /// Topic filters besides those of the mappings: for a listener that looks for what is not mapped yet.
    pub more_filters: Vec<String>,
    /// How the service shows whether it is there; `None` for a listener that only looks.
    pub status: Option<Status>,
}

/// How messages are read. It may change while the session lasts.
#[derive(Debug, Clone)]
pub struct Terms {
    /// Which topic speaks of what.
    pub map: TopicMap,
    /// When readings are doubted.
    pub belief: Belief,
    /// Whether Sparkplug nodes whose births were missed are sent a command to repeat them.
    pub ask_rebirth: bool,
}

impl Terms {
    /// Terms that stay as they are, for [`crate::run`].
    pub fn for_good(self) -> watch::Receiver<Arc<Terms>> {
        watch::channel(Arc::new(self)).1
    }
}

/// The retained message by which others see whether the service is there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Status {
    /// Its topic. `<topic>/fence/<client id>` is used too, to tell a backlog from live messages.
    pub topic: String,
    /// The payload while the service is there.
    pub online: Vec<u8>,
    /// The payload when it has left, also published by the broker if the connection breaks (the will).
    pub offline: Vec<u8>,
}

impl Status {
    pub(crate) fn fence_topic(&self, client_id: &str) -> String {
        format!("{}/fence/{client_id}", self.topic)
    }
}

/// A message to publish with QoS 1 over the same connection.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outgoing {
    /// Topic.
    pub topic: String,
    /// Payload.
    pub payload: Vec<u8>,
    /// Whether the broker keeps it for those who come later.
    pub retain: bool,
}

/// Why the session cannot begin, or had to end.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SessionError {
    /// A setting is out of its range.
    #[error("{key} is {value}; right would be {right}")]
    Setting {
        /// Which.
        key: &'static str,
        /// What it is.
        value: String,
        /// What it should be.
        right: &'static str,
    },
    /// TLS is asked for and its files do not serve.
    #[error(transparent)]
    Tls(#[from] TlsError),
    /// A part of the session stopped by itself, which is a fault of this program.
    #[error("the session stopped by itself: {0}")]
    Stopped(String),
}

impl Settings {
    /// The topic filters that a session subscribes to under these terms.
    pub fn filters_of(&self, terms: &Terms) -> Vec<String> {
        self.filters(terms.map.filters())
    }

    /// The topic filters of mappings and more, without those that another one covers, as this session subscribes to them
    /// (shares: MQTT 5.0, 4.8.2).
    pub(crate) fn filters(&self, mapped: Vec<String>) -> Vec<String> {
        let more = self.more_filters.iter().filter(|more| !mapped.contains(more));
        let all: Vec<&String> = mapped.iter().chain(more).collect();
        let covered = |filter: &str| all.iter().any(|other| *other != filter && covers(other, filter));
        let shared = |filter: &String| match &self.share {
            None => filter.clone(),
            Some(share) => format!("$share/{share}/{filter}"),
        };
        all.iter().filter(|filter| !covered(filter)).map(|filter| shared(filter)).collect()
    }

    /// Checks every setting.
    ///
    /// # Errors
    /// [`SessionError::Setting`] for the first one that is out of its range, [`SessionError::Tls`] if a file does not serve.
    pub fn check(&self) -> Result<(), SessionError> {
        let plain_topic = |topic: &str| !topic.is_empty() && !topic.contains(['+', '#', '\0']) && topic.len() < 60_000;
        let no_topic = |text: &str| text.is_empty() || text.contains(['+', '#', '/', '\0']) || text.len() > 200;
        let wrong =
            |key, value: &dyn fmt::Debug, right| Err(SessionError::Setting { key, value: format!("{value:?}"), right });
        if self.host.trim().is_empty() {
            return wrong("host", &self.host, "a host name or address");
        }
        if self.port == 0 {
            return wrong("port", &self.port, "1 to 65535, usually 1883");
        }
        if no_topic(&self.client_id) || self.client_id.trim() != self.client_id {
            return wrong("client_id", &self.client_id, "1 to 200 bytes without '/', '+', '#' and outer spaces");
        }
        if let Some(share) = &self.share
            && no_topic(share)
        {
            return wrong("share", share, "1 to 200 bytes without '/', '+' and '#'");
        }
        if self.password.is_some() && self.username.is_none() {
            return wrong("username", &self.username, "given where a password is (MQTT 3.1.1, 3.1.2.9)");
        }
        if self.keep_alive_s == 0 {
            return wrong("keep_alive_s", &self.keep_alive_s, "1 to 65535 s");
        }
        if self.window == 0 || self.window > 65_535 {
            return wrong("window", &self.window, "1 to 65535 messages");
        }
        if self.batch < self.window || self.batch > 100_000 {
            return wrong("batch", &self.batch, "window to 100000 messages");
        }
        if !(1024..=268_435_460).contains(&self.max_packet_bytes) {
            return wrong("max_packet_bytes", &self.max_packet_bytes, "1024 to 268435460 bytes");
        }
        if self.limits.max_payload_bytes == 0 || self.limits.max_payload_bytes >= self.max_packet_bytes {
            return wrong(
                "max_payload_bytes",
                &self.limits.max_payload_bytes,
                "1 or more bytes, less than max_packet_bytes",
            );
        }
        if let Some(status) = &self.status
            && !plain_topic(&status.topic)
        {
            return wrong("status topic", &status.topic, "a topic without '+' and '#'");
        }
        Ok(self.tls.as_ref().map_or(Ok(()), |tls| tls.check(&self.host))?)
    }
}

impl fmt::Debug for Settings {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let password = self.password.as_ref().map(|_| "(not shown)");
        f.debug_struct("Settings")
            .field("host", &self.host)
            .field("port", &self.port)
            .field("protocol", &self.protocol)
            .field("client_id", &self.client_id)
            .field("tls", &self.tls)
            .field("username", &self.username)
            .field("password", &password)
            .field("keep_alive_s", &self.keep_alive_s)
            .field("keep_session", &self.keep_session)
            .field("window", &self.window)
            .field("batch", &self.batch)
            .field("max_packet_bytes", &self.max_packet_bytes)
            .field("limits", &self.limits)
            .field("share", &self.share)
            .field("former", &self.former)
            .field("more_filters", &self.more_filters)
            .field("status", &self.status)
            .finish()
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Settings for a broker on the loopback.
    pub(crate) fn settings(port: u16) -> Settings {
        Settings {
            host: "127.0.0.1".into(),
            port,
            protocol: Protocol::Auto,
            client_id: "collector-test".into(),
            tls: None,
            username: None,
            password: None,
            keep_alive_s: 5,
            keep_session: true,
            window: 20,
            batch: 500,
            max_packet_bytes: 262_144,
            limits: Limits::USUAL,
            share: None,
            former: Vec::new(),
            more_filters: Vec::new(),
            status: Some(Status {
                topic: "gc/status".into(),
                online: b"online".to_vec(),
                offline: b"offline".to_vec(),
            }),
        }
    }

    #[test]
    fn a_setting_out_of_range_is_named_with_what_is_right() {
        assert_eq!(settings(1883).check(), Ok(()));
        type Break = fn(&mut Settings);
        let wrong: [(&str, Break); 10] = [
            ("host", |s| s.host.clear()),
            ("port", |s| s.port = 0),
            ("client_id", |s| s.client_id = " x".into()),
            ("client_id", |s| s.client_id = "a/b".into()),
            ("share", |s| s.share = Some("a/b".into())),
            ("username", |s| s.password = Some("secret".into())),
            ("keep_alive_s", |s| s.keep_alive_s = 0),
            ("window", |s| s.window = 0),
            ("batch", |s| s.batch = 19),
            ("max_payload_bytes", |s| s.max_packet_bytes = 65_536),
        ];
        for (key, break_it) in wrong {
            let mut broken = settings(1883);
            break_it(&mut broken);
            assert!(broken.check().unwrap_err().to_string().contains(key), "{key} was taken");
        }
    }

    #[test]
    fn a_wider_filter_takes_the_place_of_what_it_covers() {
        let mut with = settings(1883);
        with.more_filters = vec!["p/#".into(), "q/+".into()];
        assert_eq!(with.filters(vec!["p/+/t".into(), "x/t".into()]), ["x/t", "p/#", "q/+"]);
        (with.share, with.more_filters) = (Some("mill".into()), Vec::new());
        assert_eq!(with.filters(vec!["x/t".into()]), ["$share/mill/x/t"]);
    }

    #[test]
    fn a_password_is_not_shown() {
        let mut with = settings(1883);
        (with.username, with.password) = (Some("plant".into()), Some("hunter2".into()));
        assert!(!format!("{with:?}").contains("hunter2"));
    }
}
