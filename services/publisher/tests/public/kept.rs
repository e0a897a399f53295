//! Answers that are kept: made once for all who ask the same, and never told of a plant that has moved on.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{Request, StatusCode};
use jiff::{SignedDuration, Timestamp};
use plant::{Clock, Role};
use publisher::{ReadAccess, Site, Snapshot, app};
use tokio::sync::watch;
use tower::ServiceExt;

use crate::desk::Desk;
use crate::{Answer, fleet};

/// A clock that counts how often somebody looks at it. Pages look at it whenever they are made.
struct Counting(AtomicI64);

impl Clock for Counting {
    fn now(&self) -> Timestamp {
        fleet::now() + SignedDuration::from_secs(self.0.fetch_add(1, Ordering::Relaxed))
    }
}

/// A service whose plant moves on when it is told to.
struct Moving {
    router: Router,
    newest: watch::Sender<Arc<Snapshot>>,
    clock: Arc<Counting>,
    desk: Desk,
}

impl Moving {
    async fn on(site: Site) -> Moving {
        let desk = Desk::on(Snapshot::default(), site).await;
        let (newest, snapshots) = watch::channel(Arc::new(fleet::snapshot()));
        let clock = Arc::new(Counting(AtomicI64::new(0)));
        let mut publisher = desk.publisher.clone();
        (publisher.snapshots, publisher.clock) = (snapshots, clock.clone());
        Moving { router: app(publisher), newest, clock, desk }
    }

    async fn get(&self, uri: &str, headers: &[(&str, &str)]) -> Answer {
        let mut request = Request::get(uri);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let answer =
            self.router.clone().oneshot(request.body(Body::empty()).expect("a request")).await.expect("an answer");
        let (parts, body) = answer.into_parts();
        let body = to_bytes(body, usize::MAX).await.expect("a body");
        let (length, body) = (body.len(), String::from_utf8(body.to_vec()).expect("UTF-8"));
        Answer { status: parts.status, headers: parts.headers, body, length }
    }

    fn looks(&self) -> i64 {
        self.clock.0.load(Ordering::Relaxed)
    }
}

#[tokio::test]
async fn a_page_is_made_once_for_all_who_ask_and_anew_for_a_plant_that_has_moved_on() {
    let plant = Moving::on(fleet::site()).await;
    for uri in ["/", "/signals", "/changeovers"] {
        let before = plant.looks();
        let first = plant.get(uri, &[]).await;
        let made = plant.looks();
        assert!(made > before, "{uri} never looks at the clock: this test would see nothing");
        let asked = (0..20).map(|_| plant.get(uri, &[]));
        let all = all_of(asked).await;
        assert_eq!(plant.looks(), made, "{uri} was made again");
        assert!(all.iter().all(|one| one.body == first.body && one.headers == first.headers), "{uri}");
        let mut later = fleet::snapshot();
        later.at += SignedDuration::from_mins(1);
        later.signals.iter_mut().for_each(|signal| signal.count += 1);
        plant.newest.send_replace(Arc::new(later));
        let next = plant.get(uri, &[]).await;
        assert_ne!(next.body, first.body, "{uri} tells of a plant that has moved on");
        assert_ne!(next.header("etag"), first.header("etag"), "{uri}");
        plant.newest.send_replace(Arc::new(fleet::snapshot()));
    }
}

async fn all_of<F: Future<Output = Answer>>(all: impl Iterator<Item = F>) -> Vec<Answer> {
    let mut answers = Vec::new();
    for one in all {
        answers.push(one.await);
    }
    answers
}

#[tokio::test]
async fn many_who_ask_at_once_wait_for_one_answer() {
    let plant = Arc::new(Moving::on(fleet::site()).await);
    let before = plant.looks();
    plant.get("/", &[]).await;
    let once = plant.looks() - before;
    plant.newest.send_replace(Arc::new(fleet::snapshot()));
    let tasks: Vec<_> = (0..50)
        .map(|_| {
            let plant = plant.clone();
            tokio::spawn(async move { plant.get("/", &[]).await.status })
        })
        .collect();
    for task in tasks {
        assert_eq!(task.await.unwrap(), StatusCode::OK);
    }
    assert_eq!(plant.looks() - before, 2 * once);
}

#[tokio::test]
async fn who_asks_for_something_else_gets_something_else() {
    let plant = Moving::on(fleet::site()).await;
    let json = plant.get("/api/v1/risks", &[]).await;
    let csv = plant.get("/api/v1/risks", &[("accept", "text/csv")]).await;
    assert!(json.header("content-type").starts_with("application/json"));
    assert!(csv.header("content-type").starts_with("text/csv"), "{:?}", csv.headers);
    let light = plant.get("/charts/board.svg", &[]).await;
    assert_ne!(plant.get("/charts/board.svg?theme=dark", &[]).await.body, light.body);
    assert_eq!(plant.get("/charts/board.svg?theme=blue", &[]).await.status, StatusCode::BAD_REQUEST);
    assert_eq!(plant.get("/tubes/T-9999", &[]).await.status, StatusCode::NOT_FOUND);
    // RFC 9110, 9.3.2 and 13.1.2, of what is kept.
    let tag = light.header("etag");
    let known = plant.get("/charts/board.svg", &[("if-none-match", tag), ("origin", "https://wall.example")]).await;
    assert_eq!((known.status, known.body.as_str(), known.header("etag")), (StatusCode::NOT_MODIFIED, "", tag));
    assert_eq!(known.header("access-control-allow-origin"), "https://wall.example");
}

#[tokio::test]
async fn what_is_kept_is_for_who_may_read() {
    let plant = Moving::on(Site { reading: ReadAccess::Login, ..fleet::site() }).await;
    let token = format!("Bearer {}", plant.desk.token(Role::Reader).await);
    assert_eq!(plant.get("/api/v1/risks", &[("authorization", &token)]).await.status, StatusCode::OK);
    assert_eq!(plant.get("/api/v1/risks", &[]).await.status, StatusCode::UNAUTHORIZED);
    assert_eq!(plant.get("/", &[("authorization", &token)]).await.status, StatusCode::OK);
    assert_eq!(plant.get("/", &[]).await.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn a_stream_of_made_up_questions_is_answered_and_crowds_nobody_out_for_long() {
    let plant = Moving::on(fleet::site()).await;
    for number in 0..600 {
        assert_eq!(plant.get(&format!("/models?x={number}"), &[]).await.status, StatusCode::OK);
    }
    let beyond = plant.get("/track", &[]).await;
    assert_eq!((beyond.status, beyond.header("etag").is_empty()), (StatusCode::OK, false));
    let long = format!("/models?x={}", "x".repeat(3000));
    assert_eq!(plant.get(&long, &[]).await.status, StatusCode::OK);
}

#[tokio::test]
async fn ages_go_on_where_no_new_snapshot_comes() {
    let plant = Moving::on(fleet::site()).await;
    let before = plant.looks();
    plant.get("/signals", &[]).await;
    let once = plant.looks() - before;
    tokio::time::sleep(std::time::Duration::from_millis(2100)).await;
    plant.get("/signals", &[]).await;
    assert_eq!(plant.looks() - before, 2 * once);
}
