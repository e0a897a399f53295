//! What somebody asks of a stop: which one, and what if.

use axum::http::StatusCode;
use jiff::civil::Date;
use plant::UnitId;

use crate::api::shortened;
use crate::form::Form;
use crate::opening::Span;
use crate::problem::Problem;
use crate::{Decimal, Display};

/// Most units that a question may name.
const MOST_UNITS: usize = 1000;
/// The fields in which a number is typed that may have decimals, or two of them with a dash between.
const NUMBERS: [&str; 3] = ["run_h", "open_cost", "late_cost"];

/// A question about a stop. What is not given is taken from the plan and the config.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct StopAsk {
    /// The day of the stop, in the plant's zone.
    pub on: Option<Date>,
    /// All units, also those that the plan does not stop that day.
    pub all_units: bool,
    /// The day of the next chance to open.
    pub next: Option<Date>,
    /// Run hours between the two, h.
    pub run_h: Option<f64>,
    /// What runs between the two.
    pub product: Option<String>,
    /// How many units can be opened.
    pub room: Option<usize>,
    /// What opening one costs.
    pub open_cost: Option<Span>,
    /// What a catch costs more that is found late.
    pub late_cost: Option<Span>,
    /// A set of the asker's own, to be held against the one that is proposed.
    pub own: Vec<UnitId>,
}

/// A question that cannot be answered.
#[derive(Debug)]
pub(crate) struct BadAsk {
    /// The name of the field, as somebody sent it.
    pub field: String,
    /// What is wrong with it, and what would be right.
    pub problem: Box<Problem>,
}

impl BadAsk {
    /// A field whose value is not taken.
    pub(crate) fn new(field: &str, detail: String) -> Self {
        let problem = Box::new(Problem::new(StatusCode::BAD_REQUEST, "bad_query", detail));
        BadAsk { field: shortened(field).to_owned(), problem }
    }

    /// A field that contradicts the plan or another one.
    pub(crate) fn contradicts(field: &str, detail: String) -> Self {
        BadAsk {
            problem: Box::new(Problem::new(StatusCode::CONFLICT, "contradiction", detail)),
            ..BadAsk::new(field, String::new())
        }
    }

    fn value(field: &str, value: &str, right: &str) -> Self {
        let detail = format!("{}={:?} is not taken; right would be {right}", shortened(field), shortened(value));
        BadAsk::new(field, detail)
    }
}

impl From<BadAsk> for Problem {
    fn from(bad: BadAsk) -> Problem {
        *bad.problem
    }
}

impl StopAsk {
    /// Whether anything differs from plan and config, other than which stop it is.
    pub(crate) fn is_what_if(&self) -> bool {
        *self != StopAsk { on: self.on, all_units: self.all_units, ..StopAsk::default() }
    }

    /// Reads a query string; blank fields are not given.
    ///
    /// # Errors
    /// The field that is not taken, with what would be right.
    pub(crate) fn read(query: Option<&str>) -> Result<StopAsk, BadAsk> {
        let mut ask = StopAsk::default();
        let form = Form::read(query.unwrap_or_default().as_bytes());
        for (name, value) in form.fields() {
            let value = value.trim();
            if value.is_empty() {
                continue;
            }
            let refused = |right: &str| BadAsk::value(name, value, right);
            let day = || value.parse::<Date>().map_err(|_| refused("a day such as 2026-05-16"));
            match name {
                "on" => ask.on = Some(day()?),
                "next" => ask.next = Some(day()?),
                "units" => {
                    ask.all_units = match value {
                        "all" => true,
                        "planned" => false,
                        _ => return Err(refused("planned or all")),
                    }
                }
                "run_h" => {
                    let run_h = value.parse().ok().filter(|run_h| (0.0..=100_000.0).contains(run_h));
                    ask.run_h = Some(run_h.ok_or_else(|| refused("run hours from 0 to 100000"))?);
                }
                "product" => ask.product = Some(value.to_owned()),
                "room" => {
                    let room = value.parse().ok().filter(|room| *room <= MOST_UNITS);
                    ask.room = Some(room.ok_or_else(|| refused("a number of units from 0 to 1000"))?);
                }
                "open_cost" => ask.open_cost = Some(span(name, value)?),
                "late_cost" => ask.late_cost = Some(span(name, value)?),
                "open" => {
                    let unit =
                        UnitId::new(value).map_err(|error| BadAsk::contradicts(name, format!("open: {error}")))?;
                    if ask.own.len() == MOST_UNITS {
                        return Err(refused("at most 1000 units"));
                    }
                    if !ask.own.contains(&unit) {
                        ask.own.push(unit);
                    }
                }
                "decimal" if value == "point" => {}
                "decimal" => return Err(refused("point: an address has its numbers with a point")),
                _ => {
                    let detail = format!(
                        "{:?} is not asked here; right would be on, units, next, run_h, product, room, open_cost, late_cost, open, decimal",
                        shortened(name)
                    );
                    return Err(BadAsk::new(name, detail));
                }
            }
        }
        Ok(ask)
    }
}

