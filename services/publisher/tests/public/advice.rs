//! Raised advice: the page, what people say to it, and what goes out by MQTT.

use insta::assert_snapshot;
use plant::{Advice, Role};
use publisher::{Notice, advice_message, notice, trial_notice};

use crate::desk::{Desk, FORM, by};
use crate::{Answer, fleet};

/// A plant whose ledger has the advice that its board shows: 1 a chance, 2 a hold.
async fn desk() -> Desk {
    let desk = Desk::empty(fleet::snapshot()).await;
    let raised: Vec<Advice> = fleet::advice().into_iter().map(|advice| Advice { id: 0, ..advice }).collect();
    desk.publisher.ledger.keep_advice(&raised, &[], &by()).await.expect("advice");
    desk
}

async fn press(desk: &Desk, role: Role, uri: &str, form: &str) -> Answer {
    let (cookie, csrf) = desk.logged_in(role).await;
    let headers = [("cookie", cookie.as_str()), FORM[0]];
    desk.ask("POST", uri, &headers, format!("csrf={csrf}&{form}")).await
}

#[tokio::test]
async fn advice_as_published() {
    assert_snapshot!(desk().await.ask("GET", "/advice", &[], "").await.body);
}

#[tokio::test]
async fn advice_says_which_chance_when_the_unit_stops_and_the_highest_comes_first() {
    let desk = Desk::empty(fleet::snapshot()).await;
    let chance =
        fleet::advice().into_iter().find(|advice| advice.unit == fleet::unit_id("C-103")).expect("such advice");
    let of = |unit: &str, tube: &str| Advice {
        id: 0,
        unit: fleet::unit_id(unit),
        tube: fleet::tube_id(tube),
        ..chance.clone()
    };
    // 0.4 %, 31 % and 12 % now.
    let raised = [of("C-101", "T-0007"), of("C-103", "T-0042"), of("C-106", "T-0051")];
    desk.publisher.ledger.keep_advice(&raised, &[], &by()).await.expect("advice");
    let page = desk.ask("GET", "/advice", &[], "").await.body.replace('\u{a0}', " ");
    let place = |unit: &str| page.find(&format!("\">{unit} <span")).unwrap_or_else(|| panic!("{unit} is missing"));
    assert!(place("C-103") < place("C-106") && place("C-106") < place("C-101"), "{page}");
    assert!(
        page.contains("now 31 % (18–49 %) that a complete look finds grade 2 (catches a fingernail) or worse"),
        "{page}"
    );
    assert!(page.contains("<a href=\"/changeovers?on=2026-05-22\">stops 22 May 2026</a>"), "{page}");
}

#[tokio::test]
async fn advice_for_programs_as_published() {
    let messages = fleet::advice();
    let message = advice_message(&fleet::unit_id("C-103"), &messages, fleet::now(), "works");
    assert_eq!(message.topic, "works/advice/C-103");
    assert_snapshot!(message.payload);
    let none = advice_message(&fleet::unit_id("C-101"), &messages, fleet::now(), "works");
    assert!(none.payload.contains("\"advice\":[]"), "cleared advice must not stay retained: {}", none.payload);
}

fn in_full(notice: &Notice) -> String {
    let data = serde_json::to_string_pretty(&notice.data).expect("JSON");
    format!("{}\n{}\n\n{}\n\n{data}", notice.event, notice.title, notice.text)
}

#[test]
fn notices_to_others_as_published() {
    let (snapshot, site) = (fleet::snapshot(), fleet::site());
    let advice = fleet::advice();
    assert_snapshot!(in_full(&notice(&advice[0], &snapshot, &site)));
    assert_snapshot!(in_full(&notice(&advice[1], &snapshot, &site)));
    let site = publisher::Site { address: Some("http://groovecast.plant.example".to_owned()), ..site };
    let cleared = Advice { cleared_at: Some(fleet::now()), ..advice[0].clone() };
    assert_snapshot!(in_full(&notice(&cleared, &snapshot, &site)));
    assert_snapshot!(in_full(&trial_notice(&site)));
}

