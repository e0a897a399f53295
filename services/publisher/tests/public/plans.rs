use insta::assert_snapshot;
use serde_json::Value;

use crate::{ask, body, fleet};

#[tokio::test]
async fn changeovers_as_published() {
    assert_snapshot!(body("/api/v1/changeovers").await);
}

#[tokio::test]
async fn models_as_published() {
    assert_snapshot!(body("/api/v1/models").await);
    assert_snapshot!(body("/models").await);
}

async fn changeovers() -> Vec<Value> {
    let json: Value = serde_json::from_str(&body("/api/v1/changeovers").await).expect("JSON");
    json["changeovers"].as_array().expect("a list").clone()
}

#[tokio::test]
async fn the_stops_of_the_invented_plant_come_in_order_of_time() {
    let units: Vec<_> = changeovers().await.iter().map(|stop| stop["unit"].as_str().unwrap().to_owned()).collect();
    // Written down by hand from the plan: 13, 16, 18, 22 May, 18 June. C-107 stands still since 2 May.
    assert_eq!(units, ["C-107", "C-108", "C-101", "C-105", "C-103", "C-103"]);
}

#[tokio::test]
async fn the_risk_is_that_after_what_the_plan_runs() {
    let stops = changeovers().await;
    let first = stops.iter().find(|stop| stop["unit"] == "C-103").unwrap();
    // By hand: of 18 days with 300 h, 10 days and 1.5 h are left: 300 x 241.5 / 432 = 167.7; and 420 h follow.
    assert!((first["run_h_ahead"].as_f64().unwrap() - 587.7).abs() < 0.1, "{first}");
    // Of the way from 44 % after 500 h to 55 % after 1000 h: 44 + 11 x 87.7 / 500 = 45.93.
    assert!((first["risk_if_not_opened"]["horizon_h"].as_f64().unwrap() - 587.7).abs() < 0.1, "{first}");
    assert!((first["risk_if_not_opened"]["risk"].as_f64().unwrap() - 0.4593).abs() < 1e-4, "{first}");
    assert_eq!(first["risk_now"]["risk"], 0.31);
    let second = stops.iter().rfind(|stop| stop["unit"] == "C-103").unwrap();
    assert_eq!(second["risk_if_not_opened"], Value::Null);
    assert!(second["no_risk_because"].as_str().unwrap().contains("longest horizon is 1000 h"), "{second}");
    for stop in stops {
        assert_ne!(stop["risk_if_not_opened"].is_null(), stop["no_risk_because"].is_null(), "{stop}");
    }
}

#[tokio::test]
async fn a_plan_that_nobody_entered_is_not_an_empty_plan() {
    let mut snapshot = fleet::snapshot();
    snapshot.campaigns.clear();
    let json: Value = serde_json::from_str(&ask(snapshot.clone(), "GET", "/api/v1/changeovers").await.body).unwrap();
    assert_eq!(json["campaigns_known"], false);
    assert!(!ask(snapshot, "GET", "/").await.body.contains("changeovers-title"));
}

#[tokio::test]
async fn under_the_board_each_unit_has_its_next_stop_and_no_false_comfort() {
    let page = body("/").await;
    let table = &page[page.find("changeovers-title").unwrap()..];
    assert_eq!(table.matches("<b>C-103</b>").count(), 1);
    let row = |unit: &str| {
        let start = table.find(&format!("<b>{unit}</b>")).unwrap_or_else(|| panic!("{unit} is missing"));
        &table[start..start + table[start..].find("</tr>").unwrap()]
    };
    // By hand: 87.7 of 500 h from 44 % (27 to 64) to 55 % (34 to 77).
    assert!(
        row("C-103").contains("46\u{a0}% (28–66\u{a0}%)") && row("C-103").contains("588\u{a0}h planned"),
        "{}",
        row("C-103")
    );
    assert!(row("C-108").contains("hold and assess") && row("C-108").contains("does not wait for it"));
    assert!(row("C-105").contains("no longer current") && row("C-105").contains("no chance can be given"));
    assert!(row("C-101").contains("has no run hours"), "{}", row("C-101"));
    assert!(row("C-107").contains("no chance can be given"));
}

#[tokio::test]
async fn forecasts_go_by_plain_names_and_the_best_stands_first() {
    let page = body("/models").await;
    for name in ["base_rate", "constant_rate", "hours_only"] {
        assert!(!page.contains(name), "{name}");
    }
    assert!(page.contains("Run hours alone (log loss 0.3300) is not beaten"));
    let table = &page[page.find("id=\"contenders-2\"").unwrap()..];
    // By hand, by their log loss: 0.301, 0.342, 0.352, 0.371.
    let order =
        [">Model<", ">Run hours alone<", ">Constant rate<", ">Base rate<"].map(|name| table.find(name).unwrap());
    assert!(order.is_sorted(), "{order:?}");
}

#[tokio::test]
async fn the_model_that_speaks_is_named_first() {
    let page = body("/models").await;
    assert!(page.contains("Version 2, cloglog-2026-04, stands behind the scores"));
    let mut snapshot = fleet::snapshot();
    snapshot.models.retain(|model| model.version != 2);
    assert!(ask(snapshot, "GET", "/models").await.body.contains("No model is approved"));
}
