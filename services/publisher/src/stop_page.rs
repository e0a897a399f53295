//! The page of a stop, and the same as JSON.

use askama::Template;
use axum::extract::{RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use jiff::Timestamp;
use jiff::civil::Date;
use plant::{Horizon, TubeId, UnitId};
use serde::Serialize;

use crate::api::Pretty;
use crate::chance::{Chance, chance};
use crate::choice::Odds;
use crate::opening::{Costs, Span};
use crate::pages::{Frame, Standing, refused, rendered};
use crate::problem::Problem;
use crate::rank::rounded;
use crate::shown::Shown;
use crate::stop_ask::{StopAsk, with_points};
use crate::stop_board::{Group, StopBoard, StopUnit};
use crate::stop_days::StopDay;
use crate::stop_words::{headline, listed, own_set, reckoning, state, units, why, why_this_set};
use crate::{Interval, Publisher, Site, Snapshot, Voice, board, choice, standing};

/// Days of the plan that are offered.
const DAYS: usize = 8;

#[derive(Template)]
#[template(path = "stop.html")]
struct StopPage {
    voice: Voice,
    frame: Frame,
    standing: Standing,
    limit: String,
    day: String,
    /// The other days of the plan: for the address, and in words with the units that stop.
    days: Vec<((String, String), bool)>,
    headline: String,
    what_if: bool,
    reckoning: Vec<String>,
    why: Vec<String>,
    own: Vec<String>,
    groups: Vec<StopGroup>,
    spares: String,
    ask: AskFields,
    names: Vec<(String, bool)>,
    query: String,
    taken_as_running: bool,
    money: String,
}

/// What stands in the fields of the form.
struct AskFields {
    on: String,
    all_units: bool,
    next: String,
    run_h: String,
    /// In which style these numbers are typed, unless with a point.
    decimal: Option<&'static str>,
    room: String,
    open_cost: String,
    late_cost: String,
}

struct StopGroup {
    title: String,
    note: String,
    rows: Vec<StopRow>,
}

struct StopRow {
    unit: String,
    tube: Option<String>,
    state: String,
    flag: Option<String>,
    chances: Vec<Chance>,
    no_chance: String,
    no_next: String,
    why: String,
    wore: Vec<(String, String)>,
    look: Vec<String>,
    interval: Vec<String>,
    interval_due: bool,
    ahead: String,
    sheet: bool,
}

/// `GET /changeovers`
pub(crate) async fn page(Shown(publisher): Shown, RawQuery(query): RawQuery) -> Response {
    match with_points(query.as_deref().unwrap_or_default()) {
        Ok(None) => {}
        Ok(Some(plain)) => return Redirect::to(&format!("/changeovers?{plain}")).into_response(),
        Err(problem) => return refused(problem),
    }
    let ask = match StopAsk::read(query.as_deref()) {
        Ok(ask) => ask,
        Err(problem) => return refused(problem),
    };
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let voice = &site.voice;
    let stop = match StopBoard::of(&ask, &snapshot, site) {
        Ok(stop) => stop,
        Err(problem) => return refused(problem),
    };
    let words = |stop: &StopDay| {
        let names: Vec<String> = stop.units.iter().map(ToString::to_string).collect();
        let said = if names.len() > 6 { units(names.len(), &site.voice) } else { listed(&names, voice) };
        (stop.day.to_string(), format!("{}: {said}", voice.weekday_and_day(stop.day)))
    };
    let typed = |span: Option<Span>| {
        span.map_or(String::new(), |Span { low, high }| {
            if low == high { voice.typed(low) } else { format!("{}-{}", voice.typed(low), voice.typed(high)) }
        })
    };
    let page = StopPage {
        voice: publisher.site.voice.clone(),
        frame: Frame::of(&publisher, &snapshot),
        standing: Standing::of(site),
        limit: site.limit_words(),
        day: voice.weekday_and_day(stop.day),
        days: stop.days.iter().take(DAYS).map(|day| (words(day), day.day == stop.day)).collect(),
        headline: headline(&stop, voice),
        what_if: ask.is_what_if(),
        reckoning: reckoning(&stop, &site.voice),
        why: why_this_set(&stop, &site.voice),
        own: if ask.own.is_empty() { vec![] } else { own_set(&stop, &ask.own, &site.voice) },
        groups: groups(&stop, &snapshot, site),
        spares: spares(&stop, &snapshot, &site.voice),
        ask: AskFields {
            on: stop.day.to_string(),
            all_units: !stop.as_planned,
            next: ask.next.map_or(String::new(), |next| next.to_string()),
            run_h: ask.run_h.map_or(String::new(), |run_h| voice.typed(run_h)),
            decimal: Some(voice.display.word("decimal")).filter(|word| *word != "point"),
            room: ask.room.map_or(String::new(), |room| room.to_string()),
            open_cost: typed(ask.open_cost),
            late_cost: typed(ask.late_cost),
        },
        names: stop.units.iter().map(|unit| (unit.unit.to_string(), ask.own.contains(unit.unit))).collect(),
        query: query.filter(|query| !query.is_empty()).map_or(String::new(), |query| format!("?{query}")),
        taken_as_running: stop.units.iter().any(|unit| unit.ahead.taken_as_running),
        money: stop.costs.as_ref().map_or(String::new(), |costs| costs.money.clone()),
    };
    rendered(StatusCode::OK, &page)
}

fn groups(stop: &StopBoard<'_>, snapshot: &Snapshot, site: &Site) -> Vec<StopGroup> {
    let voice = &site.voice;
    let told = [
        (Group::DoesNotWait, voice.say("stop-does-not-wait"), voice.say("stop-does-not-wait-note")),
        (Group::ByInterval, voice.say("stop-by-interval"), voice.say("stop-by-interval-note")),
        (Group::Open, voice.say("stop-best"), String::new()),
        (Group::NoRoom, voice.say("stop-no-room"), voice.say("stop-no-room-note")),
        (Group::MayWait, voice.say("stop-wait"), voice.say("stop-wait-note")),
        (Group::Unsaid, voice.say("board-unsaid"), voice.say("stop-unsaid-note")),
    ];
    told.into_iter()
        .map(|(group, title, note)| {
            let rows = stop.units.iter().filter(|unit| unit.group == group).map(|unit| row(unit, stop, snapshot, site));
            StopGroup { title, note, rows: rows.collect() }
        })
        .filter(|group| !group.rows.is_empty())
        .collect()
}

fn row(unit: &StopUnit<'_>, stop: &StopBoard<'_>, snapshot: &Snapshot, site: &Site) -> StopRow {
    let (score, voice) = (unit.score, &site.voice);
    let held = unit.group == Group::DoesNotWait;
    let now = unit.at_stop.as_ref().ok().and_then(|_| score.now());
    let mut chances: Vec<Chance> =
        now.map(|now| chance(score, now, voice.say("chance-now"), voice)).into_iter().collect();
    chances.extend(unit.at_stop.as_ref().ok().map(|at| chance(score, at, voice.say("stop-at-stop"), voice)));
    chances.extend(
        unit.at_next
            .as_ref()
            .ok()
            .filter(|_| now.is_some())
            .map(|at| chance(score, at, voice.say("stop-at-next"), voice)),
    );
    let ahead = match (&unit.ahead.next, &unit.at_stop) {
        (Some(next), Ok(_)) => {
            let products =
                if next.products.is_empty() { String::new() } else { format!(" ({})", listed(&next.products, voice)) };
            voice.tell(
                "stop-ahead",
                &[
                    ("time", &site.minute(unit.ahead.stop_at)),
                    ("hours", &voice.hours(unit.ahead.until_stop_h)),
                    ("day", &site.day(next.at)),
                    ("more", &voice.hours(next.run_h)),
                    ("products", &products),
                ],
            )
        }
        (None, Ok(_)) => voice.tell(
            "stop-ahead-last",
            &[("time", &site.minute(unit.ahead.stop_at)), ("hours", &voice.hours(unit.ahead.until_stop_h))],
        ),
        _ => voice.tell("stop-ahead-unsaid", &[("time", &site.minute(unit.ahead.stop_at))]),
    };
    StopRow {
        unit: unit.unit.to_string(),
        tube: score.tube.as_ref().map(ToString::to_string),
        state: state(unit, voice),
        flag: held
            .then(|| if score.hold_and_assess { voice.say("board-hold") } else { voice.say("board-limit-reached") }),
        chances: if held { vec![] } else { chances },
        no_chance: unit.at_stop.as_ref().err().cloned().unwrap_or_default(),
        no_next: if held || unit.at_stop.is_err() {
            String::new()
        } else {
            unit.at_next.as_ref().err().cloned().unwrap_or_default()
        },
        why: why(unit, stop, site),
        wore: if held { vec![] } else { board::wore(score, &site.voice) },
        look: board::look(score, site),
        interval: unit.interval.words(site),
        interval_due: unit.interval.is_due() || unit.group == Group::ByInterval,
        ahead,
        sheet: score.tube.as_ref().is_some_and(|tube| snapshot.tubes.contains_key(tube)),
    }
}

/// What is on the shelf against what opening may find.
fn spares(stop: &StopBoard<'_>, snapshot: &Snapshot, voice: &Voice) -> String {
    let (ready, not): (Vec<_>, Vec<_>) =
        snapshot.scores.iter().filter(|score| score.unit.is_none()).partition(|score| is_spare(score, snapshot));
    let names = |scores: &[&plant::Score]| -> Vec<String> {
        scores.iter().filter_map(|score| score.tube.as_ref()).map(ToString::to_string).collect()
    };
    let (spare, other) = (names(&ready), names(&not));
    let open: Vec<&StopUnit<'_>> = stop.proposed().collect();
    let sure = open.iter().filter(|unit| unit.group == Group::DoesNotWait).count() as f64;
    let catches = sure + open.iter().filter_map(|unit| unit.at_stop.as_ref().ok()).map(|at| at.risk).sum::<f64>();
    let shelf = match spare.as_slice() {
        [] => voice.say("stop-no-spare"),
        names => voice.tell("stop-spares", &[("count", &names.len()), ("tubes", &listed(names, voice))]),
    };
    let other = if other.is_empty() {
        String::new()
    } else {
        format!(" {}", voice.tell("stop-spares-unlooked", &[("tubes", &listed(&other, voice))]))
    };
    let found = if open.is_empty() {
        String::new()
    } else {
        format!(
            " {}",
            voice.tell(
                "stop-spares-needed",
                &[("units", &units(open.len(), voice)), ("catches", &voice.decimal(catches, 1))]
            )
        )
    };
    format!("{shelf}{other}{found}")
}

/// A tube on the shelf that began its life whole and in which nothing was found since.
fn is_spare(score: &plant::Score, snapshot: &Snapshot) -> bool {
    let detail = score.tube.as_ref().and_then(|tube| snapshot.tubes.get(tube));
    let whole = detail.and_then(|detail| detail.lives.last()).is_some_and(|life| life.grade_at_start.is_some());
    whole && score.run_h == 0.0 && !score.hold_and_assess && score.last_grade.is_none_or(|grade| grade.get() == 0)
}

#[derive(Serialize)]
struct ChoiceJson<'a> {
    at: Timestamp,
    day: Date,
    notice: Vec<String>,
    as_planned: bool,
    no_crew: bool,
    room: Option<usize>,
    costs: Option<&'a Costs>,
    pays_from: Option<f64>,
    pays_from_ends: Option<Span>,
    open: Vec<&'a UnitId>,
    expected_cost: Option<f64>,
    next_best: Option<NextBestJson<'a>>,
    own_set: Vec<String>,
    why: Vec<String>,
    units: Vec<UnitJson<'a>>,
}

