//! Mappings to begin with, guessed from topics that nobody maps yet and from a message of each.
//!
//! A guess says what it stands on. What it cannot know is left to the engineer in a comment.

use std::collections::{BTreeMap, BTreeSet};

use collector::{Mapping, Pattern, Specimen};
use plant::{Measure, Signal, UnitId};
use serde_json::Value as Json;

/// Levels of a JSON document that are looked into.
const DEEPEST: usize = 4;

/// A piece of configuration to begin with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proposal {
    /// Lines of the config, with comments that say what the guess stands on.
    pub text: String,
}

/// The lines of a mapping, without what it stands on: equal ones are one mapping.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Guess {
    topic: String,
    unit: Option<String>,
    signal: Signal,
    measure: Option<String>,
    payload: Vec<String>,
}

/// What a mapping stands on.
#[derive(Debug, Default)]
struct Ground {
    topics: BTreeSet<String>,
    words: BTreeSet<String>,
    measure_said: bool,
}

/// Mappings for topics that are not taken. Topics that differ by the unit alone share one.
pub fn proposals(specimens: &[Specimen], mapped: &[Mapping], units: &BTreeSet<UnitId>) -> Vec<Proposal> {
    let mut guesses: BTreeMap<Guess, Ground> = BTreeMap::new();
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
        let text = String::from_utf8_lossy(&specimen.payload);
        let json = serde_json::from_str::<Json>(&text).ok().filter(Json::is_object);
        if specimen.topic.starts_with("spBv1.0/") {
            proposals.push(Proposal { text: sparkplug(&specimen.topic, units) });
        } else if json.as_ref().is_some_and(|json| json.get("MessageType").is_some_and(|kind| kind == "ua-data")) {
            proposals.push(Proposal { text: opcua(&specimen.topic, units) });
        } else {
            let (topic, unit) = named(&specimen.topic, specimens, units);
            if let Named::New(unit) = &unit {
                new_units.insert(unit.clone());
            }
            let fixed = matches!(unit, Named::Nowhere).then(|| "?".to_owned());
            for (signal, words, measure, payload) in contents(&specimen.topic, &text, json.as_ref()) {
                let measure_said = measure.is_some();
                let measure = measure.or(signal.quantity().map(|quantity| quantity.house_unit().to_owned()));
                let guess = Guess { topic: topic.clone(), unit: fixed.clone(), signal, measure, payload };
                let ground = guesses.entry(guess).or_default();
                ground.topics.insert(specimen.topic.clone());
                ground.words.insert(words);
                ground.measure_said = measure_said;
            }
        }
    }
    proposals.sort_by(|a, b| a.text.cmp(&b.text));
    proposals.dedup();
    proposals.extend(guesses.iter().map(|(guess, ground)| Proposal { text: written(guess, ground) }));
    proposals.extend(new_units.iter().map(|unit| Proposal {
        text: format!("# {} stands where other topics name a unit; if it is one:\n[units.{}]", quoted(unit), key(unit)),
    }));
    proposals
}

fn written(guess: &Guess, ground: &Ground) -> String {
    let first = ground.topics.first().map_or(String::new(), |topic| quoted(topic));
    let words: Vec<&str> = ground.words.iter().map(String::as_str).collect();
    let others = match ground.topics.len() {
        0 | 1 => String::new(),
        2 => " and one more".to_owned(),
        many => format!(" and {} more", many - 1),
    };
    let mut lines = vec![
        format!("# {first}{others}: {}", words.join(", ")),
        "[[topics]]".to_owned(),
        format!("topic = {}", quoted(&guess.topic)),
    ];
    if guess.unit.is_some() {
        lines.push(
            "unit = \"?\"                # no level of the topic names a unit of the config: which is it?".to_owned(),
        );
    }
    lines.push(format!("signal = \"{}\"", guess.signal));
    if let Some(measure) = &guess.measure {
        let sure = if ground.measure_said {
            "# as the message says"
        } else {
            "# what does the topic speak? The message does not say"
        };
        lines.push(format!("{:<26} {sure}", format!("measure = {}", quoted(measure))));
    }
    lines.extend(guess.payload.iter().cloned());
    lines.join("\n")
}

