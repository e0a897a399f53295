//! What to open at a stop, as JSON.

use axum::extract::{RawQuery, State};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use jiff::civil::Date;
use plant::{Horizon, TubeId, UnitId};
use serde::Serialize;

use crate::api::Pretty;
use crate::choice::Odds;
use crate::opening::{Costs, Span};
use crate::problem::Problem;
use crate::rank::rounded;
use crate::stop_ask::StopAsk;
use crate::stop_board::{Group, StopBoard, StopUnit};
use crate::stop_words::{own_set, why, why_this_set};
use crate::{Interval, Publisher, Site, choice, standing};

#[derive(Serialize)]
struct ChoiceJson<'a> {
    at: Timestamp,
    day: Date,
    notice: Vec<String>,
    /// Whether the plan stops any unit that day; if not, all units are taken to stop then.
    stop_known: bool,
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
    product_wears_times: Option<f64>,
    product_known_over_h: Option<f64>,
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
        stop_known: stop.planned,
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
        product_wears_times: unit.pace.as_ref().map(|(_, pace)| pace.times),
        product_known_over_h: unit.pace.as_ref().map(|(_, pace)| pace.covered_h),
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
