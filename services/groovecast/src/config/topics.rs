//! The topics of the configuration.

use std::collections::BTreeSet;

use collector::{Mapping, Pattern, Pointer, TopicMap};
use plant::{Measure, Signal, UnitId};

use super::check::Checker;
use super::payload::payload;
use super::place::Place;
use super::raw::{PayloadKind, Topic};

/// The mappings, each held against the units and all of them against one another.
pub fn mappings(checker: &mut Checker, raw: &[Topic], units: &BTreeSet<UnitId>, place: &Place) -> Vec<Mapping> {
    let mut taken: Vec<Mapping> = Vec::new();
    for (position, topic) in raw.iter().enumerate() {
        let place = place.at(position);
        let Some(mapping) = mapping(checker, topic, &place) else { continue };
        let together = taken.iter().cloned().chain([mapping.clone()]).collect();
        match TopicMap::new(together, units.iter().cloned()) {
            Ok(_) => taken.push(mapping),
            Err(error) => checker.refuse(&place.key("topic"), error),
        }
    }
    taken
}

/// The topic. The level that tells births, data and deaths of Sparkplug apart may be written as in its filters.
fn topic(raw: &Topic) -> String {
    let mut levels: Vec<&str> = raw.topic.split('/').collect();
    if raw.payload == PayloadKind::Sparkplug && levels.get(2) == Some(&"+") {
        levels[2] = "{type}";
    }
    levels.join("/")
}

fn mapping(checker: &mut Checker, raw: &Topic, place: &Place) -> Option<Mapping> {
    let pattern = checker.take(&place.key("topic"), Pattern::parse(&topic(raw)));
    let unit = match &raw.unit {
        Some(unit) => Some(checker.take(&place.key("unit"), UnitId::new(unit))?),
        None => None,
    };
    let signal: Option<Signal> = checker.take(&place.key("signal"), raw.signal.parse());
    let measure = measure(checker, raw, signal, place);
    let measure_at = match &raw.measure_at {
        Some(text) => Some(checker.take(&place.key("measure_at"), Pointer::parse(text))?),
        None => None,
    };
    let payload = payload(checker, raw, place);
    Some(Mapping {
        pattern: pattern?,
        unit,
        signal: signal?,
        measure: measure?,
        measure_at,
        payload: payload?,
        words: raw.words.clone(),
        span: raw.span.map(|[low, high]| (low, high)),
        loop_range: raw.loop_range.map(|[at_4_ma, at_20_ma]| (at_4_ma, at_20_ma)),
        reversed: raw.reversed,
    })
}

/// The unit of measure; percent of rated torque needs to know of what.
fn measure(checker: &mut Checker, raw: &Topic, signal: Option<Signal>, place: &Place) -> Option<Option<Measure>> {
    let Some(signal) = signal else { return Some(None) };
    let drive = [("rated_nm", raw.rated_nm), ("gear_ratio", raw.gear_ratio), ("efficiency", raw.efficiency)];
    let percent = signal == Signal::Torque && raw.measure.as_deref() == Some("%");
    if !percent {
        for (key, _) in drive.iter().filter(|(_, given)| given.is_some()) {
            checker.refuse(
                &place.key(key),
                "it speaks of a drive's torque in percent; right would be signal = \"torque\" and measure = \"%\"",
            );
        }
    }
    match &raw.measure {
        Some(_) if percent => {
            let [Some(rated_nm), Some(gear_ratio), Some(efficiency)] = drive.map(|(_, given)| given) else {
                let lacking: Vec<_> = drive.iter().filter(|(_, given)| given.is_none()).map(|(key, _)| *key).collect();
                checker.refuse(
                    &place.key("measure"),
                    format!("percent of what? it needs {}: the motor's rated torque in N·m, turns of the motor for one of the shaft, and the gear's efficiency", lacking.join(", ")),
                );
                return None;
            };
            checker.within(&place.key("rated_nm"), rated_nm, 0.01, 1e5, "N·m");
            checker.within(&place.key("gear_ratio"), gear_ratio, 0.01, 1000.0, "");
            checker.within(&place.key("efficiency"), efficiency, 0.2, 1.0, "");
            Some(Some(Measure::percent_of_rated(rated_nm, gear_ratio, efficiency)))
        }
        Some(text) => Some(Some(checker.measure(&place.key("measure"), signal, text)?)),
        None if signal.quantity().is_some() => {
            let house = signal.house_unit();
            checker.refuse(
                place,
                format!("{signal} needs a measure: in what does this topic speak? (here it is kept in {house})"),
            );
            None
        }
        None => Some(None),
    }
}