/// Sparkplug names its values inside its messages: which ones are wanted, only people know.
fn sparkplug(topic: &str, units: &BTreeSet<UnitId>) -> String {
    let mut levels: Vec<String> = topic.split('/').map(str::to_owned).collect();
    if let Some(kind) = levels.get_mut(2) {
        "+".clone_into(kind);
    }
    for level in &mut levels {
        if units.iter().any(|unit| unit.as_str() == level) {
            "{unit}".clone_into(level);
        }
    }
    format!(
        "# {}: Sparkplug B; one such mapping for each metric that is wanted\n# [[topics]]\n# topic = {}\n# signal = \"torque\"\n\
         # measure = \"N·m\"\n# payload = \"sparkplug\"\n# metric = \"?\"",
        quoted(topic),
        quoted(&levels.join("/"))
    )
}

fn opcua(topic: &str, units: &BTreeSet<UnitId>) -> String {
    let levels: Vec<&str> = topic
        .split('/')
        .map(|level| if units.iter().any(|unit| unit.as_str() == level) { "{unit}" } else { level })
        .collect();
    format!(
        "# {}: data sets of OPC UA PubSub; one such mapping for each field that is wanted\n# [[topics]]\n# topic = {}\n\
         # signal = \"torque\"\n# measure = \"N·m\"\n# payload = \"opcua\"\n# field = \"?\"",
        quoted(topic),
        quoted(&levels.join("/"))
    )
}

/// Where a topic names its unit.
#[derive(Debug, PartialEq)]
enum Named {
    Known,
    New(String),
    Nowhere,
}

/// The topic with its unit as `{unit}`: a level that is or holds a unit of the config; or the one level with a figure in it by which
/// the topic differs from another one.
fn named(topic: &str, all: &[Specimen], units: &BTreeSet<UnitId>) -> (String, Named) {
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

/// What a message may be: signal, the words that say so, unit of measure if it says one, and how it is written.
type Content = (Signal, String, Option<String>, Vec<String>);

fn contents(topic: &str, text: &str, json: Option<&Json>) -> Vec<Content> {
    let Some(json) = json else {
        let Some((signal, word)) = signal_in(topic) else { return Vec::new() };
        // A bare word is a mode or a product, a bare number the rest.
        let fits = signal.quantity().is_none() || text.trim().parse::<f64>().is_ok();
        return if fits { vec![(signal, format!("{word:?} in the topic"), None, Vec::new())] } else { Vec::new() };
    };
    let mut leaves = Vec::new();
    walk(json, &mut String::new(), 0, &mut leaves);
    let time = leaves.iter().find_map(|(pointer, value)| Some((pointer, time_format(pointer, value)?)));
    let said = leaves.iter().find(|(pointer, value)| called(pointer, MEASURES) && value.is_string());
    let ways = |pointer: &str| {
        let mut lines = vec!["payload = \"json\"".to_owned(), format!("value = {}", quoted(pointer))];
        match &time {
            Some((pointer, format)) => {
                lines.push(format!("time = {}", quoted(pointer)));
                if *format != "rfc3339" {
                    lines.push(format!("time_format = \"{format}\""));
                }
            }
            None => lines.push("# no time was found in the message: its time of arrival is taken".to_owned()),
        }
        lines
    };
    let measure = |signal: Signal| {
        let text = said.and_then(|(_, value)| value.as_str())?;
        Measure::parse(text, signal.quantity()?).ok().map(|_| text.to_owned())
    };
    let is_value = |signal: Signal, value: &Json| match signal.quantity() {
        Some(_) => value.is_number() || value.as_str().is_some_and(|text| text.trim().parse::<f64>().is_ok()),
        None => value.is_string() || value.is_number(),
    };
    if let Some((signal, word)) = signal_in(topic) {
        let value = leaves.iter().find(|(pointer, value)| called(pointer, VALUES) && is_value(signal, value));
        return value
            .map(|(pointer, _)| {
                (signal, format!("{word:?} in the topic, a value at {pointer}"), measure(signal), ways(pointer))
            })
            .into_iter()
            .collect();
    }
    // The message itself names its values.
    leaves
        .iter()
        .filter_map(|(pointer, value)| {
            let (signal, word) = signal_in(pointer).filter(|(signal, _)| is_value(*signal, value))?;
            Some((signal, format!("{word:?} at {pointer}"), None, ways(pointer)))
        })
        .collect()
}

/// Names under which messages keep a value, a time, a unit of measure (common practice, no source).
const VALUES: &[&str] = &["value", "val", "v", "pv", "reading", "data", "measurement"];
const TIMES: &[&str] = &["time", "timestamp", "ts", "t", "at", "datetime", "sourcetimestamp"];
const MEASURES: &[&str] = &["unit", "uom", "units", "eu", "measure", "engunit"];

fn called(pointer: &str, names: &[&str]) -> bool {
    let last = pointer.rsplit('/').next().unwrap_or_default().to_lowercase().replace(['_', '-'], "");
    names.contains(&last.as_str())
}

/// Every value of a document that is no list or object, with its pointer (RFC 6901).
fn walk<'a>(json: &'a Json, at: &mut String, depth: usize, leaves: &mut Vec<(String, &'a Json)>) {
    match json {
        Json::Object(fields) if depth < DEEPEST => {
            for (name, value) in fields {
                let before = at.len();
                at.push('/');
                at.push_str(&name.replace('~', "~0").replace('/', "~1"));
                walk(value, at, depth + 1, leaves);
                at.truncate(before);
            }
        }
        Json::Object(_) | Json::Array(_) | Json::Null => {}
        value => leaves.push((at.clone(), value)),
    }
}

/// How a time is written, by its name and size: 2001 to 2286 in seconds has ten digits, in ms thirteen, and so on.
fn time_format(pointer: &str, value: &Json) -> Option<&'static str> {
    if !called(pointer, TIMES) {
        return None;
    }
    if let Some(text) = value.as_str() {
        return text.parse::<jiff::Timestamp>().ok().map(|_| "rfc3339");
    }
    match value.as_f64()? {
        t if (1e9..1e10).contains(&t) => Some("s"),
        t if (1e12..1e13).contains(&t) => Some("ms"),
        t if (1e15..1e16).contains(&t) => Some("us"),
        t if (1e18..1e19).contains(&t) => Some("ns"),
        _ => None,
    }
}

