use crate::{ask, asking, body, fleet, get};

const ROUTES: [&str; 28] = [
    "/",
    "/findings",
    "/findings/new",
    "/findings/plain",
    "/login",
    "/display",
    "/finding.js",
    "/words.js",
    "/worker.js",
    "/tubes/T-0042",
    "/signals",
    "/models",
    "/api",
    "/charts/board.svg",
    "/charts/tubes/T-0042.svg",
    "/api/openapi.json",
    "/api/v1/risks.csv",
    "/metrics",
    "/style.css",
    "/icon.svg",
    "/api/v1/risks",
    "/api/v1/tubes",
    "/api/v1/tubes/T-0042",
    "/api/v1/signals",
    "/health/live",
    "/health/ready",
    "/nothing",
    "/api/nothing",
];

#[tokio::test]
async fn every_answer_carries_the_guarding_headers() {
    for uri in ROUTES {
        let answer = get(uri).await;
        let policy = answer.header("content-security-policy");
        // Content Security Policy Level 3, 6: what no directive names falls back to default-src, here 'none'.
        assert!(policy.starts_with("default-src 'none';"), "{uri}: {policy}");
        let (loads, framed) = policy.split_once("frame-ancestors ").expect("who may frame it");
        assert!(!loads.contains("unsafe") && !loads.contains("http") && !policy.contains('*'), "{uri}: {policy}");
        let alone = ["/login", "/display", "/findings/new", "/findings/plain"].contains(&uri);
        // A page with forms is framed by nobody: buttons could be pressed unseen.
        assert_eq!(framed, if alone { "'none'" } else { "'self' https://wall.example" }, "{uri}");
        assert_eq!(answer.header("x-content-type-options"), "nosniff", "{uri}");
        // Fetch Standard, "append a request Origin header": with "no-referrer" a form is sent with `Origin: null`, which the
        // door takes for another site's; with "same-origin" our own forms name our origin, and others learn nothing.
        assert_eq!(answer.header("referrer-policy"), "same-origin", "{uri}");
        assert!(!answer.header("cache-control").is_empty(), "{uri}");
    }
    assert_eq!(ask(fleet::snapshot(), "POST", "/").await.header("x-content-type-options"), "nosniff");
}

#[tokio::test]
async fn what_may_change_is_asked_for_again() {
    for uri in ["/", "/signals", "/api/v1/risks", "/api/v1/risks.csv", "/charts/board.svg"] {
        // RFC 9111, 5.2.2.4: stored, but not used without asking.
        assert_eq!(get(uri).await.header("cache-control"), "no-cache", "{uri}");
    }
}

#[tokio::test]
async fn only_the_origins_that_are_named_may_read_from_a_script() {
    for (origin, allowed) in [
        ("https://wall.example", "https://wall.example"),
        ("https://other.example", ""),
        ("https://wall.example.evil.example", ""),
        ("http://wall.example", ""),
        ("null", ""),
    ] {
        for uri in ["/api/v1/risks", "/api/v1/tubes/T-9999"] {
            let answer = asking(fleet::snapshot(), "GET", uri, &[("origin", origin)]).await;
            // Fetch Standard, CORS check: the header is the origin itself.
            assert_eq!(answer.header("access-control-allow-origin"), allowed, "{uri} from {origin}");
            assert!(answer.headers.get_all("vary").iter().any(|value| value == "origin"), "{uri}");
            assert_eq!(answer.header("access-control-allow-credentials"), "");
        }
    }
}

#[tokio::test]
async fn pages_need_nothing_that_the_policy_forbids() {
    for uri in ["/", "/tubes/T-0042", "/findings", "/signals", "/models", "/api", "/nothing"] {
        let page = get(uri).await.body;
        for forbidden in [" style=", "<style", "<script", " onclick", "http:", "https:", "src=\"//", "data:", "@import"]
        {
            assert!(!page.contains(forbidden), "{uri} has {forbidden:?}");
        }
    }
    let style = body("/style.css").await;
    assert!(!style.contains("url(") && !style.contains("@import"), "the style fetches nothing");
}
