//! Entity tags: who has the newest bytes already is not sent them again.

use axum::body::{Body, to_bytes};
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};

/// Tags every answer that may be kept, and answers 304 to who has it (RFC 9110, sections 8.8.3 and 13.1.2).
///
/// An answer that forbids storing is left alone. The tag is strong: it is made of the bytes themselves.
pub(crate) async fn revalidate(request: Request, next: Next) -> Response {
    let asked = request.headers().get(header::IF_NONE_MATCH).cloned();
    let response = next.run(request).await;
    let stored = response.headers().get(header::CACHE_CONTROL).is_none_or(|value| value != "no-store");
    if response.status() != StatusCode::OK || !stored {
        return response;
    }
    let (mut parts, body) = response.into_parts();
    let body = match to_bytes(body, usize::MAX).await {
        Ok(body) => body,
        Err(error) => {
            tracing::error!(%error, "an answer broke off before it was sent");
            return StatusCode::INTERNAL_SERVER_ERROR.into_response();
        }
    };
    // A finding brings a tag of its own: its version, by which corrections say what they have seen.
    let own = parts.headers.get(header::ETAG).and_then(|own| own.to_str().ok()).map(str::to_owned);
    let tag = own.unwrap_or_else(|| tag(&body));
    let known = asked.is_some_and(|asked| names(&asked, &tag));
    parts.headers.insert(header::ETAG, HeaderValue::from_str(&tag).expect("quoted hexadecimal digits are ASCII"));
    parts.headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-cache"));
    if !known {
        return Response::from_parts(parts, Body::from(body));
    }
    let mut headers = HeaderMap::new();
    for name in [header::ETAG, header::CACHE_CONTROL, header::VARY] {
        if let Some(value) = parts.headers.remove(&name) {
            headers.insert(name, value);
        }
    }
    (StatusCode::NOT_MODIFIED, headers).into_response()
}

/// 128 of the 256 bits are plenty to tell one state of a plant from the next.
fn tag(body: &[u8]) -> String {
    let digits: String = Sha256::digest(body).iter().take(16).map(|byte| format!("{byte:02x}")).collect();
    format!("\"{digits}\"")
}

/// Whether `If-None-Match` names the tag. It compares weakly: a proxy may have marked our tag as weak.
fn names(asked: &HeaderValue, tag: &str) -> bool {
    let Ok(asked) = asked.to_str() else { return false };
    asked.split(',').map(str::trim).any(|named| named == "*" || named.strip_prefix("W/").unwrap_or(named) == tag)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tag_is_of_the_bytes() {
        // FIPS 180-2, appendix B.1: SHA-256 of "abc" begins ba7816bf 8f01cfea 414140de 5dae2223.
        assert_eq!(tag(b"abc"), "\"ba7816bf8f01cfea414140de5dae2223\"");
    }

    #[test]
    fn a_list_a_weak_mark_and_a_star_name_it() {
        let named = |asked: &'static str| names(&HeaderValue::from_static(asked), "\"ab\"");
        assert!(named("\"ab\"") && named("W/\"ab\"") && named("\"xy\", \"ab\"") && named("*"));
        assert!(!named("\"xy\"") && !named("ab") && !named(""));
    }
}
