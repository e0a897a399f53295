//! From names and values to guesses, each with its reason and how sure it is.
//!
//! Sure is only what a word of the name says, the values do not speak against, and no other column of the unit says too. What
//! is a habit of tag letters, or what values alone suggest, is a guess; it stands in the config as a question.

use std::collections::{BTreeMap, BTreeSet};

use plant::Signal;

use super::name::{self, Told};
use super::values::{Look, Series};

/// How sure a guess is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Certainty {
    /// It would have to be asked.
    Guess,
    /// One thing speaks for it, and nothing against it.
    Likely,
    /// Name and values say so, and nothing else can be meant.
    Sure,
}

impl Certainty {
    /// As the config says it.
    pub const fn as_str(self) -> &'static str {
        match self {
            Certainty::Guess => "a guess",
            Certainty::Likely => "likely",
            Certainty::Sure => "sure",
        }
    }
}

/// What a column or tag may be.
#[derive(Debug, Clone, PartialEq)]
pub struct Guess {
    /// Its name in the file.
    pub name: String,
    /// The unit; empty if its name says none.
    pub unit: String,
    /// The signal; `None` if nothing speaks for one.
    pub signal: Option<Signal>,
    /// How sure the signal is.
    pub sure: Certainty,
    /// Why.
    pub why: String,
    /// The unit of measure, and how sure it is; `None` for words.
    pub measure: Option<(String, Certainty, String)>,
    /// The column of its quality.
    pub quality: Option<String>,
    /// Why it is none of the signals that are wanted.
    pub but: Option<String>,
}

/// Guesses for all columns or tags of an export.
pub fn guesses(series: &BTreeMap<String, Series>) -> Vec<Guess> {
    let is_quality = |name: &str| name::quality_of(name).is_some_and(|base| series.contains_key(base));
    let named: Vec<(&String, Told)> =
        series.keys().filter(|name| !is_quality(name)).map(|name| (name, name::read(name))).collect();
    let units = units(&named.iter().map(|(_, told)| told).collect::<Vec<_>>());
    let mut guesses: Vec<Guess> = named
        .iter()
        .zip(units)
        .map(|((name, told), unit)| {
            let quality = series.keys().find(|other| name::quality_of(other) == Some(name.as_str())).cloned();
            Guess { unit, quality, ..guess(name, told, &series[*name]) }
        })
        .collect();
    settle(&mut guesses);
    guesses
}

/// The unit of each name: what is left of it, without the words that all names have.
fn units(told: &[&Told]) -> Vec<String> {
    let with_signal: Vec<&&Told> = told.iter().filter(|told| told.signal.is_some()).collect();
    let everywhere: BTreeSet<&String> = match with_signal.split_first() {
        Some((first, others)) => {
            first.rest.iter().filter(|word| others.iter().all(|told| told.rest.contains(word))).collect()
        }
        None => BTreeSet::new(),
    };
    let joined = |words: Vec<&String>| {
        let mut text = String::new();
        for word in words {
            let figure = |c: Option<char>| c.is_some_and(|c| c.is_ascii_digit());
            // Letters and the figures behind them are one name.
            if !text.is_empty() && figure(text.chars().last()) == figure(word.chars().next()) {
                text.push('-');
            }
            text.push_str(&word.to_uppercase());
        }
        text
    };
    told.iter()
        .map(|told| {
            let own: Vec<&String> = told.rest.iter().filter(|word| !everywhere.contains(word)).collect();
            // What stands before a figure or a letter belongs to it, be it in every name: K 1, K 2.
            let figure = |word: &String| word.starts_with(|c: char| c.is_ascii_digit());
            let tells = |word: &String| own.contains(&word) || (own.is_empty() && figure(word));
            let kept: Vec<&String> = told
                .rest
                .iter()
                .enumerate()
                .filter(|(at, word)| {
                    let next =
                        told.rest.get(at + 1).filter(|next| tells(next) && (figure(next) || next.chars().count() == 1));
                    tells(word) || (next.is_some() && !figure(word))
                })
                .map(|(_, word)| word)
                .collect();
            joined(kept)
        })
        .collect()
}

