//! What the name of a column, a tag or a topic says: which signal, which unit of measure, and which words are left to name
//! the unit.
//!
//! Words are common practice in English and German plants, letters those of instrument tags by the habit that ISA-5.1 wrote
//! down (first letter: what is measured; last: what shows it).

use plant::{Measure, Signal};

/// What a name says.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// The signal, and the word that says so.
    pub signal: Option<(Signal, String)>,
    /// It is read off the letters of a tag alone: a habit, no word.
    pub by_letters: bool,
    /// Words that say that it is something else than a reading of the product side: set point, limit, inlet, medium.
    pub but: Option<&'static str>,
    /// It speaks of the jacket's medium.
    pub medium: bool,
    /// It says that it is the product's.
    pub product: bool,
    /// It speaks of the motor.
    pub motor: bool,
    /// The unit of measure that stands in it.
    pub measure: Option<&'static str>,
    /// What is left: the words that may name the unit.
    pub rest: Vec<String>,
}

/// Words that say a signal by themselves.
const SIGNALS: &[(Signal, &[&str])] = &[
    (
        Signal::Torque,
        &["torque", "trq", "tq", "torq", "drehmoment", "moment", "md", "wellenmoment", "shafttorque", "mom", "drehm"],
    ),
    (
        Signal::RunHours,
        &[
            "runhours",
            "runhrs",
            "hourmeter",
            "runtime",
            "operatinghours",
            "ophours",
            "betriebsstunden",
            "bstd",
            "betrstd",
            "laufzeit",
            "stunden",
            "rh",
            "runh",
            "hourcounter",
            "stundenzaehler",
            "stundenzähler",
            "bsz",
            "hrs",
            "hours",
        ],
    ),
    (
        Signal::ProductTemp,
        &[
            "temperature",
            "temp",
            "temperatur",
            "producttemp",
            "prodtemp",
            "produkttemp",
            "produkttemperatur",
            "tmp",
            "outlettemp",
            "austrittstemp",
        ],
    ),
    (Signal::Speed, &["speed", "rpm", "drehzahl", "dz", "shaftspeed", "spd", "wellendrehzahl", "umdr", "drehz"]),
    (Signal::Flow, &["flow", "flowrate", "durchfluss", "dfl", "volumenstrom", "durchfl", "mengenstrom"]),
    (Signal::Pressure, &["pressure", "press", "druck", "prs"]),
    (Signal::Mode, &["mode", "state", "phase", "betriebsart", "status", "zustand", "modus"]),
    (Signal::Product, &["recipe", "rezept", "productname", "produktname", "sorte", "artikel"]),
];

/// Letters of instrument tags. Torque has none of its own.
const LETTERS: &[(Signal, &[&str])] = &[
    (Signal::ProductTemp, &["tt", "ti", "te", "tit", "tir"]),
    (Signal::Pressure, &["pt", "pi", "pit", "pir"]),
    (Signal::Flow, &["ft", "fi", "fit", "fir"]),
    (Signal::Speed, &["st", "si", "sit", "se"]),
    (Signal::RunHours, &["kq", "kqi", "kqt"]),
];

const MEDIA: &[&str] = &[
    "media",
    "medium",
    "jacket",
    "refrigerant",
    "coolant",
    "brine",
    "glycol",
    "steam",
    "ammonia",
    "nh3",
    "mantel",
    "sole",
    "dampf",
    "kälte",
    "kaelte",
    "kaeltemittel",
    "kältemittel",
    "glykol",
    "service",
    "util",
];
const PRODUCT: &[&str] = &["product", "prod", "produkt", "outlet", "out", "austritt", "ausgang", "auslauf", "pv1"];
const NOT_MEASURED: &[&str] = &[
    "sp",
    "setpoint",
    "soll",
    "sollwert",
    "target",
    "limit",
    "lim",
    "max",
    "min",
    "alarm",
    "hi",
    "lo",
    "hihi",
    "lolo",
    "grenzwert",
    "rated",
    "nenn",
];
const INLET: &[&str] = &["inlet", "in", "eintritt", "einlauf", "zulauf", "vorlauf", "eingang"];
const QUALITY: &[&str] = &["quality", "qual", "q", "status", "stat", "qualität", "qualitaet", "valid"];
/// Words that every tag has and that name nothing.
const EMPTY: &[&str] = &[
    "pv", "val", "value", "act", "actual", "ist", "istwert", "wert", "meas", "cv", "ai", "raw", "shaft", "welle",
    "drive", "antrieb", "motor", "reading", "data",
];

