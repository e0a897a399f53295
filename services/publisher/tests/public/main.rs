//! Every public byte: routes, pages and messages of an invented plant.

#[path = "fleet.rs"]
mod fleet;

#[path = "api.rs"]
mod api;
#[path = "board.rs"]
mod board;
#[path = "charts.rs"]
mod charts;
#[path = "conditional.rs"]
mod conditional;
#[path = "entry.rs"]
mod entry;
#[path = "headers.rs"]
mod headers;
#[path = "hold.rs"]
mod hold;
#[path = "hostile.rs"]
mod hostile;
#[path = "life.rs"]
mod life;
#[path = "messages.rs"]
mod messages;
#[path = "metrics.rs"]
mod metrics;
#[path = "openapi.rs"]
mod openapi;
#[path = "pages.rs"]
mod pages;
#[path = "plans.rs"]
mod plans;
#[path = "readiness.rs"]
mod readiness;
#[path = "style.rs"]
mod style;
#[path = "tables.rs"]
mod tables;
#[path = "validation.rs"]
mod validation;

use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Request, StatusCode};
use publisher::{Snapshot, app};
use tower::ServiceExt;

/// An answer, read to its end.
struct Answer {
    status: StatusCode,
    headers: HeaderMap,
    body: String,
}

impl Answer {
    fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().expect("headers are ASCII"))
    }
}

async fn ask(snapshot: Snapshot, method: &str, uri: &str) -> Answer {
    asking(snapshot, method, uri, &[]).await
}

/// A request with headers.
async fn asking(snapshot: Snapshot, method: &str, uri: &str, headers: &[(&str, &str)]) -> Answer {
    let mut request = Request::builder().method(method).uri(uri);
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    let request = request.body(Body::empty()).expect("a request");
    let response = app(fleet::publisher(snapshot)).oneshot(request).await.expect("the router cannot fail");
    let (parts, body) = response.into_parts();
    let body = to_bytes(body, usize::MAX).await.expect("a body in memory");
    let body = String::from_utf8(body.to_vec()).expect("UTF-8");
    Answer { status: parts.status, headers: parts.headers, body }
}

/// `GET` on the invented plant.
async fn get(uri: &str) -> Answer {
    ask(fleet::snapshot(), "GET", uri).await
}

/// The body of `GET` on the invented plant, which must succeed.
async fn body(uri: &str) -> String {
    let answer = get(uri).await;
    assert_eq!(answer.status, StatusCode::OK, "{uri}: {}", answer.body);
    answer.body
}
