//! What the name of a column, a tag, a topic or a field says: which signal, which unit of measure, and which words are left to
//! name the unit.

use plant::{Measure, Signal};

use super::lexicon::{
    COUNTED, EMPTY, INLET, LETTERS, MEASURES, MEDIA, NOT_MEASURED, PERCENT, PRODUCT, QUALITY, SIGNALS, STEMS, STRANGERS,
};

/// What a name says.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Told {
    /// The signal, and the word that says so.
    pub signal: Option<(Signal, String)>,
    /// It is read off the letters of a tag, or off a part of a word: a habit, no word.
    pub is_habit: bool,
    /// Another word that says another signal.
    pub other: Option<String>,
    /// Why it is something else than a reading of shaft or product: a set point, a limit, the inlet, a pump.
    pub but: Option<String>,
    /// It says that it is the product's.
    pub product: bool,
    /// It speaks of the drive or the motor.
    pub drive: Option<String>,
    /// It is in percent.
    pub percent: bool,
    /// The unit of measure that stands in it.
    pub measure: Option<&'static str>,
    /// What is left: the words that may name the unit, as they are written.
    pub rest: Vec<String>,
    /// Which of them are figures right behind the word of the signal: a loop's number, which names a unit in some plants.
    pub loop_at: Option<usize>,
}

/// A word of a name.
#[derive(Debug, Clone, PartialEq)]
struct Word {
    /// As it is written.
    own: String,
    /// In small letters.
    low: String,
    /// How many slashes and dots stand before it.
    level: usize,
    used: bool,
}

/// Words of a name: parted by anything that is no letter or figure, where small letters meet a capital, and where letters
/// meet figures.
fn words(name: &str) -> Vec<Word> {
    let mut words: Vec<Word> = Vec::new();
    let mut last: Option<char> = None;
    let mut level = 0;
    for c in name.chars() {
        if !(c.is_alphanumeric() || "°³%".contains(c)) {
            level += usize::from(c == '/' || c == '.');
            last = None;
            continue;
        }
        let begins = last.is_none_or(|last| {
            (last.is_lowercase() && c.is_uppercase()) || last.is_ascii_digit() != c.is_ascii_digit()
        });
        match words.last_mut().filter(|_| !begins) {
            Some(word) => {
                word.own.push(c);
                word.low.extend(c.to_lowercase());
            }
            None => words.push(Word { own: c.into(), low: c.to_lowercase().collect(), level, used: false }),
        }
        last = Some(c);
    }
    words
}

/// Whether a name is that of a column of qualities, and of which one: the name without the word that says so.
pub fn quality_of(name: &str) -> Option<&str> {
    let at = name.rfind(|c: char| !c.is_alphanumeric())?;
    let (base, word) = (&name[..at], name[at..].trim_start_matches(|c: char| !c.is_alphanumeric()).to_lowercase());
    QUALITY.contains(&word.as_str()).then_some(base)
}

/// How the house calls the unit of measure that a text says of a signal.
pub fn measure_said(text: &str, signal: Signal) -> Option<&'static str> {
    let plain: String = text.to_lowercase().chars().filter(|c| c.is_alphanumeric() || "°³".contains(*c)).collect();
    let exact = Measure::parse(text, signal.quantity()?).ok().map(|measure| measure.name());
    exact.or_else(|| measure_of(&plain, signal))
}

/// Whether a unit of measure is percent.
pub fn is_percent(text: &str) -> bool {
    PERCENT.contains(&text.trim().to_lowercase().as_str())
}

/// Reads a name.
pub fn read(name: &str) -> Told {
    let mut words = words(name);
    let mut told = Told::default();
    let behind = by_words(&mut words, &mut told).or_else(|| by_habit(&mut words, &mut told));
    measure(&mut words, &mut told);
    asides(&mut words, &mut told);
    let left: Vec<(usize, Word)> = words.into_iter().enumerate().filter(|(_, word)| !word.used).collect();
    let is_loop =
        |(at, word): &(usize, Word)| Some(*at) == behind && word.low.starts_with(|c: char| c.is_ascii_digit());
    told.loop_at = left.iter().position(is_loop);
    told.rest = left.into_iter().map(|(_, word)| word.own).collect();
    told
}

