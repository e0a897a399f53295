use std::collections::BTreeSet;

use axum::http::StatusCode;

use crate::{Answer, ask, asking, fleet, get};

const KEPT: [&str; 19] = [
    "/",
    "/tubes/T-0042",
    "/signals",
    "/models",
    "/api",
    "/style.css",
    "/icon.svg",
    "/charts/board.svg",
    "/charts/board.png",
    "/charts/tubes/T-0042.svg",
    "/charts/tubes/T-0042.png",
    "/api/openapi.json",
    "/api/v1/risks",
    "/api/v1/risks.csv",
    "/api/v1/changeovers",
    "/api/v1/models",
    "/api/v1/tubes",
    "/api/v1/tubes/T-0042",
    "/api/v1/signals.csv",
];

async fn with_tag(uri: &str, tag: &str) -> Answer {
    asking(fleet::snapshot(), "GET", uri, &[("if-none-match", tag), ("origin", "https://wall.example")]).await
}

#[tokio::test]
async fn who_has_it_is_not_sent_it_again() {
    let mut tags = BTreeSet::new();
    for uri in KEPT {
        let first = get(uri).await;
        let tag = first.header("etag").to_owned();
        // RFC 9110, 8.8.3: a strong tag is a quoted text without W/.
        assert!(tag.starts_with('"') && tag.ends_with('"') && tag.len() > 10, "{uri}: {tag:?}");
        assert!(tags.insert(tag.clone()), "{uri} has the tag of another answer");
        let again = with_tag(uri, &format!("\"other\", {tag}")).await;
        assert_eq!((again.status, again.body.as_str()), (StatusCode::NOT_MODIFIED, ""), "{uri}");
        // RFC 9110, 15.4.5: what a 304 must repeat.
        assert_eq!(again.header("etag"), tag, "{uri}");
        assert_eq!(again.header("cache-control"), first.header("cache-control"), "{uri}");
        assert!(again.headers.get_all("vary").iter().any(|value| value == "origin"), "{uri}");
        assert_eq!(again.header("access-control-allow-origin"), "https://wall.example", "{uri}");
        assert!(again.header("content-type").is_empty(), "{uri}");
        assert_eq!(with_tag(uri, "\"other\"").await.status, StatusCode::OK, "{uri}");
    }
}

#[tokio::test]
async fn another_content_has_another_tag() {
    let mut later = fleet::snapshot();
    // Of six published digits of 0.02 the last ones.
    later.scores[0].risks[0].upper += 1e-6;
    let of = async |snapshot, uri| ask(snapshot, "GET", uri).await.header("etag").to_owned();
    assert_ne!(of(later.clone(), "/api/v1/risks").await, of(fleet::snapshot(), "/api/v1/risks").await);
    assert_eq!(of(later, "/api/v1/tubes").await, of(fleet::snapshot(), "/api/v1/tubes").await);
}

#[tokio::test]
async fn head_says_what_get_says() {
    for uri in KEPT {
        let (head, get) = (ask(fleet::snapshot(), "HEAD", uri).await, get(uri).await);
        // RFC 9110, 9.3.2: the same header fields as GET, no content.
        assert_eq!((head.status, head.body.as_str()), (StatusCode::OK, ""), "{uri}");
        for name in ["etag", "content-type", "cache-control"] {
            assert_eq!(head.header(name), get.header(name), "{uri}: {name}");
        }
        assert_eq!(head.header("content-length"), get.length.to_string(), "{uri}");
    }
}

#[tokio::test]
async fn what_is_of_this_moment_and_what_is_refused_is_never_kept() {
    for uri in ["/health/live", "/health/ready", "/metrics", "/tubes/T-9999", "/api/v1/tubes/T-9999", "/api/nothing"] {
        let answer = with_tag(uri, "*").await;
        assert_ne!(answer.status, StatusCode::NOT_MODIFIED, "{uri}");
        assert_eq!((answer.header("cache-control"), answer.header("etag")), ("no-store", ""), "{uri}");
    }
}
