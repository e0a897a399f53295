//! Every route for everybody: who is let in, and who is not.

use std::sync::Arc;

use axum::body::Body;
use axum::http::{Request, Response, StatusCode, header};
use axum::response::IntoResponse;
use jiff::{SignedDuration, Timestamp};
use ledger::{By, Ledger};
use plant::{Clock, Role};
use tokio::sync::watch;
use tower::ServiceExt;

use crate::app::routes;
use crate::need::Need;
use crate::refusal::Refused;
use crate::{Publisher, ReadAccess, Site, Snapshot, app};

/// A clock that stands still.
struct Standstill(Timestamp);

impl Clock for Standstill {
    fn now(&self) -> Timestamp {
        self.0
    }
}

fn now() -> Timestamp {
    "2026-05-12T04:30:00Z".parse().unwrap()
}

fn site(reading: ReadAccess) -> Site {
    Site {
        name: String::new(),
        zone: jiff::tz::TimeZone::UTC,
        version: String::new(),
        limit: plant::Grade::CATCH,
        zones: vec![],
        bands: plant::Bands::default(),
        longest_interval: crate::LongestInterval { run_h: None, days: None },
        opening: crate::Opening::default(),
        late_after: SignedDuration::from_mins(15),
        frame_origins: vec![],
        reading,
        https: false,
        address: None,
        session_lasts: SignedDuration::from_hours(12),
        photo_bytes: 1000,
        voice: crate::Voice::default(),
    }
}

/// A publisher on an empty ledger; the folder goes with the test.
pub(crate) async fn publisher(reading: ReadAccess) -> (tempfile::TempDir, Publisher) {
    let folder = tempfile::tempdir().unwrap();
    let ledger = Ledger::open(&ledger::Place::Sqlite(folder.path().join("l.db"))).await.unwrap();
    let (_, snapshots) = watch::channel(Arc::new(Snapshot::default()));
    let photos = folder.path().join("photos");
    let clock = Arc::new(Standstill(now()));
    (folder, Publisher::new(Arc::new(site(reading)), snapshots, clock, ledger, photos))
}

