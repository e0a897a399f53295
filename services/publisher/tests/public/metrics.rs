use insta::assert_snapshot;

use crate::{ask, body, fleet, get};

#[tokio::test]
async fn metrics_as_published() {
    assert_snapshot!(body("/metrics").await);
}

#[tokio::test]
async fn the_media_type_is_that_of_the_specification() {
    // OpenMetrics 1.0, "Protocol negotiation".
    let answer = get("/metrics").await;
    assert_eq!(answer.header("content-type"), "application/openmetrics-text; version=1.0.0; charset=utf-8");
    assert!(answer.body.ends_with("\n# EOF\n") && !answer.body.contains('\r'));
}

fn samples<'a>(text: &'a str, name: &str) -> Vec<&'a str> {
    text.lines()
        .filter(|line| line.starts_with(&format!("{name}{{")) || line.starts_with(&format!("{name} ")))
        .collect()
}

#[tokio::test]
async fn a_risk_that_is_not_known_or_not_current_has_no_sample() {
    let text = body("/metrics").await;
    let risks = samples(&text, "groovecast_risk_ratio");
    // C-103, C-104, C-106 and C-101 have three each; C-102 and C-108 are at the limit, C-105 is stale, C-107 has no tube.
    assert_eq!(risks.len(), 12, "{risks:?}");
    for unit in ["C-102", "C-105", "C-107", "C-108"] {
        assert!(!risks.iter().any(|line| line.contains(unit)), "{unit} has a risk");
        let state = samples(&text, "groovecast_score_state");
        assert!(state.iter().any(|line| line.contains(unit) && line.ends_with(" 1")), "{unit} has no state");
    }
    assert!(
        risks.iter().any(|line| line.contains("unit=\"C-103\",tube=\"T-0042\",horizon_hours=\"500\"} 0.44")),
        "{risks:?}"
    );

    let mut snapshot = fleet::snapshot();
    snapshot.scores.iter_mut().for_each(|score| score.risks.iter_mut().for_each(|ahead| ahead.risk = f64::NAN));
    let text = ask(snapshot, "GET", "/metrics").await.body;
    assert!(
        samples(&text, "groovecast_risk_ratio").is_empty() && samples(&text, "groovecast_risk_upper_ratio").is_empty()
    );
    let text = ask(fleet::empty(), "GET", "/metrics").await.body;
    assert!(samples(&text, "groovecast_evaluation_age_seconds").is_empty(), "an age was invented");
    assert_eq!(samples(&text, "groovecast_broker_connected"), ["groovecast_broker_connected 0"]);
}

#[tokio::test]
async fn of_every_state_set_exactly_one_holds() {
    let text = body("/metrics").await;
    let states = samples(&text, "groovecast_score_state");
    // Nine scores, eight states.
    assert_eq!((states.len(), states.iter().filter(|line| line.ends_with(" 1")).count()), (72, 9));
}

#[tokio::test]
async fn faults_are_counted_by_reason_and_a_double_one_adds_up() {
    let mut snapshot = fleet::snapshot();
    let again = snapshot.faults[0].clone();
    snapshot.faults.push(again);
    let text = ask(snapshot, "GET", "/metrics").await.body;
    assert_eq!(
        samples(&text, "groovecast_faults_total"),
        [
            "groovecast_faults_total{reason=\"decimal_comma\"} 6",
            "groovecast_faults_total{unit=\"C-105\",signal=\"torque\",reason=\"out_of_range\"} 12"
        ]
    );
}
