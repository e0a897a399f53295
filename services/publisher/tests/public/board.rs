use insta::assert_snapshot;
use plant::State;

use crate::{ask, body, fleet};

#[tokio::test]
async fn board_as_published() {
    assert_snapshot!(body("/").await);
}

#[tokio::test]
async fn an_empty_service_says_whose_step_is_next() {
    let mut plant = fleet::empty();
    // Nothing is said to be missing from a record that has not been read yet.
    let early = ask(plant.clone(), "GET", "/").await.body;
    assert!(early.contains("The first evaluation is under way") && !early.contains("No tube is in the register"));
    plant.evaluated_at = Some(plant.at);
    let page = ask(plant, "GET", "/").await.body;
    for who in ["Controls engineer", "Reliability analyst", "Operations manager"] {
        assert!(page.contains(who), "{who} is missing");
    }
    assert!(page.contains("Inspect on the fixed schedule"));
    assert_snapshot!(page);
}

#[tokio::test]
async fn rows_are_in_order_and_the_unsaid_stand_apart() {
    let page = body("/").await;
    let place = |text: &str| page.find(text).unwrap_or_else(|| panic!("{text} is missing"));
    let order = [
        "Hold and assess",
        ">C-108<",
        ">C-102<",
        "The plant’s interval is over: inspect",
        ">C-104<",
        "By chance now",
        ">C-103<",
        ">C-106<",
        ">C-101<",
        "Cannot be said: inspect on the fixed schedule",
        ">C-105<",
        ">C-107<",
        "In no unit",
        "tube T-0011<",
    ];
    assert!(
        page.contains("8 units: 2 to hold or at the limit, 1 whose plant interval is over, 3 ranked, 2 that cannot")
    );
    assert!(order.windows(2).all(|pair| place(pair[0]) < place(pair[1])), "{order:?}");
}

#[tokio::test]
async fn no_state_without_risk_ever_reads_as_a_chance() {
    for state in State::ALL {
        let mut snapshot = fleet::snapshot();
        snapshot.scores = vec![fleet::score("C-101", "T-0007", *state, "a reason")];
        snapshot.scores[0].coverage = Some(0.5);
        for uri in ["/", "/tubes/T-0007"] {
            let page = ask(snapshot.clone(), "GET", uri).await.body;
            assert!(!page.contains("class=\"point\""), "{state} {uri}: a mark was drawn");
            assert!(!page.contains("<b>0\u{a0}%"), "{state} {uri}");
            assert!(page.contains("0007"), "{state} {uri}: the tube is left out");
        }
    }
}

#[tokio::test]
async fn the_board_leads_with_the_next_stop_and_says_when_each_unit_stops() {
    let page = body("/").await.replace('\u{a0}', " ");
    // From the plan: C-107 stands still since 2 May until the 19th.
    let lead =
        "<a href=\"/changeovers\">The next stop: Tuesday, 12 May 2026</a>, C-107. <strong>Nothing asks to be opened";
    assert!(page.contains(lead), "{page}");
    for (unit, stops) in [
        ("C-103", "<a class=\"stops\" href=\"/changeovers?on=2026-05-22\">stops 22 May 2026</a>"),
        ("C-107", "<a class=\"stops\" href=\"/changeovers?on=2026-05-12\">stands still until 19 May 2026</a>"),
        ("C-106", "<span class=\"stops unknown\">no stop planned</span>"),
    ] {
        let row = page.split(&format!("<span class=\"unit\">{unit}<")).nth(1).expect("a row");
        assert!(row.split("</th>").next().expect("a head").contains(stops), "{unit}");
    }
    assert!(!page.contains("What to open at the next changeover"), "the ranking is of all tubes");
    let mut snapshot = fleet::snapshot();
    snapshot.campaigns.clear();
    let page = ask(snapshot, "GET", "/").await.body;
    assert!(page.contains("No stop is known") && !page.contains("class=\"stops"), "{page}");
}

#[tokio::test]
async fn a_tiny_risk_is_not_drawn_as_nought() {
    let mut snapshot = fleet::snapshot();
    snapshot.scores.truncate(1);
    snapshot.scores[0].risks = fleet::risks([0.0, 0.0, 0.001], [1.0, 0.999, 1.0], [1.0, 0.999, 1.0]);
    let page = ask(snapshot, "GET", "/").await.body;
    assert!(page.contains("<b>under\u{a0}1\u{a0}%</b>") && page.contains("<b>over\u{a0}99\u{a0}%</b>"), "{page}");
}

#[tokio::test]
async fn what_spared_the_wall_is_no_comfort_on_the_board() {
    let page = body("/").await;
    assert!(!page.contains("less dry running than usual"));
    assert!(body("/tubes/T-0007").await.contains("less dry running than usual"));
}

#[tokio::test]
async fn a_flake_is_held_whatever_the_chance_and_the_interval_say() {
    let page = body("/").await;
    let start = page.find(">C-108<").unwrap();
    let row = &page[start..start + page[start..].find("</tr>").unwrap()];
    assert!(row.contains("stop, hold the product"), "{row}");
    assert!(!row.contains("left"), "the interval must not stand against the hold: {row}");
}

#[tokio::test]
async fn a_page_with_scores_carries_the_standing_words() {
    for uri in ["/", "/tubes/T-0042", "/tubes/T-0023"] {
        let page = body(uri).await;
        for words in [
            "next complete look",
            "not a safety function",
            "does not measure wall thickness or plating",
            "fit for food contact or for pressure service",
            "not permission to skip a required inspection",
            "longest interval between looks governs",
            "licensed or authorised person",
            "responsible food-safety and pressure-equipment persons",
        ] {
            assert!(page.contains(words), "{uri}: {words:?} is missing");
        }
        let lower = page.to_lowercase();
        for never in ["safe to skip", "safe to run", "no inspection needed"] {
            assert!(!lower.contains(never), "{uri}: {never:?} must never be said");
        }
    }
}

#[tokio::test]
async fn the_first_page_of_500_tubes_is_under_100_kb_and_says_what_it_leaves_out() {
    let mut snapshot = fleet::snapshot();
    let ranked = snapshot.scores.iter().find(|score| score.drivers.len() > 2).expect("such a tube").clone();
    for number in snapshot.scores.len()..500 {
        let (unit, tube) = (format!("D-{number:04}"), format!("T-1{number:04}"));
        let mut score = fleet::score(&unit, &tube, State::Ok, "a fitted model");
        score.risks = fleet::risks([0.01, 0.0, 0.02], [0.02, 0.01, 0.03], [0.03, 0.02, 0.05]);
        score.drivers.clone_from(&ranked.drivers);
        snapshot.scores.push(score);
        let template = fleet::campaigns();
        for mut campaign in template.into_iter().filter(|campaign| campaign.unit == fleet::unit_id("C-103")) {
            campaign.unit = fleet::unit_id(&unit);
            snapshot.campaigns.push(campaign);
        }
    }
    let page = ask(snapshot.clone(), "GET", "/").await.body;
    assert!(page.len() < 100_000, "{} bytes", page.len());
    // By hand: 3 of the invented plant and 491 more are ranked, 9 of them are shown.
    assert!(page.contains("485 more of these"), "{page}");
    for told in [">C-108<", ">C-102<", ">C-104<", ">C-103<", ">C-105<", ">C-107<"] {
        assert!(page.contains(told), "{told} is left out");
    }
    let all = ask(snapshot, "GET", "/?all=yes").await.body;
    assert!(all.contains(">D-0499<") && !all.contains("more of these"));
}
