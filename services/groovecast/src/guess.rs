//! From names and values to guesses, each with its reason and how sure it is.
//!
//! Sure is only what a word of the name says, enough values do not speak against, and no other column of the unit says too.
//! What is a habit of tag letters, or what values alone suggest, is a guess; it stands in the config as a question.

pub mod name;
pub mod values;

mod lexicon;
mod units;

use std::collections::{BTreeMap, BTreeSet};

use plant::Signal;

pub use units::units;

use name::Told;
use values::{Look, Series};

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

/// A unit of measure, how sure it is, and why.
pub type MeasureGuess = (String, Certainty, String);

/// What a name and its values may be.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// The signal; `None` if nothing speaks for one.
    pub signal: Option<Signal>,
    /// How sure it is.
    pub sure: Certainty,
    /// Why.
    pub why: String,
    /// The unit of measure; `None` for words.
    pub measure: Option<MeasureGuess>,
    /// Why it is none of the signals that are wanted.
    pub but: Option<String>,
}

impl Judged {
    fn doubt(&mut self, most: Certainty, why: &str) {
        self.sure = self.sure.min(most);
        self.why.push_str("; ");
        self.why.push_str(why);
    }

    /// Whether it may stand in a config without having been asked.
    pub fn is_taken(&self) -> bool {
        self.signal.is_some() && self.sure > Certainty::Guess && self.but.is_none()
    }
}

/// What a column or tag of an export may be.
#[derive(Debug, Clone, PartialEq)]
pub struct Guess {
    /// Its name in the file.
    pub name: String,
    /// The unit; empty if its name says none.
    pub unit: String,
    /// What it may be.
    pub judged: Judged,
    /// The column of its quality.
    pub quality: Option<String>,
}

/// Guesses for all columns or tags of an export. `said` gives the unit of measure that the export itself says of a name.
pub fn guesses(series: &BTreeMap<String, Series>, said: &BTreeMap<String, String>) -> Vec<Guess> {
    let mut qualities: BTreeMap<&str, &String> = BTreeMap::new();
    for name in series.keys() {
        if let Some(base) = name::quality_of(name).filter(|base| series.contains_key(*base)) {
            qualities.insert(base, name);
        }
    }
    let columns: BTreeSet<&String> = qualities.values().copied().collect();
    let named: Vec<(&String, Told)> =
        series.keys().filter(|name| !columns.contains(name)).map(|name| (name, name::read(name))).collect();
    let units = units(&named.iter().map(|(_, told)| told).collect::<Vec<_>>());
    let guess = |((name, told), unit): (&(&String, Told), String)| Guess {
        name: (*name).clone(),
        unit,
        judged: judge(told, &series[*name], said.get(*name).map(String::as_str)),
        quality: qualities.get(name.as_str()).map(|name| (*name).clone()),
    };
    let mut guesses: Vec<Guess> = named.iter().zip(units).map(guess).collect();
    settle(&mut guesses);
    guesses
}

/// What a name, its values and the unit of measure that is said of it say by themselves.
pub fn judge(told: &Told, series: &Series, said: Option<&str>) -> Judged {
    let told = &Told { percent: told.percent || said.is_some_and(name::is_percent), ..told.clone() };
    let mut judged =
        Judged { signal: None, sure: Certainty::Guess, why: String::new(), measure: None, but: told.but.clone() };
    match &told.signal {
        Some((signal, word)) if signal.quantity().is_none() => words(&mut judged, *signal, word, series),
        Some((signal, word)) => numbers(&mut judged, (*signal, word), told, series, said),
        None if told.product && series.word_cells > 0 => {
            judged.signal = Some(Signal::Product);
            (judged.sure, judged.why) = (Certainty::Likely, "the product in its name, and words in it".to_owned());
        }
        None => by_values(&mut judged, series.look()),
    }
    let of_shaft = matches!(judged.signal, Some(Signal::Torque | Signal::Speed));
    if let Some(drive) = told.drive.as_ref().filter(|_| of_shaft) {
        let most = if drive.eq_ignore_ascii_case("motor") { Certainty::Guess } else { Certainty::Likely };
        judged.doubt(most, &format!("{drive:?} in its name: in front of the gear? Wanted is the shaft"));
    }
    if let Some(other) = &told.other {
        judged.doubt(Certainty::Guess, &format!("{other:?} in its name says something else"));
    }
    if told.percent && judged.signal != Some(Signal::Torque) {
        judged.doubt(Certainty::Guess, "in percent: of what?");
    }
    if judged.but.is_some() {
        judged.sure = Certainty::Guess;
    }
    judged
}

