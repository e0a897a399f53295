//! Units of measure and style of numbers, as each reader asks for them.

use axum::http::StatusCode;
use plant::Role;
use publisher::{Display, Site, Voice};

use crate::desk::{Desk, FORM};
use crate::{asking, body, fleet, get};

/// Everything otherwise than usual.
const OTHER: &str = "groovecast-display=torque=lbf.in&temperature=F&length=in&decimal=comma&group=mark";

async fn page(uri: &str, cookie: &str) -> String {
    let answer = asking(fleet::snapshot(), "GET", uri, &[("cookie", cookie)]).await;
    assert_eq!(answer.status, StatusCode::OK, "{uri}: {}", answer.body);
    answer.body
}

/// Edges of the bands of the invented plant: 80 N·m and 140 N·m, -4 °C. By NIST SP 811 (2008), B.8, 1 lbf·in is
/// 0.112 984 8 N·m: 708.06 and 1239.1 lbf·in; t/°F = 1.8 t/°C + 32: 24.8 °F.
#[tokio::test]
async fn a_page_speaks_the_units_of_its_reader() {
    let tube = page("/tubes/T-0042", OTHER).await;
    for told in ["708 lbf·in", "708 to 1.239 lbf·in", "under 24,8 °F", "24,8 °F and over", "\u{a0}mil", "\u{a0}in<"]
    {
        assert!(tube.contains(told), "no {told:?} in {tube}");
    }
    for house in ["N·m", "4 °C", "\u{a0}µm", "\u{a0}mm"] {
        assert!(!tube.contains(house), "{house} is left");
    }
    let signals = page("/signals", OTHER).await;
    assert!(signals.contains("lbf·in") && !signals.contains("\u{a0}N·m"), "{signals}");
    // Nothing was asked for: as the plant shows it.
    assert_eq!(page("/tubes/T-0042", "other=1").await, body("/tubes/T-0042").await);
}

#[tokio::test]
async fn nonsense_in_the_cookie_is_as_good_as_none() {
    let plain = body("/tubes/T-0042").await;
    let long = format!("groovecast-display=torque=lbf.in&{}", "x".repeat(10_000));
    for cookie in [
        "groovecast-display=",
        "groovecast-display=torque=furlong&colour=red&&==",
        "groovecast-display=%00%ff<script>",
        "groovecast-display",
        &long,
    ] {
        assert_eq!(page("/tubes/T-0042", cookie).await, plain, "{cookie}");
    }
}

#[tokio::test]
async fn caches_tell_displays_apart() {
    for uri in ["/tubes/T-0042", "/charts/tubes/T-0042.svg"] {
        let (house, other) = (get(uri).await, asking(fleet::snapshot(), "GET", uri, &[("cookie", OTHER)]).await);
        // RFC 9110, 8.8.1 and 12.5.5: other bytes, another tag; and what they depend on is named.
        assert_ne!(house.header("etag"), other.header("etag"), "{uri}");
        assert!(house.headers.get_all("vary").iter().any(|value| value == "cookie"), "{uri}");
        let again = [("cookie", OTHER), ("if-none-match", house.header("etag"))];
        assert_eq!(asking(fleet::snapshot(), "GET", uri, &again).await.status, StatusCode::OK, "{uri}");
    }
}

#[tokio::test]
async fn what_programs_read_follows_nobody() {
    let voice = Voice {
        display: "decimal=comma&group=mark&torque=lbf·in&temperature=°F&length=in"
            .split('&')
            .filter_map(|pair| pair.split_once('='))
            .fold(Display::default(), |shown, (key, word)| shown.with(key, word).expect("words of a display")),
        ..Voice::default()
    };
    let desk = Desk::on(fleet::snapshot(), Site { voice: voice.clone(), ..fleet::site() }).await;
    for uri in [
        "/api/v1/risks",
        "/api/v1/risks.csv",
        "/api/v1/tubes/T-0042",
        "/api/v1/changeovers",
        "/api/v1/changeovers/choice",
        "/api/v1/agreement",
        "/api/v1/wear-map",
        "/api/v1/signals",
        "/api/v1/signals.csv",
        "/health/ready",
        "/metrics",
    ] {
        let answer = desk.ask("GET", uri, &[("cookie", OTHER)], "").await;
        assert_eq!(answer.body, get(uri).await.body, "{uri}");
    }
    let usual = desk.ask("GET", "/tubes/T-0042", &[], "").await;
    assert!(usual.body.contains("708 lbf·in"), "the config's own display is that of who chose none");
    let site = Site { voice, ..fleet::site() };
    assert_eq!(
        publisher::risk_messages(&fleet::snapshot(), &site, "p"),
        publisher::risk_messages(&fleet::snapshot(), &fleet::site(), "p")
    );
}

