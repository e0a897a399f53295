//! What a stop says in sentences: why a unit stands where it stands, and why this set and not another.

use crate::choice::{Change, Odds, expected, next_best};
use crate::figures::{count, hours, number, percent};
use crate::opening::{Costs, Span};
use crate::stop_board::{Group, StopBoard, StopUnit, ends_before_next};
use crate::{Interval, Site, advice, standing};

/// An amount of money to three digits: more would read as precision.
pub(crate) fn money(amount: f64, costs: &Costs) -> String {
    let size = amount.abs().log10().floor();
    let step = if amount.abs() >= 1000.0 { 10_f64.powf(size - 2.0) } else { 1.0 };
    format!("{}\u{a0}{}", number((amount / step).round() * step), costs.money).trim_end().to_owned()
}

fn money_span(span: &Span, costs: &Costs) -> String {
    if span.low == span.high {
        money(span.low, costs)
    } else {
        format!("{} to {}", money(span.low, costs), money(span.high, costs))
    }
}

/// What the choice reckons with.
pub(crate) fn reckoning(board: &StopBoard<'_>) -> Vec<String> {
    let mut said = Vec::new();
    said.push(match (board.no_crew, board.room) {
        (true, _) => "The config says that no crew is there that day: nothing can be opened at this stop.".to_owned(),
        (_, None) => "How many units can be opened in one stop is not entered, so room for all is assumed.".to_owned(),
        (_, Some(room)) => format!("Room to open {} in this stop.", units(room)),
    });
    said.push(match &board.costs {
        None => "What opening and a late catch cost is not entered: units are put in order by their chance alone, and \
                 whether opening one pays is not said."
            .to_owned(),
        Some(costs) => {
            let ends = costs.break_even_ends();
            format!(
                "Opening one unit costs {}; a catch that is found a campaign late costs {} more than at the stop. \
                 Reckoned at the middle of both, opening pays from a chance of {} on ({} to {} over the ranges).",
                money_span(&costs.open, costs),
                money_span(&costs.late_catch, costs),
                percent(costs.break_even().min(1.0)),
                percent(ends.low.min(1.0)),
                percent(ends.high.min(1.0)),
            )
        }
    });
    said
}

/// Why this set and not another.
pub(crate) fn why_this_set(board: &StopBoard<'_>) -> Vec<String> {
    let mut said = Vec::new();
    let rule = board.asked_by_rule;
    if rule > 0 {
        let them = if rule == 1 { "1 unit is".to_owned() } else { format!("{} units are", count(rule as u64)) };
        said.push(format!(
            "{them} not a matter of choice: held, at the limit, or asked for by the plant's own interval, which wins over any chance."
        ));
        if let Some(room) = board.room.filter(|room| *room < rule) {
            said.push(format!(
                "That is {} more than this stop has room for: find room, or stop them another day before their interval ends.",
                count((rule - room) as u64)
            ));
        }
    }
    let odds: Vec<Odds> = board.odds.iter().map(|(_, odds)| *odds).collect();
    let choice = &board.choice;
    if odds.is_empty() {
        said.push("There is nothing to choose among the others.".to_owned());
        return said;
    }
    said.push(
        "Opening finds what is in the wall at the stop; what only grows afterwards is found at the next one either way. So \
         opening saves the chance at the stop times what a late catch costs, less the opening. These values only add up: the \
         units are sorted by chance and taken from the top while opening pays and there is room."
            .to_owned(),
    );
    let Some(costs) = &board.costs else { return said };
    let total = expected(&odds, &choice.open, costs);
    said.push(format!(
        "Of the {} to choose among, opening {} costs {} on average, late catches in the others included.",
        units(odds.len()),
        units(choice.open.len()),
        money(total, costs)
    ));
    if let Some((change, more)) = next_best(&odds, choice, costs) {
        let (what, low, high) = match change {
            Change::Close(place) => {
                let own = odds[place];
                let (low, high) = ends(own.lower, own.upper, costs);
                (format!("leaving {} closed", board.name(place)), low, high)
            }
            Change::Open(place) => {
                let own = odds[place];
                let (low, high) = ends(own.lower, own.upper, costs);
                (format!("opening {} too", board.name(place)), -high, -low)
            }
            Change::Swap(out, into) => {
                let (low, high) = (odds[out].lower - odds[into].upper, odds[out].upper - odds[into].lower);
                let late = |apart: f64| if apart < 0.0 { costs.late_catch.high } else { costs.late_catch.low };
                let far = |apart: f64| if apart < 0.0 { costs.late_catch.low } else { costs.late_catch.high };
                (
                    format!("opening {} instead of {}", board.name(into), board.name(out)),
                    low * late(low),
                    high * far(high),
                )
            }
        };
        let turn = if low < 0.0 {
            ": within what is known either may be the better one"
        } else {
            ": better at no end of them"
        };
        said.push(format!(
            "The next best set is one step away: {what} would cost {} more on average, {} to {} over costs and intervals{turn}.",
            money(more, costs),
            money(low, costs),
            money(high, costs),
        ));
    }
    said
}

