//! The metrics of one node or device: what its birth said of them, and their values.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use jiff::Timestamp;
use plant::{Signal, UnitId};

use super::metric;
use super::wire::Payload;
use crate::decode::{Outcome, Taken};
use crate::mapping::Mapping;
use crate::payload::Payload as How;
use crate::reason::{Problem, Reason, Refusal, shown};
use crate::take::Taker;

/// What an alias or a type takes in a table, bytes; about.
const ENTRY_BYTES: usize = 48;

/// The metrics of a node or a device.
#[derive(Debug, Default)]
pub(super) struct Metrics {
    pub(super) born: bool,
    /// The name of each alias; `None` if no mapping takes the name.
    pub(super) aliases: HashMap<u64, Option<Arc<str>>>,
    /// Data types of the names that mappings take.
    pub(super) types: HashMap<Arc<str>, u32>,
    /// The last instant that each signal has told of, since the last death.
    pub(super) told: BTreeMap<(UnitId, Signal), Timestamp>,
}

impl Metrics {
    /// Learns what a birth says of its metrics, as far as mappings take them.
    pub(super) fn learn(&mut self, taker: &Taker<'_>, payload: &Payload) {
        self.born = true;
        for metric in &payload.metrics {
            let Some(name) = metric.name.as_deref() else { continue };
            let name: Option<Arc<str>> = routes(taker, name).next().is_some().then(|| name.into());
            if let (Some(name), Some(datatype)) = (&name, metric.datatype) {
                self.types.insert(name.clone(), datatype);
            }
            if let Some(alias) = metric.alias {
                self.aliases.insert(alias, name);
            }
        }
    }

    /// About how much memory the birth takes, bytes.
    pub(super) fn bytes(&self) -> usize {
        let names = self.aliases.values().flatten().chain(self.types.keys());
        (self.aliases.len() + self.types.len()) * ENTRY_BYTES + names.map(|name| name.len()).sum::<usize>()
    }

    /// Forgets the birth.
    pub(super) fn forget(&mut self) {
        self.born = false;
        (self.aliases, self.types) = (HashMap::new(), HashMap::new());
    }

    /// Forgets the aliases that no mapping took.
    pub(super) fn forget_unmapped(&mut self) {
        self.aliases.retain(|_, name| name.is_some());
    }
}

/// The mappings that take a metric of this message's topic, with what stands at `{unit}` in its name or in the topic.
pub(super) fn routes<'a>(taker: &Taker<'a>, name: &'a str) -> impl Iterator<Item = (&'a Mapping, Option<&'a str>)> {
    taker.map.routes(taker.message.topic).filter_map(move |(mapping, in_topic)| {
        let How::Sparkplug { metric } = &mapping.payload else { return None };
        metric.take(name).map(|in_name| (mapping, in_name.or(in_topic)))
    })
}

/// Mapped names that a birth does not have: nothing will ever come under them.
pub(super) fn lacking(taker: &Taker<'_>, payload: &Payload) -> Vec<Outcome> {
    let names = || payload.metrics.iter().filter_map(|metric| metric.name.as_deref());
    let mut outcomes = Vec::new();
    for (mapping, named) in taker.map.routes(taker.message.topic) {
        let How::Sparkplug { metric } = &mapping.payload else { continue };
        if !names().any(|name| metric.take(name).is_some()) {
            let some: Vec<&str> = names().take(10).collect();
            let sample = shown(some.join(", ").as_bytes());
            let problem = Problem::new(Reason::MissingField, format!("the birth has no metric {metric}"));
            outcomes.push(taker.outcome(mapping, taker.unit(mapping, named).ok(), Err(problem), || sample));
        }
    }
    outcomes
}

/// The values of a birth or of data.
pub(super) fn values(taker: &Taker<'_>, metrics: &mut Metrics, payload: &Payload, birth: bool) -> Vec<Outcome> {
    let mut outcomes = Vec::new();
    let (mut nameless, mut first) = (0, None);
    // A node is born for its devices too; nobody needs to map it.
    let mut mapped = birth || taker.map.routes(taker.message.topic).next().is_some();
    for metric in &payload.metrics {
        let name = match (metric.name.as_deref().filter(|name| !name.is_empty()), metric.alias) {
            (Some(name), _) => name,
            (None, Some(alias)) => match metrics.aliases.get(&alias) {
                Some(Some(name)) => &name.clone(),
                Some(None) => continue,
                None => {
                    nameless += 1;
                    first.get_or_insert_with(|| format!("alias {alias}"));
                    continue;
                }
            },
            (None, None) => {
                nameless += 1;
                first.get_or_insert_with(|| "neither name nor alias".to_owned());
                continue;
            }
        };
        for (mapping, named) in routes(taker, name) {
            mapped = true;
            let unit = taker.unit(mapping, named);
            let taken = unit.clone().and_then(|unit| {
                let found = metric::found(taker, metric, metrics.types.get(name).copied(), payload.timestamp, mapping)?;
                taker.reading(mapping, unit, found)
            });
            if let Ok(Taken { reading, .. }) = &taken {
                let told = metrics.told.entry((reading.unit.clone(), reading.signal)).or_insert(reading.at);
                *told = reading.at.max(*told);
            }
            outcomes.push(taker.outcome(mapping, unit.ok(), taken, || shown(metric::sample(name, metric).as_bytes())));
        }
    }
    if !mapped {
        let mut names = payload.metrics.iter().filter_map(|metric| metric.name.as_deref()).take(10).peekable();
        let sample = match names.peek() {
            Some(_) => format!("metrics {}", names.collect::<Vec<_>>().join(", ")),
            None => format!("{} metrics by alias", payload.metrics.len()),
        };
        let advice = "no mapping takes this topic".to_owned();
        let sample = shown(sample.as_bytes());
        outcomes.push(Outcome::Refused(Refusal { unit: None, signal: None, reason: Reason::Unmapped, sample, advice }));
    } else if let Some(sample) = first {
        let (reason, advice) = if metrics.born {
            (
                Reason::UnknownAlias,
                format!(
                    "{nameless} metrics come under aliases that the birth did not give, or gave before the config wanted them"
                ),
            )
        } else {
            let right = "ask the node for a rebirth, or let ask_rebirth do it";
            (
                Reason::NotBorn,
                format!("{nameless} metrics without a name, and the birth that names them was not seen; {right}"),
            )
        };
        outcomes.push(Outcome::Refused(Refusal { unit: None, signal: None, reason, sample, advice }));
    }
    outcomes
}
