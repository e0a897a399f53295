//! `GET /api/openapi.json`: every route, described in OpenAPI 3.1.

use axum::http::header;
use axum::response::{IntoResponse, Response};

/// The document, kept by hand; tests hold it against the routes and against what they answer.
pub(crate) const DOCUMENT: &str = include_str!("../../../dashboards/api/openapi.json");

/// `GET /api/openapi.json`
pub(crate) async fn document() -> Response {
    ([(header::CONTENT_TYPE, "application/json")], DOCUMENT).into_response()
}
