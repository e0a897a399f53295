//! The page of a stop, and the same as JSON.

use axum::http::StatusCode;
use insta::assert_snapshot;
use publisher::{NoCrew, Site};
use serde_json::Value;

use crate::desk::Desk;
use crate::{ask, body, fleet, get};

#[tokio::test]
async fn a_stop_as_published() {
    assert_snapshot!(body("/changeovers?on=2026-05-22&units=all").await);
}

#[tokio::test]
async fn a_choice_as_published() {
    assert_snapshot!(body("/api/v1/changeovers/choice?on=2026-05-22&units=all&open=C-103&open=C-106").await);
}

async fn choice(query: &str) -> Value {
    serde_json::from_str(&body(&format!("/api/v1/changeovers/choice?{query}")).await).expect("JSON")
}

fn group<'a>(choice: &'a Value, unit: &str) -> &'a str {
    let units = choice["units"].as_array().expect("a list");
    let unit = units.iter().find(|told| told["unit"] == unit).unwrap_or_else(|| panic!("{unit} is missing"));
    unit["group"].as_str().expect("a word")
}

#[tokio::test]
async fn the_next_planned_stop_is_shown_with_its_units_alone() {
    let told = choice("").await;
    // From the plan: C-107 stands still since 2 May until the 19th, so its stop is of today.
    assert_eq!((told["day"].as_str(), told["as_planned"].as_bool()), (Some("2026-05-12"), Some(true)));
    assert_eq!(told["units"].as_array().unwrap().len(), 1);
    assert_eq!(group(&told, "C-107"), "unsaid");
}

#[tokio::test]
async fn the_hand_worked_stop_of_the_invented_plant() {
    // All units on 22 May, next chance 1 June after 100 h. By hand: opening 3000, a late catch 30 000 at the middle, so it
    // pays from 10 % on. Held C-108, reached C-102, and C-104 whose interval is over since 30 April take the room for 2.
    let tight = choice("on=2026-05-22&units=all&next=2026-06-01&run_h=100").await;
    for (unit, right) in [
        ("C-108", "does_not_wait"),
        ("C-102", "does_not_wait"),
        ("C-104", "by_interval"),
        // Until the stop, of 500 h: 167.7 h by the plan, 233.5 h of the clock, 191.7 h; so of the way from 31 to 44 %, from 12 to
        // 19 % and from 0.4 to 6 %: 35.36 %, 15.27 % and 2.55 %.
        ("C-103", "no_room"),
        ("C-106", "no_room"),
        ("C-101", "may_wait"),
        ("C-105", "unsaid"),
        ("C-107", "unsaid"),
    ] {
        assert_eq!(group(&tight, unit), right, "{unit}");
    }
    assert!(tight["why"].to_string().contains("That is 1 more than this stop has room for"), "{}", tight["why"]);
    // With room for one more C-103 is opened: 3000 + (0.1527 + 0.0255) x 30 000 = 8345. C-106 instead: 20.09 % apart, 6027 more.
    let one = choice("on=2026-05-22&units=all&next=2026-06-01&run_h=100&room=4").await;
    assert_eq!(group(&one, "C-103"), "open");
    assert!((one["expected_cost"].as_f64().unwrap() - 8_345.0).abs() < 2.0, "{}", one["expected_cost"]);
    assert_eq!((one["next_best"]["close"].as_str(), one["next_best"]["open"].as_str()), (Some("C-103"), Some("C-106")));
    assert!((one["next_best"]["costs_more"].as_f64().unwrap() - 6_027.0).abs() < 2.0, "{}", one["next_best"]);
    // A set of one's own: C-106 alone costs 6027 more, and leaves what the rules ask for.
    let own = choice("on=2026-05-22&units=all&next=2026-06-01&run_h=100&room=4&open=C-106").await;
    let said = own["own_set"].to_string();
    // In three digits.
    assert!(said.contains("6\u{202f}030\u{a0}EUR more than the proposed set"), "{said}");
    assert!(said.contains("C-108, C-102 and C-104"), "{said}");
}

#[tokio::test]
async fn with_another_product_hours_count_as_it_wears() {
    // C-103 stops after 167.7 h; its chance goes from 31 % now to 44 % in 500 h at the pace of late. 100 h of fondant, which
    // wears it twice as fast, make 367.7 h: 40.56 %. 100 h of ice mix, half as fast: 36.66 %. As planned 37.96 %.
    let query = "on=2026-05-22&units=all&next=2026-06-01&run_h=100";
    for (product, right, times) in [("", 0.3796, None), ("fondant", 0.4056, Some(2.0)), ("ice mix", 0.3666, Some(0.5))]
    {
        let told = choice(&format!("{query}&product={}", product.replace(' ', "%20"))).await;
        let units = told["units"].as_array().unwrap();
        let unit = |name: &str| units.iter().find(|unit| unit["unit"] == name).unwrap();
        let risk = unit("C-103")["risk_at_next"]["risk"].as_f64().unwrap();
        assert!((risk - right).abs() < 0.0006, "{product}: {risk}");
        assert_eq!(unit("C-103")["product_wears_times"].as_f64(), times);
        assert_eq!(unit("C-103")["run_h_after_stop"].as_f64(), Some(100.0), "the plant's own interval counts hours");
        assert_eq!(unit("C-101")["risk_at_next"].is_null(), times.is_some(), "nobody knows how it wears C-101");
    }
    let page = body(&format!("/changeovers?{query}&product=fondant")).await;
    assert!(page.contains("With fondant it wears 2.0 times as fast as of late"), "{page}");
    assert!(page.contains("from 640\u{a0}h of all units with it"), "{page}");
    assert!(page.contains("how fondant wears this unit is not known"), "{page}");
    assert!(page.contains("<option selected>fondant</option>"), "{page}");
    for place in ["/api/v1/changeovers/choice", "/changeovers"] {
        let refused = get(&format!("{place}?{query}&product=brine")).await;
        assert_eq!(refused.status, StatusCode::CONFLICT);
        assert!(refused.body.contains("right would be fondant, ice mix"), "{}", refused.body);
    }
}

