//! A service with a record that people and machines can write to.

use std::net::SocketAddr;
use std::path::PathBuf;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::extract::ConnectInfo;
use axum::http::Request;
use jiff::tz::TimeZone;
use ledger::{By, Ledger, Place, Rules};
use plant::{Role, Table};
use publisher::{Publisher, Snapshot, app};
use tower::ServiceExt;

use crate::{Answer, fleet};

/// The password of everybody here.
pub const PASSWORD: &str = "correct horse battery staple";

/// A publisher on a ledger of its own; both go with it.
pub struct Desk {
    pub publisher: Publisher,
    router: Router,
    folder: tempfile::TempDir,
}

pub fn by() -> By {
    By { who: "A. Clerk".to_owned(), at: fleet::now() }
}

impl Desk {
    /// An empty record.
    pub async fn empty(snapshot: Snapshot) -> Desk {
        Desk::on(snapshot, fleet::site()).await
    }

    /// An empty record of a site with its own settings.
    pub async fn on(snapshot: Snapshot, site: publisher::Site) -> Desk {
        let folder = tempfile::tempdir().expect("a folder");
        let ledger = Ledger::open(&Place::Sqlite(folder.path().join("ledger.db"))).await.expect("a ledger");
        let photos = folder.path().join("photos");
        let publisher = fleet::publisher(snapshot, site, ledger, photos);
        Desk { router: app(publisher.clone()), publisher, folder }
    }

    /// A record of the tubes and findings that the snapshot shows.
    pub async fn written_down(snapshot: Snapshot) -> Desk {
        let desk = Desk::empty(snapshot.clone()).await;
        fleet::write_down(&desk.publisher.ledger, &snapshot).await;
        desk
    }

    /// A register with tubes T-0042 and T-0043, one after the other in unit C-101.
    pub async fn with_tubes() -> Desk {
        let desk = Desk::empty(fleet::snapshot()).await;
        let row = |cells: &[&str]| cells.iter().map(|cell| (*cell).to_owned()).collect::<Vec<_>>();
        let table = Table {
            path: PathBuf::from("tubes.csv"),
            columns: row(&["tube", "surface"]),
            rows: vec![(2, row(&["T-0042", "hard_chrome"])), (3, row(&["T-0043", "stainless"]))],
        };
        let rules = Rules {
            units: [fleet::unit_id("C-101")].into(),
            zones: fleet::site().zones,
            surfaces: vec!["hard_chrome".to_owned(), "stainless".to_owned()],
            time_zone: TimeZone::UTC,
            now: fleet::now(),
        };
        desk.publisher.ledger.import_register(&[table], &rules, &by()).await.expect("a register");
        desk
    }

    pub fn photos(&self) -> PathBuf {
        self.folder.path().join("photos")
    }

    /// A machine's token.
    pub async fn token(&self, role: Role) -> String {
        let name = format!("machine {role}");
        self.publisher.ledger.add_token(&name, role, &by()).await.expect("a token")
    }

    /// A person whose name is their role.
    pub async fn person(&self, role: Role) {
        self.publisher.ledger.add_person(role.as_str(), role, PASSWORD, &by()).await.expect("a person");
    }

    /// Logs a person in: the cookie, and the token of the session.
    pub async fn logged_in(&self, role: Role) -> (String, String) {
        let form = format!("name={role}&password={}", PASSWORD.replace(' ', "+"));
        let answer = self.ask("POST", "/login", FORM, form).await;
        assert_eq!(answer.status.as_u16(), 303, "{}", answer.body);
        let cookie = answer.header("set-cookie").split(';').next().expect("a cookie").to_owned();
        let session = self.ask("GET", "/api/v1/session", &[("cookie", &cookie)], "").await;
        let session: serde_json::Value = serde_json::from_str(&session.body).expect("JSON");
        (cookie, session["csrf_token"].as_str().expect("a token").to_owned())
    }

    /// A request from 10.0.0.7.
    pub async fn ask(&self, method: &str, uri: &str, headers: &[(&str, &str)], body: impl Into<Body>) -> Answer {
        self.ask_from([10, 0, 0, 7], method, uri, headers, body).await
    }

    pub async fn ask_from(
        &self,
        from: [u8; 4],
        method: &str,
        uri: &str,
        headers: &[(&str, &str)],
        body: impl Into<Body>,
    ) -> Answer {
        let mut request = Request::builder().method(method).uri(uri);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let mut request = request.body(body.into()).expect("a request");
        request.extensions_mut().insert(ConnectInfo(SocketAddr::from((from, 40_000))));
        let response = self.router.clone().oneshot(request).await.expect("the router cannot fail");
        let (parts, body) = response.into_parts();
        let body = to_bytes(body, usize::MAX).await.expect("a body in memory");
        let (length, body) = (body.len(), String::from_utf8_lossy(&body).into_owned());
        Answer { status: parts.status, headers: parts.headers, body, length }
    }

    /// A JSON request of a machine with a token.
    pub async fn send(&self, token: &str, uri: &str, more: &[(&str, &str)], body: &serde_json::Value) -> Answer {
        let authorization = format!("Bearer {token}");
        let mut headers = vec![("authorization", &*authorization), ("content-type", "application/json")];
        headers.extend_from_slice(more);
        self.ask("POST", uri, &headers, body.to_string()).await
    }
}

/// The header of a form.
pub const FORM: &[(&str, &str)] = &[("content-type", "application/x-www-form-urlencoded")];
