//! Mappings to begin with, guessed from topics that nobody maps yet and from a message of each.
//!
//! A guess says what it stands on and how sure it is. What it cannot know is left to the engineer in a comment.

mod message;
mod naming;
#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, BTreeSet};

use collector::{Mapping, Specimen};
use plant::{Signal, UnitId};
use serde_json::Value as Json;

use crate::guess::name::Told;
use crate::guess::values::Series;
use crate::guess::{self, Certainty};
use crate::quoted::{key, quoted};
use message::Value;
use naming::Named;

/// A piece of configuration to begin with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proposal {
    /// Lines of the config, with comments that say what the guess stands on.
    pub text: String,
    /// How sure it is; a guess would have to be asked about.
    pub sure: Certainty,
    /// Its topics, one of which may stand in several proposals.
    pub topics: BTreeSet<String>,
}

/// What one mapping has alike.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Group {
    topic: String,
    unit: Option<String>,
    signal: Signal,
    said: Option<String>,
    payload: Vec<String>,
}

/// What a mapping stands on.
#[derive(Debug, Default)]
struct Ground {
    topics: BTreeSet<String>,
    words: BTreeSet<String>,
    told: Told,
    series: Series,
}

/// Mappings for topics that are not taken. Topics that differ by the unit alone share one.
pub fn proposals(specimens: &[Specimen], mapped: &[Mapping], units: &BTreeSet<UnitId>) -> Vec<Proposal> {
    let mut groups: BTreeMap<Group, Ground> = BTreeMap::new();
    let mut proposals = Vec::new();
    let mut new_units = BTreeSet::new();
    for specimen in specimens {
        // A mapping asks for it: then it is the unit that the config lacks.
        if let Some(unit) = mapped.iter().find_map(|mapping| mapping.pattern.take(&specimen.topic)) {
            new_units.extend(unit.map(str::to_owned));
            continue;
        }
        if specimen.topic.contains(['{', '}']) {
            continue;
        }
        let json = document(specimen);
        if let Some(text) = by_its_own_names(specimen, json.as_ref(), units) {
            let topics = [specimen.topic.clone()].into();
            proposals.push(Proposal { text, sure: Certainty::Guess, topics });
            continue;
        }
        let (topic, named) = naming::named(&specimen.topic, specimens, units);
        if let Named::New(unit) = &named {
            new_units.insert(unit.clone());
        }
        let values = message::values(specimen, json.as_ref());
        let fixed = match named {
            Named::Nowhere => in_names(&values, units),
            _ => vec![None; values.len()],
        };
        for (value, unit) in values.into_iter().zip(fixed).filter(|(value, _)| value.told.but.is_none()) {
            add(&mut groups, (&topic, unit), value, &specimen.topic);
        }
    }
    proposals.sort_by(|a, b| a.text.cmp(&b.text));
    proposals.dedup();
    proposals.extend(groups.into_iter().map(|(group, ground)| written(&group, ground)));
    proposals.extend(new_units.iter().map(|unit| Proposal {
        text: format!("# {} stands where other topics name a unit; if it is one:\n[units.{}]", quoted(unit), key(unit)),
        sure: Certainty::Guess,
        topics: BTreeSet::new(),
    }));
    proposals
}

/// The units of topics, where no config says any: those that a torque is told of.
pub fn units_in(specimens: &[Specimen]) -> BTreeSet<UnitId> {
    let values = |specimen: &Specimen| message::values(specimen, document(specimen).as_ref());
    let all: Vec<(&str, Vec<Value>)> = specimens.iter().map(|one| (one.topic.as_str(), values(one))).collect();
    let mut units = naming::units_in(&all);
    let is_torque = |value: &&Value| value.told.signal.as_ref().is_some_and(|(signal, _)| *signal == Signal::Torque);
    let has_torque = |unit: &UnitId| {
        let names = |topic: &str| topic.split('/').any(|level| level == unit.as_str());
        all.iter().any(|(topic, values)| names(topic) && values.iter().any(|value| is_torque(&value)))
    };
    units.retain(has_torque);
    // Units that only names of fields or flat topics tell.
    for (topic, values) in &all {
        if topic.split('/').all(|level| !units.iter().any(|unit| unit.as_str() == level)) {
            let told: Vec<&Told> = values.iter().map(|value| &value.told).collect();
            for (_, unit) in values.iter().zip(guess::units(&told)).filter(|(value, _)| is_torque(value)) {
                units.extend(UnitId::new(&unit).ok());
            }
        }
    }
    units
}

fn document(specimen: &Specimen) -> Option<Json> {
    serde_json::from_slice::<Json>(&specimen.payload).ok().filter(Json::is_object)
}

