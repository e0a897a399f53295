//! The JSON routes.

use axum::extract::rejection::{PathRejection, QueryRejection};
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use plant::{Fault, Grade, Score, SignalReport, UnmappedTopic};
use serde::{Deserialize, Serialize};

use crate::accept::wants_csv;
use crate::problem::Problem;
use crate::published::{ScoreJson, TubeJson, TubeLineJson};
use crate::rank::Ranking;
use crate::{CollectorSeen, Disk, Journal, Link, Publisher, Site, Snapshot, Totals, csv_tables, lacks, standing};

/// A body of indented JSON: people read it as often as programs do.
pub(crate) struct Pretty<T>(pub T);

impl<T: Serialize> IntoResponse for Pretty<T> {
    fn into_response(self) -> Response {
        match serde_json::to_string_pretty(&self.0) {
            Ok(body) => ([(header::CONTENT_TYPE, "application/json")], body + "\n").into_response(),
            Err(error) => {
                tracing::error!(%error, "a response could not be written as JSON");
                let detail = "this response could not be written as JSON".to_owned();
                Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "not_json", detail).into_response()
            }
        }
    }
}

/// Filters of the list of risks.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RisksQuery {
    unit: Option<String>,
    tube: Option<String>,
}

#[derive(Serialize)]
struct RisksJson<'a> {
    site: &'a str,
    at: Timestamp,
    evaluated_at: Option<Timestamp>,
    limit_grade: Grade,
    limit_meaning: &'static str,
    notice: Vec<String>,
    risks: Vec<ScoreJson<'a>>,
}

type AskedRisks = Result<Query<RisksQuery>, QueryRejection>;

/// `GET /api/v1/risks`, in the order of the board; as CSV for who asks for it.
pub(crate) async fn risks(
    State(publisher): State<Publisher>,
    headers: HeaderMap,
    query: AskedRisks,
) -> Result<Response, Problem> {
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let scores = wanted(&snapshot, site, query)?;
    if wants_csv(&headers) {
        return Ok(by_accept(csv_tables::risks(scores.into_iter(), &snapshot, site)));
    }
    let answer = Pretty(RisksJson {
        site: &site.name,
        at: snapshot.at,
        evaluated_at: snapshot.evaluated_at,
        limit_grade: site.limit,
        limit_meaning: site.limit.meaning(),
        notice: standing::notice(site),
        risks: scores.into_iter().map(|score| ScoreJson::of(score, &snapshot, site)).collect(),
    });
    Ok(by_accept(answer.into_response()))
}

/// `GET /api/v1/risks.csv`
pub(crate) async fn risks_csv(State(publisher): State<Publisher>, query: AskedRisks) -> Result<Response, Problem> {
    let snapshot = publisher.newest();
    Ok(csv_tables::risks(wanted(&snapshot, &publisher.site, query)?.into_iter(), &snapshot, &publisher.site))
}

/// The scores that a query asks for, in the order of the board.
fn wanted<'a>(snapshot: &'a Snapshot, site: &Site, query: AskedRisks) -> Result<Vec<&'a Score>, Problem> {
    let Query(query) = query.map_err(|error| {
        let detail = format!("{error}; right would be ?unit=UNIT, ?tube=TUBE, both or none", error = error.body_text());
        Problem::new(StatusCode::BAD_REQUEST, "bad_query", detail)
    })?;
    let matches = |score: &Score| {
        query.unit.as_deref().is_none_or(|wanted| score.unit.as_ref().is_some_and(|unit| unit.as_str() == wanted))
            && query
                .tube
                .as_deref()
                .is_none_or(|wanted| score.tube.as_ref().is_some_and(|tube| tube.as_str() == wanted))
    };
    let scores: Vec<_> = Ranking::of(snapshot, site).all().filter(|score| matches(score)).collect();
    if scores.is_empty() && (query.unit.is_some() || query.tube.is_some()) {
        // An empty list could be taken for a unit without risk.
        let detail = format!(
            "no score for unit {:?}, tube {:?}; GET /api/v1/risks lists all of them",
            query.unit.as_deref().map_or("any".to_owned(), shortened),
            query.tube.as_deref().map_or("any".to_owned(), shortened)
        );
        return Err(Problem::new(StatusCode::NOT_FOUND, "no_such_score", detail));
    }
    Ok(scores)
}

/// Marks an answer whose form depends on what was asked for, so that a cache does not give one for the other.
pub(crate) fn by_accept(mut answer: Response) -> Response {
    answer.headers_mut().insert(header::VARY, HeaderValue::from_static("accept"));
    answer
}

#[derive(Serialize)]
struct TubesJson<'a> {
    at: Timestamp,
    tubes: Vec<TubeLineJson<'a>>,
}

/// No filters: a key that is not known is refused, or a mistyped filter would seem to have been obeyed.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct NoFilters {}

/// `GET /api/v1/tubes`
pub(crate) async fn tubes(
    State(publisher): State<Publisher>,
    query: Result<Query<NoFilters>, QueryRejection>,
) -> Result<Response, Problem> {
    query.map_err(|error| {
        let detail = format!("{}; right would be no query at all", error.body_text());
        Problem::new(StatusCode::BAD_REQUEST, "bad_query", detail)
    })?;
    let snapshot = publisher.newest();
    let tubes = snapshot.tubes.values().map(|detail| TubeLineJson::of(detail, &snapshot)).collect();
    Ok(Pretty(TubesJson { at: snapshot.at, tubes }).into_response())
}

