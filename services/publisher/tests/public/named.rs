use axum::http::StatusCode;
use plant::Role;

use crate::desk::{Desk, FORM, PASSWORD, by};
use crate::photos::PICTURES;
use crate::{Answer, fleet};

/// Closes attributes and elements, opens a script and a comment. Without a slash: of a photo's name only the last part stays.
const HOSTILE: &str = "\"'><script>alert(1)<!--";

fn encoded(text: &str) -> String {
    form_urlencoded::byte_serialize(text.as_bytes()).collect()
}

/// The page has the text so often, and each time as text.
fn is_text(answer: &Answer, times: usize, what: &str) {
    for markup in ["<script", "<!--", "\"'", "'>"] {
        assert!(!answer.body.contains(markup), "{what}: {markup:?} came through in\n{}", answer.body);
    }
    let found = answer.body.matches("alert(1)").count();
    assert!(found >= times, "{what} has it {found} times, not {times}: this proves too little\n{}", answer.body);
}

/// A form in which every field is hostile.
fn every_field(more: &str) -> String {
    let names = "at tube grade zone clock method kind depth_um reason inspector run_h recorded_at note why";
    let fields: Vec<String> = names.split(' ').map(|name| format!("{name}={}", encoded(HOSTILE))).collect();
    format!("{more}&{}", fields.join("&"))
}

/// Somebody with a hostile name, logged in: the cookie, and the token of the session.
async fn somebody(desk: &Desk) -> (String, String) {
    desk.publisher.ledger.add_person(HOSTILE, Role::Analyst, PASSWORD, &by()).await.expect("any visible name is taken");
    let form = format!("name={}&password={}", encoded(HOSTILE), encoded(PASSWORD));
    let entered = desk.ask("POST", "/login", FORM, form).await;
    assert_eq!(entered.status, StatusCode::SEE_OTHER, "{}", entered.body);
    let cookie = entered.header("set-cookie").split(';').next().expect("a cookie").to_owned();
    let session = desk.ask("GET", "/api/v1/session", &[("cookie", &cookie)], "").await.json();
    assert_eq!(session["name"], HOSTILE);
    (cookie, session["csrf_token"].as_str().expect("a token").to_owned())
}

#[tokio::test]
async fn a_hostile_name_is_a_name_wherever_it_stands() {
    let desk = Desk::with_tubes().await;
    let (cookie, csrf) = somebody(&desk).await;
    let own = [FORM[0], ("cookie", &*cookie)];

    let shown = desk.ask("GET", &format!("/login?next=/{}", encoded(HOSTILE)), &own, "").await;
    is_text(&shown, 2, "who is logged in, and the way on");

    let fields = format!("at=2026-05-11T09:30:00Z&tube=T-0042&grade=2&inspector={0}&note={0}", encoded(HOSTILE));
    let kept = desk.ask("POST", "/findings/plain", &own, format!("csrf={csrf}&{fields}")).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{}", kept.body);
    let page = kept.header("location").to_owned();
    let photo = format!("/api/v1{page}/photos?name={}", encoded(HOSTILE));
    let headers = [("cookie", &*cookie), ("x-csrf-token", &*csrf)];
    let added = desk.ask("POST", &photo, &headers, PICTURES[0].1).await;
    assert_eq!(added.status, StatusCode::CREATED, "{}", added.body);

    // Inspector and note as they hold, in the history and in the form; who entered it; the photo's name twice, and by whom.
    is_text(&desk.ask("GET", &page, &own, "").await, 9, "the page of the finding");
    is_text(&desk.ask("GET", "/audit", &own, "").await, 3, "the audit trail");
    let filtered = format!("/audit?who={0}&action={0}&subject={0}", encoded(HOSTILE));
    is_text(&desk.ask("GET", &filtered, &own, "").await, 3, "the filters of the audit trail");
    is_text(&desk.ask("GET", "/findings", &own, "").await, 1, "the list of findings");
}

#[tokio::test]
async fn what_a_form_brought_comes_back_as_text() {
    let desk = Desk::with_tubes().await;
    let (cookie, csrf) = somebody(&desk).await;
    let own = [FORM[0], ("cookie", &*cookie)];

    let form = format!("name={0}&next=/{0}&password=wrong+wrong+wrong", encoded(HOSTILE));
    let wrong = desk.ask("POST", "/login", FORM, form).await;
    assert_eq!(wrong.status, StatusCode::FORBIDDEN);
    is_text(&wrong, 2, "a login that was refused");

    let plain = desk.ask("POST", "/findings/plain", &own, every_field(&format!("csrf={csrf}"))).await;
    assert_eq!(plain.status, StatusCode::UNPROCESSABLE_ENTITY);
    // Time, tube, depth, inspector, hours and note; what is wrong with the others says what came too.
    is_text(&plain, 12, "the plain form");

    let chosen = desk.ask("GET", &format!("/findings/plain?tube={}", encoded(HOSTILE)), &own, "").await;
    is_text(&chosen, 1, "the tube of the address");

    let sound = format!("csrf={csrf}&at=2026-05-11T09:30:00Z&tube=T-0042&grade=2");
    let page = desk.ask("POST", "/findings/plain", &own, sound).await.header("location").to_owned();
    let correction = every_field(&format!("csrf={csrf}&version=1"));
    let wrong = desk.ask("POST", &format!("{page}/correction"), &own, correction).await;
    assert_eq!(wrong.status, StatusCode::UNPROCESSABLE_ENTITY);
    is_text(&wrong, 12, "the form for a correction");
    let withdrawal = format!("csrf={csrf}&version=7&why={}", encoded(HOSTILE));
    let stale = desk.ask("POST", &format!("{page}/withdrawal"), &own, withdrawal).await;
    assert_eq!(stale.status, StatusCode::PRECONDITION_FAILED);
    is_text(&stale, 1, "the form for a withdrawal");
}

#[tokio::test]
async fn what_an_address_says_comes_back_as_text() {
    let desk = Desk::empty(fleet::snapshot()).await;
    for (uri, times) in
        [("/findings?tube=", 1), ("/findings/plain?tube=", 0), ("/findings/", 1), ("/tubes/", 1), ("/login?next=/", 1)]
    {
        // In a path a plus is a plus.
        let uri = format!("{uri}{}", encoded(HOSTILE).replace('+', "%20"));
        is_text(&desk.ask("GET", &uri, &[], "").await, times, &uri);
    }
}
