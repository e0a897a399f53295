//! What opening units at a stop takes.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use publisher::{Costs, NoCrew, Opening, Span};

use super::check::Checker;
use super::place::Place;
use super::raw;

/// The keys of the config, held against their ranges; days are the plant's.
pub fn opening(checker: &mut Checker, raw: &raw::Opening, zone: &TimeZone, place: &Place) -> Opening {
    if let Some(room) = raw.room {
        checker.within(&place.key("room"), room as f64, 0.0, 1000.0, "units");
    }
    let open = span(checker, &place.key("open_cost"), raw.open_cost);
    let late_catch = span(checker, &place.key("late_cost"), raw.late_cost);
    for (one, other, missing) in [(open, late_catch, "late_cost"), (late_catch, open, "open_cost")] {
        if one.is_some() && other.is_none() {
            checker.refuse(&place.key(missing), "it is missing; what opening costs says nothing without what it saves");
        }
    }
    let money = raw.money.clone().unwrap_or_default();
    if money.chars().count() > 12 || money.chars().any(char::is_control) {
        checker.refuse(&place.key("money"), format!("{money:?} is no word for money; right would be EUR"));
    }
    let costs = open.zip(late_catch).map(|(open, late_catch)| Costs { open, late_catch, money });
    let periods = place.key("without_crew");
    let without_crew = raw
        .without_crew
        .iter()
        .enumerate()
        .filter_map(|(position, days)| period(checker, &periods.at(position), days, zone))
        .collect();
    Opening { room: raw.room, costs, without_crew }
}

fn span(checker: &mut Checker, place: &Place, ends: Option<[f64; 2]>) -> Option<Span> {
    let [low, high] = ends?;
    for (position, amount) in [low, high].into_iter().enumerate() {
        checker.within(&place.at(position), amount, 0.01, 1e12, "of the plant's money");
    }
    if high < low {
        checker.refuse(place, format!("{high} is below {low}; right would be [least, most]"));
    }
    Some(Span { low, high })
}

fn period(checker: &mut Checker, place: &Place, days: &[String; 2], zone: &TimeZone) -> Option<NoCrew> {
    let mut begins = |position: usize| {
        let day = days[position].parse::<Date>().map_err(|_| "right would be a day such as 2026-07-20");
        let day = checker.take(&place.at(position), day)?;
        let begins = day.to_zoned_datetime(zone.clone()).map(|begins| begins.timestamp());
        checker.take(&place.at(position), begins)
    };
    let (from, to) = (begins(0)?, begins(1)?);
    if to <= from {
        checker.refuse(
            place,
            format!("{} is not after {}; right would be [first day, first day with a crew]", days[1], days[0]),
        );
        return None;
    }
    Some(NoCrew { from, to })
}
