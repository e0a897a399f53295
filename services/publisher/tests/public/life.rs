//! The pictures of a tube over time: the wall at each look, and the life line.

use axum::http::StatusCode;
use insta::assert_snapshot;

use crate::{ask, fleet, get};

/// A picture of the tube with six looks in two lives.
async fn drawn(path: &str) -> String {
    let mut snapshot = fleet::snapshot();
    snapshot.tubes.insert(fleet::tube_id("T-0042"), fleet::worn_tube());
    let answer = ask(snapshot, "GET", path).await;
    assert_eq!(answer.status, StatusCode::OK, "{path}: {}", answer.body);
    answer.body
}

/// The number that an attribute of a tag has.
fn number(tag: &str, name: &str) -> f64 {
    let value = tag.split(&format!(" {name}=\"")).nth(1).and_then(|rest| rest.split('"').next());
    value.and_then(|value| value.parse().ok()).unwrap_or_else(|| panic!("no number {name} in {tag}"))
}

/// The texts of a picture with their places.
fn texts(svg: &str) -> Vec<(f64, f64, String)> {
    let tags = svg.split("<text").skip(1).filter_map(|tag| tag.split("</text").next());
    let read = |tag: &str| {
        let text = tag.split_once('>').map_or("", |(_, text)| text);
        (number(tag, "x"), number(tag, "y"), text.trim().to_owned())
    };
    tags.map(read).collect()
}

#[tokio::test]
async fn walls_and_life_as_published() {
    assert_snapshot!(drawn("/charts/tubes/T-0042/walls.svg").await);
    assert_snapshot!(drawn("/charts/tubes/T-0042/life.svg?width=360&height=360&theme=dark").await);
    assert_snapshot!(get("/charts/tubes/T-0007/walls.svg?width=300").await.body);
    assert_snapshot!(get("/charts/tubes/T-0007/life.svg").await.body);
}

#[tokio::test]
async fn every_station_of_every_look_is_read_or_struck_through() {
    let svg = drawn("/charts/tubes/T-0042/walls.svg?width=900").await;
    // The invented record: three looks with all 12 stations, one with 1, one with 2, and one that has none.
    let texts = texts(&svg);
    let signs = |wanted: &str| texts.iter().filter(|(_, _, text)| text == wanted).count();
    assert_eq!((signs("3"), signs("F4"), signs("0 S1")), (1 + 5, 1, 1), "five walls write the clock position 3");
    // A stroke from corner to corner is neither level nor upright.
    let slanted = svg.split("<polyline").skip(1).filter(|tag| {
        let points = tag.split("points=\"").nth(1).unwrap().split('"').next().unwrap();
        let points: Vec<(f64, f64)> = points
            .split_whitespace()
            .map(|point| point.split_once(',').unwrap())
            .map(|(x, y)| (x.parse().unwrap(), y.parse().unwrap()))
            .collect();
        points.len() == 2 && points[0].0 != points[1].0 && points[0].1 != points[1].1
    });
    assert_eq!(slanted.count(), 11 + 10);
    assert!(svg.contains("honed 20\u{a0}Feb\u{a0}2025"), "a new life is told");
}

#[tokio::test]
async fn all_walls_are_on_one_scale_and_in_order_of_time() {
    let svg = drawn("/charts/tubes/T-0042/walls.svg?width=1000").await;
    let texts = texts(&svg);
    let days = ["4\u{a0}Jun\u{a0}2024", "5\u{a0}Nov\u{a0}2024", "11\u{a0}Feb\u{a0}2025", "3\u{a0}Dec\u{a0}2025"];
    let place = |day: &str| texts.iter().position(|(_, _, text)| text == day).unwrap_or_else(|| panic!("{day}"));
    let (mut last, mut gaps) = (f64::MIN, Vec::new());
    for day in days {
        let (x, _, _) = texts[place(day)];
        assert!(x > last, "{day} stands before an older look");
        gaps.push(x - last);
        last = x;
    }
    assert!(gaps[1..].windows(2).all(|pair| pair[0] == pair[1]), "{gaps:?}");
}

