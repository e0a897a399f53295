//! What is remembered of nodes and their devices.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use jiff::{SignedDuration, Timestamp, ToSpan};
use plant::{Quality, Reading, TimeSource, Value};
use prost::Message as _;

use super::address::{Address, Kind};
use super::metrics::{Metrics, lacking, values};
use super::wire::{Metric, MetricValue, Payload};
use crate::decode::{Outcome, Taken};
use crate::reason::{Doubt, Problem, Reason};
use crate::settings::Outgoing;
use crate::take::Taker;

/// Nodes that are remembered. Strangers can send under any name.
const MOST_NODES: usize = 1000;
/// Devices that are remembered, of all nodes.
const MOST_DEVICES: usize = 10_000;
/// The longest name of a group, node or device that is remembered, bytes.
const LONGEST_NAME: usize = 256;
/// What births may take in all, bytes: some million aliases.
const MOST_BIRTH_BYTES: usize = 64 << 20;
/// A node is asked for its births once in so many seconds.
const ASK_EVERY: SignedDuration = SignedDuration::from_secs(60);
/// Data type of a truth value.
const BOOLEAN: u32 = 11;

/// All nodes that were heard of.
#[derive(Debug, Default)]
pub(crate) struct Nodes {
    nodes: BTreeMap<(String, String), Node>,
    room: Room,
    pub(crate) ask: bool,
    pub(crate) requests: Vec<Outgoing>,
}

#[derive(Debug, Default)]
struct Node {
    /// The number by which its death will tell which birth it belongs to.
    bd_seq: Option<u64>,
    next_seq: Option<u64>,
    own: Metrics,
    devices: BTreeMap<String, Metrics>,
    /// When it was asked for its births, by a clock that is never set back.
    asked_at: Option<Timestamp>,
}

/// How much is remembered of all nodes together.
#[derive(Debug, Default)]
struct Room {
    devices: usize,
    birth_bytes: usize,
}

impl Room {
    fn forget(&mut self, metrics: &mut Metrics) {
        self.birth_bytes -= metrics.bytes();
        metrics.forget();
    }
}

impl Node {
    /// Forgets its births and those of its devices.
    fn forget(&mut self, room: &mut Room) {
        (self.bd_seq, self.next_seq) = (None, None);
        self.all_metrics().for_each(|metrics| room.forget(metrics));
    }

    fn all_metrics(&mut self) -> impl Iterator<Item = &mut Metrics> {
        [&mut self.own].into_iter().chain(self.devices.values_mut())
    }

    fn metrics(&mut self, device: Option<&str>, room: &mut Room) -> Result<&mut Metrics, Problem> {
        let Some(device) = device else { return Ok(&mut self.own) };
        if !self.devices.contains_key(device) {
            if room.devices >= MOST_DEVICES {
                return Err(too_many("devices", MOST_DEVICES));
            }
            room.devices += 1;
        }
        Ok(self.devices.entry(device.to_owned()).or_default())
    }

    /// Whether a message's number follows the one before; says so if not.
    fn follow(&mut self, seq: Option<u64>) -> Option<Doubt> {
        let expected = self.next_seq.take();
        self.next_seq = seq.map(|seq| (seq + 1) % 256);
        // The same message once more: brought by two filters, or again after a broken connection.
        if self.next_seq == expected {
            return None;
        }
        let (expected, seq) = (expected?, seq?);
        (expected != seq).then(|| {
            let lost = (seq + 256 - expected) % 256;
            let text =
                format!("expected message {expected} of the node, message {seq} came: {lost} lost or out of order");
            Doubt { reason: Reason::SequenceGap, text }
        })
    }
}

impl Nodes {
    /// Between two connections births may have been missed.
    pub(crate) fn forget_births(&mut self) {
        self.nodes.values_mut().for_each(|node| node.forget(&mut self.room));
    }

    /// Of aliases only those were kept by name that mappings took; the others may stand for what is mapped now. Not known, they
    /// are refused and counted until the next birth, and asked for if that is allowed.
    pub(crate) fn forget_unmapped(&mut self) {
        for metrics in self.nodes.values_mut().flat_map(Node::all_metrics) {
            self.room.birth_bytes -= metrics.bytes();
            metrics.forget_unmapped();
            self.room.birth_bytes += metrics.bytes();
        }
    }