#[tokio::test]
async fn an_interval_that_ends_before_the_next_chance_wins_over_a_low_chance() {
    // C-101 has run 262 of 2000 h: 1738 h are left. Of 200 h in 288 hours of the clock 97.5 are left: 67.7 h. From 16 May
    // 18:00 to midnight in Amsterdam, 21 May 22:00 UTC, nobody planned hours: 124 h at most. 1738 - 191.7 = 1546.3 h.
    for (run_h, right) in [("1546", "may_wait"), ("1547", "by_interval")] {
        let told = choice(&format!("on=2026-05-22&units=all&next=2027-01-01&run_h={run_h}")).await;
        assert_eq!(group(&told, "C-101"), right, "{run_h} h");
    }
    // In days: looked into on 28 April 2026, so 365 days end on 28 April 2027.
    for (next, right) in [("2027-04-27", "may_wait"), ("2027-04-29", "by_interval")] {
        let told = choice(&format!("on=2026-05-22&units=all&next={next}&run_h=10")).await;
        assert_eq!(group(&told, "C-101"), right, "{next}");
    }
}

#[tokio::test]
async fn nobody_opens_anything_without_a_crew() {
    let mut site: Site = fleet::site();
    site.opening.without_crew =
        vec![NoCrew { from: fleet::at("2026-05-20T00:00:00Z"), to: fleet::at("2026-05-30T00:00:00Z") }];
    let desk = Desk::on(fleet::snapshot(), site).await;
    let told = desk.ask("GET", "/api/v1/changeovers/choice?on=2026-05-22&units=all&room=9", &[], "").await.json();
    assert_eq!((told["no_crew"].as_bool(), told["room"].as_u64()), (Some(true), Some(0)));
    assert_eq!(group(&told, "C-103"), "no_room");
    // What does not wait and what the interval asks for is named all the same.
    assert_eq!(told["open"].as_array().unwrap().len(), 3);
}

#[tokio::test]
async fn a_blind_unit_with_a_low_floor_never_may_wait() {
    let mut snapshot = fleet::snapshot();
    for score in &mut snapshot.scores {
        if score.unit == Some(fleet::unit_id("C-101")) {
            score.state = plant::State::Blind;
        }
    }
    let answer = ask(snapshot, "GET", "/api/v1/changeovers/choice?on=2026-05-22&units=all").await;
    assert_eq!(group(&answer.json(), "C-101"), "unsaid");
}

#[tokio::test]
async fn without_costs_and_room_it_is_said_what_is_missing() {
    let mut site = fleet::site();
    site.opening = publisher::Opening::default();
    let desk = Desk::on(fleet::snapshot(), site).await;
    let page = desk.ask("GET", "/changeovers?on=2026-05-22&units=all", &[], "").await.body;
    assert!(page.contains("whether opening one pays is not said") && page.contains("so room for all is assumed"));
    assert!(
        !page.contains("May wait, at most until the plant’s interval ends</span>"),
        "nothing may wait without costs"
    );
}

#[tokio::test]
async fn an_empty_service_and_a_bad_question_are_answered() {
    assert_eq!(ask(fleet::empty(), "GET", "/changeovers").await.status.as_u16(), 200);
    let refused = get("/changeovers?room=many").await;
    assert_eq!(refused.status.as_u16(), 400);
    assert!(refused.body.contains("a number of units from 0 to 1000"), "{}", refused.body);
    assert_eq!(get("/api/v1/changeovers/choice?size=1").await.status.as_u16(), 400);
    // A next chance on the day of the stop, asked for or the next of the plan (12 May), is none.
    for query in ["on=2026-05-22&next=2026-05-22", "next=2026-05-12"] {
        let answer = get(&format!("/api/v1/changeovers/choice?{query}")).await;
        assert_eq!((answer.status.as_u16(), answer.body.contains("is not after the stop on")), (409, true), "{query}");
        assert_eq!(get(&format!("/changeovers?{query}")).await.status.as_u16(), 409, "{query}");
    }
}

