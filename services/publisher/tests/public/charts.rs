use std::collections::BTreeSet;

use insta::assert_snapshot;
use plant::State;
use serde_json::Value;

use crate::{ask, body, fleet, get};

#[tokio::test]
async fn charts_as_published() {
    assert_snapshot!(body("/charts/tubes/T-0042.svg?width=640&height=320").await);
    assert_snapshot!(body("/charts/tubes/T-0030.svg?width=300&height=240&theme=dark").await);
    assert_snapshot!(body("/charts/tubes/T-0023.svg").await);
    assert_snapshot!(body("/charts/board.svg").await);
}

/// The words of a picture as a browser sets them: what stands between tags.
fn words(svg: &str) -> String {
    let texts = svg.split('<').filter_map(|piece| piece.split_once('>')).map(|(_, text)| text.trim());
    texts.filter(|text| !text.is_empty()).collect::<Vec<_>>().join(" ")
}

/// Elements and attributes that are used.
fn parts(svg: &str) -> (BTreeSet<&str>, BTreeSet<&str>) {
    let tags: Vec<&str> = svg.split('<').skip(1).filter(|tag| !tag.starts_with('/')).collect();
    let elements = tags.iter().filter_map(|tag| tag.split([' ', '>', '/']).next()).collect();
    let attributes = tags
        .iter()
        .flat_map(|tag| tag.split('>').next().unwrap_or_default().split("=\""))
        .filter_map(|before| {
            before.rsplit(' ').next().filter(|name| name.bytes().all(|b| b.is_ascii_lowercase() || b == b'-'))
        })
        .collect();
    (elements, attributes)
}

#[tokio::test]
async fn a_chart_runs_nothing_and_fetches_nothing() {
    for uri in [
        "/charts/tubes/T-0042.svg",
        "/charts/board.svg",
        "/charts/tubes/T-0023.svg?theme=dark",
        "/charts/tubes/T-0042/walls.svg",
        "/charts/tubes/T-0042/life.svg",
    ] {
        let svg = body(uri).await;
        let (elements, attributes) = parts(&svg);
        // SVG 2: script, foreignObject, use, image, a and style are what can run or fetch; href and style attributes too.
        let drawn = ["svg", "title", "desc", "rect", "polyline", "polygon", "text"].into();
        assert!(elements.is_subset(&drawn), "{uri}: {elements:?}");
        assert!(
            attributes.iter().all(|name| !name.starts_with("on") && *name != "style" && !name.contains("href")),
            "{uri}: {attributes:?}"
        );
        assert!(
            attributes.contains("font-family") && attributes.contains("xmlns"),
            "the parts are not read: {attributes:?}"
        );
        assert!(!svg.contains("url("), "{uri}");
    }
}

#[tokio::test]
async fn a_chart_can_be_read_alone() {
    let svg = body("/charts/tubes/T-0042.svg?width=1000&height=500").await;
    let words = words(&svg);
    for needed in [
        "Tube T-0042, unit C-103",
        "grade 2 (catches a fingernail) or worse",
        "Now 31\u{a0}% (18–49\u{a0}%)",
        "fitted model",
        "last complete look",
        "run hours from now (h)",
        "+1\u{202f}000\u{a0}h",
        "100\u{a0}%",
        "12\u{a0}May\u{a0}2026, 06:30 CEST",
        "no permission to skip",
    ] {
        assert!(words.contains(needed), "{needed:?} is missing: {words}");
    }
    // SVG 2, 5.8: the first title and desc child of the root name it.
    assert!(svg.contains("role=\"img\" aria-labelledby=\"name words\">\n<title id=\"name\">Tube T-0042"), "{svg}");
    assert!(svg.contains("width=\"1000\" height=\"500\" viewBox=\"0 0 1000 500\""));
}

/// The heights of the points of every shape of a kind.
fn heights(svg: &str, element: &str) -> Vec<Vec<f64>> {
    let opened = format!("<{element} ");
    let lists = svg.split(&opened).skip(1).map(|tag| tag.split("points=\"").nth(1).expect("points"));
    lists
        .map(|list| {
            let points = list.split('"').next().expect("an end").split_whitespace();
            points.map(|point| point.split_once(',').expect("x,y").1.parse().expect("a number")).collect()
        })
        .collect()
}