#[derive(Serialize)]
struct TubePageJson<'a> {
    at: Timestamp,
    #[serde(flatten)]
    tube: TubeJson<'a>,
}

/// `GET /api/v1/tubes/{tube}`
pub(crate) async fn tube(
    State(publisher): State<Publisher>,
    tube: Result<Path<String>, PathRejection>,
) -> Result<Response, Problem> {
    let Path(tube) = tube.map_err(|error| Problem::new(StatusCode::BAD_REQUEST, "bad_path", error.body_text()))?;
    let snapshot = publisher.newest();
    let Some(detail) = snapshot.tubes.values().find(|detail| detail.tube.tube.as_str() == tube) else {
        let detail = format!("no tube {:?} in the register; GET /api/v1/tubes lists them", shortened(&tube));
        return Err(Problem::new(StatusCode::NOT_FOUND, "unknown_tube", detail));
    };
    let tube = TubeJson::of(detail, &snapshot, &publisher.site);
    Ok(Pretty(TubePageJson { at: snapshot.at, tube }).into_response())
}

#[derive(Serialize)]
struct SignalsJson<'a> {
    at: Timestamp,
    link: &'a Link,
    journal: &'a Journal,
    totals: &'a Totals,
    signals: Vec<SignalJson<'a>>,
    unmapped: &'a [UnmappedTopic],
    faults: &'a [Fault],
    collectors: &'a [CollectorSeen],
    disk: Option<&'a Disk>,
}

/// A signal as it arrives, and for what share of the last day and week it was known.
#[derive(Serialize)]
struct SignalJson<'a> {
    #[serde(flatten)]
    report: &'a SignalReport,
    known_day: Option<f64>,
    known_week: Option<f64>,
}

/// `GET /api/v1/signals`; as CSV for who asks for it.
pub(crate) async fn signals(State(publisher): State<Publisher>, headers: HeaderMap) -> Response {
    let snapshot = publisher.newest();
    let signals = sorted_signals(&snapshot);
    if wants_csv(&headers) {
        return by_accept(csv_tables::signals(&snapshot, &signals));
    }
    let answer = Pretty(SignalsJson {
        at: snapshot.at,
        link: &snapshot.link,
        journal: &snapshot.journal,
        totals: &snapshot.totals,
        signals: signals
            .iter()
            .map(|report| {
                let known = snapshot.known_share(report);
                SignalJson {
                    report,
                    known_day: known.map(|share| share.day),
                    known_week: known.map(|share| share.week),
                }
            })
            .collect(),
        unmapped: &snapshot.unmapped,
        faults: &snapshot.faults,
        collectors: &snapshot.collectors,
        disk: snapshot.disk.as_ref(),
    });
    by_accept(answer.into_response())
}

/// `GET /api/v1/signals.csv`
pub(crate) async fn signals_csv(State(publisher): State<Publisher>) -> Response {
    let snapshot = publisher.newest();
    csv_tables::signals(&snapshot, &sorted_signals(&snapshot))
}

/// Signals by unit, each unit's in the order of tables; those that gave no reading come first, for they ask for a step.
pub(crate) fn sorted_signals(snapshot: &Snapshot) -> Vec<&SignalReport> {
    let mut signals: Vec<_> = snapshot.signals.iter().collect();
    signals.sort_by_key(|signal| (&signal.unit, signal.last_at.is_some(), signal.signal));
    signals
}

#[derive(Serialize)]
struct HealthJson<'a> {
    status: &'static str,
    version: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    backlog: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    config: Option<ConfigJson<'a>>,
}

/// What anybody may know of the configuration; why it was refused stands in the log and on the pages.
#[derive(Serialize)]
struct ConfigJson<'a> {
    read_at: Option<Timestamp>,
    refused: bool,
    needs_restart: &'a [&'static str],
}

/// `GET /health/live`: the process answers.
pub(crate) async fn live(State(publisher): State<Publisher>) -> Response {
    health(HealthJson { status: "live", version: &publisher.site.version, backlog: None, config: None })
}

/// `GET /health/ready`: connected, storing, evaluating.
pub(crate) async fn ready(State(publisher): State<Publisher>) -> Response {
    let newest = publisher.newest();
    let lacks = lacks(&newest, &publisher.site, publisher.clock.now());
    if !lacks.is_empty() {
        return Problem::not_ready(lacks).into_response();
    }
    let state = &newest.config;
    let (refused, needs_restart) = (state.refused.is_some(), state.needs_restart.as_slice());
    let config = Some(ConfigJson { read_at: state.read_at, refused, needs_restart });
    let backlog = Some(newest.link.backlog);
    health(HealthJson { status: "ready", version: &publisher.site.version, backlog, config })
}

/// Health is of this moment: it is never kept.
fn health(answer: HealthJson<'_>) -> Response {
    ([(header::CACHE_CONTROL, "no-store")], Pretty(answer)).into_response()
}

/// A text from a request, short enough to be sent back.
pub(crate) fn shortened(text: &str) -> String {
    text.chars().take(64).collect()
}