/// A name that says a signal of words.
fn words(judged: &mut Judged, signal: Signal, word: &str, series: &Series) {
    judged.signal = Some(signal);
    let whole = series.look().is_some_and(|look| look.span.0.fract() == 0.0 && look.span.2 < 100.0);
    (judged.sure, judged.why) = if series.word_cells > 0 {
        let some: Vec<String> = series.words.iter().take(3).map(|word| format!("{word:?}")).collect();
        (Certainty::Likely, format!("{word:?} in its name, and words in it: {}", some.join(", ")))
    } else if whole {
        (Certainty::Guess, format!("{word:?} in its name, and small whole numbers in it: what do they mean?"))
    } else {
        (Certainty::Guess, format!("{word:?} in its name, but its values are no words"))
    };
}

/// A name that says a signal of numbers.
fn numbers(judged: &mut Judged, (signal, word): (Signal, &str), told: &Told, series: &Series, said: Option<&str>) {
    judged.signal = Some(signal);
    let says = if told.is_habit { format!("{word:?} in a name by habit") } else { format!("{word:?} in its name") };
    let (series, left_out) = if signal == Signal::RunHours { (series.clone(), None) } else { series.measured() };
    let Some(look) = series.look() else {
        judged.why = if series.word_cells > 0 {
            format!("{says}, but its values are words")
        } else {
            let none = left_out.map_or(String::new(), |none| format!(" but {none}"));
            format!("{says}, but no value in it{none}")
        };
        judged.measure = Some(measure(signal, told, None, said));
        return;
    };
    let measure = measure(signal, told, Some(&look), said);
    let (least, _, greatest) = look.span;
    let seen = seen(&look);
    judged.why = format!("{says}; {seen}");
    if let Some(none) = left_out {
        judged.why.push_str(&format!(" beside {none}, by which devices say that there is none"));
    }
    judged.sure = if told.is_habit { Certainty::Likely } else { Certainty::Sure };
    if series.word_cells * 2 > series.numbers.len() {
        judged.doubt(Certainty::Guess, "many of its values are no numbers");
    }
    if told.percent && signal == Signal::Torque {
        judged.doubt(Certainty::Guess, "in percent of the drive's rated torque, which has to be said");
    } else if !look.fits(signal, &measure.0) {
        judged.doubt(Certainty::Guess, "which it cannot be");
    } else if !look.is_enough() {
        judged.sure = judged.sure.min(Certainty::Likely);
    } else if least == greatest {
        judged.doubt(Certainty::Guess, "it never changes");
    }
    if let Some(unusual) = unusual(signal, &look, &measure.0).filter(|_| !told.percent) {
        judged.doubt(Certainty::Guess, unusual);
    }
    judged.measure = Some(measure);
    if signal == Signal::ProductTemp && !told.product {
        judged.doubt(Certainty::Likely, "of the product, or of the medium in the jacket?");
    }
}

/// What speaks against a signal although it could be.
fn unusual(signal: Signal, look: &Look, measure: &str) -> Option<&'static str> {
    let quantity = signal.quantity()?;
    let house =
        |number: f64| plant::Measure::parse(measure, quantity).map_or(number, |measure| measure.to_house(number));
    let running = house(look.running).abs();
    match signal {
        Signal::RunHours => None,
        // A counter is no measured value.
        _ if look.is_enough() && look.rises && look.span.0 > 0.0 && look.span.2 > 1.01 * look.span.0 => {
            Some("it only rises, like a counter")
        }
        // One reading of an idle shaft says nothing.
        Signal::Speed | Signal::Torque if !look.is_enough() && running == 0.0 => None,
        Signal::Speed if !(5.0..=1500.0).contains(&running) => Some("unusual for such a shaft"),
        Signal::Torque if !(2.0..=2000.0).contains(&running) => Some("unusual for such a shaft"),
        _ => None,
    }
}

