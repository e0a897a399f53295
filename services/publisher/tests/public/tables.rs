use insta::assert_snapshot;
use serde_json::Value;

use crate::{asking, body, fleet, get};

#[tokio::test]
async fn tables_as_published() {
    assert_snapshot!(body("/api/v1/risks.csv").await);
    assert_snapshot!(body("/api/v1/signals.csv").await);
}

/// The rows of a table, by a reader that is not ours.
fn rows(table: &str) -> Vec<csv::StringRecord> {
    csv::Reader::from_reader(table.as_bytes()).records().collect::<Result<_, _>>().expect("CSV with rows of one length")
}

#[tokio::test]
async fn the_table_says_what_the_json_says() {
    let json: Value = serde_json::from_str(&body("/api/v1/risks").await).unwrap();
    let table = body("/api/v1/risks.csv").await;
    let mut rows = rows(&table).into_iter();
    for score in json["risks"].as_array().unwrap() {
        let risks = score["risks"].as_array().unwrap();
        for place in 0..risks.len().max(1) {
            let row = rows.next().expect("a row for each score and horizon");
            assert_eq!(&row[0], score["unit"].as_str().unwrap_or_default());
            assert_eq!(&row[1], score["tube"].as_str().unwrap_or_default());
            for (column, name) in [(6, "horizon_h"), (7, "risk"), (8, "lower"), (9, "upper")] {
                let told = risks.get(place).and_then(|ahead| ahead[name].as_f64());
                assert_eq!(row[column].parse::<f64>().ok(), told, "{name} of {row:?}");
            }
        }
    }
    assert!(rows.next().is_none());
}

#[tokio::test]
async fn a_score_without_a_risk_has_an_empty_cell_and_no_nought() {
    let table = body("/api/v1/risks.csv?unit=C-107").await;
    let rows = rows(&table);
    assert_eq!(
        (rows.len(), &rows[0][3], [&rows[0][6], &rows[0][7], &rows[0][8], &rows[0][9]]),
        (1, "no_tube", [""; 4])
    );
}

#[tokio::test]
async fn the_form_is_that_of_the_standard() {
    let answer = get("/api/v1/signals.csv").await;
    // RFC 7111, 5.1 (media type text/csv): parameters charset and header. RFC 4180, 2: lines end in CRLF.
    assert_eq!(answer.header("content-type"), "text/csv; charset=utf-8; header=present");
    assert_eq!(answer.body.matches('\n').count(), answer.body.matches("\r\n").count());
    assert_eq!(answer.body.matches("\r\n").count(), 5);
}

#[tokio::test]
async fn who_asks_for_csv_gets_it_and_caches_are_told() {
    for (json, csv) in [("/api/v1/risks", "/api/v1/risks.csv"), ("/api/v1/signals", "/api/v1/signals.csv")] {
        let asked = asking(fleet::snapshot(), "GET", json, &[("accept", "text/csv")]).await;
        assert_eq!(asked.body, body(csv).await);
        assert!(asked.header("content-type").starts_with("text/csv"));
        let plain = asking(fleet::snapshot(), "GET", json, &[("accept", "*/*")]).await;
        assert_eq!(plain.header("content-type"), "application/json");
        for answer in [asked, plain] {
            // RFC 9110, 12.5.5.
            assert!(answer.headers.get_all("vary").iter().any(|value| value == "accept"), "{json}");
        }
    }
    assert_eq!(get("/api/v1/risks.csv?unit=C-999").await.status.as_u16(), 404);
    assert_eq!(get("/api/v1/risks.csv?x=1").await.status.as_u16(), 400);
}

#[tokio::test]
async fn a_payload_from_the_plant_is_no_formula() {
    let mut snapshot = fleet::snapshot();
    snapshot.signals.truncate(1);
    snapshot.signals[0].raw = "=HYPERLINK(\"http://x\",\"y\")".to_owned();
    snapshot.signals[0].topic = "@works".to_owned();
    snapshot.signals[0].value = "-5.1".to_owned();
    let table = crate::ask(snapshot, "GET", "/api/v1/signals.csv").await.body;
    let row = rows(&table).swap_remove(0);
    assert_eq!((&row[2], &row[11], &row[12]), ("-5.1", "'@works", "'=HYPERLINK(\"http://x\",\"y\")"));
}
