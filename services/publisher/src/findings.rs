//! Findings over HTTP: listed, read, added.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use axum::Extension;
use axum::body::Bytes;
use axum::extract::rejection::{BytesRejection, PathRejection, QueryRejection};
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use ledger::StoredFinding;
use plant::{Finding, Tube, TubeId};
use serde::{Deserialize, Serialize};

use crate::accept::wants_csv;
use crate::api::{Pretty, by_accept, shortened};
use crate::caller::Caller;
use crate::door::{LARGEST_BODY, too_large};
use crate::finding_body::{Held, json};
use crate::finding_json::{FindingLineJson, FindingRecordJson, last_change, last_said, tag};
use crate::problem::Problem;
use crate::{Publisher, csv_tables};

/// Longest idempotency key, in characters.
const LONGEST_KEY: usize = 128;

/// Filters of the list of findings.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FindingsQuery {
    tube: Option<String>,
    /// Entered, corrected or withdrawn then or later.
    since: Option<String>,
}

#[derive(Serialize)]
struct FindingsJson<'a> {
    at: Timestamp,
    findings: Vec<FindingLineJson<'a>>,
}

type Asked = Result<Query<FindingsQuery>, QueryRejection>;

/// `GET /api/v1/findings`, the newest look first; as CSV for who asks for it.
pub(crate) async fn list(
    State(publisher): State<Publisher>,
    headers: HeaderMap,
    query: Asked,
) -> Result<Response, Problem> {
    let findings = wanted(&publisher, query).await?;
    if wants_csv(&headers) {
        return Ok(by_accept(csv_tables::findings(&findings)));
    }
    let at = publisher.newest().at;
    let answer = Pretty(FindingsJson { at, findings: findings.iter().map(FindingLineJson::of).collect() });
    Ok(by_accept(answer.into_response()))
}

/// `GET /api/v1/findings.csv`
pub(crate) async fn list_csv(State(publisher): State<Publisher>, query: Asked) -> Result<Response, Problem> {
    Ok(csv_tables::findings(&wanted(&publisher, query).await?))
}

async fn wanted(publisher: &Publisher, query: Asked) -> Result<Vec<StoredFinding>, Problem> {
    let bad = |detail: String| Problem::new(StatusCode::BAD_REQUEST, "bad_query", detail);
    let Query(query) = query
        .map_err(|error| bad(format!("{}; right would be ?tube=TUBE, ?since=TIME, both or none", error.body_text())))?;
    let since = query.since.as_deref().map(|since| plant::read_time(since, &publisher.site.zone)).transpose();
    let since = since.map_err(|error| bad(format!("since: {error}")))?.map(|since| since.at);
    let tube = match query.tube {
        None => None,
        Some(tube) => Some(known_tube(&tubes(publisher).await?, &tube)?),
    };
    let mut findings = publisher.ledger.findings(tube.as_ref()).await?;
    findings.retain(|finding| since.is_none_or(|since| last_change(finding).unwrap_or(finding.entered_at) >= since));
    findings.sort_by_key(|stored| Reverse((last_said(stored).map(|finding| finding.at), stored.id)));
    Ok(findings)
}

/// The tubes of the register.
pub(crate) async fn tubes(publisher: &Publisher) -> Result<BTreeMap<TubeId, Tube>, Problem> {
    Ok(publisher.ledger.tubes().await?)
}

/// The tube of that name.
pub(crate) fn known_tube(tubes: &BTreeMap<TubeId, Tube>, tube: &str) -> Result<TubeId, Problem> {
    let known = tubes.keys().find(|known| known.as_str() == tube).cloned();
    known.ok_or_else(|| {
        let detail = format!("no tube {:?} in the register; GET /api/v1/tubes lists them", shortened(tube));
        Problem::new(StatusCode::NOT_FOUND, "unknown_tube", detail)
    })
}

/// `GET /api/v1/findings/{id}`, with all that was said before.
pub(crate) async fn one(
    State(publisher): State<Publisher>,
    id: Result<Path<String>, PathRejection>,
) -> Result<Response, Problem> {
    let stored = stored(&publisher, id).await?;
    Ok(told(StatusCode::OK, &stored))
}

/// A finding with its history and the tag of its version.
pub(crate) fn told(status: StatusCode, stored: &StoredFinding) -> Response {
    let tag = HeaderValue::from_str(&tag(stored.version)).expect("a quoted number is ASCII");
    (status, [(header::ETAG, tag)], Pretty(FindingRecordJson::of(stored))).into_response()
}

/// The finding that a path names.
pub(crate) async fn stored(
    publisher: &Publisher,
    id: Result<Path<String>, PathRejection>,
) -> Result<StoredFinding, Problem> {
    let id = number(id, "finding")?;
    publisher.ledger.finding(id).await?.ok_or_else(|| no_such("finding", &id.to_string()))
}