/// Somebody who asks: a name for messages, the role as which they should count, and the headers that they send.
struct Asker {
    what: String,
    role: Option<Role>,
    /// They send a token that nobody gave out: that is told at every door that is not open to all.
    refused: bool,
    headers: Vec<(&'static str, String)>,
}

async fn askers(publisher: &Publisher) -> Vec<Asker> {
    let by = By { who: "test".to_owned(), at: now() };
    let ledger = &publisher.ledger;
    let cookie = |secret: &str| ("cookie", format!("groovecast={secret}"));
    let nobody = |what: &str, headers| Asker { what: what.to_owned(), role: None, refused: false, headers };
    let mut askers = vec![
        nobody("nobody", vec![]),
        nobody("a session that never was", vec![cookie("00")]),
        Asker { refused: true, ..nobody("a bad token", vec![("authorization", "Bearer 00".to_owned())]) },
        Asker { refused: true, ..nobody("a password in the header", vec![("authorization", "Basic YTpi".to_owned())]) },
    ];
    for role in Role::ALL {
        let name = format!("A. {role}");
        ledger.add_person(&name, *role, "a long enough password", &by).await.unwrap();
        let lasts = SignedDuration::from_hours(1);
        let old = ledger.open_session(&name, now() - SignedDuration::from_hours(2), lasts).await.unwrap();
        askers.push(nobody(&format!("an expired session of {role}"), vec![cookie(&old)]));
        let secret = ledger.open_session(&name, now(), lasts).await.unwrap();
        let csrf = ledger.session(&secret, now()).await.unwrap().unwrap().csrf;
        let headers = vec![cookie(&secret), ("x-csrf-token", csrf)];
        askers.push(Asker { what: format!("a session of {role}"), role: Some(*role), refused: false, headers });
        let token = ledger.add_token(&format!("machine {role}"), *role, &by).await.unwrap();
        let headers = vec![("authorization", format!("Bearer {token}"))];
        askers.push(Asker { what: format!("a token of {role}"), role: Some(*role), refused: false, headers });
    }
    askers
}

async fn asked(publisher: &Publisher, method: &str, path: &str, headers: &[(&'static str, String)]) -> Response<Body> {
    let mut request = Request::builder()
        .method(method)
        .uri(path.replace("{tube}", "x").replace("{id}", "1").replace("{version}", "1"));
    for (name, value) in headers {
        request = request.header(*name, value);
    }
    let answer = app(publisher.clone()).oneshot(request.body(Body::empty()).unwrap()).await;
    answer.into_response()
}

/// Whether a door let the request in, whatever came of it behind the door.
fn let_in(answer: &Response<Body>) -> bool {
    let refused = answer.extensions().get::<Refused>();
    !refused.is_some_and(|Refused(reason)| {
        ["not_logged_in", "bad_token", "bad_authorization", "not_your_role", "bad_csrf_token", "foreign_page"]
            .contains(reason)
    })
}

/// Whether an answer says that somebody may not (RFC 9110, 15.5.2 and 15.5.4), or leads to the login.
fn turned_away(answer: &Response<Body>) -> bool {
    let to = answer.headers().get(header::LOCATION).and_then(|to| to.to_str().ok()).unwrap_or_default();
    match answer.status() {
        StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN => true,
        StatusCode::SEE_OTHER => to.starts_with("/login?next="),
        _ => false,
    }
}

/// Who is let in by which need, written down once more by hand: nobody, reader, inspector, operations,
/// analyst, admin.
fn expected(need: Need, reading: ReadAccess, writes: bool) -> [bool; 6] {
    match need {
        Need::Open => [true, true, true, true, true, true],
        Need::Read => [reading == ReadAccess::Open && !writes, true, true, true, true, true],
        Need::Write => [false, false, true, true, true, true],
        Need::Decide => [false, false, false, true, true, true],
        Need::Review => [false, false, false, false, true, true],
    }
}

#[tokio::test]
async fn every_route_lets_in_whom_its_need_says_and_nobody_else() {
    for reading in [ReadAccess::Open, ReadAccess::Login] {
        let (_folder, publisher) = publisher(reading).await;
        let askers = askers(&publisher).await;
        for route in routes(1000) {
            let writes = !route.method.is_safe();
            let expected = expected(route.need, reading, writes);
            for asker in &askers {
                // Who logs out is out: that has a test of its own.
                if route.path == "/logout" && asker.role.is_some() {
                    continue;
                }
                let place = match asker.role {
                    None => 0,
                    Some(Role::Reader) => 1,
                    Some(Role::Inspector) => 2,
                    Some(Role::Operations) => 3,
                    Some(Role::Analyst) => 4,
                    Some(Role::Admin) => 5,
                };
                let right = expected[place] && !(asker.refused && route.need != Need::Open);
                // The session route tells nobody that nobody is logged in; the login page tells of a bad token.
                let itself =
                    route.path == "/api/v1/session" && asker.role.is_none() || route.path == "/login" && asker.refused;
                // Who may not read may not ask for the head of it either (RFC 9110, 9.3.2).
                let methods = if writes { vec![route.method.as_str()] } else { vec!["GET", "HEAD"] };
                for method in methods {
                    let answer = asked(&publisher, method, route.path, &asker.headers).await;
                    let status = answer.status();
                    let what = format!("{method} {} for {} with reading {reading:?}: {status}", route.path, asker.what);
                    assert!(let_in(&answer) == right || itself, "{what}");
                    assert!(right || itself || turned_away(&answer), "{what}");
                }
            }
        }
    }
}

/// What anybody may have, said once more: health, the way in, the description, and what pages are drawn with.
const OPEN: [&str; 13] = [
    "/api",
    "/api/openapi.json",
    "/entries.js",
    "/finding.js",
    "/health/live",
    "/health/ready",
    "/icon.svg",
    "/login",
    "/display",
    "/style.css",
    "/waiting.js",
    "/words.js",
    "/worker.js",
];

/// Writes below these are analysts'.
const JUDGED: [&str; 2] = ["/api/v1/models/", "/api/v1/looks-aside"];

#[test]
fn every_route_asks_for_what_is_written_down_here() {
    for route in routes(1000) {
        let right = match route.path {
            "/audit" | "/api/v1/audit" => Need::Review,
            // What models and scores go by, analysts decide.
            path if !route.method.is_safe() && JUDGED.iter().any(|judged| path.starts_with(judged)) => Need::Review,
            // Who only reads has a session too, and must be able to end it.
            "/logout" => Need::Read,
            path if OPEN.contains(&path) => Need::Open,
            "/advice/{id}/seen" | "/advice/{id}/put-off" => Need::Decide,
            _ if route.method.is_safe() => Need::Read,
            _ => Need::Write,
        };
        assert_eq!(route.need, right, "{} {}", route.method, route.path);
    }
}

#[tokio::test]
async fn people_are_sent_to_the_login_and_programs_are_told() {
    let (_folder, publisher) = publisher(ReadAccess::Login).await;
    let browser = [("accept", "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8".to_owned())];
    let page = asked(&publisher, "GET", "/tubes/T%2042?x=1", &browser).await;
    assert_eq!(page.status(), StatusCode::SEE_OTHER);
    assert_eq!(page.headers()[header::LOCATION], "/login?next=%2Ftubes%2FT%252042%3Fx%3D1");
    let program = asked(&publisher, "GET", "/tubes/T%2042", &[("accept", "*/*".to_owned())]).await;
    assert_eq!(program.status(), StatusCode::UNAUTHORIZED, "a program is told, also at a page");
    let program = asked(&publisher, "GET", "/api/v1/risks", &browser).await;
    assert_eq!(program.status(), StatusCode::UNAUTHORIZED);
    // RFC 9110, 15.5.2: a 401 has a challenge. RFC 6750, 3: without a token sent it says no error.
    assert_eq!(program.headers()[header::WWW_AUTHENTICATE], "Bearer realm=\"groovecast\"");
    let bad = asked(&publisher, "GET", "/api/v1/risks", &[("authorization", "Bearer 00".to_owned())]).await;
    assert_eq!(bad.headers()[header::WWW_AUTHENTICATE], "Bearer realm=\"groovecast\", error=\"invalid_token\"");
}

#[tokio::test]
async fn a_session_writes_only_from_our_own_pages_with_its_own_token() {
    let (_folder, publisher) = publisher(ReadAccess::Open).await;
    let askers = askers(&publisher).await;
    let session = |what: &str| askers.iter().find(|asker| asker.what == what).unwrap().headers.clone();
    let (own, other) = (session("a session of inspector"), session("a session of admin"));
    let with = |more: &[(&'static str, &str)]| {
        let mut headers = vec![own[0].clone(), ("host", "plant.example".to_owned())];
        headers.extend(more.iter().map(|(name, value)| (*name, (*value).to_owned())));
        headers
    };
    let reason = |answer: Response<Body>| answer.extensions().get::<Refused>().map(|Refused(reason)| *reason);
    let post = |headers: Vec<(&'static str, String)>| {
        let publisher = publisher.clone();
        async move { reason(asked(&publisher, "POST", "/api/v1/findings", &headers).await) }
    };
    let token = own[1].1.as_str();
    assert_eq!(post(with(&[])).await, Some("bad_csrf_token"));
    assert_eq!(post(with(&[("x-csrf-token", "")])).await, Some("bad_csrf_token"));
    assert_eq!(post(with(&[("x-csrf-token", &other[1].1)])).await, Some("bad_csrf_token"));
    for foreign in [("origin", "http://evil.example"), ("sec-fetch-site", "cross-site"), ("origin", "null")] {
        assert_eq!(post(with(&[("x-csrf-token", token), foreign])).await, Some("foreign_page"), "{foreign:?}");
    }
    let same = [("x-csrf-token", token), ("origin", "http://plant.example"), ("sec-fetch-site", "same-origin")];
    // Behind the door it is the body that is refused.
    assert_eq!(post(with(&same)).await, Some("not_json"));
}

#[tokio::test]
async fn no_route_writes_for_the_page_of_another_site() {
    let (_folder, publisher) = publisher(ReadAccess::Open).await;
    let askers = askers(&publisher).await;
    let own = &askers.iter().find(|asker| asker.what == "a session of admin").unwrap().headers;
    let foreign = [own[0].clone(), own[1].clone(), ("sec-fetch-site", "cross-site".to_owned())];
    let mut tried = 0;
    // The login has no session yet, and how numbers are shown needs none; both ask where their form comes from, and have tests of
    // their own.
    let open = ["/login", "/display"];
    for route in routes(1000).iter().filter(|route| !route.method.is_safe() && !open.contains(&route.path)) {
        for (headers, reason) in [(&own[..1], "bad_csrf_token"), (&foreign[..], "foreign_page")] {
            let answer = asked(&publisher, route.method.as_str(), route.path, headers).await;
            assert_eq!(answer.status(), StatusCode::FORBIDDEN, "{}", route.path);
            assert_eq!(answer.extensions().get::<Refused>().unwrap().0, reason, "{}", route.path);
        }
        tried += 1;
    }
    assert!(tried > 5, "{tried} routes");
}

#[tokio::test]
async fn who_writes_too_much_waits_and_others_do_not() {
    let (_folder, publisher) = publisher(ReadAccess::Open).await;
    let askers = askers(&publisher).await;
    let headers = |what: &str| askers.iter().find(|asker| asker.what == what).unwrap().headers.clone();
    let mut last = StatusCode::OK;
    for _ in 0..80 {
        let answer = asked(&publisher, "POST", "/api/v1/findings", &headers("a token of inspector")).await;
        last = answer.status();
        if last == StatusCode::TOO_MANY_REQUESTS {
            // RFC 6585, 4: it may say when to come again.
            assert_eq!(answer.headers()[header::RETRY_AFTER], "1");
            break;
        }
    }
    assert_eq!(last, StatusCode::TOO_MANY_REQUESTS);
    let other = asked(&publisher, "POST", "/api/v1/findings", &headers("a token of analyst")).await;
    assert_eq!(other.status(), StatusCode::UNSUPPORTED_MEDIA_TYPE);
}