/// Words that say a signal; the last level that has some decides. Gives the place behind the one that counts.
fn by_words(words: &mut [Word], told: &mut Told) -> Option<usize> {
    let mut found: Vec<(Signal, std::ops::Range<usize>)> = Vec::new();
    let mut from = 0;
    while from < words.len() {
        let of = |length: usize| {
            let part = words.get(from..from + length)?;
            let joined: String = part.iter().map(|word| word.low.as_str()).collect();
            let (signal, _) = SIGNALS.iter().find(|(_, names)| names.contains(&joined.as_str()))?;
            Some((*signal, from..from + length))
        };
        match [3, 2, 1].into_iter().find_map(of) {
            Some((signal, range)) => {
                from = range.end;
                found.push((signal, range));
            }
            None => from += 1,
        }
    }
    found.iter().for_each(|(_, range)| words[range.clone()].iter_mut().for_each(|word| word.used = true));
    let joined = |range: &std::ops::Range<usize>| -> String {
        words[range.clone()].iter().map(|word| word.own.as_str()).collect::<Vec<_>>().join(" ")
    };
    let level = |range: &std::ops::Range<usize>| words[range.end - 1].level;
    // A status of something else is no mode.
    if found.iter().any(|(signal, _)| *signal != Signal::Mode) {
        let number = found.iter().rfind(|(signal, _)| *signal != Signal::Mode).map(|(_, range)| range.clone())?;
        let after = |(signal, range): &&(Signal, _)| {
            *signal == Signal::Mode && range_after(range, &number) && level(range) == level(&number)
        };
        if let Some((_, range)) = found.iter().find(after) {
            told.but = Some(format!("{:?} in its name: a status, not a reading", joined(range)));
        }
        found.retain(|(signal, _)| *signal != Signal::Mode);
    }
    let (signal, last) = found.last()?.clone();
    told.other = found.iter().find(|(other, _)| *other != signal).map(|(_, range)| joined(range));
    // Where several words say it, the first of its level does: Drehzahl in Drehzahl_rpm.
    let range = found.iter().find(|(other, range)| *other == signal && level(range) == level(&last)).map(|(_, r)| r)?;
    told.signal = Some((signal, joined(range)));
    told.product = words[range.clone()].iter().any(|word| PRODUCT.iter().any(|name| word.low.starts_with(name)));
    let mut measures = found.iter().filter(|(other, _)| *other == signal).filter_map(|(_, range)| {
        let joined: String = words[range.clone()].iter().map(|word| word.low.as_str()).collect();
        measure_of(&joined, signal)
    });
    told.measure = measures.next_back();
    Some(range.end)
}

fn range_after(range: &std::ops::Range<usize>, other: &std::ops::Range<usize>) -> bool {
    range.start >= other.end
}

/// Letters of a tag, or a part of a word.
fn by_habit(words: &mut [Word], told: &mut Told) -> Option<usize> {
    let ends = |at: usize| words.get(at + 1).is_none_or(|next| next.level > words[at].level);
    let figures = |at: usize| words.get(at + 1).is_some_and(|next| next.low.starts_with(|c: char| c.is_ascii_digit()));
    let letters = (0..words.len()).find_map(|at| {
        let known = LETTERS.iter().find(|(_, letters)| letters.contains(&words[at].low.as_str()))?;
        (ends(at) || figures(at)).then_some((at, known.0, words[at].own.clone()))
    });
    let stem = || {
        words.iter().enumerate().rev().find_map(|(at, word)| {
            let known = STEMS.iter().find(|(_, stems)| stems.iter().any(|stem| word.low.contains(stem)))?;
            Some((at, known.0, word.own.clone()))
        })
    };
    let (at, signal, word) = stem().or(letters)?;
    told.signal = Some((signal, word));
    told.is_habit = true;
    told.product = PRODUCT.iter().any(|name| name.len() > 3 && words[at].low.contains(name));
    words[at].used = true;
    Some(at + 1)
}

/// How the house calls a unit of measure, if it is one of a signal's.
fn measure_of(text: &str, signal: Signal) -> Option<&'static str> {
    let house = MEASURES.iter().filter(|(name, _)| *name == text).map(|(_, house)| *house);
    let quantity = signal.quantity()?;
    house.into_iter().find(|house| Measure::parse(house, quantity).is_ok())
}

fn measure(words: &mut [Word], told: &mut Told) {
    let Some((signal, _)) = told.signal else { return };
    for from in 1..words.len() {
        for length in [3, 2, 1] {
            let Some(part) = words.get(from..from + length).filter(|part| part.iter().all(|word| !word.used)) else {
                continue;
            };
            let joined: String = part.iter().map(|word| word.low.as_str()).collect();
            // A single letter is a unit of measure only at the end.
            let is_placed = joined.len() > 1 || from + length == words.len();
            if let Some(measure) = measure_of(&joined, signal).filter(|_| is_placed) {
                told.measure = Some(measure);
                words[from..from + length].iter_mut().for_each(|word| word.used = true);
                break;
            }
        }
    }
}

