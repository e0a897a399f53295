//! The pages on which findings are logged and listed.

use axum::http::StatusCode;
use insta::assert_snapshot;

use crate::desk::{Desk, FORM};
use crate::{body, fleet, get};

#[tokio::test]
async fn entry_page_as_published() {
    assert_snapshot!(body("/findings/new?unit=C-103").await);
}

#[tokio::test]
async fn findings_as_published() {
    let desk = Desk::written_down(fleet::snapshot()).await;
    assert_snapshot!(desk.ask("GET", "/findings", &[], "").await.body);
}

#[tokio::test]
async fn every_station_can_be_read_and_starts_unread() {
    let page = body("/findings/new").await;
    for zone in fleet::site().zones {
        for clock in plant::ClockPosition::ALL {
            let station = format!("aria-label=\"{}, {clock} o’clock\">", zone.0);
            let choices = page.split(&station).nth(1).unwrap_or_else(|| panic!("{station}")).split("</select>").next();
            let choices: Vec<&str> = choices.unwrap().split("<option").skip(1).collect();
            // Not read, five grades in words, could not look.
            assert!(choices.len() == 7 && choices[0].contains("not read"), "{choices:?}");
            assert!(choices.iter().all(|choice| !choice.contains("selected")), "{choices:?}");
        }
    }
}

