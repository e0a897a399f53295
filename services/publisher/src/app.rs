//! The routes, and what goes with every answer.

use std::sync::Arc;

use axum::Router;
use axum::extract::Request;
use axum::http::{HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::{Next, from_fn};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use plant::Clock;
use tokio::sync::watch;

use crate::problem::Problem;
use crate::{Site, Snapshot, api, board, pages, signals_page, tube_page};

/// What the routes answer from.
#[derive(Clone)]
pub struct Publisher {
    /// The plant and its settings.
    pub site: Arc<Site>,
    /// The newest snapshot; the caller sends a new one after each evaluation.
    pub snapshots: watch::Receiver<Arc<Snapshot>>,
    /// The clock against which ages and lateness are held.
    pub clock: Arc<dyn Clock>,
}

impl Publisher {
    pub(crate) fn newest(&self) -> Arc<Snapshot> {
        Arc::clone(&self.snapshots.borrow())
    }
}

/// All routes.
pub fn app(publisher: Publisher) -> Router {
    Router::new()
        .route("/", get(board::page))
        .route("/tubes/{tube}", get(tube_page::page))
        .route("/signals", get(signals_page::page))
        .route("/style.css", get(pages::style))
        .route("/icon.svg", get(pages::icon))
        .route("/api/v1/risks", get(api::risks))
        .route("/api/v1/tubes", get(api::tubes))
        .route("/api/v1/tubes/{tube}", get(api::tube))
        .route("/api/v1/signals", get(api::signals))
        .route("/health/live", get(api::live))
        .route("/health/ready", get(api::ready))
        .fallback(no_route)
        .method_not_allowed_fallback(wrong_method)
        .layer(from_fn(guard))
        .with_state(publisher)
}

async fn no_route(uri: Uri) -> Response {
    let detail = format!("nothing is at {:?}", api::shortened(uri.path()));
    refusal(&uri, StatusCode::NOT_FOUND, "no_such_route", detail)
}

async fn wrong_method(method: Method, uri: Uri) -> Response {
    let detail = format!("{method} is not taken here; right would be GET");
    refusal(&uri, StatusCode::METHOD_NOT_ALLOWED, "method_not_allowed", detail)
}

/// Programs get a problem, people a page.
fn refusal(uri: &Uri, status: StatusCode, code: &'static str, detail: String) -> Response {
    if uri.path().starts_with("/api/") || uri.path().starts_with("/health/") {
        Problem::new(status, code, detail).into_response()
    } else {
        pages::refused(status, &detail)
    }
}

/// No script, nothing from elsewhere, no style in the markup; framed only by the same origin.
const POLICY: &str =
    "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'self'";

/// Puts the headers on every answer that keep a browser from doing more than showing it.
async fn guard(request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}