/// The signal that words of a name speak of, the last levels first.
fn signal_in(name: &str) -> Option<(Signal, String)> {
    let lower = name.to_lowercase();
    let words = |text: &str| -> Vec<String> {
        text.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()).map(str::to_owned).collect()
    };
    let everywhere = words(&lower);
    let cold_side = everywhere.iter().any(|word| MEDIA.iter().any(|media| word.contains(media)));
    for level in lower.rsplit('/') {
        let level_words = words(level);
        for (signal, parts) in NAMES {
            let found = level_words.iter().find(|word| parts.iter().any(|part| word.contains(part)));
            let Some(word) = found else { continue };
            let signal = if *signal == Signal::ProductTemp && cold_side { Signal::MediaTemp } else { *signal };
            return Some((signal, word.clone()));
        }
        // Two words that say it together: run hours, operating hours.
        if level_words.iter().any(|word| ["hours", "hrs", "h"].contains(&word.as_str()))
            && level_words.iter().any(|word| ["run", "running", "operating", "op"].contains(&word.as_str()))
        {
            return Some((Signal::RunHours, level.to_owned()));
        }
    }
    None
}

/// What names of signals hold (common practice, no source). The first that fits counts.
const NAMES: &[(Signal, &[&str])] = &[
    (Signal::Torque, &["torque", "moment", "trq"]),
    (Signal::RunHours, &["runhours", "hourmeter", "runtime", "operatinghours"]),
    (Signal::ProductTemp, &["temp"]),
    (Signal::Speed, &["speed", "rpm"]),
    (Signal::Flow, &["flow"]),
    (Signal::Pressure, &["press"]),
    (Signal::Product, &["product", "recipe"]),
    (Signal::Mode, &["mode", "state", "phase"]),
];

/// Words that speak of what cools or heats, not of the product.
const MEDIA: &[&str] = &["media", "jacket", "refrigerant", "coolant", "brine", "glycol", "steam", "ammonia"];

/// A text as TOML writes it: JSON's way is one of TOML's.
fn quoted(text: &str) -> String {
    Json::String(text.to_owned()).to_string()
}

fn key(text: &str) -> String {
    let bare = !text.is_empty() && text.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
    if bare { text.to_owned() } else { quoted(text) }
}

