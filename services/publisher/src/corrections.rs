//! Corrections and withdrawals: nothing is overwritten, and nobody corrects what they have not seen.

use axum::Extension;
use axum::body::Bytes;
use axum::extract::rejection::{BytesRejection, PathRejection};
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::Response;
use serde_json::Value;

use crate::Publisher;
use crate::caller::Caller;
use crate::finding_body::{Held, json};
use crate::finding_json::tag;
use crate::findings::{stored, told, tubes, whole};
use crate::problem::{Problem, Wrong};

/// Longest reason, in characters (house limit).
const LONGEST_WHY: usize = 500;

/// `POST /api/v1/findings/{id}/correction`: `{"finding": {...}, "why": "..."}` with `If-Match`.
pub(crate) async fn correct(
    State(publisher): State<Publisher>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    id: Result<Path<String>, PathRejection>,
    body: Result<Bytes, BytesRejection>,
) -> Result<Response, Problem> {
    let found = stored(&publisher, id).await?;
    let version = seen_version(&headers, found.version)?;
    let body = json(&headers, &whole(body)?)?;
    let mut wrong = unknown_members(&body, &["finding", "why"]);
    let now = publisher.clock.now();
    let tubes = tubes(&publisher).await?;
    let held = Held { site: &publisher.site, tubes: &tubes, now };
    let finding = held.one(&body["finding"], "#/finding");
    let why = why(body["why"].as_str().unwrap_or_default());
    if let Err(problem) = &finding {
        wrong.extend_from_slice(problem.errors());
    }
    match (finding, why) {
        (Ok(finding), Ok(why)) if wrong.is_empty() => {
            publisher.ledger.correct_finding(found.id, version, finding, &why, &caller.by(now)).await?;
        }
        (_, why) => {
            wrong.extend(why.err());
            return Err(Problem::in_body("bad_finding", wrong));
        }
    }
    changed(&publisher, found.id).await
}

/// `POST /api/v1/findings/{id}/withdrawal`: `{"why": "..."}` with `If-Match`.
pub(crate) async fn withdraw(
    State(publisher): State<Publisher>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    id: Result<Path<String>, PathRejection>,
    body: Result<Bytes, BytesRejection>,
) -> Result<Response, Problem> {
    let found = stored(&publisher, id).await?;
    let version = seen_version(&headers, found.version)?;
    let body = json(&headers, &whole(body)?)?;
    let mut wrong = unknown_members(&body, &["why"]);
    match why(body["why"].as_str().unwrap_or_default()) {
        Ok(why) if wrong.is_empty() => {
            publisher.ledger.withdraw_finding(found.id, version, &why, &caller.by(publisher.clock.now())).await?;
        }
        why => {
            wrong.extend(why.err());
            return Err(Problem::in_body("bad_withdrawal", wrong));
        }
    }
    changed(&publisher, found.id).await
}

/// The finding as it stands after a change.
async fn changed(publisher: &Publisher, id: i64) -> Result<Response, Problem> {
    publisher.written.notify_one();
    let stored =
        publisher.ledger.finding(id).await?.ok_or_else(|| crate::findings::no_such("finding", &id.to_string()))?;
    Ok(told(StatusCode::OK, &stored))
}

/// The reason of a change.
///
/// # Errors
/// What is wrong with it.
pub(crate) fn why(text: &str) -> Result<String, Wrong> {
    let wrong = |detail: String| Wrong { pointer: "#/why".to_owned(), detail };
    let text = text.trim();
    let length = text.chars().count();
    if length == 0 {
        return Err(wrong(
            "no reason is given; right would be a sentence such as \"typed mil for micrometre\"".to_owned(),
        ));
    }
    if length > LONGEST_WHY {
        return Err(wrong(format!("this reason has {length} characters; right would be {LONGEST_WHY} at most")));
    }
    if text.chars().any(|letter| letter.is_control() && letter != '\n') {
        return Err(wrong("this reason has a control character; right would be plain text".to_owned()));
    }
    Ok(text.to_owned())
}

/// Members of a body that a request does not have.
pub(crate) fn unknown_members(body: &Value, known: &[&str]) -> Vec<Wrong> {
    let Some(members) = body.as_object() else {
        let detail = format!("this is no object; right would be one with {}", known.join(" and "));
        return vec![Wrong { pointer: "#".to_owned(), detail }];
    };
    let unknown = members.keys().filter(|name| !known.contains(&name.as_str()));
    unknown
        .map(|name| crate::finding_body::unknown("#", name, &format!("right would be {}", known.join(", "))))
        .collect()
}

/// The version that the request has seen, by its `If-Match` (RFC 9110, 13.1.1; RFC 6585, 3).
///
/// # Errors
/// A problem if it says none, or another than the present one.
fn seen_version(headers: &HeaderMap, present: i64) -> Result<i64, Problem> {
    let mut seen = headers.get_all(header::IF_MATCH).iter().peekable();
    if seen.peek().is_none() {
        let detail = format!(
            "a change must say which version it has seen; right would be If-Match with the ETag of the finding, now {}",
            tag(present)
        );
        return Err(Problem::new(StatusCode::PRECONDITION_REQUIRED, "no_if_match", detail));
    }
    // A weak tag never matches: the comparison is strong.
    let names = |text: &str| text.split(',').map(str::trim).any(|named| named == "*" || named == tag(present));
    if seen.any(|value| value.to_str().is_ok_and(names)) { Ok(present) } else { Err(changed_since(present)) }
}

/// Somebody was faster.
pub(crate) fn changed_since(present: i64) -> Problem {
    let detail =
        format!("the finding has changed since: it is at version {present} now; look at it again, then decide",);
    Problem::new(StatusCode::PRECONDITION_FAILED, "changed_meanwhile", detail)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(value: Option<&'static str>) -> Result<i64, u16> {
        let headers = value.map(|value| (header::IF_MATCH, value.parse().unwrap())).into_iter().collect();
        seen_version(&headers, 3).map_err(|problem| problem.status().as_u16())
    }

    #[test]
    fn the_comparison_is_strong() {
        // RFC 9110, 13.1.1 and 8.8.3.2: If-Match compares strongly; a list may name several; a star any.
        assert_eq!(seen(Some("\"3\"")), Ok(3));
        assert_eq!(seen(Some("\"2\", \"3\"")), Ok(3));
        assert_eq!(seen(Some("*")), Ok(3));
        assert_eq!(seen(Some("W/\"3\"")), Err(412));
        assert_eq!(seen(Some("\"2\"")), Err(412));
        assert_eq!(seen(Some("3")), Err(412));
        assert_eq!(seen(None), Err(428));
    }

    #[test]
    fn a_reason_is_a_sentence() {
        assert_eq!(why(" misread \n").unwrap(), "misread");
        assert!(why(" \n").is_err() && why("a\u{0}b").is_err() && why(&"x".repeat(501)).is_err());
    }
}
