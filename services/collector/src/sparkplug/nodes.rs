//! What is remembered of nodes and their devices.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp, ToSpan};
use plant::{Quality, Reading, TimeSource, Value};
use prost::Message as _;

use super::address::{Address, Kind};
use super::metrics::{Metrics, lacking, routes, values};
use super::wire::{Metric, MetricValue, Payload};
use crate::decode::{Outcome, Taken};
use crate::reason::{Doubt, Problem, Reason};
use crate::settings::Outgoing;
use crate::take::Taker;

/// Nodes, and devices of one node, that are remembered. Strangers can send under any name.
const MOST_NODES: usize = 1000;
/// Aliases that are remembered in all.
const MOST_ALIASES: usize = 1_000_000;
/// A node is asked for its births once in so many seconds.
const ASK_EVERY: SignedDuration = SignedDuration::from_secs(60);
/// Data type of a truth value.
const BOOLEAN: u32 = 11;

/// All nodes that were heard of.
#[derive(Debug, Default)]
pub(crate) struct Nodes {
    nodes: BTreeMap<(String, String), Node>,
    aliases: usize,
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
    asked_at: Option<Timestamp>,
}

impl Node {
    fn forget(&mut self) -> usize {
        (self.bd_seq, self.next_seq) = (None, None);
        self.own.forget() + self.devices.values_mut().map(Metrics::forget).sum::<usize>()
    }

    fn metrics(&mut self, device: Option<&str>) -> Option<&mut Metrics> {
        let Some(device) = device else { return Some(&mut self.own) };
        if !self.devices.contains_key(device) && self.devices.len() >= MOST_NODES {
            return None;
        }
        Some(self.devices.entry(device.to_owned()).or_default())
    }

    /// Whether a message's number follows the one before; says so if not.
    fn follow(&mut self, seq: Option<u64>) -> Option<Doubt> {
        let expected = self.next_seq.take();
        self.next_seq = seq.map(|seq| (seq + 1) % 256);
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
        self.nodes.values_mut().for_each(|node| _ = node.forget());
        self.aliases = 0;
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
        let key = (address.group.to_owned(), address.node.to_owned());
        if !self.nodes.contains_key(&key) && self.nodes.len() >= MOST_NODES {
            return vec![taker.refused(too_many("nodes", MOST_NODES))];
        }
        let node = self.nodes.entry(key).or_default();
        let outcomes = match (address.kind, address.device) {
            (Kind::Death, device) => death(taker, node, device, &payload, &mut self.aliases),
            (Kind::Birth, device) => birth(taker, node, device, &payload, &mut self.aliases),
            (_, device) => data(taker, node, device, &payload),
        };
        let missed = |outcome: &Outcome| match outcome {
            Outcome::Refused(refusal) => matches!(refusal.reason, Reason::NotBorn | Reason::UnknownAlias),
            Outcome::Noted(doubt) => doubt.reason == Reason::SequenceGap,
            Outcome::Taken(_) => false,
        };
        if self.ask && outcomes.iter().any(missed) {
            let now = taker.message.arrived_at;
            if node.asked_at.is_none_or(|asked| now.duration_since(asked) >= ASK_EVERY) {
                node.asked_at = Some(now);
                self.requests.push(rebirth(address, now));
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

fn birth(
    taker: &Taker<'_>,
    node: &mut Node,
    device: Option<&str>,
    payload: &Payload,
    known: &mut usize,
) -> Vec<Outcome> {
    if taker.message.retained {
        let advice = "a birth is not retained (Sparkplug 3.0.0, 6.4.17): nobody knows which session this one is of";
        return vec![taker.refused(Problem::new(Reason::Untimed, advice))];
    }
    let mut outcomes = Vec::new();
    if device.is_none() {
        // A new session of the node: its devices are to be born again.
        *known -= node.forget();
        node.next_seq = payload.seq.map(|seq| (seq + 1) % 256);
        node.bd_seq = bd_seq(payload);
    } else {
        outcomes.extend(node.follow(payload.seq).map(Outcome::Noted));
    }
    let Some(metrics) = node.metrics(device) else {
        return vec![taker.refused(too_many("devices of a node", MOST_NODES))];
    };
    *known -= metrics.forget();
    let aliases = payload.metrics.iter().filter(|metric| metric.alias.is_some()).count();
    if *known + aliases > MOST_ALIASES {
        return vec![taker.refused(too_many("aliases", MOST_ALIASES))];
    }
    metrics.born = true;
    for metric in &payload.metrics {
        let Some(name) = metric.name.as_deref() else { continue };
        let name: Option<Arc<str>> = routes(taker, name).next().is_some().then(|| name.into());
        if let (Some(name), Some(datatype)) = (&name, metric.datatype) {
            metrics.types.insert(name.clone(), datatype);
        }
        if let Some(alias) = metric.alias {
            metrics.aliases.insert(alias, name);
        }
    }
    *known += metrics.aliases.len();
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

fn data(taker: &Taker<'_>, node: &mut Node, device: Option<&str>, payload: &Payload) -> Vec<Outcome> {
    let mut outcomes: Vec<Outcome> = node.follow(payload.seq).map(Outcome::Noted).into_iter().collect();
    match node.metrics(device) {
        Some(metrics) => outcomes.extend(values(taker, metrics, payload, false)),
        None => outcomes.push(taker.refused(too_many("devices of a node", MOST_NODES))),
    }
    outcomes
}

fn death(
    taker: &Taker<'_>,
    node: &mut Node,
    device: Option<&str>,
    payload: &Payload,
    known: &mut usize,
) -> Vec<Outcome> {
    if device.is_some() {
        let mut outcomes: Vec<Outcome> = node.follow(payload.seq).map(Outcome::Noted).into_iter().collect();
        if let Some(metrics) = node.metrics(device) {
            *known -= metrics.forget();
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
    *known -= node.forget();
    [&mut node.own].into_iter().chain(node.devices.values_mut()).flat_map(|metrics| ended(taker, metrics)).collect()
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
