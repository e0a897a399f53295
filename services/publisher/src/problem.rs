//! Errors of the API as RFC 9457 problem details.

use std::time::Duration;

use axum::Json;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use crate::Lack;
use crate::refusal::Refused;
use ledger::LedgerError;

/// A problem as `application/problem+json`.
///
/// The type is `about:blank`, so the title is the status phrase (RFC 9457, 4.2.1); programs tell problems apart by `code`.
#[derive(Debug)]
pub(crate) struct Problem {
    status: StatusCode,
    /// A stable word.
    code: &'static str,
    /// What is wrong with this request and what would be right.
    detail: String,
    reasons: Vec<Lack>,
    /// What is wrong where in the body.
    errors: Vec<Wrong>,
    retry_after: Option<Duration>,
}

/// The members of a problem as they are sent.
#[derive(Serialize)]
struct Members<'a> {
    r#type: &'static str,
    title: &'static str,
    status: u16,
    code: &'static str,
    detail: &'a str,
    #[serde(skip_serializing_if = "<[Lack]>::is_empty")]
    reasons: &'a [Lack],
    #[serde(skip_serializing_if = "<[Wrong]>::is_empty")]
    errors: &'a [Wrong],
}

/// One thing that is wrong in a body (RFC 9457, 3, shows such a list).
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub(crate) struct Wrong {
    /// Where: a JSON Pointer as URI fragment (RFC 6901, section 6), such as `#/findings/0/grade`.
    pub pointer: String,
    /// What is wrong and what would be right.
    pub detail: String,
}

impl Problem {
    pub(crate) fn new(status: StatusCode, code: &'static str, detail: String) -> Self {
        Problem { status, code, detail, reasons: Vec::new(), errors: Vec::new(), retry_after: None }
    }

    /// A body in which something is wrong.
    pub(crate) fn in_body(code: &'static str, errors: Vec<Wrong>) -> Self {
        let many = if errors.len() == 1 { "1 thing".to_owned() } else { format!("{} things", errors.len()) };
        let told: Vec<_> = errors.iter().take(5).map(|wrong| format!("{}: {}", wrong.pointer, wrong.detail)).collect();
        let detail = format!("{many} cannot be taken, so nothing was: {}", told.join("; "));
        Problem { errors, ..Problem::new(StatusCode::UNPROCESSABLE_ENTITY, code, detail) }
    }

    /// The same, with the time after which to ask again (RFC 9110, 10.2.3).
    pub(crate) fn after(self, wait: Duration) -> Self {
        Problem { retry_after: Some(wait), ..self }
    }

    pub(crate) fn status(&self) -> StatusCode {
        self.status
    }

    pub(crate) fn code(&self) -> &'static str {
        self.code
    }

    pub(crate) fn detail(&self) -> &str {
        &self.detail
    }

    pub(crate) fn errors(&self) -> &[Wrong] {
        &self.errors
    }

    /// What goes with the status, in whatever form the problem is told.
    pub(crate) fn mark(&self, answer: &mut Response) {
        answer.extensions_mut().insert(Refused(self.code));
        let headers = answer.headers_mut();
        if let Some(wait) = self.retry_after {
            let seconds = wait.as_secs() + u64::from(wait.subsec_nanos() > 0);
            headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds.max(1)));
        }
        if self.status == StatusCode::UNAUTHORIZED {
            // RFC 6750, 3 and 3.1: the challenge, with the error only if a token was sent.
            let error = if self.code == "bad_token" { ", error=\"invalid_token\"" } else { "" };
            let challenge = format!("Bearer realm=\"groovecast\"{error}");
            let challenge = HeaderValue::from_str(&challenge).expect("these words are visible ASCII");
            headers.insert(header::WWW_AUTHENTICATE, challenge);
        }
    }

    /// A service that does not do its work at present.
    pub(crate) fn not_ready(reasons: Vec<Lack>) -> Self {
        let detail = reasons.iter().map(|lack| lack.detail.as_str()).collect::<Vec<_>>().join("; ");
        Problem { reasons, ..Problem::new(StatusCode::SERVICE_UNAVAILABLE, "not_ready", detail) }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let members = Members {
            r#type: "about:blank",
            title: self.status.canonical_reason().unwrap_or("Error"),
            status: self.status.as_u16(),
            code: self.code,
            detail: &self.detail,
            reasons: &self.reasons,
            errors: &self.errors,
        };
        let headers = [(header::CONTENT_TYPE, "application/problem+json")];
        let mut answer = (self.status, headers, Json(members)).into_response();
        self.mark(&mut answer);
        answer
    }
}

impl From<LedgerError> for Problem {
    /// What the ledger refuses is told as it says it; what it fails at is logged and told without its inner workings.
    fn from(error: LedgerError) -> Self {
        let (status, code) = match &error {
            LedgerError::NoFinding(_) => (StatusCode::NOT_FOUND, "unknown_finding"),
            LedgerError::Changed { .. } => (StatusCode::PRECONDITION_FAILED, "changed_meanwhile"),
            LedgerError::KeyReused(_) => (StatusCode::CONFLICT, "key_used_before"),
            LedgerError::SaidBefore { .. } => (StatusCode::CONFLICT, "said_before"),
            LedgerError::AlreadyWithdrawn(_) => (StatusCode::CONFLICT, "withdrawn_already"),
            LedgerError::NoAdvice(_) => (StatusCode::NOT_FOUND, "unknown_advice"),
            LedgerError::MustHold(_) => (StatusCode::CONFLICT, "must_hold"),
            LedgerError::NoTube(_) => (StatusCode::UNPROCESSABLE_ENTITY, "unknown_tube"),
            LedgerError::BadText { .. } => (StatusCode::UNPROCESSABLE_ENTITY, "bad_text"),
            LedgerError::NoModel(_) => (StatusCode::NOT_FOUND, "unknown_model"),
            LedgerError::AlreadyApproved { .. } => (StatusCode::CONFLICT, "approved_already"),
            LedgerError::AlreadyRetired(_) => (StatusCode::CONFLICT, "retired_already"),
            LedgerError::NoLook { .. } => (StatusCode::UNPROCESSABLE_ENTITY, "unknown_look"),
            LedgerError::AlreadyAside(_) => (StatusCode::CONFLICT, "aside_already"),
            LedgerError::NoAside(_) => (StatusCode::NOT_FOUND, "unknown_aside"),
            LedgerError::NoPerson(_) => (StatusCode::FORBIDDEN, "bad_login"),
            _ => {
                tracing::error!(%error, "the ledger failed a request");
                let detail = "the record cannot be used at present; the service's log says why".to_owned();
                return Problem::new(StatusCode::SERVICE_UNAVAILABLE, "record_unavailable", detail);
            }
        };
        Problem::new(status, code, error.to_string())
    }
}
