use jiff::SignedDuration;
use plant::Role;
use publisher::{ReadAccess, Site};

use crate::desk::{Desk, FORM, PASSWORD, by};
use crate::fleet;

fn form(name: &str, password: &str) -> String {
    format!("name={name}&password={}&next=%2Ffindings%2F1", password.replace(' ', "+"))
}

#[tokio::test]
async fn a_person_logs_in_and_out() {
    let desk = Desk::with_tubes().await;
    desk.person(Role::Inspector).await;
    let page = desk.ask("GET", "/login?next=%2Ffindings%2F1", &[], "").await;
    assert!(page.body.contains("value=\"/findings/1\"") && page.body.contains("type=\"password\""), "{}", page.body);
    assert!(page.header("content-security-policy").ends_with("frame-ancestors 'none'"));
    assert_eq!(page.header("cache-control"), "no-store");
    let entered = desk.ask("POST", "/login", FORM, form("Inspector", PASSWORD)).await;
    assert_eq!((entered.status.as_u16(), entered.header("location")), (303, "/findings/1"));
    let cookie = entered.header("set-cookie");
    // RFC 6265bis, 5.6: no script reads it, no other site sends it.
    assert!(cookie.contains("; HttpOnly") && cookie.contains("; SameSite=Strict") && cookie.contains("; Path=/"));
    assert!(cookie.contains("; Max-Age=43200") && !cookie.contains("Secure") && !cookie.contains("Domain"));
    let cookie = cookie.split(';').next().unwrap();
    let told = desk.ask("GET", "/api/v1/session", &[("cookie", cookie)], "").await;
    assert_eq!((&told.json()["name"], &told.json()["role"]), (&"inspector".into(), &"inspector".into()));
    assert_eq!(told.header("cache-control"), "no-store");
    let csrf = told.json()["csrf_token"].as_str().unwrap().to_owned();
    assert!(desk.ask("GET", "/login", &[("cookie", cookie)], "").await.body.contains("You are inspector"));
    let headers = [FORM[0], ("cookie", cookie)];
    assert_eq!(desk.ask("POST", "/logout", &headers, "").await.status.as_u16(), 403, "nobody is logged out by a link");
    let out = desk.ask("POST", "/logout", &headers, format!("csrf={csrf}")).await;
    assert!(out.status.as_u16() == 303 && out.header("set-cookie").contains("Max-Age=0"), "{}", out.body);
    let gone = desk.ask("GET", "/api/v1/session", &[("cookie", cookie)], "").await;
    assert_eq!(gone.status.as_u16(), 401, "the secret is worth nothing any more");
}

#[tokio::test]
async fn a_wrong_password_and_an_unknown_name_read_the_same() {
    let desk = Desk::with_tubes().await;
    desk.person(Role::Inspector).await;
    let wrong = desk.ask("POST", "/login", FORM, form("inspector", "wrong wrong wrong")).await;
    let unknown = desk.ask("POST", "/login", FORM, form("inspectra", "wrong wrong wrong")).await;
    assert_eq!((wrong.status.as_u16(), unknown.status.as_u16()), (403, 403));
    assert_eq!(wrong.body.replace("inspector\"", "inspectra\""), unknown.body);
    assert!(!wrong.body.contains("wrong wrong") && wrong.header("set-cookie").is_empty());
}

#[tokio::test]
async fn no_password_comes_with_the_program() {
    let desk = Desk::with_tubes().await;
    for (number, (name, password)) in
        [("admin", "admin"), ("admin", ""), ("", ""), ("root", "root"), ("groovecast", "groovecast")].iter().enumerate()
    {
        let answer = desk.ask_from([10, 0, 1, number as u8], "POST", "/login", FORM, form(name, password)).await;
        assert_eq!(answer.status.as_u16(), 403, "{name} {password}");
    }
}