#[derive(Serialize)]
struct NextBestJson<'a> {
    close: Option<&'a UnitId>,
    open: Option<&'a UnitId>,
    costs_more: f64,
}

#[derive(Serialize)]
struct UnitJson<'a> {
    unit: &'a UnitId,
    tube: Option<&'a TubeId>,
    group: Group,
    state: plant::State,
    hold_and_assess: bool,
    stops_at: Timestamp,
    run_h_until_stop: f64,
    next_at: Option<Timestamp>,
    run_h_after_stop: Option<f64>,
    taken_as_running: bool,
    longest_interval: Interval,
    risk_now: Option<Horizon>,
    risk_at_stop: Option<Horizon>,
    risk_at_next: Option<Horizon>,
    no_risk_because: Option<&'a str>,
    turns_at: Option<f64>,
    holds_over_costs: Option<bool>,
    holds_over_interval: Option<bool>,
    why: String,
}

/// `GET /api/v1/changeovers/choice`
pub(crate) async fn choice(State(publisher): State<Publisher>, RawQuery(query): RawQuery) -> Result<Response, Problem> {
    let ask = StopAsk::read(query.as_deref())?;
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let stop = StopBoard::of(&ask, &snapshot, site)?;
    let odds: Vec<Odds> = stop.odds.iter().map(|(_, odds)| *odds).collect();
    let costs = stop.costs.as_ref();
    let next_best =
        costs.and_then(|costs| choice::next_best(&odds, &stop.choice, costs)).map(|(change, costs_more)| {
            let (close, open) = match change {
                choice::Change::Close(place) => (Some(place), None),
                choice::Change::Open(place) => (None, Some(place)),
                choice::Change::Swap(out, into) => (Some(out), Some(into)),
            };
            NextBestJson {
                close: close.map(|place| stop.name(place)),
                open: open.map(|place| stop.name(place)),
                costs_more,
            }
        });
    let told = ChoiceJson {
        at: snapshot.at,
        day: stop.day,
        notice: standing::notice(site),
        as_planned: stop.as_planned,
        no_crew: stop.no_crew,
        room: stop.room,
        costs,
        pays_from: costs.map(Costs::break_even),
        pays_from_ends: costs.map(Costs::break_even_ends),
        open: stop.proposed().map(|unit| unit.unit).collect(),
        expected_cost: costs.map(|costs| choice::expected(&odds, &stop.choice.open, costs)),
        next_best,
        own_set: if ask.own.is_empty() { vec![] } else { own_set(&stop, &ask.own, &site.voice) },
        why: why_this_set(&stop, &site.voice),
        units: stop.units.iter().map(|unit| unit_json(unit, &stop, site)).collect(),
    };
    Ok(Pretty(told).into_response())
}

