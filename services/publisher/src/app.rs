//! The routes, and what goes with every answer.

use std::path::PathBuf;
use std::sync::Arc;

use axum::Router;
use axum::extract::{DefaultBodyLimit, Request, State};
use axum::handler::Handler;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::Response;
use axum::routing::{self, MethodRouter};
use ledger::Ledger;
use plant::Clock;
use tokio::sync::{Notify, watch};

use crate::access::Access;
use crate::conditional::revalidate;
use crate::door::{self, Door};
use crate::kept::{self, Kept};
use crate::need::Need;
use crate::problem::Problem;
use crate::refusal::refusal;
use crate::{
    Display, Origin, Site, Snapshot, Voice, advice_page, agreement, api, approvals, asides, audit, board, charts,
    corrections, display_page, entry_page, finding_page, findings, findings_page, login, metrics, models_page, openapi,
    openapi_page, pages, photos, plain_page, plans, signals_page, stop_json, stop_page, suspicions, track_page, trial,
    tube_page, validation_page, wear_map, worksheet,
};

/// What the routes answer from.
#[derive(Clone)]
pub struct Publisher {
    /// The plant and its settings, as what programs read speaks of them; for a reader see [`Publisher::to_people`].
    pub(crate) site: Arc<Site>,
    /// The same, as readers are told who asked for nothing else.
    people: Arc<Site>,
    /// The newest snapshot; the caller sends a new one after each evaluation.
    pub snapshots: watch::Receiver<Arc<Snapshot>>,
    /// The clock against which ages and lateness are held, and by which writes are dated.
    pub clock: Arc<dyn Clock>,
    /// The record: people, findings, audit.
    pub ledger: Ledger,
    /// The folder in which photos are kept; it is made with the first one.
    pub photos: PathBuf,
    /// Told after each write that changes what scores are made of, so that the caller can evaluate at once.
    pub written: Arc<Notify>,
    pub(crate) access: Arc<Access>,
    pub(crate) kept: Arc<Kept>,
}

impl Publisher {
    /// What the routes answer from, with nobody's tries and writes counted yet.
    pub fn new(
        site: Arc<Site>,
        snapshots: watch::Receiver<Arc<Snapshot>>,
        clock: Arc<dyn Clock>,
        ledger: Ledger,
        photos: PathBuf,
    ) -> Self {
        Publisher {
            site: Arc::new(site.for_programs()),
            people: site,
            snapshots,
            clock,
            ledger,
            photos,
            written: Arc::default(),
            access: Arc::default(),
            kept: Arc::default(),
        }
    }

    /// The same for a reader; `shown` makes of the plant's display what they asked for.
    pub(crate) fn to_people(&self, shown: impl FnOnce(Display) -> Display) -> Publisher {
        let usual = self.people.voice.display;
        let asked = shown(usual);
        let site = if asked == usual {
            Arc::clone(&self.people)
        } else {
            Arc::new(Site { voice: Voice { display: asked, ..self.people.voice.clone() }, ..Site::clone(&self.people) })
        };
        Publisher { site, ..self.clone() }
    }

    pub(crate) fn newest(&self) -> Arc<Snapshot> {
        Arc::clone(&self.snapshots.borrow())
    }
}

/// A route: a path as the OpenAPI document names it, the one method that it takes there, and what it asks of who uses it.
pub(crate) struct Route {
    pub path: &'static str,
    pub method: Method,
    pub need: Need,
    /// Its answers depend on the plant and on what is asked alone, and are kept while the plant stands as they say.
    kept: bool,
    answer: MethodRouter<Publisher>,
}

fn get<H: Handler<T, Publisher>, T: 'static>(path: &'static str, need: Need, handler: H) -> Route {
    Route { path, method: Method::GET, need, kept: false, answer: routing::get(handler) }
}

/// A page, a picture or numbers made of the newest snapshot and of nothing else.
fn told<H: Handler<T, Publisher>, T: 'static>(path: &'static str, handler: H) -> Route {
    Route { kept: true, ..get(path, Need::Read, handler) }
}

fn post<H: Handler<T, Publisher>, T: 'static>(path: &'static str, need: Need, handler: H) -> Route {
    Route { path, method: Method::POST, need, kept: false, answer: routing::post(handler) }
}

