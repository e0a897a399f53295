//! The door in front of every route: who asks, whether they may, whether they mean it.

use axum::body::{Body, Bytes, to_bytes};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use plant::Role;
use sha2::{Digest, Sha256};
use std::time::Instant;

use crate::accept::wants_page;
use crate::caller::Caller;
use crate::form::Form;
use crate::need::Need;
use crate::problem::Problem;
use crate::refusal::{Refused, is_for_programs, refusal};
use crate::same_site::foreign;
use crate::tally::held;
use crate::{Publisher, ReadAccess};

/// Largest body that a route takes unless it says otherwise, in bytes.
pub(crate) const LARGEST_BODY: usize = 64 * 1024;

/// The header in which a script sends the token of its session.
const CSRF_HEADER: &str = "x-csrf-token";

/// A door: in front of which route, and what it asks for.
#[derive(Clone)]
pub(crate) struct Door {
    pub publisher: Publisher,
    pub path: &'static str,
    /// The method of the route may change something (RFC 9110, 9.2.1).
    pub writes: bool,
    pub need: Need,
}

/// Lets a request in, or says why not; counts writes and refusals.
pub(crate) async fn door(State(door): State<Door>, request: Request, next: Next) -> Response {
    let tally = &door.publisher.access.tally;
    let writes = door.writes;
    let uri = request.uri().clone();
    let browses = wants_page(request.headers());
    let response = match door.admitted(request).await {
        Ok(request) => next.run(request).await,
        Err(problem)
            if problem.status() == StatusCode::UNAUTHORIZED && !writes && browses && !is_for_programs(uri.path()) =>
        {
            let back: String = form_urlencoded::byte_serialize(uri.to_string().as_bytes()).collect();
            let mut answer = Redirect::to(&format!("/login?next={back}")).into_response();
            answer.extensions_mut().insert(Refused(problem.code()));
            answer
        }
        Err(problem) => refusal(uri.path(), problem),
    };
    let status = response.status();
    if writes && (status.is_success() || status.is_redirection()) {
        tally.written(door.path);
    } else if let Some(Refused(reason)) = response.extensions().get()
        && (writes || matches!(*reason, "not_logged_in" | "bad_token" | "bad_authorization" | "not_your_role"))
    {
        tally.refused(reason);
    }
    response
}

impl Door {
    async fn admitted(&self, request: Request) -> Result<Request, Problem> {
        if self.need == Need::Open {
            return Ok(request);
        }
        let caller = Caller::of(&self.publisher, request.headers()).await?;
        let Some(caller) = caller else {
            let open = self.need == Need::Read && self.publisher.site.reading == ReadAccess::Open;
            return if open && !self.writes { Ok(request) } else { Err(not_logged_in()) };
        };
        if !self.need.met_by(caller.role) {
            return Err(not_your_role(self.need, caller.role));
        }
        let mut request = request;
        if self.writes {
            if let Some(csrf) = &caller.csrf {
                request = meant(request, csrf).await?;
            }
            let allowed = held(&self.publisher.access.allowances).take(&caller.name, Instant::now());
            allowed.map_err(|wait| {
                let detail = "you have written very much in a short while; right would be to wait".to_owned();
                Problem::new(StatusCode::TOO_MANY_REQUESTS, "too_many_writes", detail).after(wait)
            })?;
        }
        request.extensions_mut().insert(caller);
        Ok(request)
    }
}

fn not_logged_in() -> Problem {
    let detail = "nobody is logged in; right would be a session (log in at /login) or `Authorization: Bearer TOKEN`";
    Problem::new(StatusCode::UNAUTHORIZED, "not_logged_in", detail.to_owned())
}

fn not_your_role(need: Need, role: Role) -> Problem {
    let detail = format!("your role is {role}; right would be {}", need.roles());
    Problem::new(StatusCode::FORBIDDEN, "not_your_role", detail)
}

/// A write in a session must come from our own pages and carry the session's token, in a header or in its form.
async fn meant(request: Request, csrf: &str) -> Result<Request, Problem> {
    if foreign(request.headers()) {
        let detail = "this request comes from a page of another site; right would be our own".to_owned();
        return Err(Problem::new(StatusCode::FORBIDDEN, "foreign_page", detail));
    }
    let told = request.headers().get(CSRF_HEADER).and_then(|value| value.to_str().ok()).map(str::to_owned);
    let (request, told) = match told {
        Some(told) => (request, told),
        None if is_form(request.headers()) => {
            let (parts, body) = request.into_parts();
            let body: Bytes = to_bytes(body, LARGEST_BODY).await.map_err(|_| too_large(LARGEST_BODY))?;
            let told = Form::read(&body).get("csrf").to_owned();
            (Request::from_parts(parts, Body::from(body)), told)
        }
        None => (request, String::new()),
    };
    // Digests are compared, so that the time that it takes tells nothing of the token.
    if Sha256::digest(told.as_bytes()) != Sha256::digest(csrf.as_bytes()) {
        let detail = "the token of this session is missing or is another session's; load the page again and send again";
        return Err(Problem::new(StatusCode::FORBIDDEN, "bad_csrf_token", detail.to_owned()));
    }
    Ok(request)
}

fn is_form(headers: &HeaderMap) -> bool {
    media_type(headers).eq_ignore_ascii_case("application/x-www-form-urlencoded")
}

/// The media type of a body, without its parameters; empty if none is said.
pub(crate) fn media_type(headers: &HeaderMap) -> &str {
    let value = headers.get(header::CONTENT_TYPE).and_then(|value: &HeaderValue| value.to_str().ok());
    value.and_then(|value| value.split(';').next()).unwrap_or_default().trim()
}

/// A body that is larger than its route takes.
pub(crate) fn too_large(limit: usize) -> Problem {
    let detail = format!("this body is too large; right would be {limit} bytes at most");
    Problem::new(StatusCode::PAYLOAD_TOO_LARGE, "too_large", detail)
}
