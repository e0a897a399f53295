use ledger::AuditFilter;
use plant::Role;
use serde_json::{Value, json};

use crate::desk::{Desk, by};

fn seen(grade: u8) -> Value {
    json!({ "at": "2026-05-11T09:30:00Z", "tube": "T-0042", "grade": grade, "zone": "far", "clock": "6", "kind": "groove" })
}

#[tokio::test]
async fn a_finding_that_was_sent_can_be_read_back() {
    let desk = Desk::with_tubes().await;
    let token = desk.token(Role::Inspector).await;
    let added = desk.send(&token, "/api/v1/findings", &[], &seen(2)).await;
    assert_eq!(added.status.as_u16(), 201, "{}", added.body);
    let url = added.json()["findings"][0]["url"].as_str().unwrap().to_owned();
    let read = desk.ask("GET", &url, &[], "").await;
    assert_eq!(read.header("etag"), added.json()["findings"][0]["etag"].as_str().unwrap());
    let told = read.json();
    assert_eq!((&told["finding"]["grade"], &told["finding"]["clock"]), (&json!(2), &json!("6")));
    assert_eq!(told["withdrawn"], false);
    assert_eq!(told["history"].as_array().unwrap().len(), 1);
    assert!(told["entered_by"].as_str().unwrap().contains("machine inspector"), "{told}");
    let list = desk.ask("GET", "/api/v1/findings?tube=T-0042", &[], "").await.json();
    assert_eq!(list["findings"][0]["id"], told["id"]);
    let other = desk.ask("GET", "/api/v1/findings?tube=T-0043", &[], "").await.json();
    assert_eq!(other["findings"], json!([]));
    assert_eq!(desk.ask("GET", "/api/v1/findings?tube=T-1", &[], "").await.status.as_u16(), 404);
    let since = desk.ask("GET", "/api/v1/findings?since=2026-05-12T04:30:01Z", &[], "").await.json();
    assert_eq!(since["findings"], json!([]));
    // RFC 9110, 13.1.2: who has it already is not sent it again.
    let again = desk.ask("GET", &url, &[("if-none-match", "\"1\"")], "").await;
    assert_eq!(again.status.as_u16(), 304);
}

#[tokio::test]
async fn a_request_that_is_sent_again_is_kept_once() {
    let desk = Desk::with_tubes().await;
    let token = desk.token(Role::Inspector).await;
    let key = [("idempotency-key", "\"8e03978e-40d5-43dd-bc93-6894a57f9324\"")];
    let first = desk.send(&token, "/api/v1/findings", &key, &seen(2)).await;
    let again = desk.send(&token, "/api/v1/findings", &key, &seen(2)).await;
    assert_eq!((first.status.as_u16(), again.status.as_u16()), (201, 200));
    assert_eq!(first.json()["findings"], again.json()["findings"]);
    assert_eq!((&first.json()["repeated"], &again.json()["repeated"]), (&json!(false), &json!(true)));
    let other = desk.send(&token, "/api/v1/findings", &key, &seen(3)).await;
    assert_eq!((other.status.as_u16(), other.json()["code"].as_str()), (409, Some("key_used_before")));
    let list = desk.ask("GET", "/api/v1/findings", &[], "").await.json();
    assert_eq!(list["findings"].as_array().unwrap().len(), 1);
}

#[tokio::test]
async fn everything_that_is_wrong_is_named_at_once_and_nothing_is_kept() {
    let desk = Desk::with_tubes().await;
    let token = desk.token(Role::Inspector).await;
    let body = json!({ "findings": [
        seen(2),
        { "at": "2027-01-01T00:00:00Z", "tube": "T-9", "grade": 5, "zone": "edge", "clock": "4", "method": "guess",
          "kind": "dent", "depth_um": -1, "reason": "whim", "run_h": -5, "inspector": "x".repeat(101) },
        { "tube": "T-0042", "grade": "2", "depth_um": "12", "note": 7, "colour": "red", "a/b~c": 1 },
        "nothing",
    ]});
    let answer = desk.send(&token, "/api/v1/findings", &[], &body).await;
    assert_eq!(answer.status.as_u16(), 422);
    assert_eq!(answer.header("content-type"), "application/problem+json");
    let told = answer.json();
    let mut places: Vec<&str> =
        told["errors"].as_array().unwrap().iter().map(|wrong| wrong["pointer"].as_str().unwrap()).collect();
    places.sort_unstable();
    // RFC 6901, 3 and 6: `/` and `~` in a name are written ~1 and ~0, and a fragment begins with #.
    let mut right = vec!["#/findings/2/a~1b~0c", "#/findings/3"];
    let (second, third) = (
        ["at", "clock", "depth_um", "grade", "inspector", "kind", "method", "reason", "run_h", "tube", "zone"],
        ["at", "colour", "depth_um", "grade", "note"],
    );
    let second: Vec<String> = second.iter().map(|name| format!("#/findings/1/{name}")).collect();
    let third: Vec<String> = third.iter().map(|name| format!("#/findings/2/{name}")).collect();
    right.extend(second.iter().chain(&third).map(String::as_str));
    right.sort_unstable();
    assert_eq!(places, right);
    assert_eq!(desk.ask("GET", "/api/v1/findings", &[], "").await.json()["findings"], json!([]));
}

