//! The page of a stop.

use askama::Template;
use axum::extract::RawQuery;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use jiff::civil::Date;

use crate::chance::{Chance, chance, last_known};
use crate::form::Form;
use crate::pages::{Frame, Standing, rendered};
use crate::rank::sayable;
use crate::shown::Shown;
use crate::stop_ask::{BadAsk, StopAsk, with_points};
use crate::stop_board::{Group, StopBoard, StopUnit};
use crate::stop_days::{StopDay, stop_days};
use crate::stop_form::{self, StopForm};
use crate::stop_words::{
    headline, listed, own_set, reckoning, state, units, unplanned, unsaid_note, why, why_this_set,
};
use crate::{Publisher, Site, Snapshot, Voice, board};

/// Days of the plan that are offered.
const DAYS: usize = 8;

#[derive(Template)]
#[template(path = "stop.html")]
struct StopPage {
    voice: Voice,
    frame: Frame,
    standing: Standing,
    limit: String,
    /// Why the question is not answered.
    wrong: Option<String>,
    /// The days of the plan: for the address, and in words with the units that stop.
    days: Vec<((String, String), bool)>,
    /// `None` where the question is not answered.
    stop: Option<StopTold>,
    ask: StopForm,
    query: String,
}

/// What is told of a stop.
struct StopTold {
    day: String,
    headline: String,
    /// Says that the plan has no stop that day.
    unplanned: Option<String>,
    what_if: bool,
    reckoning: Vec<String>,
    why: Vec<String>,
    own: Vec<String>,
    groups: Vec<StopGroup>,
    spares: String,
    taken_as_running: bool,
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
    /// The chance that was known last, of a unit whose data are old.
    last_known: Option<String>,
    no_next: String,
    why: String,
    wore: Vec<String>,
    look: Vec<String>,
    interval: Vec<String>,
    interval_due: bool,
    ahead: String,
    /// How fast it wears with the product that is asked for.
    pace: Option<String>,
    sheet: bool,
}

/// `GET /changeovers`
pub(crate) async fn page(Shown(publisher): Shown, RawQuery(query): RawQuery) -> Response {
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let query = query.unwrap_or_default();
    match with_points(&query, site.voice.display) {
        Ok(None) => {}
        Ok(Some(plain)) => {
            // What is refused is refused where it was asked.
            return match StopAsk::read(Some(&plain)) {
                Ok(_) => Redirect::to(&format!("/changeovers?{plain}")).into_response(),
                Err(bad) => refused(&publisher, &query, bad),
            };
        }
        Err(bad) => return refused(&publisher, &query, bad),
    }
    let told = StopAsk::read(Some(&query)).and_then(|ask| Ok((StopBoard::of(&ask, &snapshot, site)?, ask)));
    let (stop, ask) = match told {
        Ok(told) => told,
        Err(bad) => return refused(&publisher, &query, bad),
    };
    let voice = &site.voice;
    let page = StopPage {
        voice: voice.clone(),
        frame: Frame::of(&publisher, &snapshot),
        standing: Standing::of(site),
        limit: site.limit_words(),
        wrong: None,
        days: days(&stop.days, Some(stop.day), voice),
        ask: StopForm::answered(&ask, &stop, &snapshot, site),
        query: if query.is_empty() { String::new() } else { format!("?{query}") },
        stop: Some(StopTold {
            day: voice.weekday_and_day(stop.day),
            headline: headline(&stop, voice),
            unplanned: unplanned(&stop, voice),
            what_if: ask.is_what_if(),
            reckoning: reckoning(&stop, voice),
            why: why_this_set(&stop, voice),
            own: if ask.own.is_empty() { vec![] } else { own_set(&stop, &ask.own, voice) },
            groups: groups(&stop, &snapshot, site),
            spares: spares(&stop, &snapshot, voice),
            taken_as_running: stop.units.iter().any(|unit| unit.ahead.taken_as_running),
        }),
    };
    rendered(StatusCode::OK, &page)
}

/// The page with the form as it was sent, and why it is not answered.
fn refused(publisher: &Publisher, query: &str, bad: BadAsk) -> Response {
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let voice = &site.voice;
    let why = bad.problem.detail();
    let page = StopPage {
        voice: voice.clone(),
        frame: Frame::of(publisher, &snapshot),
        standing: Standing::of(site),
        limit: site.limit_words(),
        wrong: Some(match stop_form::label(&bad.field, voice) {
            Some(label) => voice.tell("stop-wrong", &[("field", &label), ("name", &bad.field), ("why", &why)]),
            None => why.to_owned(),
        }),
        days: days(&stop_days(&snapshot, site), None, voice),
        ask: StopForm::refused(&Form::read(query.as_bytes()), &snapshot, site),
        query: String::new(),
        stop: None,
    };
    let mut answer = rendered(bad.problem.status(), &page);
    bad.problem.mark(&mut answer);
    answer
}

fn days(days: &[StopDay], current: Option<Date>, voice: &Voice) -> Vec<((String, String), bool)> {
    let words = |stop: &StopDay| {
        let names: Vec<String> = stop.units.iter().map(ToString::to_string).collect();
        let said = if names.len() > 6 { units(names.len(), voice) } else { listed(&names, voice) };
        (stop.day.to_string(), format!("{}: {said}", voice.weekday_and_day(stop.day)))
    };
    days.iter().take(DAYS).map(|day| (words(day), Some(day.day) == current)).collect()
}

fn groups(stop: &StopBoard<'_>, snapshot: &Snapshot, site: &Site) -> Vec<StopGroup> {
    let voice = &site.voice;
    let told = [
        (Group::DoesNotWait, voice.say("stop-does-not-wait"), voice.say("stop-does-not-wait-note")),
        (Group::ByInterval, voice.say("stop-by-interval"), voice.say("stop-by-interval-note")),
        (Group::Open, voice.say("stop-best"), String::new()),
        (Group::NoRoom, voice.say("stop-no-room"), voice.say("stop-no-room-note")),
        (Group::MayWait, voice.say("stop-wait"), voice.say("stop-wait-note")),
        (Group::Unsaid, voice.say("board-unsaid"), unsaid_note(stop, voice)),
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
        last_known: (score.state == plant::State::Stale && !held)
            .then(|| sayable(score).first())
            .flatten()
            .map(|now| told_last(score, now, snapshot, site)),
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
        pace: unit.pace.as_ref().filter(|_| !held).map(|(product, pace)| pace.words(product, voice)),
        sheet: score.tube.as_ref().is_some_and(|tube| snapshot.tubes.contains_key(tube)),
    }
}

/// The chance of a unit whose data are old, as the board has it.
fn told_last(score: &plant::Score, now: &plant::Horizon, snapshot: &Snapshot, site: &Site) -> String {
    let chance = chance(score, now, last_known(score, snapshot, site), &site.voice);
    let (when, said, range) = (&chance.when, &chance.said, &chance.range);
    let said = site.voice.tell("chance-with-range", &[("chance", &said), ("range", &range)]);
    format!("{when} {said}")
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
