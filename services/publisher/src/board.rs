//! The board: what to open at the next stop, and all tubes by chance, why, and how sure.

use askama::Template;
use axum::extract::RawQuery;
use axum::http::StatusCode;
use axum::response::Response;
use plant::{Score, State};

use crate::advice::advice;
use crate::chance::{Chance, chances, last_known};
use crate::changeover_rows::{Stop, next_stops};
use crate::figures::days_between;
use crate::missing::{Step, steps};
use crate::next_stops::{self, NextStop, NextStops};
use crate::pages::{Frame, Standing, rendered};
use crate::rank::{Ranking, sayable};
use crate::shown::Shown;
use crate::{Interval, Site, Snapshot, Voice, advice_page, drivers, standing, suspicions};

#[derive(Template)]
#[template(path = "board.html")]
struct BoardPage {
    voice: Voice,
    frame: Frame,
    standing: Standing,
    limit: String,
    /// What to open at the next stop, as HTML; `None` if the plan has none.
    next_stop: Option<String>,
    summary: String,
    groups: Vec<Group>,
    steps: Vec<Step>,
    scored: bool,
    changeovers: Vec<Stop>,
    /// Stops that are not in the table.
    more_stops: usize,
    /// How many things are doubted of late.
    doubted: Option<String>,
}

/// Rows that belong together and are never mixed with others.
struct Group {
    title: String,
    note: String,
    rows: Vec<Row>,
    /// How many more there are.
    more: usize,
}

/// Rows up to which a board is shown whole: more would not load at once on a phone.
const WHOLE: usize = 36;
/// Of a larger one, the first rows of each group, in the order of the groups; and the first stops.
const FIRST: [usize; 5] = [10, 8, 9, 3, 2];
const FIRST_STOPS: usize = 10;

struct Row {
    unit: Option<String>,
    tube: Option<String>,
    /// When the unit stops next; `None` if no stop of it is planned.
    stop: Option<NextStop>,
    /// A word that asks to stop or says that the limit is reached.
    flag: Option<String>,
    /// What a flagged row asks for.
    asks: String,
    state: String,
    state_meaning: String,
    model: String,
    chances: Vec<Chance>,
    /// That the chances are old, and how old.
    last_known: Option<String>,
    why: Why,
    /// Raised advice, and what was said to it.
    raised: Vec<String>,
    look: Vec<String>,
    interval: Vec<String>,
    interval_due: bool,
}

/// The advice on a tube in a line each.
fn raised(score: &Score, snapshot: &Snapshot, site: &Site) -> Vec<String> {
    let voice = &site.voice;
    let own = snapshot.advice.iter().filter(|advice| Some(&advice.tube) == score.tube.as_ref());
    own.map(|advice| {
        let said = match (&advice.put_off, &advice.seen) {
            (Some(put_off), _) => {
                voice.tell("board-put-off", &[("day", &site.day(put_off.until)), ("who", &put_off.who)])
            }
            (None, Some(seen)) => voice.tell("board-seen", &[("who", &seen.who)]),
            (None, None) => voice.say("board-unseen"),
        };
        let what = advice_page::title(advice.kind, voice);
        match advice.raised_at {
            Some(at) => voice.tell("board-advice-raised", &[("what", &what), ("day", &site.day(at)), ("said", &said)]),
            None => voice.tell("board-advice", &[("what", &what), ("said", &said)]),
        }
    })
    .collect()
}

/// Why a row stands where it stands.
enum Why {
    /// What wore the tube, a line each.
    Drivers(Vec<String>),
    /// A sentence.
    Reason(String),
}

/// `GET /`
pub(crate) async fn page(Shown(publisher): Shown, RawQuery(query): RawQuery) -> Response {
    let (site, voice, snapshot) = (&publisher.site, &publisher.site.voice, publisher.newest());
    let ranking = Ranking::of(&snapshot, site);
    let whole = query.as_deref() == Some("all=yes") || snapshot.scores.len() <= WHOLE;
    let planned = NextStops::of(&snapshot, site);
    let mut stops = next_stops(&snapshot, site);
    let shown_stops = if whole { stops.len() } else { stops.len().min(FIRST_STOPS) };
    let more_stops = stops.split_off(shown_stops).len();
    let groups = [
        (voice.say("board-urgent"), voice.say("board-urgent-note"), &ranking.urgent),
        (voice.say("board-due"), voice.say("board-due-note"), &ranking.due),
        (voice.say("board-ranked"), String::new(), &ranking.ranked),
        (voice.say("board-unsaid"), voice.say("board-unsaid-note"), &ranking.unsaid),
        (voice.say("board-shelf"), voice.say("board-shelf-note"), &ranking.shelf),
    ];
    let page = BoardPage {
        voice: publisher.site.voice.clone(),
        frame: Frame::of(&publisher, &snapshot),
        standing: Standing::of(site),
        limit: site.limit_words(),
        next_stop: planned.are_known().then(|| next_stops::lead(&snapshot, site)).flatten(),
        summary: summary(&ranking, &site.voice),
        groups: groups
            .into_iter()
            .zip(FIRST)
            .filter(|((_, _, scores), _)| !scores.is_empty())
            .map(|((title, note, scores), first)| {
                let shown = if whole { scores.len() } else { scores.len().min(first) };
                let rows = scores[..shown].iter().map(|score| row(score, &planned, &snapshot, site)).collect();
                Group { title, note, rows, more: scores.len() - shown }
            })
            .collect(),
        steps: steps(&snapshot, &site.voice),
        scored: !snapshot.scores.is_empty(),
        changeovers: stops,
        more_stops,
        doubted: suspicions::recent(&snapshot, &site.voice),
    };
    rendered(StatusCode::OK, &page)
}

