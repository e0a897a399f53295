//! What all pages share: their frame, their style, and the plain page for errors.

use askama::Template;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{Html, IntoResponse, Response};
use jiff::Timestamp;

use crate::problem::Problem;
use crate::{ConfigState, Publisher, Site, Snapshot, Voice, lacks, standing};

pub(crate) const STYLE: &str = include_str!("../../../dashboards/style/sheet.css");
const ICON: &str = include_str!("../../../dashboards/style/icon.svg");

/// What a page may load and do: our own style, pictures, scripts and answers, nothing in the markup, nothing from elsewhere.
macro_rules! policy {
    () => {
        "default-src 'none'; style-src 'self'; img-src 'self'; script-src 'self'; connect-src 'self'; worker-src 'self'; \
         base-uri 'none'; form-action 'self'; frame-ancestors "
    };
}

/// The policy of every page, up to who may frame it.
pub(crate) const POLICY: &str = policy!();
const UNFRAMED: &str = concat!(policy!(), "'none'");

/// What stands around every page that speaks of the plant.
#[derive(Debug)]
pub(crate) struct Frame {
    pub site: String,
    pub version: String,
    /// As known when, in the plant's zone.
    pub as_known: String,
    /// The same instant for machines.
    pub as_known_utc: Timestamp,
    /// What keeps the service from being ready, and what became of a changed configuration.
    pub notices: Vec<String>,
}

impl Frame {
    pub(crate) fn of(publisher: &Publisher, snapshot: &Snapshot) -> Self {
        let site = &publisher.site;
        let lacks = lacks(snapshot, site, publisher.clock.now()).into_iter();
        Frame {
            site: site.name.clone(),
            version: site.version.clone(),
            as_known: site.minute(snapshot.at),
            as_known_utc: snapshot.at,
            notices: lacks.map(|lack| lack.detail).chain(config_notices(&snapshot.config, &site.voice)).collect(),
        }
    }
}

/// What people should know of a configuration that is not, or not wholly, in force.
fn config_notices(state: &ConfigState, voice: &Voice) -> impl Iterator<Item = String> {
    let refused = state.refused.as_ref().map(|why| voice.tell("frame-config-refused", &[("why", &why)]));
    let waits = (!state.needs_restart.is_empty())
        .then(|| voice.tell("frame-needs-restart", &[("keys", &state.needs_restart.join(", "))]));
    refused.into_iter().chain(waits)
}

/// The standing words on pages with scores.
#[derive(Debug)]
pub(crate) struct Standing {
    pub it_is: String,
    pub it_is_not: String,
    pub before_opening: String,
    pub flakes: String,
    pub longest: String,
}

impl Standing {
    pub(crate) fn of(site: &Site) -> Self {
        Standing {
            it_is: standing::what_it_is(site),
            it_is_not: standing::what_it_is_not(site),
            before_opening: standing::before_opening(&site.voice),
            flakes: standing::flakes(&site.voice),
            longest: site.longest_interval.words(&site.voice),
        }
    }
}

/// A template as an answer. In which units of measure it is written, a cookie says.
pub(crate) fn rendered(status: StatusCode, page: &impl Template) -> Response {
    match page.render() {
        Ok(html) => (status, [(header::VARY, "cookie")], Html(html)).into_response(),
        Err(error) => {
            tracing::error!(%error, "a page could not be rendered");
            (StatusCode::INTERNAL_SERVER_ERROR, "this page could not be written").into_response()
        }
    }
}

#[derive(Template)]
#[template(path = "refused.html")]
struct RefusedPage<'a> {
    voice: Voice,
    status: u16,
    phrase: &'a str,
    detail: &'a str,
}

/// The page for a request that cannot be answered.
pub(crate) fn refused(problem: Problem) -> Response {
    let status = problem.status();
    let phrase = status.canonical_reason().unwrap_or("Error");
    // Problems are told as programs read them, in English.
    let page = RefusedPage { voice: Voice::default(), status: status.as_u16(), phrase, detail: problem.detail() };
    let mut answer = rendered(status, &page);
    problem.mark(&mut answer);
    answer
}

/// A page with forms: no other page may frame it, or a visitor could be led to press its buttons unseen.
pub(crate) fn unframed(mut page: Response) -> Response {
    page.headers_mut().insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(UNFRAMED));
    page
}

/// `GET /style.css`; pages ask for it with the version, so that it may be kept.
pub(crate) async fn style() -> Response {
    let headers = [(header::CONTENT_TYPE, "text/css; charset=utf-8"), (header::CACHE_CONTROL, "public, max-age=300")];
    (headers, STYLE).into_response()
}

/// `GET /icon.svg`
pub(crate) async fn icon() -> Response {
    let headers = [(header::CONTENT_TYPE, "image/svg+xml"), (header::CACHE_CONTROL, "public, max-age=86400")];
    (headers, ICON).into_response()
}