#[cfg(test)]
mod tests {
    use collector::Payload;

    use super::*;

    fn of(messages: &[(&str, &str)], units: &[&str]) -> String {
        let specimen = |(topic, payload): &(&str, &str)| Specimen {
            topic: (*topic).to_owned(),
            payload: payload.as_bytes().to_vec(),
        };
        let specimens: Vec<_> = messages.iter().map(specimen).collect();
        let units = units.iter().map(|unit| UnitId::new(unit).unwrap()).collect();
        let mapped = Mapping::new(Pattern::parse("mapped/{unit}").unwrap(), Signal::Torque, Payload::Number);
        proposals(&specimens, &[mapped], &units).iter().map(|proposal| format!("{}\n", proposal.text)).collect()
    }

    #[test]
    fn topics_that_differ_by_the_unit_share_a_mapping() {
        let text = of(&[("mill/K1/shaft/torque", "95.2"), ("mill/K2/shaft/torque", "101")], &["K1", "K2"]);
        assert_eq!(text.matches("[[topics]]").count(), 1, "{text}");
        assert!(
            text.contains("topic = \"mill/{unit}/shaft/torque\"") && text.contains("signal = \"torque\""),
            "{text}"
        );
        assert!(text.contains("and one more") && !text.contains("[units."), "{text}");
    }

    #[test]
    fn what_the_message_says_of_itself_is_taken() {
        let json = r#"{"d": {"val": "95.2", "uom": "lbf·in", "ts": 1774915200000}, "seq": 7}"#;
        let text = of(&[("mill/K1-drive/Trq", json)], &["K1"]);
        for line in [
            "topic = \"mill/{unit}-drive/Trq\"",
            "measure = \"lbf·in\"         # as the message says",
            "value = \"/d/val\"",
            "time = \"/d/ts\"",
            "time_format = \"ms\"",
        ] {
            assert!(text.contains(line), "{line} is not in\n{text}");
        }
    }

    #[test]
    fn a_message_that_names_its_values_gives_a_mapping_for_each() {
        let json = r#"{"torque_nm": 95.2, "jacket": {"temp": -28.0}, "operating hours": 1200.5, "at": "2026-03-31T06:00:00Z"}"#;
        let text = of(&[("mill/K1/status", json)], &["K1"]);
        for line in
            ["value = \"/torque_nm\"", "signal = \"media_temp\"", "value = \"/operating hours\"", "time = \"/at\""]
        {
            assert!(text.contains(line), "{line} is not in\n{text}");
        }
        assert_eq!(text.matches("[[topics]]").count(), 3, "{text}");
    }

    #[test]
    fn units_that_the_config_lacks_are_told_apart_by_their_figures() {
        let text = of(&[("mill/A07/speed", "120"), ("mill/A08/speed", "118")], &["K1"]);
        assert!(text.contains("topic = \"mill/{unit}/speed\""), "{text}");
        assert!(text.contains("[units.A07]") && text.contains("[units.A08]"), "{text}");
        assert_eq!(
            of(&[("mapped/A09", "1")], &["K1"]),
            "# \"A09\" stands where other topics name a unit; if it is one:\n[units.A09]\n"
        );
        let alone = of(&[("mill/cooler/speed", "120")], &["K1"]);
        assert!(alone.contains("unit = \"?\""), "{alone}");
    }

    #[test]
    fn what_nothing_speaks_for_is_not_guessed() {
        assert_eq!(of(&[("mill/K1/vibration", "0.3"), ("mill/K1/torque", "running")], &["K1"]), "");
        assert_eq!(of(&[("mill/{x}/torque", "1"), ("mill/K1/x", "[1, 2]"), ("mill/K1/y", "\u{0}")], &["K1"]), "");
    }

    #[test]
    fn a_topic_of_a_stranger_cannot_break_out_of_its_quotes() {
        let text = of(&[("mill/K1/tor\"que\\n\ntorque", "1")], &["K1"]);
        let body: String = text.lines().filter(|line| !line.starts_with('#')).map(|line| format!("{line}\n")).collect();
        let read: toml::Table = toml::from_str(&body).unwrap();
        assert_eq!(read["topics"][0]["topic"].as_str(), Some("mill/{unit}/tor\"que\\n\ntorque"));
    }
}
