//! What somebody asks of a stop: which one, and what if.

use axum::http::StatusCode;
use jiff::civil::Date;
use plant::UnitId;

use crate::Decimal;
use crate::api::shortened;
use crate::form::Form;
use crate::opening::Span;
use crate::problem::Problem;

/// Most units that a question may name.
const MOST_UNITS: usize = 1000;

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
    /// How many units can be opened.
    pub room: Option<usize>,
    /// What opening one costs.
    pub open_cost: Option<Span>,
    /// What a catch costs more that is found late.
    pub late_cost: Option<Span>,
    /// A set of the asker's own, to be held against the one that is proposed.
    pub own: Vec<UnitId>,
}

impl StopAsk {
    /// Whether anything differs from plan and config, other than which stop it is.
    pub(crate) fn is_what_if(&self) -> bool {
        *self != StopAsk { on: self.on, all_units: self.all_units, ..StopAsk::default() }
    }

    /// Reads a query string; blank fields are not given.
    ///
    /// # Errors
    /// A problem that says what would be right.
    pub(crate) fn read(query: Option<&str>) -> Result<StopAsk, Problem> {
        let mut ask = StopAsk::default();
        let form = Form::read(query.unwrap_or_default().as_bytes());
        for (name, value) in form.fields() {
            let value = value.trim();
            if value.is_empty() {
                continue;
            }
            let refused = |right: &str| {
                let detail = format!("{}={:?} is not taken; right would be {right}", shortened(name), shortened(value));
                Problem::new(StatusCode::BAD_REQUEST, "bad_query", detail)
            };
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
                "room" => {
                    let room = value.parse().ok().filter(|room| *room <= MOST_UNITS);
                    ask.room = Some(room.ok_or_else(|| refused("a number of units from 0 to 1000"))?);
                }
                "open_cost" | "late_cost" => {
                    let span =
                        span(value).ok_or_else(|| refused("an amount of 1 or more, or two ends such as 2000-4000"))?;
                    *(if name == "open_cost" { &mut ask.open_cost } else { &mut ask.late_cost }) = Some(span);
                }
                "open" => {
                    let unknown = |error| Problem::new(StatusCode::NOT_FOUND, "unknown_unit", format!("open: {error}"));
                    let unit = UnitId::new(value).map_err(unknown)?;
                    if ask.own.len() == MOST_UNITS {
                        return Err(refused("at most 1000 units"));
                    }
                    if !ask.own.contains(&unit) {
                        ask.own.push(unit);
                    }
                }
                _ => {
                    let detail = format!(
                        "{:?} is not asked here; right would be on, units, next, run_h, room, open_cost, late_cost, open",
                        shortened(name)
                    );
                    return Err(Problem::new(StatusCode::BAD_REQUEST, "bad_query", detail));
                }
            }
        }
        Ok(ask)
    }
}

/// The question of a form in which numbers are typed with a comma, with points instead: an address means the same to
/// whoever it is sent on to. `None` for any other question.
///
/// # Errors
/// A problem that says what would be right.
pub(crate) fn with_points(query: &str) -> Result<Option<String>, Problem> {
    let form = Form::read(query.as_bytes());
    if form.get("decimal") != "comma" {
        return Ok(None);
    }
    let mut plain = form_urlencoded::Serializer::new(String::new());
    for (name, value) in form.fields().filter(|(name, value)| *name != "decimal" && !value.trim().is_empty()) {
        let number = |text: &str| {
            Decimal::Comma.read(text).map(|number| number.to_string()).map_err(|why| {
                Problem::new(StatusCode::BAD_REQUEST, "bad_query", format!("{}: {why}", shortened(name)))
            })
        };
        let value = match (name, value.split_once(['-', '–'])) {
            ("open_cost" | "late_cost", Some((low, high))) => format!("{}-{}", number(low)?, number(high)?),
            ("run_h" | "open_cost" | "late_cost", _) => number(value)?,
            _ => value.to_owned(),
        };
        plain.append_pair(name, &value);
    }
    Ok(Some(plain.finish()))
}

/// One amount, or two ends in either order with a dash between.
fn span(text: &str) -> Option<Span> {
    let amount = |text: &str| text.trim().parse::<f64>().ok().filter(|amount| (1.0..1e12).contains(amount));
    let (low, high) = match text.split_once(['-', '–']) {
        Some((low, high)) => (amount(low)?, amount(high)?),
        None => (amount(text)?, amount(text)?),
    };
    Some(Span { low: low.min(high), high: low.max(high) })
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
        assert!(!StopAsk::read(Some("on=2026-05-16&units=all&next=")).unwrap().is_what_if());
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
        ] {
            assert!(StopAsk::read(Some(bad)).is_err(), "{bad} was taken");
        }
    }
}