/// What opening a unit saves at the ends of costs and interval that are worst and best for it.
fn ends(lower: f64, upper: f64, costs: &Costs) -> (f64, f64) {
    (lower * costs.late_catch.low - costs.open.high, upper * costs.late_catch.high - costs.open.low)
}

/// Why a unit stands in its group, in a sentence or two.
pub(crate) fn why(unit: &StopUnit<'_>, board: &StopBoard<'_>, site: &Site) -> String {
    match unit.group {
        Group::DoesNotWait => advice::advice(unit.score, &unit.interval, site),
        Group::ByInterval => by_interval(unit, site),
        Group::Unsaid => match &unit.at_stop {
            Err(reason) => advice::unavailable(reason),
            Ok(_) => {
                "Most of its run hours are blind, or the wall was never seen whole: its chance is a floor, and a low \
                      floor does not say that it may wait. Inspect on the fixed schedule."
                    .to_owned()
            }
        },
        Group::Open => format!("{}{}", saves(unit, board), turns(unit, board)),
        Group::NoRoom => {
            format!(
                "Worth opening, but the room goes to units with a higher chance. {}{}",
                until(unit, site),
                turns(unit, board)
            )
        }
        Group::MayWait => format!("{}{}", until(unit, site), turns(unit, board)),
    }
}

fn by_interval(unit: &StopUnit<'_>, site: &Site) -> String {
    match &unit.interval {
        Interval::Left { run_h_left, until } if ends_before_next(&unit.interval, &unit.ahead) => {
            let run = run_h_left.map(|left| format!("after {} of running", hours(left)));
            let day = until.map(|until| format!("on {}", site.day(until)));
            let ends: Vec<String> = run.into_iter().chain(day).collect();
            let before = match &unit.ahead.next {
                Some(next) => format!(
                    "no later than the next chance to open ({}, {} of running)",
                    site.day(next.at),
                    hours(unit.ahead.until_stop_h + next.run_h)
                ),
                None => "before this stop".to_owned(),
            };
            format!("The plant's longest interval ends {}, {before}: open at this stop.", ends.join(" or "))
        }
        _ => advice::advice(unit.score, &unit.interval, site),
    }
}

fn until(unit: &StopUnit<'_>, site: &Site) -> String {
    match &unit.interval {
        Interval::Left { run_h_left, until } => {
            let run = run_h_left.map(|left| format!("within {} of running", hours(left)));
            let day = until.map(|until| format!("by {}", site.day(until)));
            let ends: Vec<String> = run.into_iter().chain(day).collect();
            let first = if ends.len() > 1 { ", whichever comes first" } else { "" };
            format!("May wait, at most until the plant's longest interval ends: {}{first}. ", ends.join(" or "))
        }
        _ => "The plant's own longest interval governs how long it may wait; it is not entered here. ".to_owned(),
    }
}

fn saves(unit: &StopUnit<'_>, board: &StopBoard<'_>) -> String {
    let (Some(costs), Ok(at_stop)) = (&board.costs, &unit.at_stop) else {
        return "Among the highest chances. ".to_owned();
    };
    let saves = at_stop.risk * costs.late_catch.mid() - costs.open.mid();
    format!("Opening saves {} on average. ", money(saves, costs))
}