fn summary(ranking: &Ranking<'_>, voice: &Voice) -> String {
    let units = ranking.urgent.len() + ranking.due.len() + ranking.ranked.len() + ranking.unsaid.len();
    let say = |number: usize| voice.count(number as u64);
    voice.tell(
        "board-summary",
        &[
            ("count", &units),
            ("units", &say(units)),
            ("urgent", &say(ranking.urgent.len())),
            ("due", &say(ranking.due.len())),
            ("ranked", &say(ranking.ranked.len())),
            ("unsaid", &say(ranking.unsaid.len())),
        ],
    )
}

fn row(score: &Score, planned: &NextStops, snapshot: &Snapshot, site: &Site) -> Row {
    let (interval, voice) = (Interval::of(score, snapshot, site), &site.voice);
    let reached = score.state == State::Reached;
    let flag = match (score.hold_and_assess, reached) {
        (true, _) => Some(voice.say("board-hold")),
        (false, true) => Some(voice.say("board-limit-reached")),
        (false, false) => None,
    };
    Row {
        unit: score.unit.as_ref().map(ToString::to_string),
        tube: score.tube.as_ref().map(ToString::to_string),
        stop: score.unit.as_ref().and_then(|unit| planned.of_unit(unit, snapshot.at, site)),
        state: standing::short(score, voice),
        state_meaning: standing::meaning(score, voice),
        model: score.model.clone(),
        asks: if flag.is_some() { advice(score, &interval, site) } else { String::new() },
        chances: if flag.is_some() || score.unit.is_none() { vec![] } else { chances(score, &site.voice) },
        last_known: (score.state == State::Stale).then(|| last_known(score, snapshot, site)),
        why: if flag.is_some() {
            Why::Reason(standing::reason(score, voice).into_owned())
        } else {
            why(score, &site.voice)
        },
        raised: raised(score, snapshot, site),
        look: look(score, site),
        interval_due: interval.is_due(),
        interval: interval.words(site),
        flag,
    }
}

/// What wore the tube most, largest first; the reason where there is no current score. What spared the wall is left to
/// the tube's own page: at a glance it would read as comfort.
fn why(score: &Score, voice: &Voice) -> Why {
    let wore = wore(score, voice);
    if wore.is_empty() { Why::Reason(score.reason.clone()) } else { Why::Drivers(wore) }
}

/// The three exposures that wore the tube most, a line each; none without a current score.
pub(crate) fn wore(score: &Score, voice: &Voice) -> Vec<String> {
    if sayable(score).is_empty() || score.state == State::Stale {
        return vec![];
    }
    let mut most: Vec<_> = score.drivers.iter().filter(|driver| driver.hours_equivalent >= 0.5).collect();
    most.sort_by(|a, b| b.hours_equivalent.total_cmp(&a.hours_equivalent));
    most.iter().take(3).map(|driver| drivers::line(driver, voice)).collect()
}

/// The last complete look, what ran since and how much of that is known, and the worst groove of this life.
pub(crate) fn look(score: &Score, site: &Site) -> Vec<String> {
    let voice = &site.voice;
    if score.tube.is_none() {
        return vec!["–".to_owned()];
    }
    let seen = match score.last_look_at {
        Some(at) => {
            voice.tell("look-ago", &[("day", &site.day(at)), ("days", &voice.days(days_between(at, score.at)))])
        }
        None => voice.say("look-none"),
    };
    let hours = voice.hours(score.run_h);
    let ran = match (score.coverage.map(|part| voice.share(part)), score.last_look_at) {
        (Some(share), Some(_)) => voice.tell("look-run-since", &[("hours", &hours), ("share", &share)]),
        (Some(share), None) => voice.tell("look-of-running", &[("hours", &hours), ("share", &share)]),
        (None, _) => voice.say("look-no-hours"),
    };
    [seen, ran].into_iter().chain(standing::grade_words(score, voice)).collect()
}