/// What a name and its values say by themselves.
fn guess(name: &str, told: &Told, series: &Series) -> Guess {
    let mut guess = Guess {
        name: name.to_owned(),
        unit: String::new(),
        signal: None,
        sure: Certainty::Guess,
        why: String::new(),
        measure: None,
        quality: None,
        but: told.but.map(str::to_owned),
    };
    let look = series.look();
    match &told.signal {
        Some((signal, word)) if signal.quantity().is_none() => {
            guess.signal = Some(*signal);
            let fits =
                series.word_cells > 0 || look.is_some_and(|look| look.span.0.fract() == 0.0 && look.span.2 < 100.0);
            (guess.sure, guess.why) = match fits {
                true if series.word_cells > 0 => (Certainty::Likely, format!("{word:?} in its name, and words in it")),
                true => (
                    Certainty::Guess,
                    format!("{word:?} in its name, and small whole numbers in it: what do they mean?"),
                ),
                false => (Certainty::Guess, format!("{word:?} in its name, but its values are no words")),
            };
        }
        Some((signal, word)) => numbers(&mut guess, *signal, word, told, look, series),
        None if told.product && series.word_cells > 0 => {
            guess.signal = Some(Signal::Product);
            (guess.sure, guess.why) = (Certainty::Likely, "the product in its name, and words in it".to_owned());
        }
        None => by_values(&mut guess, look),
    }
    if told.motor && matches!(guess.signal, Some(Signal::Torque | Signal::Speed)) {
        guess.sure = Certainty::Guess;
        guess.why.push_str("; of the motor, in front of the gear: wanted is the shaft");
    }
    if guess.but.is_some() {
        guess.sure = Certainty::Guess;
    }
    guess
}

/// A name that says a signal of numbers.
fn numbers(guess: &mut Guess, signal: Signal, word: &str, told: &Told, look: Option<Look>, series: &Series) {
    guess.signal = Some(signal);
    let says = if told.by_letters { format!("the letters {word} of a tag") } else { format!("{word:?} in its name") };
    let Some(look) = look else {
        guess.why = if series.word_cells > 0 {
            format!("{says}, but its values are words")
        } else {
            format!("{says}, but hardly a value in it")
        };
        return;
    };
    guess.measure = Some(measure(signal, told, &look));
    let (least, _, greatest) = look.span;
    let fits = guess.measure.as_ref().is_some_and(|(measure, ..)| look.fits(signal, measure));
    let still = least == greatest;
    let unusual = unusual(signal, &look, guess.measure.as_ref().map_or("", |(measure, ..)| measure));
    guess.why = format!("{says}; values from {least} to {greatest}");
    guess.sure = match (fits, told.by_letters) {
        (false, _) => {
            guess.why.push_str(", which it cannot be");
            Certainty::Guess
        }
        _ if still => {
            guess.why.push_str(": it never changes");
            Certainty::Guess
        }
        _ if unusual.is_some() => Certainty::Guess,
        (true, true) => Certainty::Likely,
        (true, false) => Certainty::Sure,
    };
    if let Some(unusual) = unusual {
        guess.why.push_str(", ");
        guess.why.push_str(unusual);
    }
    if signal == Signal::ProductTemp && !told.product {
        guess.sure = guess.sure.min(Certainty::Likely);
        guess.why.push_str("; of the product, or of the medium in the jacket?");
    }
}

/// What speaks against a signal although it could be.
fn unusual(signal: Signal, look: &Look, measure: &str) -> Option<&'static str> {
    let quantity = signal.quantity()?;
    let house =
        |number: f64| plant::Measure::parse(measure, quantity).map_or(number, |measure| measure.to_house(number));
    match signal {
        Signal::RunHours => None,
        // A counter is no measured value.
        _ if look.rises && look.span.0 > 0.0 && look.span.2 > 1.01 * look.span.0 => {
            Some("and it only rises, like a counter")
        }
        Signal::Speed if !(5.0..=1500.0).contains(&house(look.running).abs()) => Some("unusual for such a shaft"),
        Signal::Torque if !(2.0..=2000.0).contains(&house(look.running).abs()) => Some("unusual for such a shaft"),
        _ => None,
    }
}

