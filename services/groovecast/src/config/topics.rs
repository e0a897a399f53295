//! The topics of the configuration.

use std::collections::BTreeSet;

use collector::{Mapping, Pattern, Pointer, TopicMap};
use plant::{Measure, Signal, UnitId};

use super::check::Checker;
use super::measure::Drive;
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

/// The unit of measure, which a number must have.
fn measure(checker: &mut Checker, raw: &Topic, signal: Option<Signal>, place: &Place) -> Option<Option<Measure>> {
    let Some(signal) = signal else { return Some(None) };
    let drive = Drive { rated_nm: raw.rated_nm, gear_ratio: raw.gear_ratio, efficiency: raw.efficiency };
    if signal.quantity().is_some() && raw.measure.is_none() {
        let house = signal.house_unit();
        checker.refuse(
            place,
            format!("{signal} needs a measure: in what does this topic speak? (here it is kept in {house})"),
        );
        return None;
    }
    let measure = drive.measure(checker, signal, raw.measure.as_deref(), place);
    (raw.measure.is_none() || measure.is_some()).then_some(measure)
}