/// The unit of measure: as the export says beside it, as the name says, as the values show, or as the house has it.
fn measure(signal: Signal, told: &Told, look: Option<&Look>, said: Option<&str>) -> MeasureGuess {
    let owned = |measure: &str, sure, why: &str| (measure.to_owned(), sure, why.to_owned());
    if signal == Signal::Torque && told.percent {
        return owned("%", Certainty::Likely, "its name says so");
    }
    let told_by =
        said.and_then(|text| name::measure_said(text, signal)).map(|measure| (measure, "it is said beside it"));
    let told_by = told_by.or(told.measure.map(|measure| (measure, "its name says so")));
    let Some(look) = look else {
        let (measure, why) = told_by.unwrap_or((signal.house_unit(), "nothing says so"));
        return owned(measure, Certainty::Guess, why);
    };
    if signal == Signal::RunHours
        && let Some((shown, is_clear)) = look.meter_measure().filter(|_| look.is_enough())
    {
        let rate = format!("it rises by {:.2} an hour at most", look.per_hour_shown);
        let (sure, why) = match told_by {
            Some((named, why)) if named != shown => (Certainty::Guess, format!("{rate}, but {why}: {named}")),
            None if !is_clear => (Certainty::Likely, rate),
            _ => (Certainty::Sure, rate),
        };
        return (shown.to_owned(), sure, why);
    }
    let house = signal.house_unit();
    let (most, running) = (look.span.2, look.running.abs());
    match (told_by, signal) {
        (Some((named, why)), _) if look.fits(signal, named) => owned(named, Certainty::Sure, why),
        (Some((named, why)), _) => (named.to_owned(), Certainty::Guess, format!("{why}, but its values cannot be")),
        (None, Signal::Torque) if running > 700.0 => {
            ("lbf·in".to_owned(), Certainty::Guess, format!("{running:.0} while it runs is much for N·m"))
        }
        (None, Signal::Torque) if most <= 120.0 => {
            owned(house, Certainty::Guess, "nothing says so; or percent of the drive's rated torque?")
        }
        (None, Signal::ProductTemp | Signal::MediaTemp) if most > 150.0 => {
            ("°F".to_owned(), Certainty::Guess, format!("{} is much for °C", short(most)))
        }
        (None, Signal::Speed) if most <= 100.5 => {
            owned(house, Certainty::Guess, "nothing says so; or percent, or rad/s?")
        }
        (None, Signal::Speed) if look.fits(signal, house) => {
            owned(house, Certainty::Likely, "its values are those of a shaft in 1/min")
        }
        _ => owned(house, Certainty::Guess, "nothing says so"),
    }
}

/// The span of values in words.
fn seen(look: &Look) -> String {
    match look.span {
        (least, _, greatest) if least == greatest => format!("value {}", short(least)),
        (least, _, greatest) => format!("values from {} to {}", short(least), short(greatest)),
    }
}

/// A number with four figures, for people.
fn short(number: f64) -> String {
    let digits = 3 - number.abs().max(1e-9).log10().floor() as i32;
    let factor = 10f64.powi(digits.clamp(0, 6));
    ((number * factor).round() / factor).to_string()
}

/// What values alone suggest: an hour meter shows itself, the rest does not.
fn by_values(judged: &mut Judged, look: Option<Look>) {
    let Some(look) = look else {
        "nothing says what it is".clone_into(&mut judged.why);
        return;
    };
    match look.meter_measure().filter(|(_, is_clear)| *is_clear && look.is_enough()) {
        Some((measure, _)) if look.span.0 >= 0.0 => {
            judged.signal = Some(Signal::RunHours);
            judged.why = format!(
                "its name says nothing, but it only rises ({}), by {:.2} an hour at most",
                seen(&look),
                look.per_hour_shown
            );
            judged.measure =
                Some((measure.to_owned(), Certainty::Guess, "it rises as fast as a clock at most".to_owned()));
        }
        _ => judged.why = format!("nothing says what it is; {}", seen(&look)),
    }
}

/// Where two columns of a unit say the same, neither is sure, but for one beside those that are mere guesses; nor is what
/// speaks of a unit of which no torque is known.
fn settle(guesses: &mut [Guess]) {
    let mut seen: BTreeMap<(String, Signal), Vec<Certainty>> = BTreeMap::new();
    for Guess { unit, judged, .. } in guesses.iter().filter(|guess| guess.judged.but.is_none()) {
        if let Some(signal) = judged.signal {
            seen.entry((unit.clone(), signal)).or_default().push(judged.sure);
        }
    }
    let units: BTreeSet<String> = seen.keys().map(|(unit, _)| unit.clone()).collect();
    for Guess { unit, judged, .. } in guesses {
        let Some(signal) = judged.signal else { continue };
        // The longest name that another unit has and that this one goes on from.
        let extends = |shorter: &&String| {
            !shorter.is_empty() && unit.strip_prefix(shorter.as_str()).is_some_and(|more| more.starts_with('-'))
        };
        if let Some(shorter) = units.iter().rev().find(extends) {
            judged.doubt(Certainty::Guess, &format!("{unit:?} in its name is more than the unit {shorter:?}: of it?"));
            unit.clone_from(shorter);
        } else if unit.is_empty() {
            judged.doubt(Certainty::Guess, "its name tells no unit");
        } else if plant::UnitId::new(unit).is_err() {
            judged.doubt(Certainty::Guess, "what its name says cannot be a unit's name");
        } else if !seen.contains_key(&(unit.clone(), Signal::Torque)) {
            judged.doubt(Certainty::Likely, &format!("no torque is known of {unit:?}: is it such a unit?"));
        }
        let alike = seen.get(&(unit.clone(), signal)).map_or(&[][..], Vec::as_slice);
        let better = alike.iter().filter(|sure| **sure > Certainty::Guess).count();
        match (alike.len(), better) {
            (0 | 1, _) => {}
            (_, 1) => judged.doubt(Certainty::Likely, "another one of this unit may say the same"),
            _ => judged.doubt(Certainty::Guess, "another one of this unit says the same"),
        }
    }
}
