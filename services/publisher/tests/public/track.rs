//! The track record, a proposed model beside the approved one, the map of wear, and looks set aside.

use std::sync::Arc;

use insta::assert_snapshot;

use crate::{ask, body, fleet};

#[tokio::test]
async fn the_track_record_as_published() {
    assert_snapshot!(body("/track").await);
    assert_snapshot!(body("/api/v1/track").await);
}

#[tokio::test]
async fn a_proposed_model_and_the_map_of_wear_as_published() {
    assert_snapshot!(body("/api/v1/models/proposed").await);
    assert_snapshot!(body("/api/v1/wear-map").await);
}

#[tokio::test]
async fn drift_is_flagged_from_the_look_that_told_it() {
    assert!(!body("/track").await.contains("<strong class=\"flag\">Drift</strong>"));
    let mut snapshot = fleet::snapshot();
    let mut track = (*snapshot.track).clone();
    let drift = track.drift.as_mut().expect("the invented plant has marks");
    (drift.since, drift.evidence) = (Some(fleet::at("2026-05-04T09:00:00Z")), 240.0);
    snapshot.track = Arc::new(track);
    assert!(ask(snapshot, "GET", "/track").await.body.contains("<strong class=\"flag\">Drift</strong>"));
}

#[tokio::test]
async fn a_look_set_aside_is_marked_where_its_tube_is_shown() {
    let mut snapshot = fleet::snapshot();
    let found = snapshot.tubes[&fleet::tube_id("T-0042")].findings.last().expect("it was looked at").at;
    assert!(!ask(snapshot.clone(), "GET", "/tubes/T-0042").await.body.contains(", set aside"));
    snapshot.asides[0].look = found;
    assert!(ask(snapshot.clone(), "GET", "/tubes/T-0042").await.body.contains(", set aside"));
    snapshot.asides[0].lifted_at = Some(fleet::now());
    assert!(!ask(snapshot, "GET", "/tubes/T-0042").await.body.contains(", set aside"));
}

#[tokio::test]
async fn a_service_without_scores_has_an_empty_record_and_no_map() {
    let page = ask(fleet::empty(), "GET", "/track").await;
    assert!(page.body.contains("No complete look has come yet"), "{}", page.body);
    assert!(ask(fleet::empty(), "GET", "/api/v1/wear-map").await.json()["map"].is_null());
}
