//! The configuration as it is written: each guess with its reason, each question marked.

use std::collections::{BTreeMap, BTreeSet};

use plant::{Signal, UnitId};

use super::export::Export;
use crate::guess::{Certainty, Guess, MeasureGuess};
use crate::quoted::{key, quoted};

/// Guesses that stand in the configuration, and the units that they are of.
#[derive(Debug, Default)]
pub struct Judged {
    /// What columns and tags may be.
    pub guesses: Vec<Guess>,
    /// Units of which a torque is taken; where there is none at all, a speed.
    pub units: BTreeSet<String>,
}

impl Judged {
    /// Guesses of an export; units that are known from elsewhere are called so.
    pub fn of(export: &Export, known: &BTreeSet<UnitId>) -> Self {
        let mut guesses = crate::guess::guesses(&export.series, &export.said);
        let plain = |name: &str| -> String { name.to_lowercase().chars().filter(|c| c.is_alphanumeric()).collect() };
        for guess in &mut guesses {
            if let Some(unit) = known.iter().find(|unit| plain(unit.as_str()) == plain(&guess.unit)) {
                unit.as_str().clone_into(&mut guess.unit);
            }
        }
        let with = |signal: Signal| -> BTreeSet<String> {
            let of = |guess: &&Guess| guess.judged.is_taken() && guess.judged.signal == Some(signal);
            guesses.iter().filter(of).map(|guess| guess.unit.clone()).collect()
        };
        let mut units = with(Signal::Torque);
        if units.is_empty() {
            units = with(Signal::Speed);
        }
        units.extend(known.iter().map(|unit| unit.as_str().to_owned()));
        units.retain(|unit| UnitId::new(unit).is_ok());
        Self { guesses, units }
    }

    /// Whether a guess stands in the configuration without having been asked.
    pub fn takes(&self, guess: &Guess) -> bool {
        guess.judged.is_taken() && self.units.contains(&guess.unit)
    }
}

/// `[files]`: how the export is read.
pub fn files(export: &Export, judged: &Judged) -> Vec<String> {
    let mut lines = vec!["\n[files]".to_owned()];
    if export.bad_times.0 > 0 {
        let (count, sample) = &export.bad_times;
        lines.push(format!("# ? {count} times cannot be read, such as {sample:?}: the import will name each"));
    }
    if !export.header.is_empty() {
        let names: Vec<String> = export.header.iter().map(|(own, name)| format!("{own} = {}", quoted(name))).collect();
        lines.push(format!("header = {{ {} }}", names.join(", ")));
    }
    qualities(export, &mut lines);
    let by_house = !export.own.is_empty();
    let wanted = |guess: &&Guess| by_house || (asks(guess) || judged.takes(guess));
    let usual = usual(judged.guesses.iter().filter(wanted), by_house);
    if !usual.is_empty() {
        usual.iter().for_each(|(signal, guess)| lines.push(of_all(*signal, guess)));
        let all: Vec<String> =
            usual.iter().map(|(signal, (measure, ..))| format!("{signal} = {}", quoted(measure))).collect();
        lines.push(format!("measures = {{ {} }}", all.join(", ")));
    }
    if !export.strange.is_empty() {
        let names: Vec<String> = export.strange.iter().map(|name| format!("{name:?}")).collect();
        lines.push(format!("# ? No signal is called {}: the import will refuse these rows", names.join(", ")));
    }
    if !by_house {
        skipped(judged, &mut lines);
        columns(judged, &usual, &mut lines);
    }
    lines
}

/// A guess of a signal that nothing speaks against, and that would have to be asked.
fn asks(guess: &Guess) -> bool {
    guess.judged.signal.is_some() && guess.judged.but.is_none()
}

