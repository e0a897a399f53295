use plant::Role;
use serde_json::{Value, json};

use crate::desk::{Desk, FORM};

fn seen(grade: u8, depth_um: f64) -> Value {
    json!({ "at": "2026-05-11T09:30:00Z", "tube": "T-0042", "grade": grade, "depth_um": depth_um })
}

async fn desk_with_a_finding() -> (Desk, String, String) {
    let desk = Desk::with_tubes().await;
    let token = desk.token(Role::Inspector).await;
    let added = desk.send(&token, "/api/v1/findings", &[], &seen(2, 508.0)).await;
    let url = added.json()["findings"][0]["url"].as_str().expect("a finding").to_owned();
    (desk, token, url)
}

#[tokio::test]
async fn a_correction_keeps_what_was_said_before() {
    let (desk, token, url) = desk_with_a_finding().await;
    let body = json!({ "finding": seen(2, 20.0), "why": "typed mil for micrometre" });
    let to = format!("{url}/correction");
    // RFC 6585, 3 (428) and RFC 9110, 13.1.1 and 15.5.13 (412).
    assert_eq!(desk.send(&token, &to, &[], &body).await.status.as_u16(), 428);
    assert_eq!(desk.send(&token, &to, &[("if-match", "\"7\"")], &body).await.status.as_u16(), 412);
    let corrected = desk.send(&token, &to, &[("if-match", "\"1\"")], &body).await;
    assert_eq!((corrected.status.as_u16(), corrected.header("etag")), (200, "\"2\""), "{}", corrected.body);
    let told = desk.ask("GET", &url, &[], "").await.json();
    assert_eq!(told["finding"]["depth_um"], 20.0);
    let history = told["history"].as_array().unwrap();
    assert_eq!((&history[0]["finding"]["depth_um"], &history[1]["finding"]["depth_um"]), (&json!(508.0), &json!(20.0)));
    assert_eq!((&history[0]["why"], &history[1]["why"]), (&Value::Null, &json!("typed mil for micrometre")));
    // What has seen the first version only is refused now.
    assert_eq!(desk.send(&token, &to, &[("if-match", "\"1\"")], &body).await.status.as_u16(), 412);
}

#[tokio::test]
async fn of_two_corrections_at_once_one_is_told_of_the_other() {
    let (desk, token, url) = desk_with_a_finding().await;
    let to = format!("{url}/correction");
    let with = |depth| json!({ "finding": seen(2, depth), "why": "measured again" });
    let (one, other) = (with(21.0), with(22.0));
    let seen_first = [("if-match", "\"1\"")];
    let (a, b) = tokio::join!(desk.send(&token, &to, &seen_first, &one), desk.send(&token, &to, &seen_first, &other));
    let mut statuses = [a.status.as_u16(), b.status.as_u16()];
    statuses.sort_unstable();
    assert_eq!(statuses, [200, 412], "{} {}", a.body, b.body);
}

#[tokio::test]
async fn a_withdrawn_finding_stays_readable_and_counts_no_more() {
    let (desk, token, url) = desk_with_a_finding().await;
    let to = format!("{url}/withdrawal");
    let tag = [("if-match", "\"1\"")];
    let blank = desk.send(&token, &to, &tag, &json!({ "why": "  " })).await;
    assert_eq!((blank.status.as_u16(), &blank.json()["errors"][0]["pointer"]), (422, &json!("#/why")));
    let gone = desk.send(&token, &to, &tag, &json!({ "why": "it was T-0043" })).await;
    assert_eq!(gone.status.as_u16(), 200, "{}", gone.body);
    let told = desk.ask("GET", &url, &[], "").await.json();
    assert_eq!((&told["withdrawn"], &told["finding"], &told["tube"]), (&json!(true), &Value::Null, &json!("T-0042")));
    assert_eq!(told["history"][1]["why"], "it was T-0043");
    assert_eq!(desk.publisher.ledger.record(&[]).await.unwrap().findings, vec![]);
    let page = desk.ask("GET", &url.replace("/api/v1", ""), &[], "").await;
    assert!(page.body.contains("was withdrawn") && page.body.contains("it was T-0043"), "{}", page.body);
}

#[tokio::test]
async fn the_rules_of_a_correction_are_those_of_a_finding() {
    let (desk, token, url) = desk_with_a_finding().await;
    let body = json!({ "finding": { "at": "2026-05-11", "tube": "T-9", "grade": 9 }, "colour": 1 });
    let refused = desk.send(&token, &format!("{url}/correction"), &[("if-match", "\"1\"")], &body).await;
    assert_eq!(refused.status.as_u16(), 422);
    let told = refused.json();
    let mut places: Vec<_> = told["errors"].as_array().unwrap().iter().map(|wrong| wrong["pointer"].clone()).collect();
    places.sort_by_key(Value::to_string);
    assert_eq!(places, ["#/colour", "#/finding/grade", "#/finding/tube", "#/why"]);
}