/// Words that say of what it is, and whether it is a reading.
fn asides(words: &mut [Word], told: &mut Told) {
    let signal = told.signal.as_ref().map(|(signal, _)| *signal);
    let mut medium = false;
    let mut but = None;
    let last = words.last().map_or(0, |word| word.level);
    let ends_alone = words.iter().filter(|word| word.level == last).count() == 1;
    for word in words {
        let is = |list: &[&str]| list.contains(&word.low.as_str());
        let temp = signal == Some(Signal::ProductTemp);
        // A word of the signal may say it too: a brine temperature in one word.
        let within = temp && MEDIA.iter().any(|name| name.len() > 3 && word.low.contains(name));
        medium |= (is(MEDIA) && !word.used) || within;
        if word.used {
            continue;
        }
        told.product |= is(PRODUCT);
        told.percent |= is(PERCENT);
        if is(&["drive", "motor", "antrieb"]) {
            told.drive = Some(word.own.clone());
        }
        let is_output = told.is_habit && ends_alone && word.level == last && is(&["out", "co"]);
        let why = if is_output {
            Some("a controller's output, not a reading")
        } else if is(NOT_MEASURED) {
            Some("a set point, a limit or a fault, not a reading")
        } else if is(STRANGERS) {
            Some("of something else than shaft and product")
        } else if is(COUNTED) && signal != Some(Signal::RunHours) {
            Some("a sum, not a reading")
        } else if is(INLET) && (temp || signal == Some(Signal::Pressure)) {
            Some("of the inlet; wanted is the product at the outlet")
        } else {
            None
        };
        but = but.or(why.map(|why| format!("{:?} in its name: {why}", word.own)));
        let known = [MEDIA, PRODUCT, NOT_MEASURED, INLET, COUNTED, STRANGERS, EMPTY, PERCENT];
        word.used = known.iter().any(|list| list.contains(&word.low.as_str()));
    }
    told.but = but.or(told.but.take());
    if let Some((signal, _)) = told.signal.as_mut().filter(|(signal, _)| *signal == Signal::ProductTemp && medium) {
        *signal = Signal::MediaTemp;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_cut_into_words() {
        let cut = |name| words(name).into_iter().map(|word| word.low).collect::<Vec<_>>();
        assert_eq!(cut("Mill.K12-ShaftTorque_Nm"), ["mill", "k", "12", "shaft", "torque", "nm"]);
        assert_eq!(cut("TT101A"), ["tt", "101", "a"]);
        assert_eq!(cut("Kratzkühler 2 Drehmoment [%]"), ["kratzkühler", "2", "drehmoment", "%"]);
        assert_eq!(quality_of("K1.TQ.Q"), Some("K1.TQ"));
        assert_eq!(quality_of("K1.TQ"), None);
    }

    #[test]
    fn names_of_many_habits_are_read() {
        for (name, signal, measure) in [
            ("K1/shaft/torque", Some(Signal::Torque), None),
            ("SKW1_Drehmoment_Nm", Some(Signal::Torque), Some("N·m")),
            ("C101.TRQ.in-lb", Some(Signal::Torque), Some("lbf·in")),
            ("K1 Torque [N·m]", Some(Signal::Torque), Some("N·m")),
            ("TT-101", Some(Signal::ProductTemp), None),
            ("K2 Mantel Temperatur", Some(Signal::MediaTemp), None),
            ("K2 Soletemperatur", Some(Signal::MediaTemp), None),
            ("unit3_run_hours", Some(Signal::RunHours), None),
            ("A1_Betriebsstunden", Some(Signal::RunHours), None),
            ("A1_Drehzahl_rpm", Some(Signal::Speed), Some("1/min")),
            ("A1 Drehzahl (1/min)", Some(Signal::Speed), Some("1/min")),
            ("A1.speed.rad/s", Some(Signal::Speed), Some("rad/s")),
            ("ProdTemp_degF_HX4", Some(Signal::ProductTemp), Some("°F")),
            ("HX4_Temp_C", Some(Signal::ProductTemp), Some("°C")),
            ("flow_m3h_HX4", Some(Signal::Flow), Some("m³/h")),
            ("Temperatures/K1/torque", Some(Signal::Torque), None),
            ("K1.shafttorquevalue", Some(Signal::Torque), None),
            ("K1_PT100_Outlet", Some(Signal::ProductTemp), None),
            ("vibration", None, None),
        ] {
            let told = read(name);
            assert_eq!((told.signal.map(|(signal, _)| signal), told.measure), (signal, measure), "{name}");
        }
        assert_eq!(read("Mill.K12.ShaftTorque_Nm").rest, ["Mill", "K", "12"]);
        let told = read("K1-TIT-03");
        assert_eq!((told.rest.concat(), told.loop_at), ("K103".to_owned(), Some(2)));
    }

    #[test]
    fn what_is_no_reading_of_shaft_or_product_is_told() {
        for name in [
            "K1_Torque_SP",
            "K1_Torque_Min",
            "K1_Temp_inlet",
            "K1 pump speed",
            "Lager Temperatur K1",
            "K1_Torque_Status",
            "K1 flow total",
            "TIC-101.OUT",
            "K1_CIP_Hours",
            "K1 Messer Betriebsstunden",
            "K1_Temp_Delta",
        ] {
            assert!(read(name).but.is_some(), "{name}: {:?}", read(name));
        }
        assert!(read("K1_Temp_Druck").other.is_some() && read("K1_Torque_pct").percent);
        assert_eq!(read("K1_Laufzeit_min").but, None);
    }
}
