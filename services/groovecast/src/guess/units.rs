//! Which unit names speak of: what is left of them when words of signals and those that all begin or end with are taken away.

use std::collections::{BTreeMap, BTreeSet};

use plant::Signal;

use super::name::Told;

/// The unit of each name, as the first that speaks of it writes it; empty if nothing is left.
///
/// Figures behind the letters of a tag name its unit in one plant (TT-101) and a loop within it in another (K1-TT-03): taken
/// is what brings more signals together with a torque.
pub fn units(told: &[&Told]) -> Vec<String> {
    let with_loops = named(told, true);
    let without = named(told, false);
    let mut units = if together(told, &without) > together(told, &with_loops) { without } else { with_loops };
    let mut first: BTreeMap<String, String> = BTreeMap::new();
    for unit in &mut units {
        unit.clone_from(first.entry(unit.to_lowercase()).or_insert_with(|| unit.clone()));
    }
    units
}

/// How many signals stand beside just one torque, less those that stand there twice.
fn together(told: &[&Told], units: &[String]) -> i64 {
    let mut signals: BTreeMap<String, Vec<Signal>> = BTreeMap::new();
    for (told, unit) in told.iter().zip(units).filter(|(told, _)| told.but.is_none()) {
        if let Some((signal, _)) = told.signal {
            signals.entry(unit.to_lowercase()).or_default().push(signal);
        }
    }
    let of_unit = |signals: &Vec<Signal>| {
        let distinct: BTreeSet<Signal> = signals.iter().copied().collect();
        let twice = (signals.len() - distinct.len()) as i64;
        if distinct.contains(&Signal::Torque) { distinct.len() as i64 - 1 - twice } else { -twice }
    };
    signals.values().map(of_unit).sum()
}

fn named(told: &[&Told], with_loops: bool) -> Vec<String> {
    let rests: Vec<Vec<&str>> = told.iter().map(|told| rest(told, with_loops)).collect();
    let speaking: Vec<&Vec<&str>> = told
        .iter()
        .zip(&rests)
        .filter(|(told, rest)| told.signal.is_some() && told.but.is_none() && !rest.is_empty())
        .map(|(_, rest)| rest)
        .collect();
    let alike = |one: &&str, other: &&str| one.to_lowercase() == other.to_lowercase();
    let shared = |from_end: bool| {
        let first = speaking.first().map_or(0, |first| first.len());
        (0..first)
            .take_while(|at| {
                let word = |rest: &Vec<&str>| {
                    let at = if from_end { rest.len().checked_sub(at + 1)? } else { *at };
                    rest.get(at).map(|word| word.to_lowercase())
                };
                // Figures at the end tell more than a word that all tags have.
                let is_figure = |word: String| from_end && word.starts_with(|c: char| c.is_ascii_digit());
                let first = word(speaking[0]);
                first.clone().is_some_and(|first| !is_figure(first)) && speaking.iter().all(|rest| word(rest) == first)
            })
            .count()
    };
    let (before, after) = (shared(false), shared(true));
    let prefix: Vec<&str> = speaking.first().map_or(Vec::new(), |first| first[..before].to_vec());
    let suffix: Vec<&str> = speaking.first().map_or(Vec::new(), |first| first[first.len() - after..].to_vec());
    rests
        .iter()
        .map(|rest| {
            let starts = rest.len() >= before && rest.iter().zip(&prefix).all(|(a, b)| alike(a, b));
            let ends = rest.len() >= after && rest.iter().rev().zip(suffix.iter().rev()).all(|(a, b)| alike(a, b));
            let from = if starts { before } else { 0 };
            let to = if ends { (rest.len() - after).max(from) } else { rest.len() };
            joined(rest, from, to)
        })
        .collect()
}

fn rest(told: &Told, with_loops: bool) -> Vec<&str> {
    let all = || told.rest.iter().map(String::as_str);
    let figure = |word: &str| word.starts_with(|c: char| c.is_ascii_digit());
    match told.loop_at.filter(|_| !with_loops) {
        Some(place) if all().enumerate().any(|(at, word)| at != place && figure(word)) => {
            all().enumerate().filter(|(at, _)| *at != place).map(|(_, word)| word).collect()
        }
        _ => all().collect(),
    }
}

/// The words from a place on up to another, with what belongs before them: K 1, chiller a. Nothing of its own: the last
/// word with a figure names it, or else the last one.
fn joined(words: &[&str], from: usize, to: usize) -> String {
    let figure = |word: &&str| word.starts_with(|c: char| c.is_ascii_digit());
    let (mut from, to) = if from < to {
        (from, to)
    } else {
        let last = words.iter().rposition(figure).or(words.len().checked_sub(1));
        last.map_or((0, 0), |last| (last, last + 1))
    };
    if from > 0 && from < to && (figure(&words[from]) || words[from].chars().count() == 1) && !figure(&words[from - 1])
    {
        from -= 1;
    }
    let mut text = String::new();
    for word in &words[from..to] {
        let is_figure = |c: Option<char>| c.is_some_and(|c| c.is_ascii_digit());
        // Letters and the figures behind them are one name.
        if !text.is_empty() && (!is_figure(word.chars().next()) || is_figure(text.chars().last())) {
            text.push('-');
        }
        text.push_str(word);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::guess::name;

    fn of(names: &[&str]) -> Vec<String> {
        let told: Vec<Told> = names.iter().map(|name| name::read(name)).collect();
        units(&told.iter().collect::<Vec<_>>())
    }

    #[test]
    fn what_names_differ_by_names_the_unit() {
        for (names, right) in [
            (&["Mill.K1.Torque", "Mill.k1.Speed", "Mill.K2.Torque"][..], &["K1", "K1", "K2"][..]),
            (&["Area1.SKW1.Torque", "Area1.SKW2.Torque"], &["SKW1", "SKW2"]),
            (&["North.K1.Torque", "South.K1.Torque"], &["North-K1", "South-K1"]),
            (&["TQ-101.PV", "TT-101.PV", "TQ-102.PV"], &["101", "101", "102"]),
            (&["K1-TQ-03", "K1-TIT-01", "K2-TQ-13", "K2-TIT-11"], &["K1", "K1", "K2", "K2"]),
            (&["K1_Torque", "K1_Speed", "K1_Temp"], &["K1", "K1", "K1"]),
            (&["line2/chiller_a/torque", "line2/chiller_b/torque"], &["chiller-a", "chiller-b"]),
            (&["torque", "speed"], &["", ""]),
        ] {
            assert_eq!(of(names), right, "{names:?}");
        }
    }
}
