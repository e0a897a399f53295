//! Where topics name their units.

use std::collections::{BTreeMap, BTreeSet};

use collector::{Pattern, Specimen};
use plant::{Signal, UnitId};

use super::message::Value;
use crate::guess::name;

/// Where a topic names its unit.
#[derive(Debug, PartialEq)]
pub enum Named {
    /// By a unit that is known.
    Known,
    /// Where another topic names another one.
    New(String),
    /// Nowhere.
    Nowhere,
}

/// The topic with its unit as `{unit}`: a level that is or holds a unit that is known; or the one level with a figure in it by
/// which the topic differs from another one.
pub fn named(topic: &str, all: &[Specimen], units: &BTreeSet<UnitId>) -> (String, Named) {
    let levels: Vec<&str> = topic.split('/').collect();
    let with = |at: usize, level: &str| {
        let mut levels = levels.clone();
        levels[at] = level;
        levels.join("/")
    };
    if let Some(at) = levels.iter().position(|level| units.iter().any(|unit| unit.as_str() == *level)) {
        return (with(at, "{unit}"), Named::Known);
    }
    for (at, level) in levels.iter().enumerate() {
        for unit in units {
            let Some((before, after)) = level.split_once(unit.as_str()) else { continue };
            let apart = !before.ends_with(char::is_alphanumeric) && !after.starts_with(char::is_alphanumeric);
            let text = with(at, &format!("{before}{{unit}}{after}"));
            if apart && Pattern::parse(&text).is_ok() {
                return (text, Named::Known);
            }
        }
    }
    let differs = |other: &str| {
        let others: Vec<&str> = other.split('/').collect();
        let mut at = (0..levels.len()).filter(|at| others.get(*at) != levels.get(*at));
        let first = at.next().filter(|_| others.len() == levels.len())?;
        at.next().is_none().then_some(first)
    };
    let figure = |at: &usize| levels[*at].contains(|c: char| c.is_ascii_digit()) && UnitId::new(levels[*at]).is_ok();
    match all.iter().filter_map(|other| differs(&other.topic)).find(figure) {
        Some(at) => (with(at, "{unit}"), Named::New(levels[at].to_owned())),
        None => (topic.to_owned(), Named::Nowhere),
    }
}

/// The units that levels of topics name, where none is known yet: the level by which all topics of a signal differ. What no
/// other topic differs from is named by the level that others of its depth have, or else by a level with a figure.
pub fn units_in(values: &[(&str, Vec<Value>)]) -> BTreeSet<UnitId> {
    let mut groups: BTreeMap<(usize, Signal), BTreeSet<&str>> = BTreeMap::new();
    for (topic, held) in values {
        for value in held.iter().filter(|value| value.told.but.is_none()) {
            if let Some((signal, _)) = value.told.signal {
                groups.entry((topic.split('/').count(), signal)).or_default().insert(*topic);
            }
        }
    }
    let level = |topic: &str, at: usize| topic.split('/').nth(at).map(str::to_owned).unwrap_or_default();
    let figure = |text: &str| text.contains(|c: char| c.is_ascii_digit());
    let mut votes: BTreeMap<usize, BTreeMap<usize, usize>> = BTreeMap::new();
    for ((depth, _), topics) in groups.iter().filter(|(_, topics)| topics.len() > 1) {
        let distinct = |at: &usize| {
            let names: BTreeSet<String> = topics.iter().map(|topic| level(topic, *at)).collect();
            let is_unit = |name: &String| UnitId::new(name).is_ok() && name::read(name).signal.is_none();
            names.len() == topics.len() && names.iter().all(is_unit)
        };
        let places: Vec<usize> = (0..*depth).filter(distinct).collect();
        let with_figures = places.iter().find(|at| topics.iter().all(|topic| figure(&level(topic, **at))));
        if let Some(at) = with_figures.or(places.last()) {
            *votes.entry(*depth).or_default().entry(*at).or_default() += topics.len();
        }
    }
    let alone = |topic: &str| (0..topic.split('/').count() - 1).rev().find(|at| figure(&level(topic, *at)));
    let mut units = BTreeSet::new();
    for ((depth, _), topics) in &groups {
        let voted = votes.get(depth).and_then(|places| places.iter().max_by_key(|(_, count)| **count));
        for topic in topics {
            let at = voted.map(|(at, _)| *at).or_else(|| alone(topic));
            units.extend(at.and_then(|at| UnitId::new(&level(topic, at)).ok()));
        }
    }
    units
}