/// The units that names of a message's values tell, as far as they are known; `?` if none is.
fn in_names(values: &[Value], units: &BTreeSet<UnitId>) -> Vec<Option<String>> {
    let told: Vec<&Told> = values.iter().map(|value| &value.told).collect();
    let known = |name: String| units.iter().find(|unit| unit.as_str().eq_ignore_ascii_case(&name));
    let unit = |name: String| Some(known(name).map_or_else(|| "?".to_owned(), |unit| unit.as_str().to_owned()));
    guess::units(&told).into_iter().map(unit).collect()
}

fn add(groups: &mut BTreeMap<Group, Ground>, (topic, unit): (&str, Option<String>), value: Value, from: &str) {
    let Some((signal, word)) = value.told.signal.clone() else { return };
    let group = Group { topic: topic.to_owned(), unit, signal, said: value.said, payload: value.payload };
    let ground = groups.entry(group).or_default();
    ground.topics.insert(from.to_owned());
    ground.words.insert(match value.field {
        Some(field) => format!("{word:?} at {field:?}"),
        None => format!("{word:?} in the topic"),
    });
    match value.text.trim().parse::<f64>() {
        Ok(number) => ground.series.numbers.push((0, number)),
        Err(_) => {
            ground.series.word_cells += 1;
            ground.series.words.push(value.text);
        }
    }
    ground.told = value.told;
}

fn written(group: &Group, mut ground: Ground) -> Proposal {
    ground.series.numbers.sort_by(|a, b| a.1.total_cmp(&b.1));
    let judged = guess::judge(&ground.told, &ground.series, group.said.as_deref());
    let first = ground.topics.first().map_or(String::new(), |topic| quoted(topic));
    let words: Vec<&str> = ground.words.iter().map(String::as_str).collect();
    let others = match ground.topics.len() {
        0 | 1 => String::new(),
        2 => " and one more".to_owned(),
        many => format!(" and {} more", many - 1),
    };
    let mut sure = judged.sure;
    let mut lines = vec![
        format!("# {first}{others}: {}", words.join(", ")),
        format!("# {}: {}", sure.as_str(), judged.why),
        "[[topics]]".to_owned(),
        format!("topic = {}", quoted(&group.topic)),
    ];
    match group.unit.as_deref() {
        Some("?") => {
            sure = Certainty::Guess;
            lines.push(
                "unit = \"?\"                # no level of the topic names a unit of the config: which is it?"
                    .to_owned(),
            );
        }
        Some(unit) => lines.push(format!("unit = {}", quoted(unit))),
        None => {}
    }
    lines.push(format!("signal = \"{}\"", group.signal));
    if let Some((measure, how, why)) = &judged.measure {
        let why = match how {
            Certainty::Guess => format!("# ? what does the topic speak: {why}"),
            _ if group.said.is_some() => "# as the message says".to_owned(),
            _ => format!("# {why}"),
        };
        lines.push(format!("{:<26} {why}", format!("measure = {}", quoted(measure))));
        if measure == "%" {
            lines.push("# rated_nm = ?, gear_ratio = ?, efficiency = ?: of which torque?".to_owned());
        }
    }
    lines.extend(group.payload.iter().cloned());
    Proposal { text: lines.join("\n"), sure, topics: ground.topics }
}

/// Sparkplug and OPC UA name values inside their messages by names of their own: which ones are wanted, only people know.
fn by_its_own_names(specimen: &Specimen, json: Option<&Json>, units: &BTreeSet<UnitId>) -> Option<String> {
    let is_sparkplug = specimen.topic.starts_with("spBv1.0/");
    let is_opcua = json.is_some_and(|json| json.get("MessageType").is_some_and(|kind| kind == "ua-data"));
    let mut levels: Vec<&str> = specimen.topic.split('/').collect();
    for (at, level) in levels.iter_mut().enumerate() {
        if is_sparkplug && at == 2 {
            *level = "+";
        } else if units.iter().any(|unit| unit.as_str() == *level) {
            *level = "{unit}";
        }
    }
    let (what, payload, name) = match (is_sparkplug, is_opcua) {
        (true, _) => ("Sparkplug B; one such mapping for each metric that is wanted", "sparkplug", "metric"),
        (_, true) => ("data sets of OPC UA PubSub; one such mapping for each field that is wanted", "opcua", "field"),
        _ => return None,
    };
    Some(format!(
        "# {}: {what}\n# [[topics]]\n# topic = {}\n# signal = \"torque\"\n# measure = \"N·m\"\n# payload = \"{payload}\"\n\
         # {name} = \"?\"",
        quoted(&specimen.topic),
        quoted(&levels.join("/"))
    ))
}