    /// What a message of a wanted node says.
    pub(crate) fn decode(&mut self, taker: &Taker<'_>, address: &Address<'_>) -> Vec<Outcome> {
        if address.kind == Kind::Command {
            return Vec::new();
        }
        let payload = match taker.payload().and_then(read) {
            Ok(payload) => payload,
            Err(problem) => return vec![taker.refused(problem)],
        };
        let (known, nodes) = (taker.map.may_know(address), self.nodes.len());
        let key = (address.group.to_owned(), address.node.to_owned());
        let node = match self.nodes.entry(key) {
            Entry::Occupied(node) => node.into_mut(),
            Entry::Vacant(_) if !known => return stranger(taker, address, &payload),
            Entry::Vacant(_) if address.longest_name() > LONGEST_NAME => return vec![taker.refused(too_long())],
            Entry::Vacant(_) if nodes >= MOST_NODES => return vec![taker.refused(too_many("nodes", MOST_NODES))],
            Entry::Vacant(place) => place.insert(Node::default()),
        };
        let room = &mut self.room;
        let outcomes = match (address.kind, address.device) {
            // Its number counts: a gap tells that something of the others was lost.
            (_, Some(_)) if !known || address.longest_name() > LONGEST_NAME => {
                let mut outcomes: Vec<Outcome> = node.follow(payload.seq).map(Outcome::Noted).into_iter().collect();
                if known {
                    outcomes.push(taker.refused(too_long()));
                } else {
                    outcomes.extend(stranger(taker, address, &payload));
                }
                outcomes
            }
            (Kind::Death, device) => death(taker, node, device, &payload, room),
            (Kind::Birth, device) => birth(taker, node, device, &payload, room),
            (_, device) => data(taker, node, device, &payload, room),
        };
        let missed = |outcome: &Outcome| match outcome {
            Outcome::Refused(refusal) => matches!(refusal.reason, Reason::NotBorn | Reason::UnknownAlias),
            Outcome::Noted(doubt) => doubt.reason == Reason::SequenceGap,
            Outcome::Taken(_) => false,
        };
        if self.ask && known && outcomes.iter().any(missed) {
            // A clock that is set back must not keep us from asking.
            let steady = taker.steady_at();
            if node.asked_at.is_none_or(|asked| steady.duration_since(asked) >= ASK_EVERY) {
                node.asked_at = Some(steady);
                self.requests.push(rebirth(address, taker.message.arrived_at));
            }
        }
        outcomes
    }
}

fn read(bytes: &[u8]) -> Result<Payload, Problem> {
    let payload = Payload::decode(bytes)
        .map_err(|error| Problem::new(Reason::NotSparkplug, format!("this is no Sparkplug B payload: {error}")))?;
    match payload.uuid.as_deref() {
        // Sparkplug's own libraries mark a compressed body so.
        Some("SPBV1.0_COMPRESSED") => Err(Problem::new(
            Reason::NotSparkplug,
            "the payload is compressed, which is not read here; switch compression off at the node",
        )),
        _ => Ok(payload),
    }
}

fn too_many(what: &str, most: usize) -> Problem {
    Problem::new(Reason::TooLarge, format!("more than {most} {what} are not remembered"))
}

fn too_long() -> Problem {
    let advice = format!("a group, node or device whose name is longer than {LONGEST_NAME} bytes is not remembered");
    Problem::new(Reason::TooLarge, advice)
}

/// What a node or device says of which no value can be of a known unit: nothing of it is remembered.
fn stranger(taker: &Taker<'_>, address: &Address<'_>, payload: &Payload) -> Vec<Outcome> {
    let mut routes = taker.map.routes(taker.message.topic);
    match routes.find_map(|(mapping, named)| taker.unit(mapping, named).err()) {
        Some(problem) => vec![taker.refused(problem)],
        None if address.kind == Kind::Death => Vec::new(),
        None => values(taker, &mut Metrics::default(), payload, address.kind == Kind::Birth),
    }
}

/// The command that asks a node for its births (Sparkplug 3.0.0, 6.4.21).
fn rebirth(address: &Address<'_>, now: Timestamp) -> Outgoing {
    let now_ms = u64::try_from(now.as_millisecond()).ok();
    let metric = Metric {
        name: Some("Node Control/Rebirth".to_owned()),
        timestamp: now_ms,
        datatype: Some(BOOLEAN),
        value: Some(MetricValue::Boolean(true)),
        ..Metric::default()
    };
    let payload = Payload { timestamp: now_ms, metrics: vec![metric], ..Payload::default() };
    Outgoing {
        topic: format!("spBv1.0/{}/NCMD/{}", address.group, address.node),
        payload: payload.encode_to_vec(),
        retain: false,
    }
}