#[tokio::test]
async fn the_life_line_sets_time_to_scale() {
    let svg = drawn("/charts/tubes/T-0042/life.svg?width=1000").await;
    let texts = texts(&svg);
    let x = |wanted: &str| texts.iter().find(|(_, _, text)| text == wanted).unwrap_or_else(|| panic!("{wanted}")).0;
    // 2024 is a leap year: 366 days; 2025 has 365.
    let (a, b, c) = (x("Jan 2025"), x("Jan 2026"), x("Apr 2026"));
    let px_per_day = (b - a) / 365.0;
    assert!(((c - b) / 90.0 - px_per_day).abs() < 0.03, "{a} {b} {c}");
    // The second look was on 5 Nov 2024, 57 days before the year's end.
    assert!((x("2") - (a - 57.0 * px_per_day)).abs() < 2.0);
    assert!(svg.contains("6\u{202f}280\u{a0}h run since the records begin"));
}

#[tokio::test]
async fn without_a_look_nothing_reads_as_smooth() {
    let svg = get("/charts/tubes/T-0007/walls.svg").await.body;
    assert!(svg.contains("No look is on record: unknown, not smooth."));
    assert!(!texts(&svg).iter().any(|(_, _, text)| text == "0"), "{svg}");
}

#[tokio::test]
async fn many_zones_and_a_narrow_picture_keep_inside() {
    for path in ["walls.svg?width=200", "life.svg?width=200&height=200", "life.svg?width=2000&height=200"] {
        let svg = drawn(&format!("/charts/tubes/T-0042/{path}")).await;
        let size = |name: &str| number(&svg, name);
        for (x, y, text) in texts(&svg) {
            assert!((0.0..=size("width")).contains(&x) && (0.0..size("height") - 8.0).contains(&y), "{path}: {text}");
        }
    }
}

#[tokio::test]
async fn in_a_narrow_station_the_worse_mark_stands() {
    let svg = drawn("/charts/tubes/T-0042/walls.svg?width=200").await;
    let many = texts(&svg);
    assert!(many.iter().any(|(_, _, text)| text == "0 S1"));
    let mut snapshot = fleet::snapshot();
    let mut detail = fleet::worn_tube();
    for zone in 0..9 {
        let station = (plant::Zone(format!("z{zone}")), plant::ClockPosition::Six);
        detail.looks[2].stations.insert(station, plant::Grade::SMOOTH);
    }
    snapshot.tubes.insert(fleet::tube_id("T-0042"), detail);
    let narrow = texts(&ask(snapshot, "GET", "/charts/tubes/T-0042/walls.svg?width=200").await.body);
    assert!(narrow.iter().any(|(_, _, text)| text == "S1") && !narrow.iter().any(|(_, _, text)| text == "0 S1"));
}

#[tokio::test]
async fn of_very_many_looks_the_newest_are_drawn_and_the_rest_is_said() {
    let mut snapshot = fleet::snapshot();
    let mut detail = fleet::worn_tube();
    let last = detail.looks.last().unwrap().clone();
    for day in 0..40 {
        let mut look = last.clone();
        look.at = last.at + jiff::SignedDuration::from_hours(24 * (day + 1));
        detail.looks.push(look);
    }
    snapshot.tubes.insert(fleet::tube_id("T-0042"), detail);
    let svg = ask(snapshot, "GET", "/charts/tubes/T-0042/walls.svg").await.body;
    assert!(svg.contains("The 6 oldest looks are left out"), "46 looks, 40 are drawn");
    assert!(!texts(&svg).iter().any(|(_, _, text)| text == "4\u{a0}Jun\u{a0}2024"));
}

#[tokio::test]
async fn what_cannot_be_drawn_is_refused() {
    for (path, status) in [
        ("/charts/tubes/T-9999/walls.svg", 404),
        ("/charts/tubes/T-9999/life.svg", 404),
        ("/charts/tubes/T-0042/walls.svg?height=300", 400),
        ("/charts/tubes/T-0042/walls.svg?width=10", 400),
        ("/charts/tubes/T-0042/life.svg?theme=blue", 400),
        ("/charts/tubes/T-0042/other.svg", 404),
    ] {
        let answer = get(path).await;
        assert_eq!(
            (answer.status.as_u16(), answer.header("content-type")),
            (status, "application/problem+json"),
            "{path}"
        );
    }
}
