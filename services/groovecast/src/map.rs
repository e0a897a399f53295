//! `map`: from a historian's export to a whole configuration to begin with.
//!
//! Each guess stands with its reason and how sure it is; what cannot be guessed is passed over and asked about in a comment. The
//! configuration holds together as it is printed, so that it can be checked and tried with a dry run before it is edited.

mod guess;
mod name;
#[cfg(test)]
mod tests;
mod values;

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use jiff::tz::TimeZone;
use plant::{Signal, Table, UnitId};

use crate::exit::Failure;
use guess::{Certainty, Guess};
use values::Series;

/// Different words of a column that are looked at.
const MOST_WORDS: usize = 12;
/// How exports call their columns, in small letters (common practice, no source).
const TIMES: &[&str] =
    &["at", "time", "timestamp", "ts", "datetime", "date", "zeit", "zeitstempel", "datum", "time_stamp", "date_time"];
const TAGS: &[&str] = &[
    "tag",
    "tagname",
    "tag_name",
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

/// Prints a configuration for what files hold.
pub fn map(files: &[PathBuf]) -> Result<(), Failure> {
    let mut found = Found::default();
    for file in files {
        let table = history::sample(file).map_err(|error| Failure::Input(error.to_string()))?;
        found.add(&table).map_err(|why| Failure::Input(format!("{}: {why}", file.display())))?;
    }
    print!("{}", written(&found, files));
    Ok(())
}

/// What was found in files.
#[derive(Debug, Default)]
struct Found {
    series: BTreeMap<String, Series>,
    /// What files call the columns that the house calls so.
    header: BTreeMap<&'static str, String>,
    /// Units and signals that stand in the file by the names of the house.
    own: BTreeMap<String, BTreeSet<Signal>>,
    /// The first and last instant, µs since 1970-01-01T00:00Z.
    span_us: Option<(i64, i64)>,
    zone_assumed: bool,
    /// Words of the quality column.
    qualities: BTreeSet<String>,
}

impl Found {
    fn add(&mut self, table: &Table) -> Result<(), String> {
        let called = |names: &[&str]| {
            let name = |name: &String| names.contains(&name.to_lowercase().as_str());
            table.columns.iter().position(name)
        };
        let at = called(TIMES).ok_or_else(|| {
            format!("no column is called like a time; right would be one of {}", TIMES[..6].join(", "))
        })?;
        let (tag, value, quality) = (called(TAGS), called(VALUES), called(QUALITIES));
        let long = table.column("unit").zip(table.column("signal")).zip(value);
        self.note("at", &table.columns[at]);
        let mut points: BTreeMap<String, Vec<(i64, String)>> = BTreeMap::new();
        for (_, cells) in &table.rows {
            let Ok(read) = plant::read_time(&cells[at], &TimeZone::UTC) else { continue };
            self.zone_assumed |= read.zone_assumed;
            let at_us = read.at.as_microsecond();
            self.span_us = Some(self.span_us.map_or((at_us, at_us), |(a, b)| (a.min(at_us), b.max(at_us))));
            match (long, tag, value) {
                (Some(((unit, signal), value)), _, _) => {
                    let Ok(known) = cells[signal].parse::<Signal>() else { continue };
                    self.own.entry(cells[unit].clone()).or_default().insert(known);
                    points.entry(format!("{} {known}", cells[unit])).or_default().push((at_us, cells[value].clone()));
                }
                (None, Some(tag), Some(value)) => {
                    points.entry(cells[tag].clone()).or_default().push((at_us, cells[value].clone()));
                }
                _ => {
                    for (place, name) in table.columns.iter().enumerate().filter(|(place, _)| *place != at) {
                        if !cells[place].is_empty() {
                            points.entry(name.clone()).or_default().push((at_us, cells[place].clone()));
                        }
                    }
                }
            }
            if let Some(quality) =
                quality.filter(|_| (long.is_some() || tag.is_some()) && self.qualities.len() < MOST_WORDS)
            {
                self.qualities.extend(Some(cells[quality].clone()).filter(|word| !word.is_empty()));
            }
        }
        if self.span_us.is_none() {
            return Err(format!(
                "no time in column {:?} can be read; right would be 2026-03-31T06:30:00+02:00",
                table.columns[at]
            ));
        }
        if long.is_some() || tag.zip(value).is_some() {
            for (own, place) in [("tag", tag), ("value", value), ("quality", quality)] {
                place.into_iter().for_each(|place| self.note(own, &table.columns[place]));
            }
        } else {
            // A column without a value is one all the same.
            for (_, name) in table.columns.iter().enumerate().filter(|(place, _)| *place != at) {
                self.series.entry(name.clone()).or_default();
            }
        }
        for (name, points) in points {
            take(self.series.entry(name).or_default(), points);
        }
        Ok(())
    }

    fn note(&mut self, own: &'static str, name: &str) {
        if own != name {
            self.header.insert(own, name.to_owned());
        }
    }
}

fn take(series: &mut Series, points: Vec<(i64, String)>) {
    for (at_us, text) in points {
        match text.parse::<f64>() {
            Ok(number) if number.is_finite() => series.numbers.push((at_us, number)),
            Ok(_) => {}
            Err(_) if text.is_empty() => {}
            Err(_) => {
                series.word_cells += 1;
                if series.words.len() < MOST_WORDS && !series.words.contains(&text) {
                    series.words.push(text);
                }
            }
        }
    }
    series.numbers.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
}

/// The guesses of what was found, and those of them that are taken: of units that have what running is judged by.
fn judged(found: &Found) -> (Vec<Guess>, BTreeMap<String, BTreeSet<Signal>>) {
    let guesses = guess::guesses(&found.series);
    let mut units: BTreeMap<String, BTreeSet<Signal>> = BTreeMap::new();
    for guess in guesses.iter().filter(|guess| is_taken(guess)) {
        if let Some(signal) = guess.signal {
            units.entry(guess.unit.clone()).or_default().insert(signal);
        }
    }
    units.retain(|_, signals| signals.contains(&Signal::Torque) || signals.contains(&Signal::Speed));
    (guesses, units)
}

fn is_taken(guess: &Guess) -> bool {
    guess.sure > Certainty::Guess && guess.but.is_none() && UnitId::new(&guess.unit).is_ok()
}

fn written(found: &Found, files: &[PathBuf]) -> String {
    let mut lines = Vec::new();
    let names: Vec<String> = files.iter().map(|file| file.display().to_string()).collect();
    let at = |at_us| jiff::Timestamp::from_microsecond(at_us).map_or_else(|_| String::new(), |at| at.to_string());
    let (first, last) = found.span_us.map_or((String::new(), String::new()), |(a, b)| (at(a), at(b)));
    lines.push(format!("# A configuration to begin with, from {}: {first} to {last}.", names.join(", ")));
    lines.push(
        "# Each guess says how sure it is and why. Lines with \"# ?\" ask you; config/plant.toml explains every key."
            .to_owned(),
    );
    lines.push("# Then: groovecast check, and groovecast import history ... --dry-run".to_owned());
    lines.push("\n[site]\nname = \"Plant\"                       # ? What is it called".to_owned());
    let zone = if found.zone_assumed {
        "times in the files have no offset: which zone's clock are they"
    } else {
        "where is the plant"
    };
    lines.push(format!("time_zone = \"UTC\"                    # ? An IANA name such as Europe/Amsterdam: {zone}"));
    lines.push("data = \"data\"".to_owned());
    lines.push("\n[broker]\nhost = \"127.0.0.1\"                   # ? The plant's MQTT broker".to_owned());
    lines.push("client_id = \"groovecast\"".to_owned());
    let (guesses, units) =
        if found.own.is_empty() { judged(found) } else { (guess::guesses(&found.series), found.own.clone()) };
    lines.push(
        "\n[unit_defaults]\n# bore_mm = 152.4                     # ? mm; without it there is no sliding distance"
            .to_owned(),
    );
    lines.push("# nominal_speed_rpm = 300.0           # ? 1/min; stands in where nothing gives the speed".to_owned());
    for (unit, signals) in &units {
        let signals: Vec<String> = signals.iter().map(|signal| format!("\"{signal}\"")).collect();
        lines.push(format!("\n[units.{}]\nsignals = [{}]", key(unit), signals.join(", ")));
    }
    if units.is_empty() {
        lines.push("\n# ? No unit was recognised: name yours, and map its columns below.\n[units.UNIT]\nsignals = [\"torque\"]".to_owned());
    }
    lines.push("\n[files]".to_owned());
    if !found.header.is_empty() {
        let names: Vec<String> = found.header.iter().map(|(own, name)| format!("{own} = {}", quoted(name))).collect();
        lines.push(format!("header = {{ {} }}", names.join(", ")));
    }
    let known = |guess: &Guess| !found.own.is_empty() || units.contains_key(&guess.unit);
    measures(guesses.iter().filter(|guess| guess.but.is_none() && known(guess)), &mut lines);
    if !found.qualities.is_empty() {
        let words: Vec<String> = found.qualities.iter().map(|word| quoted(word)).collect();
        lines.push(format!(
            "# ? The quality says {}: a word that is not known goes into quality_words, see config/plant.toml",
            words.join(", ")
        ));
        lines.push("# quality_codes = \"opcua\"              # ? or \"byte\": what numbers in it mean".to_owned());
    }
    if found.own.is_empty() {
        columns(&guesses, &units, &mut lines);
    }
    lines.join("\n") + "\n"
}

/// One unit of measure per signal, as its columns say; where they differ or nothing says so, a question.
fn measures<'g>(guesses: impl Iterator<Item = &'g Guess>, lines: &mut Vec<String>) {
    let mut by_signal: BTreeMap<Signal, Vec<&(String, Certainty, String)>> = BTreeMap::new();
    for guess in guesses {
        if let (Some(signal), Some(measure)) = (guess.signal, &guess.measure) {
            by_signal.entry(signal).or_default().push(measure);
        }
    }
    let mut taken = Vec::new();
    for (signal, measures) in by_signal {
        let Some((best, sure, why)) = measures.iter().max_by_key(|measure| measure.1) else { continue };
        let others = measures.iter().any(|(other, ..)| other != best);
        let sure = if others { Certainty::Guess } else { *sure };
        let differ = if others { "; not all say the same" } else { "" };
        let ask = if sure == Certainty::Sure { "#" } else { "# ?" };
        lines.push(format!("{ask} {signal} in {best}: {}, {why}{differ}", sure.as_str()));
        taken.push(format!("{signal} = {}", quoted(best)));
    }
    if !taken.is_empty() {
        lines.push(format!("measures = {{ {} }}", taken.join(", ")));
    }
}