#[tokio::test]
async fn guessing_waits_and_keeps_nobody_out_elsewhere() {
    let desk = Desk::with_tubes().await;
    desk.person(Role::Inspector).await;
    let mut statuses = vec![];
    let mut wait = String::new();
    for _ in 0..8 {
        let answer = desk.ask("POST", "/login", FORM, form("inspector", "a wrong password")).await;
        statuses.push(answer.status.as_u16());
        wait.push_str(answer.header("retry-after"));
    }
    // RFC 6585, 4: too many requests, and when to come again.
    assert_eq!(statuses[..5], [403; 5]);
    assert!(statuses[5..].contains(&429) && wait.starts_with('1'), "{statuses:?} {wait:?}");
    let right = desk.ask_from([10, 0, 0, 8], "POST", "/login", FORM, form("inspector", PASSWORD)).await;
    assert_eq!(right.status.as_u16(), 303, "the person is not kept out from another address");
}

#[tokio::test]
async fn a_form_of_another_site_logs_nobody_in() {
    let desk = Desk::with_tubes().await;
    desk.person(Role::Inspector).await;
    let headers = [FORM[0], ("host", "plant.example"), ("origin", "http://evil.example")];
    let answer = desk.ask("POST", "/login", &headers, form("inspector", PASSWORD)).await;
    assert_eq!(answer.status.as_u16(), 403);
    assert!(answer.header("set-cookie").is_empty());
}

#[tokio::test]
async fn over_https_the_cookie_is_bound_to_it() {
    let site =
        Site { https: true, reading: ReadAccess::Login, session_lasts: SignedDuration::from_hours(1), ..fleet::site() };
    let desk = Desk::on(fleet::snapshot(), site).await;
    desk.person(Role::Reader).await;
    let browser = [("accept", "text/html,*/*;q=0.8")];
    assert_eq!(desk.ask("GET", "/", &browser, "").await.header("location"), "/login?next=%2F");
    assert_eq!(desk.ask("GET", "/health/live", &[], "").await.status.as_u16(), 200);
    let entered = desk.ask("POST", "/login", FORM, form("reader", PASSWORD)).await;
    let cookie = entered.header("set-cookie");
    // RFC 6265bis, 4.1.3.2: the prefix asks for Secure and Path=/.
    assert!(cookie.starts_with("__Host-groovecast=") && cookie.ends_with("; Secure"), "{cookie}");
    let cookie = cookie.split(';').next().unwrap();
    assert_eq!(desk.ask("GET", "/", &[("cookie", cookie)], "").await.status.as_u16(), 200);
    let write = [("cookie", cookie), ("content-type", "application/json")];
    assert_eq!(desk.ask("POST", "/api/v1/findings", &write, "{}").await.status.as_u16(), 403);
}

#[tokio::test]
async fn what_a_person_may_do_follows_from_the_next_request_on() {
    let desk = Desk::with_tubes().await;
    desk.person(Role::Inspector).await;
    let (cookie, csrf) = desk.logged_in(Role::Inspector).await;
    let headers = [("content-type", "application/json"), ("cookie", &*cookie), ("x-csrf-token", &csrf)];
    let told = async || desk.ask("POST", "/api/v1/findings", &headers, "{}").await.status.as_u16();
    assert_eq!(told().await, 422, "let in, for what it is");
    let ledger = &desk.publisher.ledger;
    ledger.set_role("inspector", Role::Reader, &by()).await.unwrap();
    assert_eq!(told().await, 403);
    ledger.set_role("inspector", Role::Inspector, &by()).await.unwrap();
    assert_eq!(told().await, 422);
    ledger.disable_person("inspector", &by()).await.unwrap();
    assert_eq!(told().await, 401);
    let again = desk.ask("POST", "/login", FORM, form("inspector", PASSWORD)).await;
    assert_eq!(again.status.as_u16(), 403, "who was disabled does not log in");
}

#[tokio::test]
async fn who_may_see_what_others_wrote_is_led_there() {
    let desk = Desk::with_tubes().await;
    for (role, led) in [(Role::Inspector, false), (Role::Analyst, true), (Role::Admin, true)] {
        desk.person(role).await;
        let (cookie, _) = desk.logged_in(role).await;
        let page = desk.ask("GET", "/login", &[("cookie", &cookie)], "").await.body;
        assert_eq!(page.contains("href=\"/audit\""), led, "{role}: {page}");
    }
}
