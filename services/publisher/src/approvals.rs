//! Approving and retiring models: who does it, and why, is kept.

use axum::Extension;
use axum::body::Bytes;
use axum::extract::rejection::{BytesRejection, PathRejection};
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use serde::Serialize;

use crate::Publisher;
use crate::api::Pretty;
use crate::caller::Caller;
use crate::corrections::{unknown_members, why};
use crate::finding_body::json;
use crate::findings::{number, whole};
use crate::problem::Problem;

/// How a model stands after a decision.
#[derive(Serialize)]
struct DecisionJson {
    version: i64,
    status: &'static str,
    decided_at: Option<Timestamp>,
    decided_by: Option<String>,
    why: Option<String>,
}

/// `POST /api/v1/models/{version}/approval`: `{"why": "..."}`; scores come from it from the next evaluation on.
pub(crate) async fn approve(
    State(publisher): State<Publisher>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    version: Result<Path<String>, PathRejection>,
    body: Result<Bytes, BytesRejection>,
) -> Result<Response, Problem> {
    let version = number(version, "model")?;
    let why = reason(&headers, body)?;
    publisher.ledger.approve(version, &why, &caller.by(publisher.clock.now())).await?;
    decided(&publisher, version).await
}

/// `POST /api/v1/models/{version}/retirement`: `{"why": "..."}`.
pub(crate) async fn retire(
    State(publisher): State<Publisher>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    version: Result<Path<String>, PathRejection>,
    body: Result<Bytes, BytesRejection>,
) -> Result<Response, Problem> {
    let version = number(version, "model")?;
    let why = reason(&headers, body)?;
    publisher.ledger.retire(version, &why, &caller.by(publisher.clock.now())).await?;
    decided(&publisher, version).await
}

fn reason(headers: &HeaderMap, body: Result<Bytes, BytesRejection>) -> Result<String, Problem> {
    let body = json(headers, &whole(body)?)?;
    let mut wrong = unknown_members(&body, &["why"]);
    match why(body["why"].as_str().unwrap_or_default()) {
        Ok(why) if wrong.is_empty() => Ok(why),
        why => {
            wrong.extend(why.err());
            Err(Problem::in_body("bad_decision", wrong))
        }
    }
}

async fn decided(publisher: &Publisher, version: i64) -> Result<Response, Problem> {
    publisher.written.notify_one();
    let model = publisher.ledger.models().await?.into_iter().find(|model| model.version == version);
    let model = model.ok_or_else(|| crate::findings::no_such("model", &version.to_string()))?;
    let (decided_at, decided_by, why) = (model.decided_at, model.decided_by, model.why);
    Ok(Pretty(DecisionJson { version, status: model.status.as_str(), decided_at, decided_by, why }).into_response())
}