/// When the choice would be another for a unit.
fn turns(unit: &StopUnit<'_>, board: &StopBoard<'_>) -> String {
    let (Some(hold), Ok(at_stop)) = (unit.hold, &unit.at_stop) else { return String::new() };
    let opened = unit.group == Group::Open;
    let mut said = if hold.turns_at > 1.0 {
        "No chance would give it room.".to_owned()
    } else if hold.turns_at <= 0.0 {
        return "There is room for it at any chance.".to_owned();
    } else {
        let word = if opened { "below" } else { "above" };
        let reach = match (hold.over_interval, opened) {
            (true, _) => "the interval of its chance does not reach that".to_owned(),
            (false, true) => format!("the interval of its chance reaches down to {}", percent(at_stop.lower)),
            (false, false) => format!("the interval of its chance reaches up to {}", percent(at_stop.upper)),
        };
        format!("Turns {word} a chance of {}; {reach}.", percent(hold.turns_at))
    };
    if let Some(costs) = board.costs.as_ref().filter(|_| !hold.over_costs) {
        let late = costs.open.mid() / at_stop.risk;
        said.push_str(&if opened {
            format!(" With costs at other ends of their ranges it would stay closed: it pays if a late catch costs more than {}.", money(late, costs))
        } else {
            format!(" With costs at other ends of their ranges it would be opened: it pays once a late catch costs more than {}.", money(late, costs))
        });
    }
    said
}

/// The headline: what to open.
pub(crate) fn headline(board: &StopBoard<'_>) -> String {
    let open: Vec<String> = board.proposed().map(|unit| unit.unit.to_string()).collect();
    match open.as_slice() {
        _ if board.units.is_empty() => "No unit stops that day, as far as is known.".to_owned(),
        [] => "Nothing asks to be opened at this stop by chance or by rule. What the plant's own schedule asks for holds all the same.".to_owned(),
        names => format!("Open {}.", listed(names)),
    }
}

/// Names in a sentence: `K1, K2 and K3`.
pub(crate) fn listed(names: &[String]) -> String {
    match names {
        [] => "none".to_owned(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

pub(crate) fn units(number: usize) -> String {
    if number == 1 { "1 unit".to_owned() } else { format!("{} units", count(number as u64)) }
}

/// What an asker's own set costs against the proposed one.
pub(crate) fn own_set(board: &StopBoard<'_>, own: &[plant::UnitId]) -> Vec<String> {
    let mut said = Vec::new();
    let left: Vec<String> = board
        .units
        .iter()
        .filter(|unit| unit.group <= Group::ByInterval && !own.contains(unit.unit))
        .map(|unit| unit.unit.to_string())
        .collect();
    if !left.is_empty() {
        said.push(format!(
            "It leaves closed what does not wait or what the plant's interval asks for: {}. No saving outweighs that.",
            listed(&left)
        ));
    }
    let unknown: Vec<String> = own
        .iter()
        .filter(|unit| !board.units.iter().any(|known| known.unit == *unit))
        .map(ToString::to_string)
        .collect();
    if !unknown.is_empty() {
        said.push(format!("Not at this stop: {}.", listed(&unknown)));
    }
    let unsaid: Vec<String> = board
        .units
        .iter()
        .filter(|unit| unit.at_stop.is_err() && unit.group == Group::Unsaid && own.contains(unit.unit))
        .map(|unit| unit.unit.to_string())
        .collect();
    if !unsaid.is_empty() {
        said.push(format!("What opening {} saves cannot be said; a look is always worth knowing.", listed(&unsaid)));
    }
    if let Some(room) = board.room.filter(|room| own.len() > *room) {
        said.push(format!("It asks for {}, and this stop has room for {}.", units(own.len()), units(room)));
    }
    let odds: Vec<Odds> = board.odds.iter().map(|(_, odds)| *odds).collect();
    let chosen: Vec<usize> = (0..odds.len()).filter(|place| own.contains(board.name(*place))).collect();
    if let Some(costs) = &board.costs {
        let (mine, best) = (expected(&odds, &chosen, costs), expected(&odds, &board.choice.open, costs));
        let more = mine - best;
        said.push(if more.abs() < 0.5 {
            format!(
                "Among the units to choose from it costs the same as the proposed set: {} on average.",
                money(mine, costs)
            )
        } else if more > 0.0 {
            format!(
                "Among the units to choose from it costs {} on average, {} more than the proposed set.",
                money(mine, costs),
                money(more, costs)
            )
        } else {
            format!(
                "It costs {} on average, {} less than the proposed set: it takes more room.",
                money(mine, costs),
                money(-more, costs)
            )
        });
    } else {
        let late = |set: &[usize]| -> f64 { (0..odds.len()).filter(|p| !set.contains(p)).map(|p| odds[p].risk).sum() };
        said.push(format!(
            "On average {} catches stay in the wall of what it leaves closed, {} with the proposed set.",
            number(late(&chosen)),
            number(late(&board.choice.open))
        ));
    }
    said
}

/// A short line on the unit's state.
pub(crate) fn state(unit: &StopUnit<'_>) -> &'static str {
    standing::short(unit.score)
}