#[tokio::test]
async fn what_is_no_finding_is_told_what_would_be_right() {
    let desk = Desk::with_tubes().await;
    let authorization = format!("Bearer {}", desk.token(Role::Inspector).await);
    let large = format!("{{\"note\": \"{}\"}}", "x".repeat(70_000));
    for (media, body, status, code) in [
        ("application/json", "{", 400, "not_json"),
        ("application/json", "[]", 422, "bad_finding"),
        ("application/json", "{}", 422, "bad_finding"),
        ("application/json", "{\"findings\": []}", 422, "bad_finding"),
        ("application/json", "{\"findings\": [], \"x\": 1}", 422, "bad_finding"),
        ("application/json", "null", 422, "bad_finding"),
        ("text/plain", "{}", 415, "not_json"),
        ("application/json", &*large, 413, "too_large"),
    ] {
        let headers = [("authorization", &*authorization), ("content-type", media)];
        let answer = desk.ask("POST", "/api/v1/findings", &headers, body.to_owned()).await;
        assert_eq!(
            (answer.status.as_u16(), answer.json()["code"].as_str()),
            (status, Some(code)),
            "{media}: {body:.40}"
        );
    }
    for deep in ["[", "{\"a\":"] {
        let body = deep.repeat(10_000);
        let headers = [("authorization", &*authorization), ("content-type", "application/json")];
        assert_eq!(desk.ask("POST", "/api/v1/findings", &headers, body).await.status.as_u16(), 400, "{deep}");
    }
}

#[tokio::test]
async fn who_may_not_write_leaves_no_trace() {
    let desk = Desk::with_tubes().await;
    desk.person(Role::Inspector).await;
    let (cookie, csrf) = desk.logged_in(Role::Inspector).await;
    let reader = format!("Bearer {}", desk.token(Role::Reader).await);
    let before = desk.publisher.ledger.audit(&AuditFilter::default(), 100).await.unwrap();
    let cases: [(u16, &[(&str, &str)]); 6] = [
        (401, &[]),
        (401, &[("authorization", "Bearer 00")]),
        (403, &[("authorization", &reader)]),
        (403, &[("cookie", &cookie)]),
        (403, &[("cookie", &cookie), ("x-csrf-token", &csrf), ("sec-fetch-site", "cross-site")]),
        // A session is no help to who sends a bad token along: which of the two is meant cannot be told.
        (401, &[("cookie", &cookie), ("x-csrf-token", &csrf), ("authorization", "Bearer 00")]),
    ];
    for (status, headers) in cases {
        let headers = [&[("content-type", "application/json")][..], headers].concat();
        let answer = desk.ask("POST", "/api/v1/findings", &headers, seen(2).to_string()).await;
        assert_eq!(answer.status.as_u16(), status, "{}", answer.body);
    }
    assert_eq!(desk.ask("GET", "/api/v1/findings", &[], "").await.json()["findings"], json!([]));
    assert_eq!(desk.publisher.ledger.audit(&AuditFilter::default(), 100).await.unwrap(), before);
    // The same with what is right, so that it is not something else that was wrong.
    let headers = [("content-type", "application/json"), ("cookie", &*cookie), ("x-csrf-token", &csrf)];
    let answer = desk.ask("POST", "/api/v1/findings", &headers, seen(2).to_string()).await;
    assert_eq!(answer.status.as_u16(), 201, "{}", answer.body);
}

/// Closes attributes, elements, strings and statements; begins a formula.
const HOSTILE: [&str; 8] = [
    "'); DROP TABLE findings; --",
    "\" OR 1=1 --",
    "$1 ? :a @a",
    "\"'><script>alert(1)</script><!--",
    "{{ 7*7 }}{% raw %}",
    "=HYPERLINK(\"http://x\",\"y\")",
    "@SUM(A1:A9)",
    "-1+cmd|' /C calc'!A0",
];