/// The question of a page with its numbers as programs write them, and with the word `decimal=point` for it: such an address
/// means the same to whoever it is sent on to. Its numbers are typed in the style that `decimal` names, else in that of
/// the reader. `None` if it stands so already, or means the same in every style.
///
/// # Errors
/// The number that is none in that style, with what would be right.
pub(crate) fn with_points(query: &str, reader: Display) -> Result<Option<String>, BadAsk> {
    let form = Form::read(query.as_bytes());
    let said = form.get("decimal");
    if !said.is_empty() && Decimal::named(said).is_none() {
        return Err(BadAsk::value("decimal", said, "point or comma"));
    }
    let (decimal, group) = form.style(reader);
    let mut plain = form_urlencoded::Serializer::new(String::new());
    let (mut changed, mut marked) = (decimal == Decimal::Comma && !said.is_empty(), false);
    for (name, value) in form.fields().filter(|(name, value)| *name != "decimal" && !value.trim().is_empty()) {
        let number = |text: &str| {
            let read = decimal.read(group, text).map(|number| number.to_string());
            read.map_err(|why| BadAsk::new(name, format!("{}: {why}", shortened(name))))
        };
        let own = match value.split_once(['-', '–']) {
            _ if !NUMBERS.contains(&name) => value.to_owned(),
            Some((low, high)) if name != "run_h" => format!("{}-{}", number(low)?, number(high)?),
            _ => number(value)?,
        };
        changed |= own != value;
        marked |= NUMBERS.contains(&name) && own.contains('.');
        plain.append_pair(name, &own);
    }
    Ok((changed || marked && said.is_empty()).then(|| plain.append_pair("decimal", "point").finish()))
}

/// One amount, or two ends with a dash between, the lower one first.
///
/// # Errors
/// The field, with what would be right.
fn span(name: &str, text: &str) -> Result<Span, BadAsk> {
    let amount = |part: &str| {
        let amount = part.trim().parse::<f64>().ok().filter(|amount| (1.0..1e12).contains(amount));
        amount.ok_or_else(|| BadAsk::value(name, text, "an amount of 1 or more, or two ends such as 2000-4000"))
    };
    let (low, high) = match text.split_once(['-', '–']) {
        Some((low, high)) => (amount(low)?, amount(high)?),
        None => (amount(text)?, amount(text)?),
    };
    if low > high {
        let right = format!("{name}={text:?} is not taken; right would be the lower end first: {high}-{low}");
        return Err(BadAsk::contradicts(name, right));
    }
    Ok(Span { low, high })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blank_fields_of_a_form_are_not_given() {
        let ask = StopAsk::read(Some(
            "on=2026-05-16&units=planned&run_h=&room=2&late_cost=2000-4000&open=K1&open=K2&open=K1",
        ));
        let ask = ask.unwrap();
        assert_eq!((ask.on, ask.run_h, ask.room), (Some("2026-05-16".parse().unwrap()), None, Some(2)));
        assert_eq!(ask.late_cost, Some(Span { low: 2000.0, high: 4000.0 }));
        assert_eq!(ask.own.len(), 2);
        assert!(ask.is_what_if());
        assert!(!StopAsk::read(Some("on=2026-05-16&units=all&next=&decimal=point")).unwrap().is_what_if());
    }

    #[test]
    fn what_is_not_asked_here_is_refused() {
        for bad in [
            "on=16.5.2026",
            "room=-1",
            "room=1001",
            "run_h=NaN",
            "run_h=inf",
            "late_cost=0",
            "late_cost=9-x",
            "open_cost=1e13",
            "units=some",
            "size=3",
            "open=a%00b",
            "decimal=comma",
        ] {
            assert!(StopAsk::read(Some(bad)).is_err(), "{bad} was taken");
        }
    }

    #[test]
    fn two_ends_the_wrong_way_round_are_refused_and_not_turned() {
        let bad = StopAsk::read(Some("open_cost=5000-1000")).unwrap_err();
        assert_eq!(bad.field, "open_cost");
        assert!(bad.problem.detail().contains("right would be the lower end first: 1000-5000"), "{bad:?}");
    }

    #[test]
    fn an_address_says_in_which_style_its_numbers_are_or_means_the_same_in_all() {
        let reader = |line: &str| Display::default().with_line(line);
        let plain = |query: &str, line: &str| with_points(query, reader(line)).unwrap();
        let (mark, comma) = ("decimal=comma&group=mark", "decimal=comma");
        // Typed as shown: with the mark between thousands, with and without the word of the form.
        let two_thousand = Some("open_cost=2000-3500.5&decimal=point".to_owned());
        assert_eq!(plain("open_cost=2.000-3.500,5&decimal=comma", mark), two_thousand);
        assert_eq!(plain("open_cost=2.000-3.500,5", mark), two_thousand);
        assert_eq!(plain("open_cost=2%E2%80%AF000%E2%80%933%E2%80%AF500,5", comma), two_thousand);
        // Such an address stays as it is, and so does one that can be read in one way only.
        assert_eq!(plain("open_cost=2000-3500.5&decimal=point", mark), None);
        assert_eq!(plain("open_cost=2000-4000&run_h=100&room=2", mark), None);
        // A number with decimals gets the word, so that nobody reads it otherwise.
        assert_eq!(plain("run_h=1.125", ""), Some("run_h=1.125&decimal=point".to_owned()));
        // Without that mark in the reader's style no guess is made.
        for (query, line) in [("run_h=1.250", comma), ("run_h=1,250", ""), ("run_h=1.250&decimal=comma", "group=mark")]
        {
            assert_eq!(with_points(query, reader(line)).unwrap_err().field, "run_h", "{query} {line}");
        }
    }
}