/// Every route.
pub(crate) fn routes(photo_bytes: usize) -> Vec<Route> {
    use Need::{Decide, Open, Read, Review, Write};
    vec![
        told("/", board::page),
        get("/advice", Read, advice_page::page),
        post("/advice/{id}/seen", Decide, advice_page::see),
        post("/advice/{id}/put-off", Decide, advice_page::put_off),
        told("/changeovers", stop_page::page),
        told("/tubes/{tube}", tube_page::page),
        get("/units/{unit}/worksheet", Read, worksheet::page),
        told("/signals", signals_page::page),
        told("/models", models_page::page),
        told("/suspicions", suspicions::page),
        told("/track", track_page::page),
        told("/models/{version}/validation", validation_page::page),
        get("/findings", Read, findings_page::page),
        get("/findings/new", Read, entry_page::page),
        get("/findings/plain", Read, plain_page::page),
        post("/findings/plain", Write, plain_page::add),
        get("/findings/{id}", Read, finding_page::page),
        post("/findings/{id}/correction", Write, finding_page::correct),
        post("/findings/{id}/withdrawal", Write, finding_page::withdraw),
        get("/audit", Review, audit::page),
        get("/login", Open, login::page),
        post("/login", Open, login::log_in),
        post("/logout", Read, login::log_out),
        get("/display", Open, display_page::page),
        post("/display", Open, display_page::set),
        get("/api", Open, openapi_page::page),
        get("/style.css", Open, pages::style),
        get("/icon.svg", Open, pages::icon),
        get("/finding.js", Open, entry_page::script),
        get("/entries.js", Open, entry_page::entries),
        get("/waiting.js", Open, entry_page::waiting),
        get("/words.js", Open, entry_page::words),
        get("/worker.js", Open, entry_page::worker),
        get("/photos/{id}", Read, photos::show),
        told("/charts/board.svg", charts::board),
        told("/charts/board.png", charts::board),
        told("/charts/tubes/{tube}.svg", charts::tube),
        told("/charts/tubes/{tube}.png", charts::tube),
        told("/charts/tubes/{tube}/walls.svg", charts::walls),
        told("/charts/tubes/{tube}/walls.png", charts::walls),
        told("/charts/tubes/{tube}/life.svg", charts::life),
        told("/charts/tubes/{tube}/life.png", charts::life),
        get("/api/openapi.json", Open, openapi::document),
        told("/api/v1/risks", api::risks),
        told("/api/v1/risks.csv", api::risks_csv),
        told("/api/v1/changeovers", plans::changeovers),
        get("/api/v1/advice", Read, advice_page::list),
        told("/api/v1/changeovers/choice", stop_json::choice),
        told("/api/v1/models", plans::models),
        told("/api/v1/models/proposed", trial::proposed),
        post("/api/v1/models/{version}/approval", Review, approvals::approve),
        post("/api/v1/models/{version}/retirement", Review, approvals::retire),
        told("/api/v1/track", track_page::track),
        told("/api/v1/wear-map", wear_map::map),
        get("/api/v1/looks-aside", Read, asides::list),
        post("/api/v1/looks-aside", Review, asides::set),
        post("/api/v1/looks-aside/{id}/return", Review, asides::lift),
        told("/api/v1/suspicions", suspicions::suspicions),
        told("/api/v1/agreement", agreement::agreement),
        told("/api/v1/tubes", api::tubes),
        told("/api/v1/tubes/{tube}", api::tube),
        told("/api/v1/signals", api::signals),
        told("/api/v1/signals.csv", api::signals_csv),
        get("/api/v1/session", Read, login::session),
        get("/api/v1/findings", Read, findings::list),
        get("/api/v1/findings.csv", Read, findings::list_csv),
        post("/api/v1/findings", Write, findings::add),
        get("/api/v1/findings/{id}", Read, findings::one),
        post("/api/v1/findings/{id}/correction", Write, corrections::correct),
        post("/api/v1/findings/{id}/withdrawal", Write, corrections::withdraw),
        get("/api/v1/findings/{id}/photos", Read, photos::list),
        post("/api/v1/findings/{id}/photos", Write, photos::add).taking(photo_bytes),
        get("/api/v1/audit", Review, audit::trail),
        get("/metrics", Read, metrics::metrics),
        get("/health/live", Open, api::live),
        get("/health/ready", Open, api::ready),
    ]
}

impl Route {
    /// The same, with bodies of up to so many bytes.
    fn taking(self, bytes: usize) -> Self {
        Route { answer: self.answer.route_layer(DefaultBodyLimit::max(bytes)), ..self }
    }
}

