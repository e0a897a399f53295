//! Who changed what, when: as JSON and as a page.

use askama::Template;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use ledger::{AuditFilter, AuditRow};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::Publisher;
use crate::Voice;
use crate::api::Pretty;
use crate::pages::{Frame, rendered, unframed};
use crate::problem::Problem;
use crate::shown::Shown;

/// Rows that are told if the request says no limit, and at most.
const USUAL: u32 = 200;
const MOST: u32 = 5000;
/// The largest whole number that JSON carries exactly everywhere: 2^53 - 1 (RFC 8259, 6).
const LARGEST_ID: i64 = 9_007_199_254_740_991;

/// Filters of the audit trail.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct AuditQuery {
    who: Option<String>,
    action: Option<String>,
    subject: Option<String>,
    /// Only rows older than this one: for the next page.
    before: Option<i64>,
    limit: Option<u32>,
}

#[derive(Serialize)]
struct AuditJson<'a> {
    rows: Vec<RowJson<'a>>,
}

#[derive(Serialize)]
struct RowJson<'a> {
    id: i64,
    at: Timestamp,
    who: &'a str,
    action: &'a str,
    subject: &'a str,
    detail: &'a Value,
}

/// `GET /api/v1/audit`, the newest first.
pub(crate) async fn trail(
    State(publisher): State<Publisher>,
    query: Result<Query<AuditQuery>, QueryRejection>,
) -> Result<Response, Problem> {
    let rows = asked(&publisher, &read(query)?).await?;
    let told = rows.iter().map(|row| RowJson {
        id: row.id,
        at: row.at,
        who: &row.who,
        action: &row.action,
        subject: &row.subject,
        detail: &row.detail,
    });
    Ok((private(), Pretty(AuditJson { rows: told.collect() })).into_response())
}

#[derive(Template)]
#[template(path = "audit.html")]
struct AuditPage {
    voice: Voice,
    frame: Frame,
    rows: Vec<Line>,
    who: String,
    action: String,
    subject: String,
    /// Where older rows are, if there may be some.
    older: Option<String>,
}

#[derive(Debug)]
struct Line {
    at: String,
    at_utc: Timestamp,
    who: String,
    action: String,
    subject: String,
    detail: String,
}

/// `GET /audit`
pub(crate) async fn page(Shown(publisher): Shown, query: Result<Query<AuditQuery>, QueryRejection>) -> Response {
    match trail_page(&publisher, query).await {
        Ok(page) => (private(), unframed(rendered(StatusCode::OK, &page))).into_response(),
        Err(problem) => crate::pages::refused(problem),
    }
}

async fn trail_page(
    publisher: &Publisher,
    query: Result<Query<AuditQuery>, QueryRejection>,
) -> Result<AuditPage, Problem> {
    let query = read(query)?;
    let rows = asked(publisher, &query).await?;
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    let (who, action, subject) = (text(&query.who), text(&query.action), text(&query.subject));
    let full = rows.len() as u32 >= limit(&query);
    let older = rows.last().filter(|_| full).map(|row| {
        let mut link = form_urlencoded::Serializer::new(String::from("/audit?"));
        link.append_pair("before", &row.id.to_string());
        for (name, value) in [("who", &who), ("action", &action), ("subject", &subject)] {
            if !value.is_empty() {
                link.append_pair(name, value);
            }
        }
        link.finish()
    });
    let line = |row: AuditRow| Line {
        at: publisher.site.minute(row.at),
        at_utc: row.at,
        who: row.who,
        action: row.action,
        subject: row.subject,
        detail: row.detail.to_string(),
    };
    let frame = Frame::of(publisher, &publisher.newest());
    let voice = publisher.site.voice.clone();
    Ok(AuditPage { voice, frame, rows: rows.into_iter().map(line).collect(), who, action, subject, older })
}

fn read(query: Result<Query<AuditQuery>, QueryRejection>) -> Result<AuditQuery, Problem> {
    let bad = |detail: String| Problem::new(StatusCode::BAD_REQUEST, "bad_query", detail);
    let Query(query) = query.map_err(|error| {
        bad(format!("{}; right would be some of who, action, subject, before and limit", error.body_text()))
    })?;
    if let Some(limit) = query.limit.filter(|limit| !(1..=MOST).contains(limit)) {
        return Err(bad(format!("limit {limit} is out of range; right would be 1 to {MOST}")));
    }
    if let Some(before) = query.before.filter(|before| !(1..=LARGEST_ID).contains(before)) {
        return Err(bad(format!(
            "before {before} is out of range; right would be the id of a row, from 1 to {LARGEST_ID}"
        )));
    }
    Ok(query)
}

fn limit(query: &AuditQuery) -> u32 {
    query.limit.unwrap_or(USUAL)
}

async fn asked(publisher: &Publisher, query: &AuditQuery) -> Result<Vec<AuditRow>, Problem> {
    // A form sends a filter that nobody filled in as an empty text.
    let given = |text: &Option<String>| text.clone().filter(|text| !text.is_empty());
    let filter = AuditFilter {
        who: given(&query.who),
        action: given(&query.action),
        subject: given(&query.subject),
        before: query.before,
    };
    Ok(publisher.ledger.audit(&filter, limit(query)).await?)
}

/// What one person may see is not for a cache that others share.
fn private() -> [(header::HeaderName, HeaderValue); 1] {
    [(header::CACHE_CONTROL, HeaderValue::from_static("private, no-cache"))]
}
