//! The board: which tubes to open at this changeover, why, and how sure.

use askama::Template;
use axum::extract::{self, RawQuery};
use axum::http::StatusCode;
use axum::response::Response;
use plant::{Score, State};

use crate::advice::advice;
use crate::chance::{Chance, chances};
use crate::changeover_rows::{Stop, next_stops};
use crate::figures::{count, days_between, days_words, hours, share};
use crate::missing::{Step, steps};
use crate::pages::{Frame, Standing, rendered};
use crate::rank::Ranking;
use crate::{Interval, Publisher, Site, Snapshot, advice_page, standing, suspicions};

#[derive(Template)]
#[template(path = "board.html")]
struct BoardPage {
    frame: Frame,
    standing: Standing,
    limit: String,
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
    title: &'static str,
    note: &'static str,
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
    /// A word that asks to stop or says that the limit is reached.
    flag: Option<&'static str>,
    /// What a flagged row asks for.
    asks: String,
    state: &'static str,
    state_meaning: &'static str,
    model: String,
    chances: Vec<Chance>,
    /// The chances are old.
    last_known: bool,
    why: Why,
    /// Raised advice, and what was said to it.
    raised: Vec<String>,
    look: Vec<String>,
    interval: Vec<String>,
    interval_due: bool,
}

/// The advice on a tube in a line each.
fn raised(score: &Score, snapshot: &Snapshot, site: &Site) -> Vec<String> {
    let own = snapshot.advice.iter().filter(|advice| Some(&advice.tube) == score.tube.as_ref());
    own.map(|advice| {
        let raised = advice.raised_at.map_or(String::new(), |at| format!(", raised {}", site.day(at)));
        let said = match (&advice.put_off, &advice.seen) {
            (Some(put_off), _) => format!("put off until {} by {}", site.day(put_off.until), put_off.who),
            (None, Some(seen)) => format!("seen by {}", seen.who),
            (None, None) => "seen by nobody yet".to_owned(),
        };
        format!("Advice: {}{raised}, {said}", advice_page::title(advice.kind))
    })
    .collect()
}

/// Why a row stands where it stands.
enum Why {
    /// What wore the tube: hours of plain running that would have done the same, and what it was.
    Drivers(Vec<(String, String)>),
    /// A sentence.
    Reason(String),
}

/// `GET /`
pub(crate) async fn page(extract::State(publisher): extract::State<Publisher>, RawQuery(query): RawQuery) -> Response {
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let ranking = Ranking::of(&snapshot, site);
    let whole = query.as_deref() == Some("all=yes") || snapshot.scores.len() <= WHOLE;
    let mut stops = next_stops(&snapshot, site);
    let shown_stops = if whole { stops.len() } else { stops.len().min(FIRST_STOPS) };
    let more_stops = stops.split_off(shown_stops).len();
    let groups = [
        ("Hold and assess, or limit reached", "These do not wait for a ranking.", &ranking.urgent),
        (
            "The plant’s interval is over: inspect",
            "Over, or no start is known, so it counts as over. That outweighs any chance.",
            &ranking.due,
        ),
        ("By chance now, highest first", "", &ranking.ranked),
        (
            "Cannot be said: inspect on the fixed schedule",
            "Not at the end of the ranking: outside it. Nothing here is known to be better than what stands above.",
            &ranking.unsaid,
        ),
        ("In no unit", "Look at a tube before it is fitted again.", &ranking.shelf),
    ];
    let page = BoardPage {
        frame: Frame::of(&publisher, &snapshot),
        standing: Standing::of(site),
        limit: site.limit_words(),
        summary: summary(&ranking),
        groups: groups
            .into_iter()
            .zip(FIRST)
            .filter(|((_, _, scores), _)| !scores.is_empty())
            .map(|((title, note, scores), first)| {
                let shown = if whole { scores.len() } else { scores.len().min(first) };
                let rows = scores[..shown].iter().map(|score| row(score, &snapshot, site)).collect();
                Group { title, note, rows, more: scores.len() - shown }
            })
            .collect(),
        steps: steps(&snapshot),
        scored: !snapshot.scores.is_empty(),
        changeovers: stops,
        more_stops,
        doubted: suspicions::recent(&snapshot),
    };
    rendered(StatusCode::OK, &page)
}

fn summary(ranking: &Ranking<'_>) -> String {
    let units = ranking.urgent.len() + ranking.due.len() + ranking.ranked.len() + ranking.unsaid.len();
    let say = |number: usize| count(number as u64);
    format!(
        "{} {}: {} to hold or at the limit, {} whose plant interval is over, {} ranked, {} that cannot be said.",
        say(units),
        if units == 1 { "unit" } else { "units" },
        say(ranking.urgent.len()),
        say(ranking.due.len()),
        say(ranking.ranked.len()),
        say(ranking.unsaid.len())
    )
}

fn row(score: &Score, snapshot: &Snapshot, site: &Site) -> Row {
    let interval = Interval::of(score, snapshot, site);
    let reached = score.state == State::Reached;
    let flag = match (score.hold_and_assess, reached) {
        (true, _) => Some("Hold"),
        (false, true) => Some("Limit reached"),
        (false, false) => None,
    };
    Row {
        unit: score.unit.as_ref().map(ToString::to_string),
        tube: score.tube.as_ref().map(ToString::to_string),
        flag,
        state: standing::short(score),
        state_meaning: standing::meaning(score),
        model: score.model.clone(),
        asks: if flag.is_some() { advice(score, &interval, site) } else { String::new() },
        chances: if flag.is_some() || score.unit.is_none() { vec![] } else { chances(score) },
        last_known: score.state == State::Stale,
        why: if flag.is_some() { Why::Reason(standing::reason(score).into_owned()) } else { why(score) },
        raised: raised(score, snapshot, site),
        look: look(score, site),
        interval_due: interval.is_due(),
        interval: interval.words(site),
    }
}

/// What wore the tube most, largest first; the reason where there is no current score. What spared the wall is left to
/// the tube's own page: at a glance it would read as comfort.
fn why(score: &Score) -> Why {
    let drivers = wore(score);
    if drivers.is_empty() { Why::Reason(score.reason.clone()) } else { Why::Drivers(drivers) }
}

/// The three exposures that wore the tube most, as hours of plain running; none without a current score.
pub(crate) fn wore(score: &Score) -> Vec<(String, String)> {
    if chances(score).is_empty() || score.state == State::Stale {
        return vec![];
    }
    let mut drivers: Vec<_> = score.drivers.iter().filter(|driver| driver.hours_equivalent >= 0.5).collect();
    drivers.sort_by(|a, b| b.hours_equivalent.total_cmp(&a.hours_equivalent));
    drivers.iter().take(3).map(|driver| (hours(driver.hours_equivalent), driver.text.clone())).collect()
}

/// The last complete look, what ran since and how much of that is known, and the worst groove of this life.
pub(crate) fn look(score: &Score, site: &Site) -> Vec<String> {
    if score.tube.is_none() {
        return vec!["–".to_owned()];
    }
    let seen = match score.last_look_at {
        Some(at) => format!("{}, {} ago", site.day(at), days_words(days_between(at, score.at))),
        None => "none in this life".to_owned(),
    };
    let since = if score.last_look_at.is_some() { "run since" } else { "of running" };
    let ran = match score.coverage {
        Some(part) => format!("{} {since}, {} covered", hours(score.run_h), share(part)),
        None => "no run hours since".to_owned(),
    };
    [seen, ran].into_iter().chain(standing::grade_words(score)).collect()
}
