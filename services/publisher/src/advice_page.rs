//! Raised advice: as a page with what people say to it, and as JSON.

use askama::Template;
use axum::Extension;
use axum::body::Bytes;
use axum::extract;
use axum::extract::Path;
use axum::extract::rejection::{BytesRejection, PathRejection};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use jiff::Timestamp;
use jiff::civil::Date;
use ledger::LedgerError;
use plant::{Advice, AdviceKind, Horizon, Score, State};
use serde::Serialize;

use crate::api::Pretty;
use crate::caller::Caller;
use crate::findings::whole;
use crate::form::Form;
use crate::need::Need;
use crate::next_stops::{NextStop, NextStops};
use crate::pages::{self, Frame, Standing, rendered, unframed};
use crate::problem::Problem;
use crate::rank::sayable;
use crate::shown::Shown;
use crate::{Interval, Publisher, Site, Snapshot, Voice, advice, chance};

/// Cleared advice that is shown.
const CLEARED: u32 = 50;

#[derive(Template)]
#[template(path = "advice.html")]
struct AdvicePage {
    voice: Voice,
    frame: Frame,
    standing: Standing,
    rows: Vec<Row>,
    cleared: Vec<[String; 5]>,
    /// How each target is told, in a line each.
    told: Vec<(String, String)>,
    csrf: Option<String>,
    wrong: Vec<String>,
    today: String,
}

struct Row {
    id: i64,
    unit: String,
    tube: String,
    title: String,
    raised: String,
    says: String,
    /// The chance with its interval and limit; empty where none is given.
    chance: String,
    /// When the unit stops next.
    stop: Option<NextStop>,
    seen: String,
    put_off: Vec<String>,
    can_wait: bool,
    going: bool,
}

/// What a kind is called.
pub(crate) fn title(kind: AdviceKind, voice: &Voice) -> String {
    match kind {
        AdviceKind::Hold => voice.say("state-hold"),
        AdviceKind::Reached => voice.say("state-reached"),
        AdviceKind::Interval => voice.say("advice-title-interval"),
        AdviceKind::Chance => voice.say("advice-title-chance"),
    }
}

/// `GET /advice`
pub(crate) async fn page(Shown(publisher): Shown, caller: Option<Extension<Caller>>) -> Response {
    let caller = caller.map(|Extension(caller)| caller);
    shown(&publisher, caller.as_ref(), StatusCode::OK, vec![]).await
}

async fn shown(publisher: &Publisher, caller: Option<&Caller>, status: StatusCode, wrong: Vec<String>) -> Response {
    match AdvicePage::of(publisher, caller, wrong).await {
        // It carries the token of a session.
        Ok(page) => ([(header::CACHE_CONTROL, "no-store")], unframed(rendered(status, &page))).into_response(),
        Err(problem) => pages::refused(problem),
    }
}

impl AdvicePage {
    async fn of(publisher: &Publisher, caller: Option<&Caller>, wrong: Vec<String>) -> Result<Self, Problem> {
        let (site, voice, snapshot) = (&publisher.site, &publisher.site.voice, publisher.newest());
        let now = publisher.clock.now();
        let mut open = publisher.ledger.open_advice().await?;
        open.retain(|advice| advice.raised_at.is_some());
        // What does not wait comes first, then the highest chance; one that is not known stands before those that are.
        let chance = |advice: &Advice| snapshot.score_of(&advice.tube).and_then(current).map_or(2.0, |now| now.risk);
        open.sort_by(|a, b| {
            let by_kind = (a.is_put_off(now), a.kind).cmp(&(b.is_put_off(now), b.kind));
            by_kind.then(chance(b).total_cmp(&chance(a))).then_with(|| a.unit.cmp(&b.unit))
        });
        let stops = NextStops::of(&snapshot, site);
        let cleared = publisher.ledger.cleared_advice(CLEARED).await?;
        let day = |at: Option<Timestamp>| at.map_or("–".to_owned(), |at| site.day(at));
        Ok(AdvicePage {
            voice: publisher.site.voice.clone(),
            frame: Frame::of(publisher, &snapshot),
            standing: Standing::of(site),
            rows: open.iter().map(|advice| row(advice, &stops, &snapshot, site, now)).collect(),
            cleared: cleared
                .iter()
                .map(|advice| {
                    let put_off = advice.put_off.as_ref().map_or(String::new(), |put_off| put_off.why.clone());
                    let unit = voice.tell("advice-unit-and-tube", &[("unit", &advice.unit), ("tube", &advice.tube)]);
                    [unit, title(advice.kind, voice), day(advice.raised_at), day(advice.cleared_at), put_off]
                })
                .collect(),
            told: snapshot.told.iter().map(|told| (told.target.clone(), telling(told, site))).collect(),
            csrf: caller.filter(|caller| Need::Decide.met_by(caller.role)).and_then(|caller| caller.csrf.clone()),
            wrong,
            today: site.date(now).to_string(),
        })
    }
}