/// The unit of measure: as the name says, as the values show, or as the house has it.
fn measure(signal: Signal, told: &Told, look: &Look) -> (String, Certainty, String) {
    if signal == Signal::RunHours
        && let Some(shown) = look.meter_measure()
    {
        let rate = format!("it rises by {:.2} an hour at most", look.per_hour);
        return match told.measure {
            Some(named) if named != shown => {
                (shown.to_owned(), Certainty::Guess, format!("{rate}, but its name says {named}"))
            }
            _ => (shown.to_owned(), Certainty::Sure, rate),
        };
    }
    let house = signal.house_unit();
    match (told.measure, signal) {
        (Some(named), _) if look.fits(signal, named) => {
            (named.to_owned(), Certainty::Sure, "its name says so".to_owned())
        }
        (Some(named), _) => {
            (named.to_owned(), Certainty::Guess, "its name says so, but its values cannot be".to_owned())
        }
        (None, Signal::Torque) if look.running > 700.0 => {
            ("lbf·in".to_owned(), Certainty::Guess, format!("{:.0} while it runs is much for N·m", look.running))
        }
        (None, Signal::ProductTemp | Signal::MediaTemp) if look.span.2 > 150.0 => {
            ("°F".to_owned(), Certainty::Guess, format!("{} is much for °C", look.span.2))
        }
        (None, Signal::Speed) if look.fits(signal, house) => {
            (house.to_owned(), Certainty::Likely, "its values are those of a shaft in 1/min".to_owned())
        }
        _ => (house.to_owned(), Certainty::Guess, "nothing says so".to_owned()),
    }
}

/// What values alone suggest: an hour meter shows itself, the rest does not.
fn by_values(guess: &mut Guess, look: Option<Look>) {
    let Some(look) = look else {
        "nothing says what it is".clone_into(&mut guess.why);
        return;
    };
    let (least, _, greatest) = look.span;
    match look.meter_measure() {
        Some(measure) if least >= 0.0 => {
            guess.signal = Some(Signal::RunHours);
            guess.why = format!(
                "its name says nothing, but it only rises, from {least} to {greatest}, by {:.2} an hour at most",
                look.per_hour
            );
            guess.measure =
                Some((measure.to_owned(), Certainty::Guess, "it rises as fast as a clock at most".to_owned()));
        }
        _ => guess.why = format!("nothing says what it is; values from {least} to {greatest}"),
    }
}

/// Where two columns of a unit say the same, neither is sure; so is a signal of a unit that no name tells.
fn settle(guesses: &mut [Guess]) {
    let mut seen: BTreeMap<(String, Signal), usize> = BTreeMap::new();
    for guess in guesses.iter().filter(|guess| guess.but.is_none()) {
        if let Some(signal) = guess.signal {
            *seen.entry((guess.unit.clone(), signal)).or_default() += 1;
        }
    }
    let units: BTreeSet<String> = seen.keys().map(|(unit, _)| unit.clone()).collect();
    for guess in guesses {
        let Some(signal) = guess.signal else { continue };
        let extends = |unit: &String| {
            !unit.is_empty()
                && guess
                    .unit
                    .strip_prefix(unit.as_str())
                    .is_some_and(|more| more.starts_with(|c: char| !c.is_ascii_digit()))
        };
        if let Some(unit) = units.iter().find(|unit| extends(unit)) {
            guess.sure = Certainty::Guess;
            guess.why.push_str(&format!("; its name says more than the unit {unit}"));
        }
        if !seen.keys().any(|(unit, other)| *unit == guess.unit && *other != signal) {
            guess.sure = guess.sure.min(Certainty::Likely);
            guess.why.push_str("; nothing else speaks of this unit");
        }
        if seen.get(&(guess.unit.clone(), signal)).is_some_and(|count| *count > 1) {
            guess.sure = Certainty::Guess;
            guess.why.push_str("; another one of this unit says the same");
        }
        if guess.unit.is_empty() {
            guess.sure = Certainty::Guess;
            guess.why.push_str("; its name tells no unit");
        }
    }
}
