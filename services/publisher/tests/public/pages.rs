use axum::http::StatusCode;
use insta::assert_snapshot;
use plant::Signal;

use crate::{ask, body, fleet, get};

#[tokio::test]
async fn tube_page_as_published() {
    assert_snapshot!(body("/tubes/T-0042").await);
}

#[tokio::test]
async fn signals_page_as_published() {
    assert_snapshot!(body("/signals").await);
}

#[tokio::test]
async fn refusals_are_plain_pages() {
    let unknown = get("/tubes/T-9999").await;
    assert_eq!((unknown.status, unknown.header("content-type")), (StatusCode::NOT_FOUND, "text/html; charset=utf-8"));
    assert_snapshot!(unknown.body);
    assert_eq!(get("/nothing").await.status, StatusCode::NOT_FOUND);
    assert_eq!(ask(fleet::snapshot(), "POST", "/").await.status, StatusCode::METHOD_NOT_ALLOWED);
}

#[tokio::test]
async fn a_station_that_was_not_read_is_unknown_and_not_smooth() {
    let page = body("/tubes/T-0042").await;
    // The fixture reads 11 of 12 stations; grade 1 at far, 6 o'clock.
    assert_eq!(page.matches("class=\"station unread\">not read").count(), 1);
    assert_eq!(page.matches("class=\"station g0\"").count(), 10);
    assert_eq!(page.matches("class=\"station g1\"").count(), 1);
}

/// A flake is plating in the product, whatever the grooves beside it (common practice, no source).
#[tokio::test]
async fn a_flake_never_reads_as_smooth() {
    let mut snapshot = fleet::snapshot();
    let detail = snapshot.tubes.get_mut(&fleet::tube_id("T-0042")).unwrap();
    let grade = plant::Grade::try_from(4).unwrap();
    let (drive, middle) = (plant::Zone("drive".to_owned()), plant::Zone("middle".to_owned()));
    let look = detail.looks.last_mut().unwrap();
    // One station was read as smooth besides, one was not read for grooves at all.
    look.others.insert((drive, plant::ClockPosition::Twelve), (grade, plant::Kind::Flake));
    look.others.insert((middle, plant::ClockPosition::Nine), (grade, plant::Kind::Pit));
    let mut placeless = detail.findings.last().unwrap().clone();
    (placeless.kind, placeless.grade) = (Some(plant::Kind::AxialScratch), plant::Grade::try_from(3).unwrap());
    (placeless.zone, placeless.clock) = (None, None);
    detail.findings.push(placeless);
    let page = ask(snapshot.clone(), "GET", "/tubes/T-0042").await.body;
    let cell = |kind: &str| {
        let end = page.find(kind).unwrap_or_else(|| panic!("{kind:?} is missing"));
        let start = page[..end].rfind("<td").unwrap();
        &page[start..start + page[start..].find("</td>").unwrap()]
    };
    assert!(cell("flake, grade 4").contains("g4") && !cell("flake, grade 4").contains("smooth"));
    assert!(cell("pit, grade 4").contains("groove: not read"));
    assert!(page.contains("axial scratch, grade 3 somewhere in the tube"));
    assert_eq!(page.matches("class=\"station g0\"").count(), 9);

    later_smooth_look(&mut snapshot);
    assert!(ask(snapshot, "GET", "/tubes/T-0042").await.body.contains("flake, grade 4"), "a later look hid the flake");
}

fn later_smooth_look(snapshot: &mut publisher::Snapshot) {
    let detail = snapshot.tubes.get_mut(&fleet::tube_id("T-0042")).expect("the invented tube");
    let mut look = detail.looks.last().expect("it was looked into").clone();
    look.at = fleet::now();
    look.others.clear();
    look.stations.values_mut().for_each(|grade| *grade = plant::Grade::SMOOTH);
    detail.looks.push(look);
}

#[tokio::test]
async fn the_worst_mark_of_a_look_names_its_kind() {
    let mut snapshot = fleet::snapshot();
    let detail = snapshot.tubes.get_mut(&fleet::tube_id("T-0042")).unwrap();
    let grade = plant::Grade::try_from(4).unwrap();
    let look = detail.looks.last_mut().unwrap();
    look.worst_mark = Some(grade);
    let mut flake = detail.findings.last().unwrap().clone();
    (flake.kind, flake.grade) = (Some(plant::Kind::Flake), grade);
    detail.findings.push(flake);
    let page = ask(snapshot, "GET", "/tubes/T-0042").await.body;
    let looks = &page[page.find("id=\"looks-title\"").unwrap()..];
    assert!(looks[..looks.find("</table>").unwrap()].contains("<td>flake, grade 4</td>"), "{looks}");
}

#[tokio::test]
async fn grades_of_an_ended_life_are_not_shown_on_the_wall() {
    let mut snapshot = fleet::snapshot();
    let detail = snapshot.tubes.get_mut(&fleet::tube_id("T-0042")).unwrap();
    let last = detail.lives.last_mut().unwrap();
    last.from = Some(fleet::at("2026-01-10T00:00:00Z"));
    let page = ask(snapshot, "GET", "/tubes/T-0042").await.body;
    assert!(page.contains("unknown, not smooth"));
    assert_eq!(page.matches("class=\"station unread\"").count(), 12);
}

#[tokio::test]
async fn a_tube_of_any_name_can_be_reached_by_its_link() {
    for name in ["Kühler 3", "50%?a=b", "\"><b>", "T&T"] {
        let mut snapshot = fleet::snapshot();
        let mut detail = fleet::tube();
        detail.tube.tube = fleet::tube_id(name);
        snapshot.tubes.insert(detail.tube.tube.clone(), detail);
        snapshot.scores = vec![fleet::score("C-1", name, plant::State::Ok, "a reason")];
        let board = ask(snapshot.clone(), "GET", "/").await.body;
        let start = board.find("/tubes/").unwrap();
        let link = &board[start..start + board[start..].find('"').unwrap()];
        assert_eq!(ask(snapshot, "GET", link).await.status, StatusCode::OK, "{name:?} by {link}");
    }
}

#[tokio::test]
async fn a_signal_that_never_came_is_said() {
    let mut snapshot = fleet::snapshot();
    let mut report = fleet::signals().swap_remove(0);
    report.signal = Signal::Speed;
    (report.value, report.last_at, report.arrived_at, report.count) = (String::new(), None, None, 0);
    snapshot.signals.push(report.clone());
    let page = ask(snapshot.clone(), "GET", "/signals").await.body;
    assert!(page.contains("<b>nothing came</b>") && page.contains(">not since the start</td>"), "{page}");
    let unit = &page[page.find(">C-103<").unwrap()..];
    assert!(unit.find(">speed<").unwrap() < unit.find(">torque<").unwrap(), "the silent one comes first");
    let metrics = ask(snapshot.clone(), "GET", "/metrics").await.body;
    assert!(metrics.contains("groovecast_signal_readings_total{unit=\"C-103\",signal=\"speed\"} 0\n"));
    assert!(!metrics.contains("groovecast_signal_age_seconds{unit=\"C-103\",signal=\"speed\"}"));

    // Something came, and none of it could be taken: that is another step for another person.
    report.faults = fleet::snapshot().faults;
    report.faults[0].count = 1;
    snapshot.signals = vec![report];
    let page = ask(snapshot, "GET", "/signals").await.body;
    assert!(page.contains("<b>no reading taken</b>") && page.contains("1 time, last"), "{page}");
}