fn qualities(export: &Export, lines: &mut Vec<String>) {
    let codes: Vec<u32> = export.qualities.iter().filter_map(|word| word.parse().ok()).collect();
    let is_known = |word: &&String| history::status_word(&word.to_lowercase()).is_some() || word.parse::<u32>().is_ok();
    let unknown: Vec<&String> = export.qualities.iter().filter(|word| !is_known(word)).collect();
    let listed: Vec<String> = codes.iter().map(u32::to_string).collect();
    let (opcua, classic) =
        (codes.iter().any(|code| *code >= 0x4000_0000), codes.iter().any(|code| (192..=255).contains(code)));
    if classic && !opcua {
        lines.push(format!(
            "# likely: the quality says {}, and 192 is good in the codes before OPC UA",
            listed.join(", ")
        ));
        lines.push("quality_codes = \"byte\"".to_owned());
    } else if opcua {
        lines.push(format!("# likely: the quality says {}, status codes of OPC UA", listed.join(", ")));
        lines.push("quality_codes = \"opcua\"".to_owned());
    } else if !codes.is_empty() {
        lines.push(format!(
            "# ? The quality says {}: is 0 good (\"opcua\") or bad (\"byte\")? The import needs to know\n# quality_codes = \"opcua\"",
            listed.join(", ")
        ));
    }
    if !unknown.is_empty() {
        let words: Vec<String> = unknown.iter().map(|word| format!("{} = \"?\"", quoted(word))).collect();
        lines.push(format!(
            "# ? What does the quality say there: good, uncertain, bad, missing? The import needs to know\n\
             # quality_words = {{ {} }}",
            words.join(", ")
        ));
    }
}

/// The unit of measure that holds for a signal's columns which do not say one themselves: the most frequent guess.
fn usual<'g>(guesses: impl Iterator<Item = &'g Guess>, by_house: bool) -> BTreeMap<Signal, MeasureGuess> {
    let mut counts: BTreeMap<Signal, Vec<(usize, &MeasureGuess)>> = BTreeMap::new();
    for guess in guesses {
        let Some((signal, measure)) = guess.judged.signal.zip(guess.judged.measure.as_ref()) else { continue };
        if measure.0 == "%" || !(by_house || measure.1 == Certainty::Guess) {
            continue;
        }
        let of_signal = counts.entry(signal).or_default();
        match of_signal.iter_mut().find(|(_, other)| other.0 == measure.0) {
            Some((count, _)) => *count += 1,
            None => of_signal.push((1, measure)),
        }
    }
    let most = |(signal, all): (Signal, Vec<(usize, &MeasureGuess)>)| {
        let (_, (measure, sure, why)) = all.iter().max_by_key(|(count, _)| *count)?;
        let others: Vec<&str> =
            all.iter().map(|(_, (other, ..))| other.as_str()).filter(|other| other != measure).collect();
        // Rows by the names of the house have no unit of measure of their own.
        let differ = by_house && !others.is_empty();
        let sure = if differ { Certainty::Guess } else { *sure };
        let why = if differ { format!("{why}; some look like {}", others.join(", ")) } else { why.clone() };
        Some((signal, (measure.clone(), sure, why)))
    };
    counts.into_iter().filter_map(most).collect()
}

fn of_all(signal: Signal, (measure, sure, why): &MeasureGuess) -> String {
    let ask = if *sure == Certainty::Guess { "# ?" } else { "#" };
    format!("{ask} {signal} in {measure}, where nothing else is said: {}, {why}", sure.as_str())
}

/// What is passed over, each with its reason.
fn skipped(judged: &Judged, lines: &mut Vec<String>) {
    let skipped: Vec<&Guess> = judged.guesses.iter().filter(|guess| !judged.takes(guess)).collect();
    if skipped.is_empty() {
        return;
    }
    lines.push("# Passed over, but for what is mapped in [files.columns] below.\nskip = [".to_owned());
    for guess in skipped {
        let why = guess.judged.but.as_ref().unwrap_or(&guess.judged.why);
        let why = if asks(guess) { "asked below" } else { why };
        lines.push(format!("  {},  # {why}", quoted(&guess.name)));
        lines.extend(guess.quality.as_ref().map(|name| format!("  {},  # its quality", quoted(name))));
    }
    lines.push("]".to_owned());
}

