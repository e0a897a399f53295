use insta::assert_snapshot;
use jiff::SignedDuration;
use publisher::{Snapshot, lacks};

use crate::{ask, fleet};

fn codes(snapshot: &Snapshot) -> Vec<&'static str> {
    lacks(snapshot, &fleet::site(), fleet::now()).into_iter().map(|lack| lack.code).collect()
}

#[test]
fn each_lack_is_told_apart() {
    assert!(codes(&fleet::snapshot()).is_empty());
    assert_eq!(codes(&fleet::empty()), ["broker_away", "not_evaluated"]);
    let mut full_disk = fleet::snapshot();
    full_disk.journal.error = Some("no space left on device".to_owned());
    assert_eq!(codes(&full_disk), ["commits_failing"]);
    let mut refused = fleet::snapshot();
    refused.link.refused_filters = vec!["works/#".to_owned()];
    assert_eq!(codes(&refused), ["filter_refused"]);
    refused.link.connected = false;
    assert_eq!(codes(&refused), ["broker_away"], "nobody refuses anything while nobody is there");
}

#[tokio::test]
async fn what_comes_by_the_subscriptions_is_said_in_a_line() {
    let line =
        |body: &str| body.split("<dt>Subscriptions</dt><dd>").nth(1).unwrap().split("</dd>").next().unwrap().to_owned();
    let mut snapshot = fleet::snapshot();
    let page = |snapshot: &Snapshot| ask(snapshot.clone(), "GET", "/signals");
    assert_eq!(line(&page(&snapshot).await.body), "all granted, nothing waits");
    snapshot.link.backlog = true;
    let ready = ask(snapshot.clone(), "GET", "/health/ready").await;
    assert_eq!(ready.status.as_u16(), 200, "a backlog is work, and no lack");
    assert!(ready.body.contains("\"backlog\": true"), "{}", ready.body);
    snapshot.link.refused_filters = vec!["works/+/torque".to_owned()];
    snapshot.link.qos0_filters = vec!["mill/#".to_owned()];
    let said = line(&page(&snapshot).await.body);
    for part in ["refused by the broker: works/+/torque", "QoS 0 only", "mill/#", "count as having waited"] {
        assert!(said.contains(part), "{said}");
    }
    let json = ask(snapshot, "GET", "/api/v1/signals").await.body;
    assert!(json.contains("works/+/torque") && json.contains("\"backlog\": true"), "{json}");
}

#[test]
fn a_service_that_stops_evaluating_is_noticed_by_the_clock_alone() {
    let mut snapshot = fleet::snapshot();
    snapshot.evaluated_at = Some(fleet::now() - SignedDuration::from_mins(15));
    assert!(codes(&snapshot).is_empty());
    snapshot.evaluated_at = Some(fleet::now() - SignedDuration::from_secs(15 * 60 + 1));
    assert_eq!(codes(&snapshot), ["evaluation_late"]);
}

#[tokio::test]
async fn a_refused_configuration_is_told_without_making_the_service_unready() {
    let mut snapshot = fleet::snapshot();
    snapshot.config.refused = Some("plant.toml:7: broker.port: 0 is no port".to_owned());
    snapshot.config.needs_restart = vec!["site.data"];
    let answer = ask(snapshot.clone(), "GET", "/health/ready").await;
    assert_eq!(answer.status.as_u16(), 200);
    assert!(answer.body.contains("\"refused\": true") && answer.body.contains("site.data"), "{}", answer.body);
    assert!(!answer.body.contains("plant.toml"), "anybody may ask for health");
    let board = ask(snapshot, "GET", "/").await.body;
    assert!(board.contains("0 is no port") && board.contains("only after a restart: site.data"), "the board says why");
}

#[tokio::test]
async fn not_ready_is_a_problem_with_reasons_while_live_stays_live() {
    let mut snapshot = fleet::snapshot();
    snapshot.link.connected = false;
    snapshot.link.error = Some("connection refused".to_owned());
    snapshot.journal.error = Some("no space left on device".to_owned());
    let answer = ask(snapshot.clone(), "GET", "/health/ready").await;
    assert_eq!((answer.status.as_u16(), answer.header("content-type")), (503, "application/problem+json"));
    assert_snapshot!(answer.body);
    assert_eq!(ask(snapshot.clone(), "GET", "/health/live").await.status.as_u16(), 200);
    let board = ask(snapshot, "GET", "/").await.body;
    assert!(board.contains("connection refused") && board.contains("no space left on device"), "the board says it too");
}