fn unit_json<'a>(unit: &'a StopUnit<'a>, stop: &StopBoard<'a>, site: &Site) -> UnitJson<'a> {
    let held = unit.group == Group::DoesNotWait;
    let told = |risk: Option<&Horizon>| risk.filter(|_| !held).map(rounded);
    UnitJson {
        unit: unit.unit,
        tube: unit.score.tube.as_ref(),
        group: unit.group,
        state: unit.score.state,
        hold_and_assess: unit.score.hold_and_assess,
        stops_at: unit.ahead.stop_at,
        run_h_until_stop: unit.ahead.until_stop_h,
        next_at: unit.ahead.next.as_ref().map(|next| next.at),
        run_h_after_stop: unit.ahead.next.as_ref().map(|next| next.run_h),
        taken_as_running: unit.ahead.taken_as_running,
        longest_interval: unit.interval.clone(),
        risk_now: told(unit.at_stop.as_ref().ok().and_then(|_| unit.score.now())),
        risk_at_stop: told(unit.at_stop.as_ref().ok()),
        risk_at_next: told(unit.at_next.as_ref().ok()),
        no_risk_because: unit.at_stop.as_ref().err().map(String::as_str),
        turns_at: unit.hold.map(|hold| hold.turns_at).filter(|turns_at| *turns_at <= 1.0),
        holds_over_costs: unit.hold.map(|hold| hold.over_costs),
        holds_over_interval: unit.hold.map(|hold| hold.over_interval),
        why: why(unit, stop, site),
    }
}
