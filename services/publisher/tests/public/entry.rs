//! The pages on which findings are logged and listed.

use axum::http::StatusCode;
use insta::assert_snapshot;

use crate::{ask, body, fleet, get};

#[tokio::test]
async fn entry_page_as_published() {
    assert_snapshot!(body("/findings/new?unit=C-103").await);
}

#[tokio::test]
async fn findings_as_published() {
    assert_snapshot!(body("/findings").await);
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
    let all = ask(snapshot.clone(), "GET", "/findings").await.body;
    let place = |text: &str| all.find(text).unwrap_or_else(|| panic!("{text}"));
    assert!(place("1\u{a0}May\u{a0}2026") < place("3\u{a0}Dec\u{a0}2025"));
    assert!(place("3\u{a0}Dec\u{a0}2025") < place("11\u{a0}Feb\u{a0}2025"));
    assert_eq!(all.matches("hold and assess").count(), 1, "the flake alone");
    let one = ask(snapshot.clone(), "GET", "/findings?tube=T-0042").await.body;
    assert!(!one.contains("1\u{a0}May\u{a0}2026") && one.contains("3\u{a0}Dec\u{a0}2025"));
    assert_eq!(ask(snapshot, "GET", "/findings?tube=T-9999").await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn from_the_board_it_is_one_tap_to_the_form_of_a_unit() {
    let board = body("/").await;
    for unit in ["C-101", "C-103", "C-107"] {
        assert!(board.contains(&format!("href=\"/findings/new?unit={unit}\"")), "{unit}");
    }
    assert!(body("/tubes/T-0042").await.contains("href=\"/findings/new?tube=T-0042\""));
}