#[tokio::test]
async fn the_unit_of_the_address_is_chosen_and_an_unknown_one_is_said() {
    let chosen = |page: &str| -> Vec<String> {
        let inputs = page.split("<input").filter(|input| input.split('>').next().unwrap().contains(" checked"));
        inputs.map(|input| input.split("value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned()).collect()
    };
    assert_eq!(chosen(&body("/findings/new?unit=C-101").await), ["C-101"]);
    assert_eq!(chosen(&body("/findings/new?tube=T-0042").await), ["C-103"], "the unit follows from the tube");
    assert!(chosen(&body("/findings/new").await).is_empty());
    let unknown = body("/findings/new?unit=%3Cb%3E").await;
    assert!(
        chosen(&unknown).is_empty() && unknown.contains("is known here") && !unknown.contains("<b>\""),
        "{unknown}"
    );
}

#[tokio::test]
async fn cautions_stand_before_the_first_field() {
    let page = body("/findings/new").await;
    let form = page.find("<form").unwrap();
    // OSHA 29 CFR 1910.147: isolate, lock, verify before anybody reaches in; cloth before finger is common practice.
    for words in ["isolated, locked out and verified", "Cloth before finger"] {
        assert!(page.find(words).is_some_and(|place| place < form), "{words}");
    }
    assert!(page.contains("stop, hold the product, and call the"), "what a flake asks for");
}

#[tokio::test]
async fn what_comes_next_is_told_for_every_surface_of_the_fleet() {
    let page = body("/findings/new").await;
    for surface in ["hard_chrome", "stainless"] {
        for grade in 0..=4 {
            assert!(page.contains(&format!("data-grade=\"{grade}\" data-surface=\"{surface}\">")), "{grade} {surface}");
        }
    }
    assert!(
        page.contains("The plant's and the maker's procedures decide")
            || page.contains("The plant&#39;s and the maker&#39;s")
    );
}

#[tokio::test]
async fn the_form_loads_scripts_of_its_own_only() {
    let answer = get("/findings/new").await;
    let scripts: Vec<&str> = answer.body.split("<script").skip(1).map(|tag| tag.split('>').next().unwrap()).collect();
    assert!(scripts.len() == 1 && scripts[0].contains("src=\"/finding.js"), "{scripts:?}");
    for forbidden in [" style=", "<style", " onclick", "http:", "https:", "data:"] {
        assert!(!answer.body.contains(forbidden), "{forbidden:?}");
    }
    let policy = answer.header("content-security-policy");
    for needed in ["script-src 'self'", "connect-src 'self'", "worker-src 'self'"] {
        assert!(policy.contains(needed), "{policy}");
    }
    for script in ["/finding.js", "/entries.js", "/waiting.js", "/worker.js"] {
        let answer = get(script).await;
        // HTML Standard, "fetch a classic worker script": a JavaScript MIME type, or the browser refuses it.
        assert_eq!(answer.header("content-type"), "text/javascript; charset=utf-8", "{script}");
        for forbidden in ["http:", "https:", "eval(", "innerHTML", "document.write", "importScripts"] {
            assert!(!answer.body.contains(forbidden), "{script} has {forbidden:?}");
        }
    }
}

#[tokio::test]
async fn the_form_is_light_enough_for_a_slow_network() {
    let mut bytes = 0;
    for part in ["/findings/new", "/style.css", "/finding.js", "/entries.js", "/waiting.js", "/worker.js"] {
        bytes += body(part).await.len();
    }
    assert!(bytes < 100_000, "{bytes} bytes");
}

#[tokio::test]
async fn findings_are_listed_newest_first_and_by_tube() {
    let mut snapshot = fleet::snapshot();
    let mut other = fleet::tube().findings[0].clone();
    (other.tube, other.at) = (fleet::tube_id("T-0007"), fleet::at("2026-05-01T08:00:00Z"));
    other.kind = Some(plant::Kind::Flake);
    snapshot.tubes.get_mut(&fleet::tube_id("T-0007")).unwrap().findings.push(other);
    let desk = Desk::written_down(snapshot).await;
    let all = desk.ask("GET", "/findings", &[], "").await.body;
    let place = |text: &str| all.find(text).unwrap_or_else(|| panic!("{text}"));
    assert!(place("1\u{a0}May\u{a0}2026") < place("3\u{a0}Dec\u{a0}2025"));
    assert!(place("3\u{a0}Dec\u{a0}2025") < place("11\u{a0}Feb\u{a0}2025"));
    assert_eq!(all.matches("hold and assess").count(), 1, "the flake alone");
    let one = desk.ask("GET", "/findings?tube=T-0042", &[], "").await.body;
    assert!(!one.contains("1\u{a0}May\u{a0}2026") && one.contains("3\u{a0}Dec\u{a0}2025"));
    assert_eq!(desk.ask("GET", "/findings?tube=T-9999", &[], "").await.status, StatusCode::NOT_FOUND);
    // Each leads to its own page.
    let link = all.split("<th scope=\"row\"><a href=\"").nth(1).unwrap().split('"').next().unwrap();
    let page = desk.ask("GET", link, &[], "").await;
    assert!(page.status == StatusCode::OK && page.body.contains("T-0007"), "{link}: {}", page.body);
}

#[tokio::test]
async fn from_the_board_it_is_one_tap_to_the_form_of_a_unit() {
    let board = body("/").await;
    for unit in ["C-101", "C-103", "C-107"] {
        assert!(board.contains(&format!("href=\"/findings/new?unit={unit}\"")), "{unit}");
    }
    assert!(body("/tubes/T-0042").await.contains("href=\"/findings/new?tube=T-0042\""));
}

/// What a browser without script sends from the form for one finding.
async fn plainly(desk: &Desk, cookie: &str, csrf: &str, fields: &str) -> crate::Answer {
    let headers = [FORM[0], ("cookie", cookie)];
    let page = desk.ask("GET", "/findings/plain?tube=T-0042", &headers[1..], "").await.body;
    assert!(page.contains("value=\"T-0042\"") && page.contains(&format!("value=\"{csrf}\"")), "{page}");
    let key = page.split("name=\"key\" value=\"").nth(1).expect("a key").split('"').next().expect("an end");
    let body = format!("csrf={csrf}&key={key}&{fields}");
    let first = desk.ask("POST", "/findings/plain", &headers, body.clone()).await;
    if first.status == StatusCode::SEE_OTHER {
        // Pressed twice.
        let second = desk.ask("POST", "/findings/plain", &headers, body).await;
        assert_eq!(second.header("location"), first.header("location"));
    }
    first
}

#[tokio::test]
async fn one_finding_can_be_kept_without_script_and_once() {
    let desk = Desk::with_tubes().await;
    desk.person(plant::Role::Inspector).await;
    let (cookie, csrf) = desk.logged_in(plant::Role::Inspector).await;
    let fields = "at=2026-05-12T06%3A00%3A00%2B02%3A00&tube=T-0042&grade=2&zone=far&clock=6&note=%3Cb%3E";
    let kept = plainly(&desk, &cookie, &csrf, fields).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{}", kept.body);
    let list = desk.ask("GET", "/api/v1/findings", &[], "").await.json();
    let findings = list["findings"].as_array().unwrap();
    assert_eq!(findings.len(), 1, "{list}");
    assert_eq!(findings[0]["finding"]["note"], "<b>");
    assert_eq!(findings[0]["finding"]["at"], "2026-05-12T04:00:00Z");

    let refused = plainly(&desk, &cookie, &csrf, "at=2027-01-01&tube=T-0042&grade=2&zone=far&note=%3Cb%3Ekept").await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(refused.body.contains("Seen at: ") && refused.body.contains("Clock position: "), "{}", refused.body);
    assert!(
        refused.body.contains("&#60;b&#62;kept") || refused.body.contains("&lt;b&gt;kept"),
        "what was typed is gone"
    );
}

#[tokio::test]
async fn a_grade_that_nobody_chose_is_not_smooth() {
    let desk = Desk::with_tubes().await;
    desk.person(plant::Role::Inspector).await;
    let (cookie, csrf) = desk.logged_in(plant::Role::Inspector).await;
    let form = desk.ask("GET", "/findings/plain?tube=T-0042", &[("cookie", &cookie)], "").await.body;
    let (_, grades) = form.split_once("name=\"grade\" required>").expect("a choice of grades");
    assert!(grades.trim_start().starts_with("<option value=\"\">"), "the form starts with a grade: {grades}");
    let sent = plainly(&desk, &cookie, &csrf, "at=2026-05-12T06%3A00%3A00%2B02%3A00&tube=T-0042&grade=").await;
    assert!(sent.status == StatusCode::UNPROCESSABLE_ENTITY && sent.body.contains("Grade: "), "{}", sent.body);
}

#[tokio::test]
async fn without_a_login_the_plain_form_leads_to_it() {
    let page = get("/findings/plain").await;
    assert!(
        page.body.contains("href=\"/login?next=/findings/plain\"") && !page.body.contains("<form"),
        "{}",
        page.body
    );
    for uri in ["/findings/plain", "/findings/new"] {
        assert!(get(uri).await.header("content-security-policy").ends_with("frame-ancestors 'none'"), "{uri}");
    }
}
