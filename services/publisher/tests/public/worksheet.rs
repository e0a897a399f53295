//! The work sheet of a unit.

use insta::assert_snapshot;

use crate::{ask, body, fleet, get};

#[tokio::test]
async fn a_work_sheet_as_published() {
    assert_snapshot!(body("/units/C-103/worksheet").await);
}

#[tokio::test]
async fn cautions_stand_before_reasons_and_places() {
    let sheet = body("/units/C-103/worksheet").await;
    let place = |text: &str| sheet.find(text).unwrap_or_else(|| panic!("{text} is missing"));
    let order =
        ["Before opening", "Why it is opened", "Where to look first", "The wall, unrolled", "Dimensions", "Signed"];
    assert!(order.windows(2).all(|pair| place(pair[0]) < place(pair[1])));
    // What opening such a unit can do to people: the hazards of the trade (common practice, no source).
    for hazard in ["Stored energy", "Refrigerant", "Lifting", "cotton swab", "No hand in the bore", "chemicals"] {
        assert!(place(hazard) < place("Why it is opened"), "{hazard}");
    }
    assert!(place("call the\nresponsible".replace('\n', " ").as_str()) < place("Why it is opened"));
}

#[tokio::test]
async fn the_worst_mark_of_this_life_comes_first_then_what_was_not_read() {
    // From the record: far 6 o'clock reads 1 on 3 December 2025, middle 9 o'clock was left out, all else is smooth; the
    // earlier life was read as a whole only, so no place of it stands out.
    let sheet = body("/units/C-103/worksheet").await;
    let from = sheet.find("Where to look first").unwrap();
    let list = &sheet[from..from + sheet[from..].find("</ol>").unwrap()];
    let places: Vec<&str> = list.split("<li><strong>").skip(1).map(|item| &item[..item.find('<').unwrap()]).collect();
    assert_eq!(places, ["far, 6 o&#39;clock", "middle, 9 o&#39;clock"]);
    assert!(list.contains("not read in this life: unknown, not smooth"));
}

#[tokio::test]
async fn what_was_bad_in_an_earlier_life_comes_first_where_nothing_was_read_in_this_one() {
    let mut snapshot = fleet::snapshot();
    let detail = snapshot.tubes.get_mut(&fleet::tube_id("T-0042")).expect("a tube");
    // Its last look becomes one of the life before, and its first station scored.
    let look = detail.looks.last_mut().expect("a look");
    *look.stations.values_mut().next().expect("a station") = plant::Grade::try_from(3).expect("a grade");
    detail.lives.last_mut().expect("a life").from = Some(fleet::at("2026-05-01T00:00:00Z"));
    let sheet = ask(snapshot, "GET", "/units/C-103/worksheet").await.body;
    let list = sheet.split("<ol class=\"first\">").nth(1).expect("a list").split("</ol>").next().expect("its end");
    let items: Vec<&str> = list.split("<li>").skip(1).collect();
    assert!(items[0].contains("in an earlier life: groove, grade 3"), "{list}");
    assert!(items.last().expect("an item").contains("every station") && items.len() > 1, "{list}");
}

#[tokio::test]
async fn a_sheet_whose_link_no_phone_can_follow_says_so() {
    let site = publisher::Site { address: None, ..fleet::site() };
    let desk = crate::desk::Desk::on(fleet::snapshot(), site).await;
    let sheet = async |host: &str| desk.ask("GET", "/units/C-103/worksheet", &[("host", host)], "").await.body;
    let told = "<code>address</code> under <code>[http]</code>";
    assert!(sheet("127.0.0.1:8080").await.contains(told));
    assert!(!sheet("works.example").await.contains(told));
}

#[tokio::test]
async fn a_bore_stands_in_both_systems_and_no_bolt_torque_is_claimed() {
    let sheet = body("/units/C-103/worksheet").await;
    // By hand: 152.4 / 25.4 = 6; 120 / 25.4 = 4.72.
    assert!(sheet.contains("152.4\u{a0}mm = 6.000\u{a0}in") && sheet.contains("120\u{a0}µm = 4.72\u{a0}mil"));
    assert!(sheet.contains("knows no torque of any bolt"));
}

#[tokio::test]
async fn the_code_leads_to_the_findings_of_that_unit() {
    let mut snapshot = fleet::snapshot();
    for score in &mut snapshot.scores {
        if score.unit == Some(fleet::unit_id("C-103")) {
            score.unit = Some(fleet::unit_id("Line 1 C&103"));
        }
    }
    let sheet = ask(snapshot, "GET", "/units/Line%201%20C%26103/worksheet").await.body;
    // URL Standard, application/x-www-form-urlencoded serializing; in HTML the ampersand of the name is written %26 too.
    assert!(sheet.contains("href=\"http://works.example/findings/new?unit=Line+1+C%26103\""), "{sheet}");
}

#[tokio::test]
async fn a_held_tube_and_a_unit_without_one_have_sheets_too() {
    let held = body("/units/C-108/worksheet").await;
    assert!(held.contains("This tube is held") && held.contains("stop, hold the product"));
    assert!(!held.contains("class=\"point\""), "no chance stands beside a hold");
    let empty = body("/units/C-107/worksheet").await;
    assert!(empty.contains("write down which one it is"));
    assert_eq!(get("/units/C-999/worksheet").await.status.as_u16(), 404);
}
