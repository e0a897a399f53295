//! The way in and out for people.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::time::Instant;

use askama::Template;
use axum::Extension;
use axum::body::Bytes;
use axum::extract::rejection::QueryRejection;
use axum::extract::{ConnectInfo, Query, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use serde::{Deserialize, Serialize};

use crate::api::Pretty;
use crate::caller::Caller;
use crate::form::Form;
use crate::need::Need;
use crate::pages::{Frame, rendered, unframed};
use crate::problem::Problem;
use crate::refusal::refusal;
use crate::same_site::foreign;
use crate::shown::Shown;
use crate::tally::held;
use crate::{Publisher, ReadAccess, Voice, cookie};

#[derive(Template)]
#[template(path = "login.html")]
struct LoginPage {
    voice: Voice,
    frame: Frame,
    /// Who is logged in already, their role, and their token.
    caller: Option<[String; 3]>,
    /// They may see what everybody wrote.
    reviews: bool,
    /// Where to go afterwards.
    next: String,
    name: String,
    /// Why it did not go.
    wrong: Option<String>,
    reading_open: bool,
}

/// Where to go after the login.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct Next {
    #[serde(default)]
    next: String,
}

/// `GET /login`
pub(crate) async fn page(
    Shown(publisher): Shown,
    headers: HeaderMap,
    next: Result<Query<Next>, QueryRejection>,
) -> Response {
    let next = next.map(|Query(next)| next.next).unwrap_or_default();
    match Caller::of(&publisher, &headers).await {
        Ok(caller) => shown(&publisher, StatusCode::OK, caller, inside(&next), "", None),
        Err(problem) => refusal("/login", problem),
    }
}

/// `POST /login`, from the form.
pub(crate) async fn log_in(
    Shown(publisher): Shown,
    address: Option<Extension<ConnectInfo<SocketAddr>>>,
    headers: HeaderMap,
    body: Result<Bytes, axum::extract::rejection::BytesRejection>,
) -> Response {
    // A test or an embedding that says no address shares one throttle: that errs on the slow side.
    let address = address.map_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED), |Extension(ConnectInfo(from))| from.ip());
    let Ok(body) = body else { return refusal("/login", crate::door::too_large(crate::door::LARGEST_BODY)) };
    if foreign(&headers) {
        let detail = "this form comes from a page of another site; right would be our own".to_owned();
        return refusal("/login", Problem::new(StatusCode::FORBIDDEN, "foreign_page", detail));
    }
    let form = Form::read(&body);
    let (name, next) = (form.get("name").trim(), inside(form.get("next")));
    match entered(&publisher, name, form.get("password"), address).await {
        Ok(secret) => {
            let cookie = cookie::given(&secret, publisher.site.session_lasts, publisher.site.https);
            let next = if next.is_empty() { "/" } else { next };
            ([(header::SET_COOKIE, cookie)], Redirect::to(next)).into_response()
        }
        Err(problem) => {
            let mut answer = shown(&publisher, problem.status(), None, next, name, Some(problem.detail().to_owned()));
            problem.mark(&mut answer);
            answer
        }
    }
}

/// A session's secret for a name and its password.
async fn entered(publisher: &Publisher, name: &str, password: &str, from: IpAddr) -> Result<String, Problem> {
    let access = &publisher.access;
    held(&access.throttle).begin(name, from, Instant::now()).map_err(|wait| {
        let detail = format!("too many tries; right would be to wait {} s", wait.as_secs() + 1);
        Problem::new(StatusCode::TOO_MANY_REQUESTS, "too_many_logins", detail).after(wait)
    })?;
    // Each check takes memory and time on purpose: a few at once are enough for people, and no flood fills the machine.
    let turn = access.logins.acquire().await;
    let person = publisher.ledger.check_password(name, password).await?;
    drop(turn);
    let Some(person) = person else {
        let shown: String = name.chars().take(64).collect();
        tracing::warn!(name = ?shown, address = %from, "a login was refused");
        let detail = "this name and password do not belong together; an admin can set a new password with \
                      `groovecast people password`";
        return Err(Problem::new(StatusCode::FORBIDDEN, "bad_login", detail.to_owned()));
    };
    held(&access.throttle).succeeded(name, from, Instant::now());
    let at = publisher.clock.now();
    Ok(publisher.ledger.open_session(&person.name, at, publisher.site.session_lasts).await?)
}

/// `POST /logout`
pub(crate) async fn log_out(State(publisher): State<Publisher>, headers: HeaderMap) -> Result<Response, Problem> {
    if let Some(secret) = cookie::secret(&headers, publisher.site.https) {
        publisher.ledger.close_session(secret).await?;
    }
    Ok(([(header::SET_COOKIE, cookie::taken(publisher.site.https))], Redirect::to("/login")).into_response())
}

#[derive(Serialize)]
struct SessionJson {
    name: String,
    role: plant::Role,
    csrf_token: Option<String>,
}

/// `GET /api/v1/session`: who asks, and the token that a script sends with its writes.
pub(crate) async fn session(caller: Option<Extension<Caller>>) -> Response {
    let Some(Extension(caller)) = caller else {
        let detail = "nobody is logged in; reading is open, writing asks for a session or a token".to_owned();
        return Problem::new(StatusCode::UNAUTHORIZED, "not_logged_in", detail).into_response();
    };
    let told = SessionJson { name: caller.name, role: caller.role, csrf_token: caller.csrf };
    ([(header::CACHE_CONTROL, HeaderValue::from_static("no-store"))], Pretty(told)).into_response()
}

fn shown(
    publisher: &Publisher,
    status: StatusCode,
    caller: Option<Caller>,
    next: &str,
    name: &str,
    wrong: Option<String>,
) -> Response {
    let page = LoginPage {
        voice: publisher.site.voice.clone(),
        frame: Frame::of(publisher, &publisher.newest()),
        reviews: caller.as_ref().is_some_and(|caller| Need::Review.met_by(caller.role)),
        caller: caller.map(|caller| [caller.name, caller.role.to_string(), caller.csrf.unwrap_or_default()]),
        next: next.to_owned(),
        name: name.chars().take(64).collect(),
        wrong,
        reading_open: publisher.site.reading == ReadAccess::Open,
    };
    // Who is logged in, and with which token, is nothing to keep.
    ([(header::CACHE_CONTROL, "no-store")], unframed(rendered(status, &page))).into_response()
}

/// A way to go that stays inside: a path, not another host. Browsers read `//` and `/\` as the start of a host
/// (URL Standard, "special authority slashes"), and drop tabs and line ends on the way.
fn inside(next: &str) -> &str {
    let path = next.starts_with('/') && !next.starts_with("//");
    let plain = next.bytes().all(|byte| byte.is_ascii_graphic() && byte != b'\\');
    if path && plain { next } else { "" }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_after_the_login_stays_inside() {
        for next in ["/", "/findings/7?x=1#y", "/tubes/T%2042"] {
            assert_eq!(inside(next), next);
        }
        for next in
            ["//evil.example", "/\\evil.example", "https://evil.example", "/\t/evil.example", "javascript:x", ""]
        {
            assert_eq!(inside(next), "", "{next:?}");
        }
    }
}