#[tokio::test]
async fn a_refused_what_if_keeps_its_page_and_what_was_typed() {
    let asked = "/changeovers?on=2026-05-22&units=all&room=many&run_h=100&open=C-103&decimal=point";
    let refused = get(asked).await;
    assert_eq!(refused.status.as_u16(), 400);
    for kept in [
        "role=\"alert\"",
        "Room, units (room): room=&#34;many&#34; is not taken",
        "value=\"many\"",
        "value=\"2026-05-22\"",
        "name=\"run_h\" inputmode=\"decimal\" class=\"depth\" value=\"100\"",
        "value=\"C-103\" checked",
        "<option value=\"all\" selected>",
    ] {
        assert!(refused.body.contains(kept), "{kept} is missing: {}", refused.body);
    }
    // No answer stands beside it that could be taken for one.
    for never in ["Bad Request", "class=\"verdict\"", "What if: not the plan"] {
        assert!(!refused.body.contains(never), "{never}");
    }
}

#[tokio::test]
async fn what_cannot_be_asked_is_told_at_the_top_and_not_answered_in_passing() {
    for (query, status, told) in [
        (
            "on=2020-01-01",
            409,
            "Stop on (on): on=2020-01-01 is past, and no stop of the past is known; right would be 2026-05-12",
        ),
        (
            "open_cost=5000-1000",
            409,
            "Opening one (open_cost): open_cost=&#34;5000-1000&#34; is not taken; right would be the lower end first: 1000-5000",
        ),
        ("open=K99&units=all", 409, "open=K99: no such unit is known"),
        // C-107 is a unit without a tube.
        ("open=C-107&units=all", 409, "open=C-107: no tube is entered as fitted in it"),
    ] {
        let refused = get(&format!("/changeovers?{query}")).await;
        assert_eq!(refused.status.as_u16(), status, "{query}");
        assert!(refused.body.contains(told), "{query}: {}", refused.body);
        let program = get(&format!("/api/v1/changeovers/choice?{query}")).await;
        assert_eq!(
            (program.status.as_u16(), program.json()["status"].as_u64()),
            (status, Some(status.into())),
            "{query}"
        );
    }
}

#[tokio::test]
async fn a_day_without_a_stop_says_so_and_what_is_shown_instead() {
    // The plan stops C-108 on 13 May and nobody on the 14th.
    let page = body("/changeovers?on=2026-05-14").await.replace('\u{a0}', " ");
    assert!(
        page.contains("No stop is known on Thursday, 14 May 2026: shown is what opening would do if all units stopped")
    );
    assert!(page.contains("The next stop that is known is on Saturday, 16 May 2026."), "{page}");
    assert_eq!(choice("on=2026-05-14").await["stop_known"], false);
    assert!(!body("/changeovers?on=2026-05-13").await.contains("No stop is known"));
    assert_eq!(choice("on=2026-05-13").await["stop_known"], true);
    let mut snapshot = fleet::snapshot();
    snapshot.campaigns.clear();
    let page = ask(snapshot, "GET", "/changeovers").await.body;
    assert!(page.contains("The plan has no stop at all."), "{page}");
}

#[tokio::test]
async fn grey_figures_are_those_in_force() {
    let page = body("/changeovers").await;
    for usual in [
        "placeholder=\"2\"",
        "placeholder=\"2\u{202f}000–4\u{202f}000\"",
        "placeholder=\"20\u{202f}000–40\u{202f}000\"",
    ] {
        assert!(page.contains(usual), "{usual}");
    }
    let mut site = fleet::site();
    site.opening = publisher::Opening::default();
    let page = Desk::on(fleet::snapshot(), site).await.ask("GET", "/changeovers", &[], "").await.body;
    assert!(!page.contains("placeholder"), "nothing is in force, so nothing stands there");
}

#[tokio::test]
async fn board_and_stop_agree_on_a_unit_whose_data_are_old_and_free_room_is_told() {
    let old = "last known, from readings until 9 May 2026, 03:30 CEST; no longer current:";
    assert!(body("/").await.replace('\u{a0}', " ").contains(old));
    let page = body("/changeovers?on=2026-05-22&units=all&room=6").await.replace('\u{a0}', " ");
    assert!(page.contains(&format!("{old} 5 % (2–11 %)")), "{page}");
    // By rule 3, by chance C-103 and C-106: of 6 one is left.
    assert!(page.contains("Room for 1 unit more is free at this stop"), "{page}");
    assert!(body("/changeovers?on=2026-05-22&units=all&room=5").await.contains("No room is left for them"));
}

#[tokio::test]
async fn the_page_never_permits_and_never_scores_a_unit_as_safe() {
    let page = body("/changeovers?on=2026-05-22&units=all&next=2026-06-01&run_h=100").await.to_lowercase();
    for never in ["safe to skip", "safe to run", "no inspection needed", "alarm", "can be skipped"] {
        assert!(!page.contains(never), "{never:?} must never be said");
    }
    for words in ["may wait, at most until", "not a safety function", "longest interval governs", "before opening."] {
        assert!(page.contains(words), "{words:?} is missing");
    }
}