#[tokio::test]
async fn a_choice_is_kept_by_the_browser_without_a_login() {
    let desk = Desk::empty(fleet::snapshot()).await;
    let own = [FORM[0], ("host", "plant.example"), ("origin", "http://plant.example")];
    let form = "torque=lbf.in&temperature=F&length=in&decimal=comma&group=mark";
    let answer = desk.ask("POST", "/display", &own, form).await;
    assert_eq!((answer.status.as_u16(), answer.header("location")), (303, "/display"), "{}", answer.body);
    let cookie = answer.header("set-cookie");
    // RFC 6265bis, 4.1.2: no script reads it, and no frame or form of another site sends it along.
    for part in ["Path=/", "HttpOnly", "SameSite=Lax", "Max-Age=31536000"] {
        assert!(cookie.split("; ").any(|own| own == part), "{cookie}");
    }
    assert_eq!(cookie.split(';').next(), Some(OTHER));
    let shown = desk.ask("GET", "/display", &[("cookie", OTHER)], "").await.body;
    assert!(shown.contains("1.044 lbf·in".replace(' ', "\u{a0}").as_str()), "{shown}");
    assert!(shown.contains("value=\"comma\" selected"), "{shown}");

    let foreign = [FORM[0], ("host", "plant.example"), ("origin", "http://elsewhere.example")];
    let answer = desk.ask("POST", "/display", &foreign, form).await;
    assert_eq!((answer.status.as_u16(), answer.header("set-cookie")), (403, ""));
    let answer = desk.ask("POST", "/display", &own, "torque=furlong").await;
    assert_eq!(answer.status.as_u16(), 422);
    assert!(answer.body.contains("right would be Nm or lbf.in"), "{}", answer.body);
}

#[tokio::test]
async fn a_picture_is_asked_for_in_other_numbers_by_its_address() {
    let house = body("/charts/tubes/T-0042.svg").await;
    let other = body("/charts/tubes/T-0042.svg?group=none&torque=lbf.in&temperature=F&length=in").await;
    assert_ne!(house, other);
    // The address outranks the cookie.
    assert_eq!(page("/charts/tubes/T-0042.svg?group=space&decimal=point", OTHER).await, house);
    for (query, right) in [("torque=furlong", "Nm or lbf.in"), ("decimal=", "point or comma"), ("colour=red", "theme")]
    {
        let answer = get(&format!("/charts/board.svg?{query}")).await;
        assert_eq!(answer.status, StatusCode::BAD_REQUEST, "{query}");
        assert!(answer.json()["detail"].as_str().unwrap().contains(right), "{query}: {}", answer.body);
    }
}

#[tokio::test]
async fn a_number_in_a_form_is_read_in_the_style_in_which_it_was_shown() {
    let desk = Desk::with_tubes().await;
    desk.person(Role::Inspector).await;
    let (session, csrf) = desk.logged_in(Role::Inspector).await;
    let cookies = format!("{session}; {OTHER}");
    let headers = [FORM[0], ("cookie", &*cookies)];
    let form = |depth: &str, decimal: &str| {
        format!("csrf={csrf}&at=2026-05-11T09:30:00Z&tube=T-0042&grade=2&depth_um={depth}{decimal}")
    };
    let page = desk.ask("GET", "/findings/plain", &headers[1..], "").await.body;
    assert!(page.contains("name=\"decimal\" value=\"comma\""), "{page}");
    for (depth, decimal) in [("1.23", "&decimal=comma"), ("0.125", ""), ("1,234", "&decimal=point"), ("1%202", "")] {
        let answer = desk.ask("POST", "/findings/plain", &headers, form(depth, decimal)).await;
        assert_eq!(answer.status.as_u16(), 422, "{depth} {decimal}");
        assert!(answer.body.contains("right would be a number such as 1250"), "{}", answer.body);
    }
    let answer = desk.ask("POST", "/findings/plain", &headers, form("1.234,5", "&decimal=comma")).await;
    assert_eq!(answer.status.as_u16(), 303, "{}", answer.body);
    let kept = desk.ask("GET", &format!("/api/v1{}", answer.header("location")), &headers[1..], "").await;
    assert_eq!(kept.json()["finding"]["depth_um"], 1234.5);
    let page = desk.ask("GET", answer.header("location"), &headers[1..], "").await.body;
    // 1234.5 µm / 25.4 = 48.602 mil; the field keeps the number of the record.
    assert!(page.contains("48,602") && page.contains("value=\"1234,5\""), "{page}");
}

#[tokio::test]
async fn a_question_typed_with_a_comma_has_an_address_that_means_the_same_to_everybody() {
    let typed = "decimal=comma&run_h=1250%2C5&open_cost=2%20000-3%20500%2C5&late_cost=&open=C-101";
    let answer = asking(fleet::snapshot(), "GET", &format!("/changeovers?{typed}"), &[("cookie", OTHER)]).await;
    assert_eq!(answer.header("location"), "/changeovers?run_h=1250.5&open_cost=2000-3500.5&open=C-101&decimal=point");
    let page = page(answer.header("location"), OTHER).await;
    assert!(page.contains("name=\"decimal\" value=\"comma\"") && page.contains("value=\"1250,5\""), "{page}");
    // As this reader is shown numbers, with and without the word of the form: 2.000 is two thousand.
    for typed in ["decimal=comma&open_cost=2.000-3.500,5", "open_cost=2.000-3.500,5"] {
        let answer = asking(fleet::snapshot(), "GET", &format!("/changeovers?{typed}"), &[("cookie", OTHER)]).await;
        assert_eq!(answer.header("location"), "/changeovers?open_cost=2000-3500.5&decimal=point", "{typed}");
    }
    let answer = get("/changeovers?decimal=comma&run_h=1.250").await;
    assert_eq!(answer.status, StatusCode::BAD_REQUEST);
    assert!(answer.body.contains("decimals are written with a comma here"), "{}", answer.body);
}