/// Units of measure as names write them, with the way the house writes them.
const MEASURES: &[(&str, &str)] = &[
    ("nm", "N·m"),
    ("knm", "kN·m"),
    ("inlb", "lbf·in"),
    ("lbin", "lbf·in"),
    ("lbfin", "lbf·in"),
    ("inlbf", "lbf·in"),
    ("ftlb", "lbf·ft"),
    ("lbft", "lbf·ft"),
    ("lbfft", "lbf·ft"),
    ("degc", "°C"),
    ("celsius", "°C"),
    ("°c", "°C"),
    ("degf", "°F"),
    ("fahrenheit", "°F"),
    ("°f", "°F"),
    ("rpm", "1/min"),
    ("upm", "1/min"),
    ("umin", "1/min"),
    ("rmin", "1/min"),
    ("m3h", "m³/h"),
    ("m³h", "m³/h"),
    ("lh", "L/h"),
    ("lmin", "L/min"),
    ("gpm", "gal/min"),
    ("bar", "bar"),
    ("psi", "psi"),
    ("kpa", "kPa"),
    ("mpa", "MPa"),
    ("h", "h"),
    ("std", "h"),
    ("sec", "s"),
];

/// Words of a name, in small letters: parted by anything that is no letter or figure, where small letters meet a capital,
/// and where letters meet figures.
pub fn words(name: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let mut last: Option<char> = None;
    for c in name.chars() {
        let joins = c.is_alphanumeric() || c == '°' || c == '³';
        let parts = last.is_some_and(|last| {
            let figures = |c: char| c.is_ascii_digit();
            (last.is_lowercase() && c.is_uppercase()) || figures(last) != figures(c)
        });
        match (joins, last, parts) {
            (false, ..) => last = None,
            (true, Some(_), false) => {
                if let Some(word) = words.last_mut() {
                    word.extend(c.to_lowercase());
                }
                last = Some(c);
            }
            (true, ..) => {
                words.push(c.to_lowercase().collect());
                last = Some(c);
            }
        }
    }
    words
}

/// Whether a name is that of a column of qualities, and of which one: the name without the word that says so.
pub fn quality_of(name: &str) -> Option<&str> {
    let at = name.rfind(|c: char| !c.is_alphanumeric())?;
    let (base, word) = (&name[..at], name[at..].trim_start_matches(|c: char| !c.is_alphanumeric()).to_lowercase());
    QUALITY.contains(&word.as_str()).then_some(base)
}

