use axum::http::StatusCode;
use insta::assert_snapshot;
use serde_json::Value;

use crate::{Answer, ask, body, fleet, get};

#[tokio::test]
async fn risks_as_published() {
    assert_snapshot!(body("/api/v1/risks?unit=C-103").await);
    assert_snapshot!(body("/api/v1/risks?unit=C-107").await);
}

#[tokio::test]
async fn tubes_as_published() {
    assert_snapshot!(body("/api/v1/tubes").await);
    assert_snapshot!(body("/api/v1/tubes/T-0042").await);
}

#[tokio::test]
async fn signals_as_published() {
    assert_snapshot!(body("/api/v1/signals").await);
}

#[tokio::test]
async fn health_as_published() {
    assert_snapshot!(body("/health/live").await);
    assert_snapshot!(body("/health/ready").await);
}

/// The order of the invented plant, written down by hand from its scores; of C-104 the interval of 365 days is over.
const ORDER: [&str; 9] = ["C-108", "C-102", "C-104", "C-103", "C-106", "C-101", "C-105", "C-107", "-"];

#[tokio::test]
async fn risks_come_in_the_order_of_the_board() {
    let json: Value = serde_json::from_str(&body("/api/v1/risks").await).unwrap();
    let units: Vec<_> =
        json["risks"].as_array().unwrap().iter().map(|risk| risk["unit"].as_str().unwrap_or("-")).collect();
    assert_eq!(units, ORDER);
}

#[tokio::test]
async fn every_score_has_its_state_and_none_has_a_zero_for_an_unknown() {
    let json: Value = serde_json::from_str(&body("/api/v1/risks").await).unwrap();
    for risk in json["risks"].as_array().unwrap() {
        assert!(risk["state"].is_string() && risk["reason"].is_string() && risk["advice"].is_string(), "{risk}");
        for ahead in risk["risks"].as_array().unwrap() {
            assert!(ahead["risk"].as_f64().unwrap() > 0.0, "{risk}");
        }
    }
    let no_tube = json["risks"].as_array().unwrap().iter().find(|risk| risk["unit"] == "C-107").unwrap();
    assert_eq!(no_tube["risks"], Value::Array(vec![]));
}

#[tokio::test]
async fn a_risk_that_is_no_number_is_not_published() {
    let mut snapshot = fleet::snapshot();
    let score = snapshot.scores.iter_mut().find(|score| !score.risks.is_empty()).unwrap();
    score.risks[1].upper = f64::NAN;
    let unit = score.unit.clone().unwrap();
    let answer = ask(snapshot, "GET", &format!("/api/v1/risks?unit={unit}")).await;
    let json: Value = serde_json::from_str(&answer.body).unwrap();
    assert_eq!(json["risks"][0]["risks"], Value::Array(vec![]));
    assert!(json["risks"][0]["advice"].as_str().unwrap().contains("Inspect on the fixed schedule"));
}

/// RFC 9457, section 3: the media type, and the members `type`, `title`, `status`, `detail`; 4.2.1: with `about:blank`
/// the title is the phrase of the status (RFC 9110, section 15).
fn assert_problem(answer: &Answer, status: u16, phrase: &str, code: &str) {
    assert_eq!(answer.status.as_u16(), status);
    assert_eq!(answer.header("content-type"), "application/problem+json");
    let json: Value = serde_json::from_str(&answer.body).expect("JSON");
    assert_eq!(json["type"], "about:blank");
    assert_eq!(json["title"], phrase);
    assert_eq!(json["status"], status);
    assert!(json["detail"].as_str().expect("a sentence").len() > 10);
    assert_eq!(json["code"], code);
}

#[tokio::test]
async fn errors_are_problem_details() {
    assert_problem(&get("/api/v1/tubes/T-9999").await, 404, "Not Found", "unknown_tube");
    assert_problem(&get("/api/v1/nothing").await, 404, "Not Found", "no_such_route");
    assert_problem(&get("/api/v1/risks?unit=C-999").await, 404, "Not Found", "no_such_score");
    assert_problem(&get("/api/v1/risks?units=C-101").await, 400, "Bad Request", "bad_query");
    assert_problem(&get("/api/v1/tubes?unit=C-101").await, 400, "Bad Request", "bad_query");
    assert_problem(&get("/api/v1/tubes/%ff").await, 400, "Bad Request", "bad_path");
    let post = ask(fleet::snapshot(), "POST", "/api/v1/risks").await;
    assert_problem(&post, 405, "Method Not Allowed", "method_not_allowed");
    // RFC 9110, 15.5.6: a 405 names the methods that are taken.
    assert_eq!(post.header("allow"), "GET,HEAD");
    assert_snapshot!(get("/api/v1/tubes/T-9999").await.body);
}

#[tokio::test]
async fn filters_narrow_the_list() {
    let json: Value = serde_json::from_str(&body("/api/v1/risks?tube=T-0011").await).unwrap();
    assert_eq!(json["risks"].as_array().unwrap().len(), 1);
    assert_eq!(get("/api/v1/risks?tube=T-0011&unit=C-101").await.status, StatusCode::NOT_FOUND);
}
