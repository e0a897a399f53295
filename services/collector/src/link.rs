//! How the link to the broker stands.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// Whether the broker is there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LinkState {
    /// The first try is under way.
    Connecting,
    /// Connected.
    Online,
    /// Not connected; tries go on.
    Offline {
        /// The latest error, and what may help.
        error: String,
    },
    /// The service has left in good order.
    Closed,
}

/// The link, as health checks and pages show it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Link {
    /// Whether the broker is there.
    pub state: LinkState,
    /// Since when; `None` before the first try.
    pub since: Option<Timestamp>,
    /// Which version of MQTT the connection speaks; `None` before the first.
    pub version: Option<String>,
    /// The broker still knew us at the last connection.
    pub session_present: bool,
    /// How often a connection was made.
    pub connections: u64,
    /// How often, after the first connection, the broker had forgotten the session: messages in between are lost.
    pub sessions_lost: u64,
    /// Messages held that are not acknowledged.
    pub unacknowledged: usize,
    /// Messages without a time are taken as old just now, because they may have waited at the broker.
    pub backlog: bool,
    /// Topic filters that the broker refused: nothing comes by them.
    pub refused_filters: Vec<String>,
    /// Topic filters that the broker granted with QoS 0 only: what is lost on the way is lost.
    pub qos0_filters: Vec<String>,
    /// When readings were last made durable.
    pub last_commit_at: Option<Timestamp>,
    /// Why readings cannot be made durable, and since when; tries go on, and nothing is acknowledged meanwhile.
    pub commit_error: Option<CommitError>,
}

/// A commit that does not work.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CommitError {
    /// Since when.
    pub since: Timestamp,
    /// The latest error.
    pub error: String,
}

impl Link {
    /// Connected, and commits work.
    pub fn is_ready(&self) -> bool {
        self.state == LinkState::Online && self.commit_error.is_none()
    }
}

impl Default for Link {
    fn default() -> Self {
        Self {
            state: LinkState::Connecting,
            since: None,
            version: None,
            session_present: false,
            connections: 0,
            sessions_lost: 0,
            unacknowledged: 0,
            backlog: false,
            refused_filters: Vec::new(),
            qos0_filters: Vec::new(),
            last_commit_at: None,
            commit_error: None,
        }
    }
}