#[tokio::test]
async fn the_page_corrects_without_a_script() {
    let (desk, _, url) = desk_with_a_finding().await;
    desk.person(Role::Analyst).await;
    let (cookie, csrf) = desk.logged_in(Role::Analyst).await;
    let page = url.replace("/api/v1", "");
    let shown = desk.ask("GET", &page, &[("cookie", &cookie)], "").await;
    assert!(shown.body.contains("508") && shown.body.contains(&csrf), "{}", shown.body);
    let policy = shown.header("content-security-policy");
    assert!(policy.ends_with("frame-ancestors 'none'"), "a page with forms is never framed: {policy}");
    let headers = [FORM[0], ("cookie", &*cookie), ("origin", "http://here"), ("host", "here")];
    let fields = "at=2026-05-11T09%3A30%3A00Z&tube=T-0042&grade=2&depth_um=20&why=typed+mil";
    let send = |body: String| desk.ask("POST", &*format!("{page}/correction").leak(), &headers, body);
    assert_eq!(send(format!("{fields}&version=1")).await.status.as_u16(), 403, "without the token of the session");
    assert_eq!(send(format!("{fields}&version=1&csrf={}", "0".repeat(csrf.len()))).await.status.as_u16(), 403);
    let stale = send(format!("{fields}&version=0&csrf={csrf}")).await;
    assert!(stale.status.as_u16() == 412 && stale.body.contains("at version 1 now"), "{}", stale.body);
    let overtaken = "name=\"version\" value=\"0\"";
    assert!(
        stale.body.contains(overtaken) && stale.body.contains("start from the finding"),
        "sent again it would overwrite"
    );
    let wrong = send(format!("{}&version=1&csrf={csrf}", fields.replace("grade=2", "grade=7"))).await;
    assert!(wrong.status.as_u16() == 422 && wrong.body.contains("no grade") && wrong.body.contains("typed mil"));
    let done = send(format!("{fields}&version=1&csrf={csrf}")).await;
    assert_eq!((done.status.as_u16(), done.header("location")), (303, &*page), "{}", done.body);
    let told = desk.ask("GET", &url, &[], "").await.json();
    assert_eq!((&told["version"], &told["history"][1]["who"]), (&json!(2), &json!("analyst")));
    let withdraw = format!("version=2&why=never+seen&csrf={csrf}");
    let gone = desk.ask("POST", &format!("{page}/withdrawal"), &headers, withdraw).await;
    assert_eq!(gone.status.as_u16(), 303, "{}", gone.body);
    assert_eq!(desk.ask("GET", &url, &[], "").await.json()["withdrawn"], true);
}

#[tokio::test]
async fn every_write_stands_in_the_audit_trail() {
    let (desk, token, url) = desk_with_a_finding().await;
    let body = json!({ "why": "it was T-0043" });
    desk.send(&token, &format!("{url}/withdrawal"), &[("if-match", "\"1\"")], &body).await;
    let analyst = format!("Bearer {}", desk.token(Role::Analyst).await);
    let trail = desk.ask("GET", "/api/v1/audit?limit=50", &[("authorization", &analyst)], "").await;
    assert_eq!(trail.status.as_u16(), 200, "{}", trail.body);
    let rows = trail.json()["rows"].as_array().unwrap().clone();
    let by_machine = rows.iter().filter(|row| row["who"].as_str().unwrap().contains("machine inspector")).count();
    assert_eq!(by_machine, 2, "{rows:#?}");
    let ids: Vec<i64> = rows.iter().map(|row| row["id"].as_i64().unwrap()).collect();
    assert!(ids.windows(2).all(|pair| pair[0] > pair[1]), "the newest first: {ids:?}");
    let older = format!("/api/v1/audit?before={}", ids[0]);
    let older = desk.ask("GET", &older, &[("authorization", &analyst)], "").await.json();
    assert_eq!(older["rows"][0]["id"], ids[1]);
    let page = desk.ask("GET", "/audit", &[("authorization", &analyst)], "").await;
    assert!(page.body.contains("machine inspector") && page.header("cache-control").contains("private"));
    for (query, status) in [
        ("limit=0", 400),
        ("limit=9999999", 400),
        ("before=0", 400),
        ("before=9007199254740992", 400),
        ("before=9007199254740991", 200),
        ("x=1", 400),
        ("who=nobody", 200),
    ] {
        let uri = format!("/api/v1/audit?{query}");
        assert_eq!(desk.ask("GET", &uri, &[("authorization", &analyst)], "").await.status.as_u16(), status, "{query}");
    }
}