/// How the telling goes: how much was confirmed, and what is not and why.
fn telling(told: &crate::Telling, site: &Site) -> String {
    let voice = &site.voice;
    let mut said = vec![voice.tell("advice-told", &[("notices", &voice.count(told.told))])];
    if let Some(since) = told.waits_since {
        let (waiting, since) = (voice.count(told.waiting), site.minute(since));
        said.push(voice.tell("advice-waiting", &[("notices", &waiting), ("since", &since)]));
    }
    if told.given_up > 0 {
        said.push(voice.tell("advice-given-up", &[("notices", &voice.count(told.given_up))]));
    }
    let said = said.join("; ");
    match &told.error {
        Some(error) => format!("{said}: {}.", error.trim_end_matches('.')),
        None => format!("{said}."),
    }
}

/// The chance of a score now; `None` of one that is old, or has none.
fn current(score: &Score) -> Option<&Horizon> {
    sayable(score).first().filter(|_| !matches!(score.state, State::Stale | State::Reached))
}

fn chance(score: &Score, snapshot: &Snapshot, site: &Site) -> String {
    let voice = &site.voice;
    let told = |when: String, now: &Horizon| {
        let chance = chance::chance(score, now, when, voice);
        let (said, range, limit) = (&chance.said, &chance.range, site.limit_words());
        voice.tell("advice-chance", &[("when", &chance.when), ("chance", said), ("range", range), ("limit", &limit)])
    };
    match (current(score), sayable(score).first()) {
        (Some(now), _) => told(voice.say("chance-now"), now),
        (None, Some(last)) if score.state == State::Stale => told(chance::last_known(score, snapshot, site), last),
        _ => String::new(),
    }
}

fn row(advice: &Advice, stops: &NextStops, snapshot: &Snapshot, site: &Site, now: Timestamp) -> Row {
    let voice = &site.voice;
    let score = snapshot.score_of(&advice.tube);
    let says = match score {
        Some(score) => advice::advice(score, &Interval::of(score, snapshot, site), site),
        None => advice::unavailable(&voice.say("advice-not-evaluated"), voice),
    };
    let seen = advice.seen.as_ref();
    let put_off = advice.put_off.as_ref().map(|put_off| {
        let until = site.day(put_off.until);
        let why = put_off.why.trim_end_matches('.');
        let said = if put_off.until <= now {
            voice.tell("advice-put-off-over", &[("day", &until), ("who", &put_off.who), ("why", &why)])
        } else {
            voice.tell("advice-put-off-day", &[("day", &until), ("who", &put_off.who), ("why", &why)])
        };
        vec![said, voice.tell("advice-decided", &[("time", &site.minute(put_off.at))])]
    });
    Row {
        id: advice.id,
        unit: advice.unit.to_string(),
        tube: advice.tube.to_string(),
        title: title(advice.kind, voice),
        raised: advice.raised_at.map_or(String::new(), |at| format!("{}, {}", site.minute(at), voice.age(at, now))),
        says,
        chance: score.map_or(String::new(), |score| chance(score, snapshot, site)),
        stop: stops.of_unit(&advice.unit, snapshot.at, site),
        seen: seen.map_or_else(
            || voice.say("advice-seen-nobody"),
            |seen| voice.tell("advice-seen-by", &[("who", &seen.who), ("time", &site.minute(seen.at))]),
        ),
        put_off: put_off.unwrap_or_default(),
        can_wait: advice.kind != AdviceKind::Hold,
        going: advice.gone_since.is_some(),
    }
}

type Id = Result<Path<String>, PathRejection>;

/// `POST /advice/{id}/seen`
pub(crate) async fn see(Shown(publisher): Shown, Extension(caller): Extension<Caller>, id: Id) -> Response {
    let done = async {
        let id = number(id)?;
        Ok(publisher.ledger.see_advice(id, &caller.by(publisher.clock.now())).await?)
    };
    answered(&publisher, &caller, done.await).await
}

/// `POST /advice/{id}/put-off`
pub(crate) async fn put_off(
    Shown(publisher): Shown,
    Extension(caller): Extension<Caller>,
    id: Id,
    body: Result<Bytes, BytesRejection>,
) -> Response {
    let done = async {
        let (id, form) = (number(id)?, Form::read(&whole(body)?));
        let now = publisher.clock.now();
        let until = until(form.get("until"), &publisher.site, now)?;
        let open = publisher.ledger.open_advice().await?;
        let advice = open.iter().find(|advice| advice.id == id).ok_or(LedgerError::NoAdvice(id))?;
        within_interval(advice, until, &publisher)?;
        Ok(publisher.ledger.put_off_advice(id, until, form.get("why"), &caller.by(now)).await?)
    };
    answered(&publisher, &caller, done.await).await
}

async fn answered(publisher: &Publisher, caller: &Caller, done: Result<(), Problem>) -> Response {
    match done {
        Ok(()) => {
            publisher.written.notify_one();
            Redirect::to("/advice").into_response()
        }
        Err(problem) => {
            let mut answer = shown(publisher, Some(caller), problem.status(), vec![problem.detail().to_owned()]).await;
            problem.mark(&mut answer);
            answer
        }
    }
}

