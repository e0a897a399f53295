//! What a stop says in sentences: why a unit stands where it stands, and why this set and not another.

use crate::choice::{Change, Odds, expected, next_best};
use crate::opening::{Costs, Span};
use crate::stop_board::{Group, StopBoard, StopUnit, ends_before_next};
use crate::{Interval, Site, Voice, advice, standing};

/// An amount of money to three digits: more would read as precision.
pub(crate) fn money(amount: f64, costs: &Costs, voice: &Voice) -> String {
    let size = amount.abs().log10().floor();
    let step = if amount.abs() >= 1000.0 { 10_f64.powf(size - 2.0) } else { 1.0 };
    format!("{}\u{a0}{}", voice.number((amount / step).round() * step), costs.money).trim_end().to_owned()
}

fn money_span(span: &Span, costs: &Costs, voice: &Voice) -> String {
    if span.low == span.high {
        money(span.low, costs, voice)
    } else {
        voice.tell("range", &[("low", &money(span.low, costs, voice)), ("high", &money(span.high, costs, voice))])
    }
}

/// What the choice reckons with.
pub(crate) fn reckoning(board: &StopBoard<'_>, voice: &Voice) -> Vec<String> {
    let mut said = Vec::new();
    said.push(match (board.no_crew, board.room) {
        (true, _) => voice.say("stop-no-crew"),
        (_, None) => voice.say("stop-room-unknown"),
        (_, Some(room)) => voice.tell("stop-room", &[("units", &units(room, voice))]),
    });
    said.push(match &board.costs {
        None => voice.say("stop-costs-unknown"),
        Some(costs) => {
            let ends = costs.break_even_ends();
            voice.tell(
                "stop-costs",
                &[
                    ("open", &money_span(&costs.open, costs, voice)),
                    ("late", &money_span(&costs.late_catch, costs, voice)),
                    ("chance", &voice.percent(costs.break_even().min(1.0))),
                    ("low", &voice.percent(ends.low.min(1.0))),
                    ("high", &voice.percent(ends.high.min(1.0))),
                ],
            )
        }
    });
    said
}

/// Why this set and not another.
pub(crate) fn why_this_set(board: &StopBoard<'_>, voice: &Voice) -> Vec<String> {
    let mut said = Vec::new();
    let rule = board.asked_by_rule;
    if rule > 0 {
        said.push(voice.tell("stop-by-rule", &[("count", &rule), ("units", &voice.count(rule as u64))]));
        if let Some(room) = board.room.filter(|room| *room < rule) {
            said.push(voice.tell("stop-beyond-room", &[("more", &voice.count((rule - room) as u64))]));
        }
    }
    let odds: Vec<Odds> = board.odds.iter().map(|(_, odds)| *odds).collect();
    let choice = &board.choice;
    if odds.is_empty() {
        said.push(voice.say("stop-nothing-to-choose"));
        return said;
    }
    said.push(voice.say("stop-how-chosen"));
    let Some(costs) = &board.costs else { return said };
    let total = expected(&odds, &choice.open, costs);
    said.push(voice.tell(
        "stop-total",
        &[
            ("all", &units(odds.len(), voice)),
            ("open", &units(choice.open.len(), voice)),
            ("cost", &money(total, costs, voice)),
        ],
    ));
    if let Some((change, more)) = next_best(&odds, choice, costs) {
        let (what, low, high) = match change {
            Change::Close(place) => {
                let own = odds[place];
                let (low, high) = ends(own.lower, own.upper, costs);
                (voice.tell("stop-step-close", &[("unit", &board.name(place))]), low, high)
            }
            Change::Open(place) => {
                let own = odds[place];
                let (low, high) = ends(own.lower, own.upper, costs);
                (voice.tell("stop-step-open", &[("unit", &board.name(place))]), -high, -low)
            }
            Change::Swap(out, into) => {
                let (low, high) = (odds[out].lower - odds[into].upper, odds[out].upper - odds[into].lower);
                let late = |apart: f64| if apart < 0.0 { costs.late_catch.high } else { costs.late_catch.low };
                let far = |apart: f64| if apart < 0.0 { costs.late_catch.low } else { costs.late_catch.high };
                (
                    voice.tell("stop-step-swap", &[("into", &board.name(into)), ("out", &board.name(out))]),
                    low * late(low),
                    high * far(high),
                )
            }
        };
        let (more, least, most) = (money(more, costs, voice), money(low, costs, voice), money(high, costs, voice));
        said.push(if low < 0.0 {
            voice.tell("stop-next-best-either", &[("what", &what), ("more", &more), ("low", &least), ("high", &most)])
        } else {
            voice.tell("stop-next-best", &[("what", &what), ("more", &more), ("low", &least), ("high", &most)])
        });
    }
    said
}

/// What opening a unit saves at the ends of costs and interval that are worst and best for it.
fn ends(lower: f64, upper: f64, costs: &Costs) -> (f64, f64) {
    (lower * costs.late_catch.low - costs.open.high, upper * costs.late_catch.high - costs.open.low)
}