#[test]
fn a_notice_says_what_it_is_not_and_never_raises_an_alarm() {
    let (snapshot, site) = (fleet::snapshot(), fleet::site());
    for advice in fleet::advice() {
        let told = in_full(&notice(&advice, &snapshot, &site));
        assert!(told.contains("A low score is not permission to skip a required inspection"), "{told}");
        assert!(told.contains("Follow the site's own procedures"), "{told}");
        assert!(!told.to_lowercase().contains("alarm"), "{told}");
    }
}

#[tokio::test]
async fn operations_say_that_advice_was_seen_and_put_it_off_with_a_reason() {
    let desk = desk().await;
    desk.person(Role::Operations).await;
    let seen = press(&desk, Role::Operations, "/advice/2/seen", "").await;
    assert_eq!((seen.status.as_u16(), seen.header("location")), (303, "/advice"));
    let put_off = press(&desk, Role::Operations, "/advice/1/put-off", "until=2026-05-22&why=no+crew+before").await;
    assert_eq!(put_off.status.as_u16(), 303, "{}", put_off.body);
    let told = desk.ask("GET", "/api/v1/advice", &[], "").await.json();
    assert_eq!(told["advice"][1]["seen"]["who"], "operations");
    assert_eq!(told["advice"][0]["put_off"]["why"], "no crew before");
    // The day begins in Amsterdam, two hours before UTC in summer.
    assert_eq!(told["advice"][0]["put_off"]["until"], "2026-05-21T22:00:00Z");
    let page = desk.ask("GET", "/advice", &[], "").await.body;
    let place = |text: &str| page.find(text).unwrap_or_else(|| panic!("{text} is missing"));
    assert!(place("hold and assess</h2>") < place("chance is high</h2>"));
    assert!(page.contains("by operations: no crew before"));
}

#[tokio::test]
async fn the_plants_interval_wins_over_any_put_off_and_a_hold_stays() {
    let desk = desk().await;
    desk.person(Role::Operations).await;
    // T-0042 was looked into on 3 December 2025; 365 days end on 3 December 2026.
    for (uri, form, status, said) in [
        ("/advice/1/put-off", "until=2026-12-04&why=x", 422, "longest interval ends 3\u{a0}Dec\u{a0}2026"),
        ("/advice/1/put-off", "until=2026-05-12&why=x", 422, "does not lie ahead"),
        ("/advice/1/put-off", "until=soon&why=x", 422, "is no day"),
        ("/advice/1/put-off", "until=2026-05-30&why=+", 422, "it is blank"),
        ("/advice/2/put-off", "until=2026-05-30&why=x", 409, "cannot be put off"),
        ("/advice/9/seen", "", 404, "no advice 9 is raised"),
    ] {
        let answer = press(&desk, Role::Operations, uri, form).await;
        assert_eq!(answer.status.as_u16(), status, "{uri} {form}");
        assert!(answer.body.contains(said), "{uri} {form}: {said:?} is missing");
    }
    let told = desk.ask("GET", "/api/v1/advice", &[], "").await.json();
    assert!(told["advice"].as_array().expect("a list").iter().all(|advice| advice["put_off"].is_null()));
}

#[tokio::test]
async fn an_inspector_reads_advice_and_does_not_answer_it() {
    let desk = desk().await;
    desk.person(Role::Inspector).await;
    assert_eq!(press(&desk, Role::Inspector, "/advice/1/seen", "").await.status.as_u16(), 403);
    let (cookie, _) = desk.logged_in(Role::Inspector).await;
    let page = desk.ask("GET", "/advice", &[("cookie", &cookie)], "").await.body;
    assert!(page.contains("chance is high") && !page.contains("I have seen it"));
}

#[tokio::test]
async fn advice_is_never_called_an_alarm_on_its_page() {
    let page = desk().await.ask("GET", "/advice", &[], "").await.body.to_lowercase();
    for never in ["alarm", "alert", "acknowledge", "safe to"] {
        assert!(!page.contains(never), "{never:?}");
    }
}
