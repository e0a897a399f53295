//! Looks set aside: the list, and the two writes. Analysts alone may say that a look does not count.

use axum::Extension;
use axum::body::Bytes;
use axum::extract::rejection::{BytesRejection, PathRejection};
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use plant::{Aside, TubeId};
use serde::Serialize;

use crate::Publisher;
use crate::api::Pretty;
use crate::caller::Caller;
use crate::corrections::{unknown_members, why};
use crate::finding_body::json;
use crate::findings::whole;
use crate::problem::{Problem, Wrong};

#[derive(Serialize)]
struct AsidesJson {
    looks: Vec<Aside>,
}

/// `GET /api/v1/looks-aside`, those that count again included.
pub(crate) async fn list(State(publisher): State<Publisher>) -> Result<Response, Problem> {
    Ok(Pretty(AsidesJson { looks: publisher.ledger.asides().await? }).into_response())
}

/// `POST /api/v1/looks-aside`: `{"tube": "...", "look": TIME, "why": "..."}`.
pub(crate) async fn set(
    State(publisher): State<Publisher>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    body: Result<Bytes, BytesRejection>,
) -> Result<Response, Problem> {
    let body = json(&headers, &whole(body)?)?;
    let mut wrong = unknown_members(&body, &["tube", "look", "why"]);
    let text = |name: &str| body[name].as_str().unwrap_or_default().trim().to_owned();
    let tube = TubeId::new(&text("tube")).map_err(|error| told("tube", error.to_string()));
    let right = "this is no time of a look; right would be that of one of its findings, as the record gives it";
    let look = text("look").parse().map_err(|_| told("look", right.to_owned()));
    match (tube, look, why(&text("why"))) {
        (Ok(tube), Ok(look), Ok(why)) if wrong.is_empty() => {
            let id = publisher.ledger.set_look_aside(&tube, look, &why, &caller.by(publisher.clock.now())).await?;
            stands(&publisher, id, StatusCode::CREATED).await
        }
        (tube, look, why) => {
            wrong.extend(tube.err().into_iter().chain(look.err()).chain(why.err()));
            Err(Problem::in_body("bad_aside", wrong))
        }
    }
}

/// `POST /api/v1/looks-aside/{id}/return`: `{"why": "..."}`; the look counts again.
pub(crate) async fn lift(
    State(publisher): State<Publisher>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    id: Result<Path<String>, PathRejection>,
    body: Result<Bytes, BytesRejection>,
) -> Result<Response, Problem> {
    let body = json(&headers, &whole(body)?)?;
    let mut wrong = unknown_members(&body, &["why"]);
    let number = crate::findings::number(id, "look set aside")?;
    match why(body["why"].as_str().unwrap_or_default()) {
        Ok(why) if wrong.is_empty() => {
            publisher.ledger.lift_aside(number, &why, &caller.by(publisher.clock.now())).await?;
            stands(&publisher, number, StatusCode::OK).await
        }
        why => {
            wrong.extend(why.err());
            Err(Problem::in_body("bad_return", wrong))
        }
    }
}

fn told(member: &str, detail: String) -> Wrong {
    Wrong { pointer: format!("#/{member}"), detail }
}

/// How it stands after a write.
async fn stands(publisher: &Publisher, id: i64, status: StatusCode) -> Result<Response, Problem> {
    publisher.written.notify_one();
    let aside = publisher.ledger.asides().await?.into_iter().find(|aside| aside.id == id);
    let aside = aside.ok_or_else(|| crate::findings::no_such("look set aside", &id.to_string()))?;
    Ok((status, Pretty(aside)).into_response())
}