/// Why a unit stands in its group, in a sentence or two.
pub(crate) fn why(unit: &StopUnit<'_>, board: &StopBoard<'_>, site: &Site) -> String {
    let voice = &site.voice;
    match unit.group {
        Group::DoesNotWait => advice::advice(unit.score, &unit.interval, site),
        Group::ByInterval => by_interval(unit, site),
        Group::Unsaid => match &unit.at_stop {
            Err(reason) => advice::unavailable(reason, voice),
            Ok(_) if unit.score.is_guess() => voice.say("stop-guess"),
            Ok(_) => voice.say("stop-blind"),
        },
        Group::Open => format!("{}{}", saves(unit, board, &site.voice), turns(unit, board, &site.voice)),
        Group::NoRoom => {
            let why = voice.say("stop-why-no-room");
            format!("{why} {}{}", until(unit, site), turns(unit, board, voice))
        }
        Group::MayWait => format!("{}{}", until(unit, site), turns(unit, board, &site.voice)),
    }
}

fn by_interval(unit: &StopUnit<'_>, site: &Site) -> String {
    match &unit.interval {
        Interval::Left { run_h_left, until } if ends_before_next(&unit.interval, &unit.ahead) => {
            let voice = &site.voice;
            let run = run_h_left.map(|left| voice.tell("stop-ends-after", &[("hours", &voice.hours(left))]));
            let day = until.map(|until| voice.tell("stop-ends-on", &[("day", &site.day(until))]));
            let ends = match (run, day) {
                (Some(run), Some(day)) => voice.tell("stop-ends-either", &[("run", &run), ("day", &day)]),
                (run, day) => run.or(day).unwrap_or_default(),
            };
            match &unit.ahead.next {
                Some(next) => voice.tell(
                    "stop-interval-before-next",
                    &[
                        ("ends", &ends),
                        ("day", &site.day(next.at)),
                        ("hours", &voice.hours(unit.ahead.until_stop_h + next.run_h)),
                    ],
                ),
                None => voice.tell("stop-interval-before-stop", &[("ends", &ends)]),
            }
        }
        _ => advice::advice(unit.score, &unit.interval, site),
    }
}

fn until(unit: &StopUnit<'_>, site: &Site) -> String {
    let voice = &site.voice;
    match &unit.interval {
        Interval::Left { run_h_left, until } => {
            let ends = advice::ends_within(*run_h_left, *until, site);
            format!("{} ", voice.tell("stop-may-wait", &[("ends", &ends)]))
        }
        _ => format!("{} ", voice.say("stop-may-wait-unknown")),
    }
}

fn saves(unit: &StopUnit<'_>, board: &StopBoard<'_>, voice: &Voice) -> String {
    let (Some(costs), Ok(at_stop)) = (&board.costs, &unit.at_stop) else {
        return format!("{} ", voice.say("stop-among-highest"));
    };
    let saves = at_stop.risk * costs.late_catch.mid() - costs.open.mid();
    format!("{} ", voice.tell("stop-saves", &[("amount", &money(saves, costs, voice))]))
}

/// When the choice would be another for a unit.
fn turns(unit: &StopUnit<'_>, board: &StopBoard<'_>, voice: &Voice) -> String {
    let (Some(hold), Ok(at_stop)) = (unit.hold, &unit.at_stop) else { return String::new() };
    let opened = unit.group == Group::Open;
    let mut said = if hold.turns_at > 1.0 {
        voice.say("stop-no-chance-gives-room")
    } else if hold.turns_at <= 0.0 {
        return voice.say("stop-room-at-any-chance");
    } else {
        let reach = match (hold.over_interval, opened) {
            (true, _) => voice.say("stop-reach-not"),
            (false, true) => voice.tell("stop-reach-down", &[("chance", &voice.percent(at_stop.lower))]),
            (false, false) => voice.tell("stop-reach-up", &[("chance", &voice.percent(at_stop.upper))]),
        };
        let chance = voice.percent(hold.turns_at);
        if opened {
            voice.tell("stop-turns-below", &[("chance", &chance), ("reach", &reach)])
        } else {
            voice.tell("stop-turns-above", &[("chance", &chance), ("reach", &reach)])
        }
    };
    if let Some(costs) = board.costs.as_ref().filter(|_| !hold.over_costs) {
        let late = costs.open.mid() / at_stop.risk;
        said.push(' ');
        said.push_str(&if opened {
            voice.tell("stop-costs-close", &[("amount", &money(late, costs, voice))])
        } else {
            voice.tell("stop-costs-open", &[("amount", &money(late, costs, voice))])
        });
    }
    said
}

