//! How history files are read.

use std::collections::{BTreeMap, BTreeSet};

use collector::Mapping;
use history::{Header, QualityCodes, WideColumn, status_word};
use plant::{Measure, Signal, Status, UnitId};

use super::Files;
use super::check::Checker;
use super::measure::Drive;
use super::place::Place;
use super::raw;

/// Everything that the config says of history files.
pub fn files(
    checker: &mut Checker,
    raw: &raw::Files,
    mappings: &[Mapping],
    units: &BTreeSet<UnitId>,
    place: &Place,
) -> Files {
    let house = Header::house();
    let name = |name: &Option<String>, house: String| name.clone().unwrap_or(house);
    Files {
        header: Header {
            at: name(&raw.header.at, house.at),
            tag: name(&raw.header.tag, house.tag),
            value: name(&raw.header.value, house.value),
            quality: name(&raw.header.quality, house.quality),
        },
        skip: raw.skip.iter().cloned().collect(),
        measures: measures(checker, &raw.measures, &place.key("measures")),
        columns: columns(checker, &raw.columns, units, &place.key("columns")),
        spans: spans(checker, &raw.spans, mappings, units, &place.key("spans")),
        quality_codes: quality_codes(checker, raw.quality_codes.as_deref(), &place.key("quality_codes")),
        quality_words: quality_words(checker, &raw.quality_words, &place.key("quality_words")),
    }
}

fn measures(checker: &mut Checker, raw: &BTreeMap<String, String>, place: &Place) -> BTreeMap<Signal, Measure> {
    raw.iter()
        .filter_map(|(signal, measure)| {
            let place = place.key(signal);
            let signal: Signal = checker.take(&place, signal.parse())?;
            Some((signal, checker.measure(&place, signal, measure)?))
        })
        .collect()
}

fn columns(
    checker: &mut Checker,
    raw: &BTreeMap<String, raw::WideColumn>,
    units: &BTreeSet<UnitId>,
    place: &Place,
) -> BTreeMap<String, WideColumn> {
    let mut columns = BTreeMap::new();
    for (name, column) in raw {
        let place = place.key(name);
        let unit = checker.take(&place.key("unit"), UnitId::new(&column.unit));
        let signal = checker.take(&place.key("signal"), column.signal.parse::<Signal>());
        if let Some(unit) = unit.as_ref().filter(|unit| !units.contains(unit)) {
            checker.refuse(&place.key("unit"), format!("unit {unit} is not in this config"));
        }
        if column.quality.as_ref().is_some_and(|quality| raw.contains_key(quality)) {
            checker.refuse(&place.key("quality"), "this column is a signal; right would be the column of its quality");
        }
        let drive = Drive { rated_nm: column.rated_nm, gear_ratio: column.gear_ratio, efficiency: column.efficiency };
        let measure = signal.and_then(|signal| drive.measure(checker, signal, column.measure.as_deref(), &place));
        let quality = column.quality.clone();
        let column = unit.zip(signal).map(|(unit, signal)| WideColumn { unit, signal, measure, quality });
        columns.extend(column.map(|column| (name.clone(), column)));
    }
    columns
}

/// What a topic says of a unit's signal holds for files too, unless they have a span of their own.
fn spans(
    checker: &mut Checker,
    raw: &BTreeMap<String, [f64; 2]>,
    mappings: &[Mapping],
    units: &BTreeSet<UnitId>,
    place: &Place,
) -> BTreeMap<(UnitId, Signal), (f64, f64)> {
    let mut spans = BTreeMap::new();
    for mapping in mappings {
        for unit in units.iter().filter(|unit| mapping.unit.as_ref().is_none_or(|own| own == *unit)) {
            if let Some(span) = mapping.span {
                spans.entry((unit.clone(), mapping.signal)).or_insert(span);
            }
        }
    }
    for (name, [least, greatest]) in raw {
        let place = place.key(name);
        let Some(signal) = checker.take(&place, name.parse::<Signal>()) else { continue };
        if signal.quantity().is_none() {
            checker.refuse(&place, format!("{signal} is a word and has no span; leave this key out"));
        }
        if !(least.is_finite() && greatest.is_finite() && least < greatest) {
            let unit = signal.house_unit();
            checker
                .refuse(&place, format!("[{least}, {greatest}] {unit} holds no value; right would be the lower first"));
        }
        spans.extend(units.iter().map(|unit| ((unit.clone(), signal), (*least, *greatest))));
    }
    spans
}

fn quality_codes(checker: &mut Checker, raw: Option<&str>, place: &Place) -> Option<QualityCodes> {
    match raw? {
        "opcua" => Some(QualityCodes::OpcUa),
        "byte" => Some(QualityCodes::Classic),
        other => {
            checker.refuse(place, format!("{other:?} is no kind of quality code; right would be opcua or byte"));
            None
        }
    }
}

fn quality_words(checker: &mut Checker, raw: &BTreeMap<String, String>, place: &Place) -> BTreeMap<String, Status> {
    let mut words = BTreeMap::new();
    for (word, meaning) in raw {
        match status_word(meaning) {
            Some(status) => {
                words.insert(word.trim().to_lowercase(), status);
            }
            None => checker.refuse(
                &place.key(word),
                format!(
                    "{meaning:?} is no quality; right would be good, uncertain, bad, interpolated, calculated, filled, substituted, \
                     simulated or missing"
                ),
            ),
        }
    }
    words
}
