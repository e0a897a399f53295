//! What a historian's export holds: its columns or tags with some of their values.

use std::collections::{BTreeMap, BTreeSet};

use jiff::tz::TimeZone;
use plant::{Signal, Table};

use crate::guess::values::Series;

/// Different words of a column that are looked at.
const MOST_WORDS: usize = 12;
/// How exports call their columns, in small letters (common practice, no source).
const TIMES: &[&str] =
    &["at", "time", "timestamp", "ts", "datetime", "date", "zeit", "zeitstempel", "datum", "time_stamp", "date_time"];
const TAGS: &[&str] = &[
    "tag",
    "tagname",
    "tag_name",
    "tag name",
    "name",
    "point",
    "pointname",
    "variable",
    "signalname",
    "messstelle",
    "kennung",
    "item",
];
const VALUES: &[&str] = &["value", "val", "v", "wert", "messwert", "pv"];
const QUALITIES: &[&str] = &["quality", "qual", "q", "status", "statuscode", "qualität", "qualitaet", "state"];
const MEASURES: &[&str] = &["uom", "eu", "engunits", "eng_units", "units", "measure", "einheit", "unit"];

/// What was found in files.
#[derive(Debug, Default)]
pub struct Export {
    /// Values by the name of their column or tag.
    pub series: BTreeMap<String, Series>,
    /// Units of measure that stand beside tags.
    pub said: BTreeMap<String, String>,
    /// What files call the columns that the house calls so.
    pub header: BTreeMap<&'static str, String>,
    /// Units and signals that stand in the file by the names of the house.
    pub own: BTreeMap<String, BTreeSet<Signal>>,
    /// Signals that stand in it by other names.
    pub strange: BTreeSet<String>,
    /// The first and last instant, µs since 1970-01-01T00:00Z.
    pub span_us: Option<(i64, i64)>,
    /// Times have no offset.
    pub zone_assumed: bool,
    /// How many times could not be read, and one of them.
    pub bad_times: (usize, String),
    /// Words of the quality column.
    pub qualities: BTreeSet<String>,
}

/// How a table is laid out.
enum Layout {
    /// By the house's unit and signal, and the value.
    House { unit: usize, signal: usize, value: usize },
    /// By a tag, with the value and perhaps its unit of measure.
    Tags { tag: usize, value: usize, measure: Option<usize> },
    /// A column for each signal.
    Wide,
}

