//! The routes, and what goes with every answer.

use std::sync::Arc;

use axum::Router;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get};
use plant::Clock;
use tokio::sync::watch;

use crate::conditional::revalidate;
use crate::problem::Problem;
use crate::{
    Origin, Site, Snapshot, api, board, charts, entry_page, findings_page, metrics, models_page, openapi, openapi_page,
    pages, plans, signals_page, tube_page, validation_page,
};

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

/// Every route by its path, as the OpenAPI document names it.
fn routes() -> Vec<(&'static str, MethodRouter<Publisher>)> {
    vec![
        ("/", get(board::page)),
        ("/tubes/{tube}", get(tube_page::page)),
        ("/findings", get(findings_page::page)),
        ("/findings/new", get(entry_page::page)),
        ("/finding.js", get(entry_page::script)),
        ("/entries.js", get(entry_page::entries)),
        ("/waiting.js", get(entry_page::waiting)),
        ("/worker.js", get(entry_page::worker)),
        ("/signals", get(signals_page::page)),
        ("/models", get(models_page::page)),
        ("/models/{version}/validation", get(validation_page::page)),
        ("/api", get(openapi_page::page)),
        ("/style.css", get(pages::style)),
        ("/icon.svg", get(pages::icon)),
        ("/charts/board.svg", get(charts::board)),
        ("/charts/tubes/{tube}.svg", get(charts::tube)),
        ("/charts/tubes/{tube}/walls.svg", get(charts::walls)),
        ("/charts/tubes/{tube}/life.svg", get(charts::life)),
        ("/api/openapi.json", get(openapi::document)),
        ("/api/v1/risks", get(api::risks)),
        ("/api/v1/risks.csv", get(api::risks_csv)),
        ("/api/v1/changeovers", get(plans::changeovers)),
        ("/api/v1/models", get(plans::models)),
        ("/api/v1/tubes", get(api::tubes)),
        ("/api/v1/tubes/{tube}", get(api::tube)),
        ("/api/v1/signals", get(api::signals)),
        ("/api/v1/signals.csv", get(api::signals_csv)),
        ("/metrics", get(metrics::metrics)),
        ("/health/live", get(api::live)),
        ("/health/ready", get(api::ready)),
    ]
}

/// All routes.
pub fn app(publisher: Publisher) -> Router {
    let doors = Arc::new(Doors::of(&publisher.site.frame_origins));
    let mut router = Router::new();
    for (path, methods) in routes() {
        // The router takes whole segments only; the ending of a chart is read by its route.
        router = router.route(&path.replace("}.svg", "}"), methods);
    }
    router
        .fallback(no_route)
        .method_not_allowed_fallback(wrong_method)
        .layer(from_fn(revalidate))
        .layer(from_fn_with_state(doors, guard))
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
    if ["/api/", "/health/", "/charts/", "/metrics"].iter().any(|path| uri.path().starts_with(path)) {
        Problem::new(status, code, detail).into_response()
    } else {
        pages::refused(status, &detail)
    }
}

/// Who may frame pages and read answers from a script elsewhere.
struct Doors {
    policy: HeaderValue,
    origins: Vec<Origin>,
}

impl Doors {
    /// No script, nothing from elsewhere, no style in the markup; framed only by the same origin and those named.
    fn of(origins: &[Origin]) -> Self {
        let framed_by: String = origins.iter().map(|origin| format!(" {origin}")).collect();
        let policy = format!(
            "default-src 'none'; style-src 'self'; img-src 'self'; script-src 'self'; connect-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors \
             'self'{framed_by}"
        );
        let policy = HeaderValue::from_str(&policy).expect("origins are checked: they hold nothing but visible ASCII");
        Doors { policy, origins: origins.to_vec() }
    }

    /// The origin that asks, if it is one of those named.
    fn known(&self, headers: &HeaderMap) -> Option<HeaderValue> {
        let asked = headers.get(header::ORIGIN)?;
        self.origins.iter().any(|origin| asked == origin.as_str()).then(|| asked.clone())
    }
}

/// Puts the headers on every answer that keep a browser from doing more than showing it.
async fn guard(State(doors): State<Arc<Doors>>, request: Request, next: Next) -> Response {
    let known = doors.known(request.headers());
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_SECURITY_POLICY, doors.policy.clone());
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    if !doors.origins.is_empty() {
        headers.append(header::VARY, HeaderValue::from_static("origin"));
    }
    if let Some(origin) = known {
        headers.insert(header::ACCESS_CONTROL_ALLOW_ORIGIN, origin);
        headers.insert(header::ACCESS_CONTROL_EXPOSE_HEADERS, HeaderValue::from_static("etag"));
    }
    response
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use axum::body::Body;
    use serde_json::Value;
    use tower::ServiceExt;

    use super::*;

    struct Standstill;

    impl Clock for Standstill {
        fn now(&self) -> jiff::Timestamp {
            jiff::Timestamp::UNIX_EPOCH
        }
    }

    fn empty() -> Publisher {
        let site = Site {
            name: String::new(),
            zone: jiff::tz::TimeZone::UTC,
            version: String::new(),
            limit: plant::Grade::CATCH,
            zones: vec![],
            bands: plant::Bands::default(),
            longest_interval: crate::LongestInterval { run_h: None, days: None },
            late_after: jiff::SignedDuration::from_mins(15),
            frame_origins: vec![],
        };
        let (_, snapshots) = watch::channel(Arc::new(Snapshot::default()));
        Publisher { site: Arc::new(site), snapshots, clock: Arc::new(Standstill) }
    }

    #[tokio::test]
    async fn every_route_is_described_with_the_methods_that_it_takes() {
        let document: Value = serde_json::from_str(openapi::DOCUMENT).unwrap();
        let described = document["paths"].as_object().unwrap();
        let paths: BTreeSet<&str> = routes().iter().map(|(path, _)| *path).collect();
        assert_eq!(paths, described.keys().map(String::as_str).collect());
        for path in paths {
            // RFC 9110, 15.5.6: the answer to a method that is not taken names those that are.
            let request = Request::builder()
                .method("TRACE")
                .uri(path.replace("{tube}", "x").replace("{version}", "2"))
                .body(Body::empty())
                .unwrap();
            let answer = app(empty()).oneshot(request).await.unwrap();
            assert_eq!(answer.status(), StatusCode::METHOD_NOT_ALLOWED, "{path}");
            let taken: BTreeSet<String> = answer.headers()[header::ALLOW]
                .to_str()
                .unwrap()
                .split(',')
                .map(str::to_ascii_lowercase)
                .filter(|method| method != "head")
                .collect();
            let methods = ["get", "put", "post", "delete", "patch"].into_iter();
            let told = methods.filter(|method| described[path].get(method).is_some()).map(str::to_owned).collect();
            assert_eq!(taken, told, "{path}");
        }
    }
}