/// The number in a path.
pub(crate) fn number(id: Result<Path<String>, PathRejection>, what: &str) -> Result<i64, Problem> {
    let Path(id) = id.map_err(|error| Problem::new(StatusCode::BAD_REQUEST, "bad_path", error.body_text()))?;
    id.parse().map_err(|_| no_such(what, &id))
}

/// There is no such thing.
pub(crate) fn no_such(what: &str, id: &str) -> Problem {
    let detail = format!("there is no {what} {:?}; right would be the number of one, such as 17", shortened(id));
    let code = match what {
        "photo" => "unknown_photo",
        "model" => "unknown_model",
        "look set aside" => "unknown_aside",
        _ => "unknown_finding",
    };
    Problem::new(StatusCode::NOT_FOUND, code, detail)
}

#[derive(Serialize)]
struct AddedJson {
    /// The same request came before, and this is the answer that it got.
    repeated: bool,
    findings: Vec<AddedOneJson>,
}

#[derive(Serialize)]
struct AddedOneJson {
    id: i64,
    version: i64,
    etag: String,
    url: String,
}

/// `POST /api/v1/findings`: one finding, or `{"findings": [...]}`, all or none.
pub(crate) async fn add(
    State(publisher): State<Publisher>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    body: Result<Bytes, BytesRejection>,
) -> Result<Response, Problem> {
    let key = request_key(&headers)?;
    let body = whole(body)?;
    let now = publisher.clock.now();
    let tubes = tubes(&publisher).await?;
    let held = Held { site: &publisher.site, tubes: &tubes, now };
    let findings = held.all(&json(&headers, &body)?)?;
    let (status, added) = added(&publisher, &caller, &findings, key.as_deref(), now).await?;
    Ok((status, added).into_response())
}

async fn added(
    publisher: &Publisher,
    caller: &Caller,
    findings: &[Finding],
    key: Option<&str>,
    now: Timestamp,
) -> Result<(StatusCode, Pretty<AddedJson>), Problem> {
    let added = publisher.ledger.add_findings(findings, key, &caller.by(now)).await?;
    let mut told = Vec::new();
    for id in &added.ids {
        // A finding that was there already may have been corrected since.
        let version = publisher.ledger.finding(*id).await?.map_or(1, |stored| stored.version);
        told.push(AddedOneJson { id: *id, version, etag: tag(version), url: format!("/api/v1/findings/{id}") });
    }
    if !added.repeated {
        publisher.written.notify_one();
    }
    let status = if added.repeated { StatusCode::OK } else { StatusCode::CREATED };
    Ok((status, Pretty(AddedJson { repeated: added.repeated, findings: told })))
}

/// The body, if it came whole and is not too large.
pub(crate) fn whole(body: Result<Bytes, BytesRejection>) -> Result<Bytes, Problem> {
    body.map_err(|error| match error.status() {
        StatusCode::PAYLOAD_TOO_LARGE => too_large(LARGEST_BODY),
        status => Problem::new(status, "broken_body", error.body_text()),
    })
}

/// The key by which a repeated request is known: a string of RFC 8941 (in quotes), as the IETF draft "The Idempotency-Key
/// HTTP Header Field" has it, or the bare text.
fn request_key(headers: &HeaderMap) -> Result<Option<String>, Problem> {
    let Some(value) = headers.get("idempotency-key") else { return Ok(None) };
    let text = value.to_str().unwrap_or_default().trim();
    let key = text.strip_prefix('"').and_then(|text| text.strip_suffix('"')).unwrap_or(text);
    let plain = key.bytes().all(|byte| byte.is_ascii_graphic() && !matches!(byte, b'"' | b'\\'));
    if key.is_empty() || key.len() > LONGEST_KEY || !plain {
        let detail = format!(
            "this Idempotency-Key cannot be taken; right would be 1 to {LONGEST_KEY} visible ASCII characters, such as a UUID"
        );
        return Err(Problem::new(StatusCode::BAD_REQUEST, "bad_idempotency_key", detail));
    }
    Ok(Some(key.to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_may_stand_in_quotes() {
        // The draft's own example (draft-ietf-httpapi-idempotency-key-header, from memory).
        for text in ["\"8e03978e-40d5-43dd-bc93-6894a57f9324\"", "8e03978e-40d5-43dd-bc93-6894a57f9324"] {
            let headers = [("idempotency-key".parse().unwrap(), text.parse().unwrap())].into_iter().collect();
            assert_eq!(request_key(&headers).unwrap().unwrap(), "8e03978e-40d5-43dd-bc93-6894a57f9324");
        }
        for text in ["", "\"\"", "a b", "\"a\"b\"", &"x".repeat(129)] {
            let headers = [("idempotency-key".parse().unwrap(), text.parse().unwrap())].into_iter().collect();
            assert!(request_key(&headers).is_err(), "{text:?}");
        }
    }
}