impl Export {
    /// Takes a file in.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn add(&mut self, table: &Table) -> Result<(), String> {
        let columns = &table.columns;
        let at = time_column(table)?;
        if let Some(name) =
            columns.iter().enumerate().find_map(|(at, name)| columns[..at].contains(name).then_some(name))
        {
            return Err(format!("the column {name:?} is there twice: which one is meant?"));
        }
        if let Some(name) = columns.iter().find(|name| name.contains(['\n', '\r'])) {
            return Err(format!(
                "the name {name:?} is broken over lines, and a line is a row to the import: call it otherwise"
            ));
        }
        let called = |names: &[&str]| columns.iter().position(|name| names.contains(&name.to_lowercase().as_str()));
        let value = called(VALUES);
        let layout = match (table.column("unit").zip(table.column("signal")), called(TAGS), value) {
            (Some((unit, signal)), _, Some(value)) => Layout::House { unit, signal, value },
            (None, Some(tag), Some(value)) => Layout::Tags { tag, value, measure: called(MEASURES) },
            (_, _, Some(value)) if columns.len() > 2 && self.words_in(table, at, value) => {
                return Err(format!(
                    "column {:?} has the values, but which one names what they are? Right would be a column tag with one name \
                     for each signal of each unit, or unit and signal",
                    columns[value]
                ));
            }
            _ => Layout::Wide,
        };
        let quality = called(QUALITIES).filter(|_| !matches!(layout, Layout::Wide));
        let mut points: BTreeMap<String, Vec<(i64, &str)>> = BTreeMap::new();
        for (_, cells) in &table.rows {
            let Ok(read) = plant::read_time(&cells[at], &TimeZone::UTC) else {
                self.bad_times.0 += 1;
                self.bad_times.1.clone_from(&cells[at]);
                continue;
            };
            self.zone_assumed |= read.zone_assumed;
            let at_us = read.at.as_microsecond();
            self.span_us = Some(self.span_us.map_or((at_us, at_us), |(a, b)| (a.min(at_us), b.max(at_us))));
            let mut point = |name: String, place: usize| points.entry(name).or_default().push((at_us, &cells[place]));
            match layout {
                Layout::House { unit, signal, value } => match cells[signal].parse::<Signal>() {
                    Ok(known) => {
                        self.own.entry(cells[unit].clone()).or_default().insert(known);
                        point(format!("{} {known}", cells[unit]), value);
                    }
                    Err(_) if self.strange.len() < MOST_WORDS => {
                        self.strange.insert(cells[signal].clone());
                    }
                    Err(_) => {}
                },
                Layout::Tags { tag, value, measure } => {
                    point(cells[tag].clone(), value);
                    if let Some(place) = measure.filter(|place| !cells[*place].is_empty()) {
                        self.said.entry(cells[tag].clone()).or_insert_with(|| cells[place].clone());
                    }
                }
                Layout::Wide => {
                    let others =
                        columns.iter().enumerate().filter(|(place, _)| *place != at && !cells[*place].is_empty());
                    others.for_each(|(place, name)| point(name.clone(), place));
                }
            }
            if let Some(word) = quality.map(|place| &cells[place]).filter(|_| self.qualities.len() < MOST_WORDS) {
                self.qualities.extend(Some(word.clone()).filter(|word| !word.is_empty()));
            }
        }
        if self.span_us.is_none() {
            let sample = table.rows.first().map_or("nothing", |(_, cells)| cells[at].as_str());
            return Err(format!(
                "no time in column {:?} can be read ({sample:?}); right would be 2026-03-31T06:30:00+02:00",
                columns[at]
            ));
        }
        self.note("at", &columns[at]);
        match layout {
            // A column without a value is one all the same.
            Layout::Wide if columns.len() == 1 => {
                return Err("beside the time there is no column: what does it tell?".to_owned());
            }
            Layout::Wide => {
                for (_, name) in columns.iter().enumerate().filter(|(place, _)| *place != at) {
                    self.series.entry(name.clone()).or_default();
                }
            }
            Layout::Tags { tag, value, .. } => {
                self.note("tag", &columns[tag]);
                self.note("value", &columns[value]);
            }
            Layout::House { value, .. } => self.note("value", &columns[value]),
        }
        if let Some(quality) = quality {
            self.note("quality", &columns[quality]);
        }
        if matches!(layout, Layout::House { .. }) && self.own.is_empty() {
            let (strange, known) = (self.strange.first().map_or("", String::as_str), Signal::ALL.map(Signal::as_str));
            return Err(format!("no signal in it is known, such as {strange:?}; known are {}", known.join(", ")));
        }
        for (name, points) in points {
            take(self.series.entry(name).or_default(), points);
        }
        Ok(())
    }

    fn words_in(&self, table: &Table, at: usize, value: usize) -> bool {
        let is_word = |(place, cell): (usize, &String)| {
            place != at && place != value && !cell.is_empty() && cell.parse::<f64>().is_err()
        };
        table.rows.first().is_some_and(|(_, cells)| cells.iter().enumerate().any(is_word))
    }

    fn note(&mut self, own: &'static str, name: &str) {
        if own != name {
            self.header.insert(own, name.to_owned());
        }
    }
}

/// The columns that tell what a row is about, in a table that has one value in a row.
pub fn tags(columns: &[String]) -> Vec<usize> {
    let called = |names: &[&str]| columns.iter().position(|name| names.contains(&name.to_lowercase().as_str()));
    match (called(VALUES), called(&["unit"]).zip(called(&["signal"])), called(TAGS)) {
        (None, ..) => Vec::new(),
        (_, Some((unit, signal)), _) => vec![unit, signal],
        (_, None, tag) => tag.into_iter().collect(),
    }
}

/// The column of times: called like one, or else the first in which times stand.
fn time_column(table: &Table) -> Result<usize, String> {
    let is_time = |cell: &str| cell.contains(['-', ':']) && plant::read_time(cell, &TimeZone::UTC).is_ok();
    let called = |name: &String| TIMES.contains(&name.to_lowercase().as_str());
    let filled = |place: &usize| table.rows.iter().take(50).all(|(_, cells)| is_time(&cells[*place]));
    let shown = || (0..table.columns.len()).find(filled).filter(|_| !table.rows.is_empty());
    table.columns.iter().position(called).or_else(shown).ok_or_else(|| {
        let columns: Vec<String> = table.columns.iter().take(5).map(|name| format!("{name:?}")).collect();
        let known = TIMES[..6].join(", ");
        match columns.len() {
            0 => "it is empty; right would be a header and a row for each instant".to_owned(),
            _ => format!(
                "none of its columns ({}, ...) is called like a time; right would be {known}",
                columns.join(", ")
            ),
        }
    })
}

/// Adds points of one name.
pub fn take(series: &mut Series, points: Vec<(i64, &str)>) {
    for (at_us, text) in points {
        match text.parse::<f64>() {
            Ok(number) if number.is_finite() => series.numbers.push((at_us, number)),
            Ok(_) => {}
            Err(_) if text.is_empty() => {}
            Err(_) => {
                series.word_cells += 1;
                if series.words.len() < MOST_WORDS && !series.words.iter().any(|word| word == text) {
                    series.words.push(text.to_owned());
                }
            }
        }
    }
    series.numbers.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
}