/// The columns that are mapped, unit by unit, and those that are asked about.
fn columns(judged: &Judged, usual: &BTreeMap<Signal, MeasureGuess>, lines: &mut Vec<String>) {
    lines.push("\n[files.columns]".to_owned());
    for unit in &judged.units {
        for guess in judged.guesses.iter().filter(|guess| guess.unit == *unit && judged.takes(guess)) {
            lines.push(format!("# {}: {}", guess.judged.sure.as_str(), guess.judged.why));
            lines.push(column(guess, usual));
        }
    }
    let asked: Vec<&Guess> = judged.guesses.iter().filter(|guess| asks(guess) && !judged.takes(guess)).collect();
    if !asked.is_empty() {
        lines.push(
            "\n# Asked: take away the # in front of a line that is right, or mend it; its unit needs a [units.NAME]."
                .to_owned(),
        );
    }
    for guess in asked {
        lines.push(format!("# ? {}: {}", guess.judged.sure.as_str(), guess.judged.why));
        lines.push(format!("# {}", column(guess, usual)));
    }
}

fn column(guess: &Guess, usual: &BTreeMap<Signal, MeasureGuess>) -> String {
    let judged = &guess.judged;
    let unit = if guess.unit.is_empty() { "?" } else { &guess.unit };
    let signal = judged.signal.map_or("?", Signal::as_str);
    let mut parts = vec![format!("unit = {}", quoted(unit)), format!("signal = \"{signal}\"")];
    let mut why = String::new();
    if let Some((measure, sure, reason)) = &judged.measure {
        let is_usual = judged.signal.and_then(|signal| usual.get(&signal)).is_some_and(|(usual, ..)| usual == measure);
        if *sure > Certainty::Guess || !is_usual {
            parts.push(format!("measure = {}", quoted(measure)));
            let ask = if *sure == Certainty::Guess { "? " } else { "" };
            why = format!("  # {ask}{reason}");
        }
        if measure == "%" {
            parts.push("rated_nm = ?, gear_ratio = ?, efficiency = ?".to_owned());
        }
    }
    parts.extend(guess.quality.as_ref().map(|name| format!("quality = {}", quoted(name))));
    format!("{} = {{ {} }}{why}", quoted(&guess.name), parts.join(", "))
}

/// `[units]`, of those that are taken; in files by the names of the house, with their signals.
pub fn units(judged: &Judged, own: &BTreeMap<String, BTreeSet<Signal>>) -> Vec<String> {
    let mut lines = vec![
        "\n[unit_defaults]".to_owned(),
        "# bore_mm = 152.4                     # ? mm; without it there is no sliding distance".to_owned(),
        "# nominal_speed_rpm = 300.0           # ? 1/min; stands in where nothing gives the speed".to_owned(),
        String::new(),
    ];
    let named: BTreeSet<&String> =
        judged.units.iter().chain(own.keys()).filter(|unit| UnitId::new(unit).is_ok()).collect();
    if named.is_empty() {
        lines.push("# ? No unit was recognised: name yours, and map below what speaks of it.\n[units.UNIT]".to_owned());
        lines.push("signals = [\"torque\"]".to_owned());
        return lines;
    }
    lines.push(
        "# ? Are these all scraped-surface heat exchangers? Take out what is none, and its lines below.".to_owned(),
    );
    for unit in named {
        lines.push(format!("[units.{}]", key(unit)));
        if let Some(signals) = own.get(unit) {
            let signals: Vec<String> = signals.iter().map(|signal| format!("\"{signal}\"")).collect();
            lines.push(format!("signals = [{}]", signals.join(", ")));
        }
    }
    lines
}