fn birth(taker: &Taker<'_>, node: &mut Node, device: Option<&str>, payload: &Payload, room: &mut Room) -> Vec<Outcome> {
    if taker.message.retained {
        let advice = "a birth is not retained (Sparkplug 3.0.0, 6.4.17): nobody knows which session this one is of";
        return vec![taker.refused(Problem::new(Reason::Untimed, advice))];
    }
    let mut outcomes = Vec::new();
    if device.is_none() {
        // A new session of the node: its devices are to be born again.
        node.forget(room);
        node.next_seq = payload.seq.map(|seq| (seq + 1) % 256);
        node.bd_seq = bd_seq(payload);
    } else {
        outcomes.extend(node.follow(payload.seq).map(Outcome::Noted));
    }
    let metrics = match node.metrics(device, room) {
        Ok(metrics) => metrics,
        Err(problem) => return vec![taker.refused(problem)],
    };
    room.forget(metrics);
    metrics.learn(taker, payload);
    if room.birth_bytes + metrics.bytes() > MOST_BIRTH_BYTES {
        metrics.forget();
        let advice = format!("births of more than {} MiB in all are not remembered", MOST_BIRTH_BYTES >> 20);
        return vec![taker.refused(Problem::new(Reason::TooLarge, advice))];
    }
    room.birth_bytes += metrics.bytes();
    outcomes.extend(lacking(taker, payload));
    outcomes.extend(values(taker, metrics, payload, true));
    outcomes
}

fn bd_seq(payload: &Payload) -> Option<u64> {
    let metric = payload.metrics.iter().find(|metric| metric.name.as_deref() == Some("bdSeq"))?;
    match metric.value {
        Some(MetricValue::Long(number)) => Some(number),
        Some(MetricValue::Int(number)) => Some(number.into()),
        _ => None,
    }
}

fn data(taker: &Taker<'_>, node: &mut Node, device: Option<&str>, payload: &Payload, room: &mut Room) -> Vec<Outcome> {
    let mut outcomes: Vec<Outcome> = node.follow(payload.seq).map(Outcome::Noted).into_iter().collect();
    match node.metrics(device, room) {
        Ok(metrics) => outcomes.extend(values(taker, metrics, payload, false)),
        Err(problem) => outcomes.push(taker.refused(problem)),
    }
    outcomes
}

fn death(taker: &Taker<'_>, node: &mut Node, device: Option<&str>, payload: &Payload, room: &mut Room) -> Vec<Outcome> {
    if let Some(device) = device {
        let mut outcomes: Vec<Outcome> = node.follow(payload.seq).map(Outcome::Noted).into_iter().collect();
        if let Some(metrics) = node.devices.get_mut(device) {
            room.forget(metrics);
            outcomes.extend(ended(taker, metrics));
        }
        return outcomes;
    }
    if let (Some(born), Some(died)) = (node.bd_seq, bd_seq(payload))
        && born != died
    {
        let text = format!("the death of session {died} came while session {born} lives; ignored");
        return vec![Outcome::Noted(Doubt { reason: Reason::OldDeath, text })];
    }
    node.forget(room);
    node.all_metrics().flat_map(|metrics| ended(taker, metrics)).collect()
}

/// Nobody knows any more what the signals are that had told something.
fn ended(taker: &Taker<'_>, metrics: &mut Metrics) -> Vec<Outcome> {
    let ended = std::mem::take(&mut metrics.told).into_iter().map(|((unit, signal), last)| {
        let text = "the node or device has died; its values are unknown from here on".to_owned();
        let mut doubts = vec![Doubt { reason: Reason::Died, text }];
        let (arrived, time_source) = taker.arrival(&mut doubts);
        // The node's clock may run ahead of ours; its last value would outlive it.
        let after = if time_source == TimeSource::Unknown {
            last
        } else {
            last.saturating_add(1.microsecond()).unwrap_or(last)
        };
        let at = arrived.max(after);
        let reading = Reading { unit, signal, at, value: Value::Missing, quality: Quality::Bad, time_source };
        Outcome::Taken(Taken { reading, raw: "died".to_owned(), doubts })
    });
    ended.collect()
}