fn number(id: Id) -> Result<i64, Problem> {
    let told = id.map_err(|error| Problem::new(StatusCode::BAD_REQUEST, "bad_path", error.body_text()))?;
    told.0.parse().ok().filter(|id| *id > 0).ok_or_else(|| {
        let detail = format!("no advice has the number {:?}", crate::api::shortened(&told.0));
        Problem::new(StatusCode::NOT_FOUND, "unknown_advice", detail)
    })
}

/// The end of the day until which advice is put off.
fn until(text: &str, site: &Site, now: Timestamp) -> Result<Timestamp, Problem> {
    let refused = |detail: String| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "bad_day", detail);
    let day: Date = text.trim().parse().map_err(|_| {
        refused(format!("until {:?} is no day; right would be 2026-05-30", crate::api::shortened(text)))
    })?;
    let until = site.begin(day);
    if until <= now {
        return Err(refused(format!("until {day} does not lie ahead; right would be a later day")));
    }
    Ok(until)
}

/// The plant's own interval wins: advice is not put off beyond its end.
fn within_interval(advice: &Advice, until: Timestamp, publisher: &Publisher) -> Result<(), Problem> {
    let snapshot = publisher.newest();
    let Some(score) = snapshot.score_of(&advice.tube) else { return Ok(()) };
    let interval = Interval::of(score, &snapshot, &publisher.site);
    match beyond(&interval, until, snapshot.at, &publisher.site) {
        None => Ok(()),
        Some(detail) => Err(Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "beyond_interval", detail)),
    }
}

/// Why a day lies beyond an interval, if it does.
fn beyond(interval: &Interval, until: Timestamp, now: Timestamp, site: &Site) -> Option<String> {
    // A unit cannot run more than all hours of the clock.
    let most_h = until.duration_since(now).as_secs_f64() / 3600.0;
    match interval {
        Interval::Over | Interval::Unknown => {
            Some("the plant's longest interval is over, and wins; right would be to open the unit".to_owned())
        }
        Interval::Left { until: Some(end), .. } if until > *end => {
            let end = site.day(*end);
            Some(format!("the plant's longest interval ends {end}, and wins; right would be a day before that"))
        }
        Interval::Left { run_h_left: Some(left), .. } if most_h > *left => {
            let left = site.voice.hours(*left);
            Some(format!(
                "{left} of running are left of the plant's longest interval, which wins; right would be a day before they can be over"
            ))
        }
        _ => None,
    }
}

#[derive(Serialize)]
struct AdviceJson<'a> {
    at: Timestamp,
    advice: Vec<Told<'a>>,
    told: &'a [crate::Telling],
}

/// A piece of advice as programs read it.
#[derive(Serialize)]
pub(crate) struct Told<'a> {
    #[serde(flatten)]
    advice: &'a Advice,
    /// Whether it is put off now.
    is_put_off: bool,
    meaning: String,
}

impl<'a> Told<'a> {
    pub(crate) fn of(advice: &'a Advice, now: Timestamp) -> Self {
        Told { advice, is_put_off: advice.is_put_off(now), meaning: title(advice.kind, &Voice::default()) }
    }
}

/// `GET /api/v1/advice`, what is raised and not cleared.
pub(crate) async fn list(extract::State(publisher): extract::State<Publisher>) -> Result<Response, Problem> {
    let now = publisher.clock.now();
    let mut open = publisher.ledger.open_advice().await?;
    open.retain(|advice| advice.raised_at.is_some());
    let snapshot = publisher.newest();
    let advice = open.iter().map(|advice| Told::of(advice, now)).collect();
    let told = AdviceJson { at: now, advice, told: &snapshot.told };
    Ok(([(header::CACHE_CONTROL, HeaderValue::from_static("no-store"))], Pretty(told)).into_response())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_plants_interval_wins_in_days_in_run_hours_and_when_it_is_over() {
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        let (now, site) = (at("2026-05-12T00:00:00Z"), crate::rank::tests::site());
        let refused = |interval: Interval, until: &str| beyond(&interval, at(until), now, &site).is_some();
        let left = |run_h_left, until: Option<&str>| Interval::Left { run_h_left, until: until.map(at) };
        // By hand: ten days are 240 h.
        assert!(refused(left(None, Some("2026-05-21T00:00:00Z")), "2026-05-22T00:00:00Z"));
        assert!(!refused(left(None, Some("2026-05-22T00:00:00Z")), "2026-05-22T00:00:00Z"));
        assert!(refused(left(Some(239.0), None), "2026-05-22T00:00:00Z"));
        assert!(!refused(left(Some(240.0), None), "2026-05-22T00:00:00Z"));
        assert!(refused(Interval::Over, "2026-05-13T00:00:00Z") && refused(Interval::Unknown, "2026-05-13T00:00:00Z"));
        assert!(!refused(Interval::NotEntered, "2030-01-01T00:00:00Z"));
    }
}
