//! Every public byte: routes, pages and messages of an invented plant.

#[path = "desk.rs"]
mod desk;
#[path = "fleet.rs"]
mod fleet;

#[path = "advice.rs"]
mod advice;
#[path = "api.rs"]
mod api;
#[path = "board.rs"]
mod board;
#[path = "charts.rs"]
mod charts;
#[path = "conditional.rs"]
mod conditional;
#[path = "corrections.rs"]
mod corrections;
#[path = "display.rs"]
mod display;
#[path = "doubts.rs"]
mod doubts;
#[path = "entry.rs"]
mod entry;
#[path = "findings.rs"]
mod findings;
#[path = "headers.rs"]
mod headers;
#[path = "hold.rs"]
mod hold;
#[path = "hostile.rs"]
mod hostile;
#[path = "kept.rs"]
mod kept;
#[path = "life.rs"]
mod life;
#[path = "login.rs"]
mod login;
#[path = "messages.rs"]
mod messages;
#[path = "metrics.rs"]
mod metrics;
#[path = "named.rs"]
mod named;
#[path = "openapi.rs"]
mod openapi;
#[path = "pages.rs"]
mod pages;
#[path = "photos.rs"]
mod photos;
#[path = "pixels.rs"]
mod pixels;
#[path = "plans.rs"]
mod plans;
#[path = "readiness.rs"]
mod readiness;
#[path = "stop.rs"]
mod stop;
#[path = "style.rs"]
mod style;
#[path = "tables.rs"]
mod tables;
#[path = "text.rs"]
mod text;
#[path = "track.rs"]
mod track;
#[path = "validation.rs"]
mod validation;
#[path = "worksheet.rs"]
mod worksheet;

use axum::http::{HeaderMap, StatusCode};
use publisher::Snapshot;

use crate::desk::Desk;

/// An answer, read to its end.
struct Answer {
    status: StatusCode,
    headers: HeaderMap,
    body: String,
    /// Of the body as it came, bytes.
    length: usize,
}

impl Answer {
    fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.body).expect("JSON")
    }

    fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().expect("headers are ASCII"))
    }
}

async fn ask(snapshot: Snapshot, method: &str, uri: &str) -> Answer {
    asking(snapshot, method, uri, &[]).await
}

/// A request with headers.
async fn asking(snapshot: Snapshot, method: &str, uri: &str, headers: &[(&str, &str)]) -> Answer {
    Desk::empty(snapshot).await.ask(method, uri, headers, "").await
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