#[tokio::test]
async fn the_place_on_the_axis_is_the_chance() {
    let svg = body("/charts/tubes/T-0042.svg").await;
    // The axis itself: the rules at 0 and at 100 % are the lowest and the highest one that are level.
    let lines = heights(&svg, "polyline");
    let level = || lines.iter().filter(|line| line.len() == 2 && line[0] == line[1]).map(|line| line[0]);
    let (nought, certain) = (level().fold(f64::MIN, f64::max), level().fold(f64::MAX, f64::min));
    let chances = |line: &Vec<f64>| line.iter().map(|y| (nought - y) / (nought - certain)).collect::<Vec<_>>();
    let near = |drawn: &[f64], told: &[f64]| {
        drawn.len() == told.len() && drawn.iter().zip(told).all(|(a, b)| (a - b).abs() < 0.01)
    };
    // The invented plant's own numbers; the band runs along the upper ends and back along the lower ones.
    let band = heights(&svg, "polygon").iter().map(chances).find(|points| points.len() > 3).unwrap();
    assert!(near(&band, &[0.49, 0.64, 0.77, 0.34, 0.27, 0.18]), "{band:?}");
    let line = lines.iter().filter(|line| line.len() == 3).map(chances).next().unwrap();
    assert!(near(&line, &[0.31, 0.44, 0.55]), "{line:?}");
}

#[tokio::test]
async fn without_a_chance_there_are_words_and_no_line() {
    for state in State::ALL {
        let mut snapshot = fleet::snapshot();
        snapshot.scores = vec![fleet::score("C-101", "T-0007", *state, "because of this")];
        let svg = ask(snapshot, "GET", "/charts/tubes/T-0007.svg").await.body;
        assert!(!svg.contains("<polyline") && !svg.contains("<polygon"), "{state}: a line was drawn");
        assert!(!words(&svg).contains("0\u{a0}%"), "{state}: {svg}");
        assert!(words(&svg).contains("because of this"), "{state}: {svg}");
    }
    let mut snapshot = fleet::snapshot();
    snapshot.scores.clear();
    let svg = ask(snapshot, "GET", "/charts/tubes/T-0007.svg").await.body;
    assert!(words(&svg).contains("not been evaluated") && !svg.contains("<polyline"), "{svg}");
    assert!(words(&svg).contains("Inspect on the fixed schedule"), "{svg}");
}

#[tokio::test]
async fn a_flaked_tube_is_held_in_its_picture_too() {
    let mut snapshot = fleet::snapshot();
    let hold = snapshot.scores.iter_mut().find(|score| score.hold_and_assess).unwrap();
    hold.risks = fleet::risks([0.01, 0.0, 0.02], [0.01, 0.0, 0.02], [0.01, 0.0, 0.02]);
    for uri in
        ["/charts/tubes/T-0023.svg", "/charts/tubes/T-0023.svg?width=200&height=200", "/charts/board.svg?width=200"]
    {
        let svg = ask(snapshot.clone(), "GET", uri).await.body;
        assert!(words(&svg).to_lowercase().contains("hold and assess"), "{uri}: {svg}");
        assert!(uri.contains("board") || !svg.contains("<polyline"), "{uri}: a chance was drawn");
    }
}

#[tokio::test]
async fn nonsense_sizes_and_themes_are_refused() {
    for query in [
        "width=199",
        "width=2001",
        "height=0",
        "height=-300",
        "width=1e3",
        "width=+640",
        "width=",
        "width=640px",
        "width=99999999999",
        "theme=blue",
        "theme=",
        "colour=red",
        "width=300&width=400",
    ] {
        let answer = get(&format!("/charts/tubes/T-0042.svg?{query}")).await;
        assert_eq!(
            (answer.status.as_u16(), answer.header("content-type")),
            (400, "application/problem+json"),
            "{query}"
        );
        let json: Value = serde_json::from_str(&answer.body).unwrap();
        assert!(json["detail"].as_str().unwrap().contains("right would be"), "{query}: {json}");
    }
    for query in ["width=200&height=2000", "width=2000&height=200", "theme=light", ""] {
        assert_eq!(get(&format!("/charts/tubes/T-0042.svg?{query}")).await.status.as_u16(), 200, "{query}");
    }
    assert_eq!(get("/charts/board.svg?height=300").await.status.as_u16(), 400);
    for unknown in ["/charts/tubes/T-9999.svg", "/charts/tubes/T-9999.png", "/charts/tubes/T-0042", "/charts/nothing"] {
        let answer = get(unknown).await;
        assert_eq!(
            (answer.status.as_u16(), answer.header("content-type")),
            (404, "application/problem+json"),
            "{unknown}"
        );
    }
}

#[tokio::test]
async fn no_text_leaves_a_small_picture() {
    for uri in [
        "/charts/tubes/T-0042.svg?width=200&height=200",
        "/charts/board.svg?width=200",
        "/charts/tubes/T-0011.svg?width=200&height=200",
    ] {
        let svg = body(uri).await;
        let height: f64 = svg.split("height=\"").nth(1).unwrap().split('"').next().unwrap().parse().unwrap();
        for tag in svg.split("<text").skip(1) {
            let y: f64 = tag.split(" y=\"").nth(1).unwrap().split('"').next().unwrap().parse().unwrap();
            assert!((0.0..height - 10.0).contains(&y), "{uri}: {tag}");
        }
    }
}
