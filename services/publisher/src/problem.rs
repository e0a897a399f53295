//! Errors of the API as RFC 9457 problem details.

use axum::Json;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use crate::Lack;

/// A problem as `application/problem+json`.
///
/// The type is `about:blank`, so the title is the status phrase (RFC 9457, 4.2.1); programs tell problems apart by `code`.
#[derive(Debug, Serialize)]
pub(crate) struct Problem {
    r#type: &'static str,
    title: &'static str,
    status: u16,
    /// A stable word.
    code: &'static str,
    /// What is wrong with this request and what would be right.
    detail: String,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    reasons: Vec<Lack>,
}

impl Problem {
    pub(crate) fn new(status: StatusCode, code: &'static str, detail: String) -> Self {
        let title = status.canonical_reason().unwrap_or("Error");
        Problem { r#type: "about:blank", title, status: status.as_u16(), code, detail, reasons: Vec::new() }
    }

    /// A service that does not do its work at present.
    pub(crate) fn not_ready(reasons: Vec<Lack>) -> Self {
        let detail = reasons.iter().map(|lack| lack.detail.as_str()).collect::<Vec<_>>().join("; ");
        Problem { reasons, ..Problem::new(StatusCode::SERVICE_UNAVAILABLE, "not_ready", detail) }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        (status, [(header::CONTENT_TYPE, "application/problem+json")], Json(self)).into_response()
    }
}
