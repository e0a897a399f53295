//! A tube to be held, seen through every door: the hold comes first, and no number reads as comfort.

use plant::{Grade, State};
use publisher::{Snapshot, risk_messages};
use serde_json::Value;

use crate::{ask, fleet};

/// A tube whose grooves are smooth and whose model is sure, with a flake on record.
fn held() -> Snapshot {
    let mut snapshot = fleet::snapshot();
    let score = snapshot
        .scores
        .iter_mut()
        .find(|score| score.unit == Some(fleet::unit_id("C-101")))
        .expect("a unit of the invented plant");
    (score.hold_and_assess, score.state, score.last_grade) = (true, State::Ok, Some(Grade::SMOOTH));
    assert!(score.risks[0].risk < 0.01, "this test needs a risk that would read as comfort");
    snapshot
}

async fn of(uri: &str) -> String {
    ask(held(), "GET", uri).await.body
}

fn assert_hold_first(text: &str, place: &str) {
    let hold = text.to_lowercase().find("hold and assess").unwrap_or_else(|| panic!("{place}: no hold in {text}"));
    for later in ["smooth", "grade 0", "fitted model"] {
        assert!(text.find(later).is_none_or(|at| hold < at), "{place}: {later:?} stands before the hold in {text}");
    }
}

#[tokio::test]
async fn json_and_messages_withhold_risk_and_grade_and_say_why() {
    let api: Value = serde_json::from_str(&of("/api/v1/risks?unit=C-101").await).unwrap();
    let messages = risk_messages(&held(), &fleet::site(), "p");
    let message = messages.iter().find(|message| message.topic == "p/risk/C-101").unwrap();
    for score in [&api["risks"][0], &serde_json::from_str(&message.payload).unwrap()] {
        assert_eq!((&score["risks"], &score["last_grade"]), (&Value::Array(vec![]), &Value::Null));
        for words in ["reason", "state_meaning", "last_grade_meaning"] {
            let words = score[words].as_str().unwrap();
            assert!(words.to_lowercase().starts_with("hold and assess: "), "{words}");
        }
    }
    let tubes: Value = serde_json::from_str(&of("/api/v1/tubes").await).unwrap();
    let line = tubes["tubes"].as_array().unwrap().iter().find(|line| line["tube"] == "T-0007").unwrap();
    assert_eq!(line["hold_and_assess"], true);
    let stops: Value = serde_json::from_str(&of("/api/v1/changeovers").await).unwrap();
    let stop = stops["changeovers"].as_array().unwrap().iter().find(|stop| stop["unit"] == "C-101").unwrap();
    assert_eq!((&stop["risk_now"], &stop["risk_if_not_opened"]), (&Value::Null, &Value::Null));
}

#[tokio::test]
async fn the_table_has_empty_cells_and_the_metrics_no_sample() {
    let table = of("/api/v1/risks.csv?unit=C-101").await;
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    let columns = reader.headers().unwrap().clone();
    let rows: Vec<_> = reader.records().collect::<Result<_, _>>().unwrap();
    assert_eq!(rows.len(), 1);
    let cell = |name: &str| &rows[0][columns.iter().position(|column| column == name).unwrap()];
    for empty in ["horizon_h", "risk", "lower", "upper", "last_grade"] {
        assert_eq!(cell(empty), "", "{empty}");
    }
    assert!(cell("reason").starts_with("hold and assess: "));
    let metrics = of("/metrics").await;
    assert!(metrics.contains("groovecast_hold_and_assess{unit=\"C-101\",tube=\"T-0007\"} 1"));
    assert!(!metrics.lines().any(|line| line.starts_with("groovecast_risk") && line.contains("C-101")));
}

#[tokio::test]
async fn pages_and_charts_say_the_hold_first() {
    let board = of("/").await;
    let row = &board[board.find(">C-101<").unwrap()..];
    assert_hold_first(
        &row[..row.find("</tr>").unwrap()].replace("<strong class=\"flag\">Hold", "hold and assess"),
        "board",
    );
    let tube = of("/tubes/T-0007").await;
    let score = &tube[tube.find("chance-title\">").unwrap()..tube.find("wall-title").unwrap()];
    assert!(score.contains("class=\"advice hold\"") && !score.contains("class=\"point\""), "{score}");
    assert_hold_first(score, "tube");
    for chart in ["/charts/tubes/T-0007.svg", "/charts/board.svg"] {
        let picture = of(chart).await;
        assert!(picture.contains("old and assess") && !picture.contains("under\u{a0}1\u{a0}%"), "{chart}");
    }
}