/// Reads a name.
pub fn read(name: &str) -> Told {
    let all = words(name);
    let mut told = Told {
        signal: None,
        by_letters: false,
        but: None,
        medium: false,
        product: false,
        motor: all.iter().any(|word| word == "motor"),
        measure: None,
        rest: Vec::new(),
    };
    let mut used = vec![false; all.len()];
    let found = |list: &[&str], word: &str| list.contains(&word);
    // Two words that say it together come first: run hours, in lb, m3 h.
    for from in 0..all.len() {
        for length in [3, 2, 1] {
            let Some(part) =
                all.get(from..from + length).filter(|_| used[from..].iter().take(length).all(|used| !used))
            else {
                continue;
            };
            let joined = part.concat();
            let signal = SIGNALS.iter().find(|(_, words)| found(words, &joined)).map(|(signal, _)| *signal);
            let measure = MEASURES.iter().find(|(word, _)| *word == joined).map(|(_, house)| *house);
            // A single h or an s is a unit of measure only at the end; m3 is no unit of the plant.
            let measure = measure.filter(|_| from > 0 && (joined.len() > 1 || from + length == all.len()));
            if let Some(signal) = signal
                .filter(|_| told.signal.is_none() || told.signal.as_ref().is_some_and(|(s, _)| *s == Signal::Product))
            {
                told.signal = Some((signal, part.join(" ")));
                told.product |= part.iter().any(|word| found(PRODUCT, word)) || joined.starts_with("prod");
                used[from..from + length].fill(true);
                if joined == "rpm" || joined == "hours" || joined == "hrs" {
                    told.measure = Some(if joined == "rpm" { "1/min" } else { "h" });
                }
                break;
            }
            if let Some(measure) = measure {
                told.measure = Some(measure);
                used[from..from + length].fill(true);
                break;
            }
        }
    }
    for (at, word) in
        all.iter().enumerate().filter(|(at, _)| !used[*at]).map(|(at, word)| (at, word.as_str())).collect::<Vec<_>>()
    {
        let known = [MEDIA, PRODUCT, NOT_MEASURED, INLET, EMPTY].iter().any(|list| found(list, word));
        told.medium |= found(MEDIA, word);
        told.product |= found(PRODUCT, word);
        if found(NOT_MEASURED, word) {
            told.but = Some("a set point or a limit, not a reading");
        } else if found(INLET, word) {
            told.but = Some("of the inlet; wanted is the product at the outlet");
        }
        used[at] |= known;
    }
    if told.signal.is_none() {
        let letters = all.iter().enumerate().find_map(|(at, word)| {
            let (signal, _) = LETTERS.iter().find(|(_, letters)| !used[at] && found(letters, word))?;
            Some((at, *signal))
        });
        if let Some((at, signal)) = letters {
            told.signal = Some((signal, all[at].to_uppercase()));
            told.by_letters = true;
            used[at] = true;
        }
    }
    if let Some((signal, _)) = &mut told.signal
        && *signal == Signal::ProductTemp
        && told.medium
    {
        *signal = Signal::MediaTemp;
    }
    // A unit of measure of another quantity is none of this signal's.
    if let (Some((signal, _)), Some(measure)) = (&told.signal, told.measure)
        && signal.quantity().is_none_or(|quantity| Measure::parse(measure, quantity).is_err())
    {
        told.measure = None;
    }
    told.rest = all.into_iter().zip(used).filter(|(_, used)| !used).map(|(word, _)| word).collect();
    told
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_cut_into_words() {
        assert_eq!(words("Mill.K12-ShaftTorque_Nm"), ["mill", "k", "12", "shaft", "torque", "nm"]);
        assert_eq!(words("TT101A"), ["tt", "101", "a"]);
        assert_eq!(words("Kratzkühler 2 Drehmoment"), ["kratzkühler", "2", "drehmoment"]);
        assert_eq!(quality_of("K1.TQ.Q"), Some("K1.TQ"));
        assert_eq!(quality_of("K1.TQ"), None);
    }

    #[test]
    fn names_of_many_habits_are_read() {
        for (name, signal, measure) in [
            ("K1/shaft/torque", Some(Signal::Torque), None),
            ("SKW1_Drehmoment_Nm", Some(Signal::Torque), Some("N·m")),
            ("C101.TRQ.in-lb", Some(Signal::Torque), Some("lbf·in")),
            ("TT-101", Some(Signal::ProductTemp), None),
            ("K2 Mantel Temperatur", Some(Signal::MediaTemp), None),
            ("unit3_run_hours", Some(Signal::RunHours), None),
            ("A1_Betriebsstunden", Some(Signal::RunHours), None),
            ("A1_Drehzahl_rpm", Some(Signal::Speed), Some("1/min")),
            ("ProdTemp_degF_HX4", Some(Signal::ProductTemp), Some("°F")),
            ("flow_m3h_HX4", Some(Signal::Flow), Some("m³/h")),
            ("vibration", None, None),
        ] {
            let told = read(name);
            assert_eq!((told.signal.map(|(signal, _)| signal), told.measure), (signal, measure), "{name}");
        }
        assert!(read("K1_Torque_SP").but.is_some() && read("K1_Temp_inlet").but.is_some());
        assert_eq!(read("Mill.K12.ShaftTorque_Nm").rest, ["mill", "k", "12"]);
    }
}
