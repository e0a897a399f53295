//! Charts as PNG: sizes, refusals and tags. What they show is held against a browser in `tests/browser/charts.mjs`.

use axum::body::{Body, to_bytes};
use axum::http::Request;
use plant::State;
use publisher::{Publisher, app};
use serde_json::Value;
use tower::ServiceExt;

use crate::desk::Desk;
use crate::{ask, body, fleet, get};

async fn bytes(publisher: &Publisher, uri: &str) -> Vec<u8> {
    let request = Request::get(uri).body(Body::empty()).expect("a request");
    let answer = app(publisher.clone()).oneshot(request).await.expect("the router cannot fail");
    let media = answer.headers()["content-type"].to_str().expect("headers are ASCII");
    assert_eq!((answer.status().as_u16(), media), (200, "image/png"), "{uri}");
    to_bytes(answer.into_body(), usize::MAX).await.expect("a body in memory").to_vec()
}

/// Width and height, pixels: ISO/IEC 15948, 5.2 (signature) and 11.2.2 (IHDR comes first: length, type, width, height).
fn size(png: &[u8]) -> (u32, u32) {
    assert_eq!(png[..16], *b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR");
    let side = |from: usize| u32::from_be_bytes(png[from..from + 4].try_into().expect("four bytes"));
    (side(16), side(20))
}

#[tokio::test]
async fn every_chart_is_a_picture_in_pixels_of_the_size_that_its_drawing_has() {
    let desk = Desk::empty(fleet::snapshot()).await;
    for chart in ["board", "tubes/T-0042", "tubes/T-0042/walls", "tubes/T-0042/life"] {
        for query in ["width=640", "width=200&theme=dark"] {
            let svg = body(&format!("/charts/{chart}.svg?{query}")).await;
            let side = |name: &str| -> u32 {
                svg.split(&format!("{name}=\"")).nth(1).unwrap().split('"').next().unwrap().parse().unwrap()
            };
            let (width, height) = (side("width"), side("height"));
            for scale in [1, 2, 3] {
                let uri = format!("/charts/{chart}.png?{query}&scale={scale}");
                assert_eq!(size(&bytes(&desk.publisher, &uri).await), (width * scale, height * scale), "{uri}");
            }
        }
        let uri = format!("/charts/{chart}.png");
        let plain = bytes(&desk.publisher, &uri).await;
        assert_eq!(plain, bytes(&desk.publisher, &format!("{uri}?theme=light&scale=1")).await);
        assert_ne!(plain, bytes(&desk.publisher, &format!("{uri}?theme=dark")).await);
    }
}

#[tokio::test]
async fn what_cannot_be_drawn_in_pixels_is_refused_with_what_would_be_right() {
    for (uri, status, code) in [
        ("/charts/tubes/T-0042.png?width=10000&height=10000", 400, "bad_size"),
        ("/charts/tubes/T-0042.png?width=2000&height=2000&scale=3", 409, "bad_size"),
        ("/charts/tubes/T-0042.png?scale=0", 400, "bad_size"),
        ("/charts/tubes/T-0042.png?scale=1.5", 400, "bad_size"),
        ("/charts/tubes/T-0042.png?scale=255", 400, "bad_size"),
        ("/charts/tubes/T-0042.svg?scale=2", 400, "bad_query"),
        ("/charts/board.png?height=300", 400, "bad_query"),
        ("/charts/board.png?theme=blue", 400, "bad_theme"),
        ("/charts/tubes/T-9999.png", 404, "unknown_tube"),
        ("/charts/tubes/T-0042.gif", 404, "unknown_tube"),
    ] {
        let answer = get(uri).await;
        assert_eq!(answer.status.as_u16(), status, "{uri}: {}", answer.body);
        let json: Value = answer.json();
        assert_eq!(json["code"], code, "{uri}");
        assert!(json["detail"].as_str().unwrap().contains("right would be"), "{uri}: {json}");
    }
}

#[tokio::test]
async fn words_in_a_script_without_letters_are_no_boxes() {
    let mut snapshot = fleet::snapshot();
    snapshot.scores = vec![fleet::score("C-101", "T-0007", State::Blind, "keine Grundlage für γ, β и т. д.")];
    assert_eq!(ask(snapshot.clone(), "GET", "/charts/tubes/T-0007.png").await.status.as_u16(), 200);
    snapshot.scores = vec![fleet::score("C-101", "T-0007", State::Blind, "刮面")];
    assert_eq!(ask(snapshot.clone(), "GET", "/charts/tubes/T-0007.svg").await.status.as_u16(), 200);
    let refused = ask(snapshot, "GET", "/charts/tubes/T-0007.png").await;
    assert_eq!((refused.status.as_u16(), refused.json()["code"].as_str()), (404, Some("no_letter")));
    assert!(refused.json()["detail"].as_str().unwrap().contains("'刮' (U+522E)"), "{}", refused.body);
}
