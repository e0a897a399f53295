use crate::{ask, body, fleet, get};

const ROUTES: [&str; 13] = [
    "/",
    "/tubes/T-0042",
    "/signals",
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
        // Content Security Policy Level 3, 6: without script-src the fallback is default-src, here 'none'.
        assert!(policy.starts_with("default-src 'none';"), "{uri}: {policy}");
        assert!(!policy.contains("unsafe") && !policy.contains("http") && !policy.contains('*'), "{uri}: {policy}");
        assert!(policy.contains("frame-ancestors 'self'"), "{uri}: {policy}");
        assert_eq!(answer.header("x-content-type-options"), "nosniff", "{uri}");
        assert_eq!(answer.header("referrer-policy"), "no-referrer", "{uri}");
        assert!(!answer.header("cache-control").is_empty(), "{uri}");
    }
    assert_eq!(ask(fleet::snapshot(), "POST", "/").await.header("x-content-type-options"), "nosniff");
}

#[tokio::test]
async fn what_may_change_is_not_stored() {
    for uri in ["/", "/signals", "/api/v1/risks", "/health/ready", "/tubes/T-9999"] {
        assert_eq!(get(uri).await.header("cache-control"), "no-store", "{uri}");
    }
}

#[tokio::test]
async fn pages_need_nothing_that_the_policy_forbids() {
    for uri in ["/", "/tubes/T-0042", "/signals", "/nothing"] {
        let page = get(uri).await.body;
        for forbidden in [" style=", "<style", "<script", " onclick", "http:", "https:", "src=\"//", "data:", "@import"]
        {
            assert!(!page.contains(forbidden), "{uri} has {forbidden:?}");
        }
    }
    let style = body("/style.css").await;
    assert!(!style.contains("url(") && !style.contains("@import"), "the style fetches nothing");
}