#[tokio::test]
async fn hostile_text_in_every_field_is_only_text() {
    let desk = Desk::with_tubes().await;
    for (number, hostile) in HOSTILE.into_iter().enumerate() {
        // One machine each: together they would write more than one may.
        let ledger = &desk.publisher.ledger;
        let token = ledger.add_token(&format!("machine {number}"), Role::Inspector, &by()).await.unwrap();
        let mut finding = seen(2);
        (finding["inspector"], finding["note"]) = (json!(hostile), json!(hostile));
        let added = desk.send(&token, "/api/v1/findings", &[("idempotency-key", "k")], &finding).await;
        // The key is the same each time: only the first may pass, the others are told so.
        assert!(matches!(added.status.as_u16(), 201 | 409), "{}", added.body);
        let added = desk.send(&token, "/api/v1/findings", &[], &finding).await;
        assert_eq!(added.status.as_u16(), 201, "{hostile}: {}", added.body);
        let url = added.json()["findings"][0]["url"].as_str().unwrap().to_owned();
        finding["depth_um"] = json!(20.0);
        let why = json!({ "finding": finding, "why": hostile });
        let etag = [("if-match", "\"1\"")];
        let corrected = desk.send(&token, &format!("{url}/correction"), &etag, &why).await;
        assert_eq!(corrected.status.as_u16(), 200, "{}", corrected.body);
        let told = desk.ask("GET", &url, &[], "").await.json();
        assert_eq!((&told["finding"]["note"], &told["finding"]["inspector"]), (&json!(hostile), &json!(hostile)));
        assert_eq!(told["history"][1]["why"], json!(hostile));
        let page = desk.ask("GET", &url.replace("/api/v1", ""), &[], "").await;
        assert_eq!(page.status.as_u16(), 200);
        assert!(!page.body.contains("<script") && !page.body.contains("<!--"), "{}", page.body);
        for field in ["tube", "zone", "clock", "kind", "method", "reason", "at", "recorded_at"] {
            let mut finding = seen(2);
            finding[field] = json!(hostile);
            let refused = desk.send(&token, "/api/v1/findings", &[], &finding).await;
            assert_eq!(refused.status.as_u16(), 422, "{field}: {hostile}");
            let pointer = refused.json()["errors"][0]["pointer"].as_str().unwrap().to_owned();
            assert_eq!(pointer, format!("#/{field}"), "{hostile}");
        }
        for query in ["tube", "since", "x"] {
            let encoded: String = form_urlencoded::byte_serialize(hostile.as_bytes()).collect();
            let answer = desk.ask("GET", &format!("/api/v1/findings?{query}={encoded}"), &[], "").await;
            assert!(matches!(answer.status.as_u16(), 400 | 404), "{query}: {}", answer.body);
        }
    }
    let list = desk.ask("GET", "/api/v1/findings", &[], "").await.json();
    assert_eq!(list["findings"].as_array().unwrap().len(), HOSTILE.len());
    let table = desk.ask("GET", "/api/v1/findings.csv", &[], "").await.body;
    let mut texts = 0;
    for row in csv::Reader::from_reader(table.as_bytes()).records() {
        for cell in row.unwrap().iter() {
            // OWASP, "CSV Injection": cells must not begin with = + - @, tab or carriage return, unless they are numbers.
            let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']) && cell.parse::<f64>().is_err();
            assert!(!formula, "{cell:?} is a formula");
            texts += usize::from(cell.starts_with('\''));
        }
    }
    // Inspector and note of the three that begin like a formula, and of the one that begins with an apostrophe itself.
    assert_eq!(texts, 8);
}

#[tokio::test]
async fn a_write_wakes_who_evaluates() {
    let desk = Desk::with_tubes().await;
    let token = desk.token(Role::Inspector).await;
    let written = desk.publisher.written.clone();
    let bad = desk.send(&token, "/api/v1/findings", &[], &json!({})).await;
    assert_eq!(bad.status.as_u16(), 422);
    let soon = std::time::Duration::from_millis(50);
    assert!(tokio::time::timeout(soon, written.notified()).await.is_err(), "nothing was written yet");
    desk.send(&token, "/api/v1/findings", &[], &seen(2)).await;
    tokio::time::timeout(soon, written.notified()).await.expect("woken by the write");
}

#[tokio::test]
async fn writes_and_refusals_are_counted() {
    let desk = Desk::with_tubes().await;
    let token = desk.token(Role::Inspector).await;
    desk.send(&token, "/api/v1/findings", &[], &seen(2)).await;
    desk.send(&token, "/api/v1/findings", &[], &json!({})).await;
    desk.send("00", "/api/v1/findings", &[], &seen(2)).await;
    let metrics = desk.ask("GET", "/metrics", &[], "").await.body;
    for line in [
        "groovecast_writes_total{route=\"/api/v1/findings\"} 1",
        "groovecast_refusals_total{reason=\"bad_finding\"} 1",
        "groovecast_refusals_total{reason=\"bad_token\"} 1",
    ] {
        assert!(metrics.contains(line), "{line} is not in\n{metrics}");
    }
}