/// All routes.
pub fn app(publisher: Publisher) -> Router {
    let frames = Arc::new(Frames::of(&publisher.site.frame_origins));
    let mut router = Router::new();
    for Route { path, method, need, kept, answer } in routes(publisher.site.photo_bytes) {
        let door = Door { publisher: publisher.clone(), path, writes: !method.is_safe(), need };
        // Behind the door: what is kept is for who may read.
        let answer = if kept { answer.route_layer(from_fn_with_state(publisher.clone(), kept::kept)) } else { answer };
        // The router takes whole segments only; the ending of a chart is read by its route, which answers with either.
        if path.ends_with("}.png") {
            continue;
        }
        router = router.route(&path.replace("}.svg", "}"), answer.route_layer(from_fn_with_state(door, door::door)));
    }
    router
        .fallback(no_route)
        .method_not_allowed_fallback(wrong_method)
        .layer(DefaultBodyLimit::max(door::LARGEST_BODY))
        .layer(from_fn(revalidate))
        .layer(from_fn_with_state(frames, guard))
        .with_state(publisher)
}

async fn no_route(uri: Uri) -> Response {
    let detail = format!("nothing is at {:?}", api::shortened(uri.path()));
    refusal(uri.path(), Problem::new(StatusCode::NOT_FOUND, "no_such_route", detail))
}

async fn wrong_method(method: Method, uri: Uri) -> Response {
    let detail = format!("{method} is not taken here; the header Allow names what is");
    refusal(uri.path(), Problem::new(StatusCode::METHOD_NOT_ALLOWED, "method_not_allowed", detail))
}

/// Who may frame pages and read answers from a script elsewhere.
struct Frames {
    policy: HeaderValue,
    origins: Vec<Origin>,
}

impl Frames {
    /// Framed only by the same origin and those named.
    fn of(origins: &[Origin]) -> Self {
        let framed_by: String = origins.iter().map(|origin| format!(" {origin}")).collect();
        let policy = format!("{}'self'{framed_by}", pages::POLICY);
        let policy = HeaderValue::from_str(&policy).expect("origins are checked: they hold nothing but visible ASCII");
        Frames { policy, origins: origins.to_vec() }
    }

    /// The origin that asks, if it is one of those named.
    fn known(&self, headers: &HeaderMap) -> Option<HeaderValue> {
        let asked = headers.get(header::ORIGIN)?;
        self.origins.iter().any(|origin| asked == origin.as_str()).then(|| asked.clone())
    }
}

/// Puts the headers on every answer that keep a browser from doing more than showing it.
async fn guard(State(frames): State<Arc<Frames>>, request: Request, next: Next) -> Response {
    let known = frames.known(request.headers());
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(frames.policy.clone());
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    // Not "no-referrer": with it browsers say of our own forms too that they come from nowhere (`Origin: null`).
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    if !frames.origins.is_empty() {
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
    use serde_json::{Value, json};
    use tower::ServiceExt;

    use super::*;
    use crate::ReadAccess;
    use crate::access_tests::publisher;

    #[tokio::test]
    async fn every_route_is_described_with_the_methods_that_it_takes() {
        let document: Value = serde_json::from_str(openapi::DOCUMENT).unwrap();
        let described = document["paths"].as_object().unwrap();
        let paths: BTreeSet<&str> = routes(0).iter().map(|route| route.path).collect();
        assert_eq!(paths, described.keys().map(String::as_str).collect());
        let (_folder, publisher) = publisher(ReadAccess::Open).await;
        for path in paths {
            // RFC 9110, 15.5.6: the answer to a method that is not taken names those that are.
            let uri = path.replace("{tube}", "x").replace("{id}", "1").replace("{version}", "1").replace("{unit}", "x");
            let request = Request::builder().method("TRACE").uri(uri).body(Body::empty()).unwrap();
            let answer = app(publisher.clone()).oneshot(request).await.unwrap();
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

    #[test]
    fn what_each_route_asks_for_is_described() {
        let document: Value = serde_json::from_str(openapi::DOCUMENT).unwrap();
        for Route { path, method, need, .. } in routes(0) {
            let own = &document["paths"][path][method.as_str().to_ascii_lowercase()]["security"];
            let told = if own.is_null() { &document["security"] } else { own };
            // OpenAPI 3.1, Security Requirement Object: an empty one makes security optional, an empty list takes it away.
            let (session, token) = (json!({ "session": [] }), json!({ "token": [] }));
            let right = match need {
                Need::Open => json!([]),
                Need::Read => json!([{}, session, token]),
                Need::Write | Need::Decide | Need::Review => json!([session, token]),
            };
            assert_eq!(*told, right, "{method} {path}");
        }
    }
}