/// What stands beside units of which nothing can be said: that they are no last choice, and what the room left means for them.
pub(crate) fn unsaid_note(board: &StopBoard<'_>, voice: &Voice) -> String {
    let note = voice.say("stop-unsaid-note");
    let can_be_opened = board.units.iter().any(|unit| unit.group == Group::Unsaid && unit.score.tube.is_some());
    match board.room {
        Some(_) if can_be_opened && !board.no_crew => match board.choice.room_left {
            0 => format!("{note} {}", voice.say("stop-unsaid-no-room")),
            left => format!("{note} {}", voice.tell("stop-unsaid-room", &[("units", &units(left, voice))])),
        },
        _ => note,
    }
}

/// Says that the plan has no stop on a day, and what is shown instead; `None` if it has one.
pub(crate) fn unplanned(board: &StopBoard<'_>, voice: &Voice) -> Option<String> {
    if board.planned {
        return None;
    }
    let day = voice.weekday_and_day(board.day);
    let next = match board.days.iter().find(|stop| stop.day > board.day).or(board.days.first()) {
        Some(next) => voice.tell("stop-unplanned-next", &[("day", &voice.weekday_and_day(next.day))]),
        None => voice.say("stop-unplanned-none"),
    };
    Some(format!("{} {next}", voice.tell("stop-unplanned", &[("day", &day)])))
}

/// The headline: what to open.
pub(crate) fn headline(board: &StopBoard<'_>, voice: &Voice) -> String {
    let open: Vec<String> = board.proposed().map(|unit| unit.unit.to_string()).collect();
    match open.as_slice() {
        _ if board.units.is_empty() => voice.say("stop-none"),
        [] => voice.say("stop-nothing"),
        names => voice.tell("stop-open", &[("units", &listed(names, voice))]),
    }
}

/// Names in a sentence: `K1, K2 and K3`.
pub(crate) fn listed(names: &[String], voice: &Voice) -> String {
    match names {
        [] => voice.say("list-none"),
        [one] => one.clone(),
        [first @ .., last] => voice.tell("list-and", &[("names", &first.join(", ")), ("last", &last)]),
    }
}

pub(crate) fn units(number: usize, voice: &Voice) -> String {
    voice.tell("count-units", &[("count", &number), ("units", &voice.count(number as u64))])
}

/// What an asker's own set costs against the proposed one.
pub(crate) fn own_set(board: &StopBoard<'_>, own: &[plant::UnitId], voice: &Voice) -> Vec<String> {
    let mut said = Vec::new();
    let left: Vec<String> = board
        .units
        .iter()
        .filter(|unit| unit.group <= Group::ByInterval && !own.contains(unit.unit))
        .map(|unit| unit.unit.to_string())
        .collect();
    if !left.is_empty() {
        said.push(voice.tell("stop-own-leaves", &[("units", &listed(&left, voice))]));
    }
    let unknown: Vec<String> = own
        .iter()
        .filter(|unit| !board.units.iter().any(|known| known.unit == *unit))
        .map(ToString::to_string)
        .collect();
    if !unknown.is_empty() {
        said.push(voice.tell("stop-own-unknown", &[("units", &listed(&unknown, voice))]));
    }
    let unsaid: Vec<String> = board
        .units
        .iter()
        .filter(|unit| unit.at_stop.is_err() && unit.group == Group::Unsaid && own.contains(unit.unit))
        .map(|unit| unit.unit.to_string())
        .collect();
    if !unsaid.is_empty() {
        said.push(voice.tell("stop-own-unsaid", &[("units", &listed(&unsaid, voice))]));
    }
    if let Some(room) = board.room.filter(|room| own.len() > *room) {
        said.push(voice.tell("stop-own-room", &[("units", &units(own.len(), voice)), ("room", &units(room, voice))]));
    }
    let odds: Vec<Odds> = board.odds.iter().map(|(_, odds)| *odds).collect();
    let chosen: Vec<usize> = (0..odds.len()).filter(|place| own.contains(board.name(*place))).collect();
    if let Some(costs) = &board.costs {
        let (mine, best) = (expected(&odds, &chosen, costs), expected(&odds, &board.choice.open, costs));
        let more = mine - best;
        said.push(if more.abs() < 0.5 {
            voice.tell("stop-own-same", &[("amount", &money(mine, costs, voice))])
        } else if more > 0.0 {
            voice.tell("stop-own-more", &[("amount", &money(mine, costs, voice)), ("more", &money(more, costs, voice))])
        } else {
            voice
                .tell("stop-own-less", &[("amount", &money(mine, costs, voice)), ("less", &money(-more, costs, voice))])
        });
    } else {
        let late = |set: &[usize]| -> f64 { (0..odds.len()).filter(|p| !set.contains(p)).map(|p| odds[p].risk).sum() };
        said.push(voice.tell(
            "stop-own-catches",
            &[("own", &voice.number(late(&chosen))), ("proposed", &voice.number(late(&board.choice.open)))],
        ));
    }
    said
}

/// A short line on the unit's state.
pub(crate) fn state(unit: &StopUnit<'_>, voice: &Voice) -> String {
    standing::short(unit.score, voice)
}
