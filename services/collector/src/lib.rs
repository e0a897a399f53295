//! MQTT in: session, decoding, acknowledgement after commit.
//!
//! ```text
//! PUBLISH QoS 1 -> session -> bounded channel -> decode -> commit (the caller's, durable) -> acknowledge, in order
//! ```
//!
//! - [`TopicMap`] says which topic speaks of which unit and signal, and in which unit of measure.
//! - [`Decoder`] turns messages into readings or refusals: bare numbers, JSON, Sparkplug B, OPC UA PubSub. It has no clock.
//! - [`run`] holds the session: a message is acknowledged after its readings are durable, in order of receipt, in the
//!   connection that brought it. What was not acknowledged is brought again by the broker, and the journal drops
//!   readings that it already has.
//! - [`Arrivals`] counts what comes, what does not and why, and knows how the link stands.
//!
//! Rights that the service needs at the broker: read its topic filters; write the status topic and what it publishes;
//! write and read `<status topic>/fence/<client id>`, by which it tells a backlog from live messages.

mod arrivals;
mod backoff;
mod belief;
mod committer;
mod connection;
mod decode;
mod document;
mod fence;
mod json;
mod link;
mod mapping;
mod mqtt;
mod opcua;
mod pattern;
mod payload;
mod pointer;
mod pulse;
mod quality;
mod reason;
mod session;
#[cfg(test)]
mod session_tests;
mod settings;
mod sparkplug;
mod stamp;
mod steady;
mod subscriptions;
mod take;
mod talk;
mod tls;
mod together;
mod track;
mod tunnel;
mod value;
mod window;

pub use arrivals::{Arrivals, ArrivalsReport, Specimen, Totals};
pub use belief::{Belief, Limit, Turning, UnitBelief};
pub use committer::Committed;
pub use decode::{Decoder, Limits, Message, Outcome, Taken};
pub use link::{CommitError, Link, LinkState};
pub use mapping::{MapError, Mapping, TopicMap};
pub use pattern::{BadPattern, Pattern};
pub use payload::{Entry, Payload, QualityField, TimeField};
pub use pointer::{BadPointer, Pointer};
pub use pulse::Pulse;
pub use quality::QualityRule;
pub use reason::{Doubt, Reason, Refusal};
pub use session::run;
pub use settings::{Outgoing, Protocol, SessionError, Settings, Status, Terms};
pub use stamp::TimeFormat;
pub use tls::{ClientFiles, Tls, TlsError};