/// The columns that are mapped, and those that are passed over until somebody says what they are.
fn columns(guesses: &[Guess], units: &BTreeMap<String, BTreeSet<Signal>>, lines: &mut Vec<String>) {
    let taken = |guess: &&Guess| is_taken(guess) && units.contains_key(&guess.unit);
    let skipped: Vec<String> = guesses
        .iter()
        .filter(|guess| !taken(guess))
        .flat_map(|guess| [Some(&guess.name), guess.quality.as_ref()])
        .flatten()
        .map(|name| quoted(name))
        .collect();
    if !skipped.is_empty() {
        lines.push(format!(
            "# Passed over until you say what they are, below: take them out of here then.\nskip = [{}]",
            skipped.join(", ")
        ));
    }
    lines.push("\n[files.columns]".to_owned());
    for guess in guesses {
        let quality = guess.quality.as_ref().map_or(String::new(), |name| format!(", quality = {}", quoted(name)));
        let signal = guess.signal.map_or("?", Signal::as_str);
        let unit = if guess.unit.is_empty() { "?" } else { &guess.unit };
        let line = format!("{} = {{ unit = {}, signal = \"{signal}\"{quality} }}", quoted(&guess.name), quoted(unit));
        if taken(&guess) {
            lines.push(format!("# {}: {}\n{line}", guess.sure.as_str(), guess.why));
        } else {
            let but = guess.but.as_ref().map_or(String::new(), |but| format!("; {but}"));
            let lone = if is_taken(guess) { "; its unit has no torque and no speed to tell when it runs" } else { "" };
            lines.push(format!("# ? {}: {}{but}{lone}\n# {line}", guess.sure.as_str(), guess.why));
        }
    }
}

/// A text as TOML writes it: JSON's way is one of TOML's.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

fn key(text: &str) -> String {
    let bare = !text.is_empty() && text.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
    if bare { text.to_owned() } else { quoted(text) }
}
