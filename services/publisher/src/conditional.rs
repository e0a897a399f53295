//! Entity tags: who has the newest bytes already is not sent them again.

use axum::body::{Body, Bytes, to_bytes};
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};

/// The answer has its tag, and was held against what the request knows.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Tagged;

/// Tags every answer that may be kept, and answers 304 to who has it (RFC 9110, sections 8.8.3 and 13.1.2).
pub(crate) async fn revalidate(request: Request, next: Next) -> Response {
    let asked = request.headers().get(header::IF_NONE_MATCH).cloned();
    let response = next.run(request).await;
    if response.extensions().get::<Tagged>().is_some() {
        return response;
    }
    match tagged(response).await {
        Ok(response) => match unchanged(response.headers(), asked.as_ref()) {
            Some(unchanged) => unchanged,
            None => response.map(Body::from),
        },
        Err(response) => response,
    }
}

/// The answer with its tag, which is strong: it is made of the bytes themselves.
///
/// # Errors
/// The answer as it was, if it is none that went well or if it forbids storing.
pub(crate) async fn tagged(response: Response) -> Result<Response<Bytes>, Response> {
    let stored = response.headers().get(header::CACHE_CONTROL).is_none_or(|value| value != "no-store");
    if response.status() != StatusCode::OK || !stored {
        return Err(response);
    }
    let (mut parts, body) = response.into_parts();
    let body = match to_bytes(body, usize::MAX).await {
        Ok(body) => body,
        Err(error) => {
            tracing::error!(%error, "an answer broke off before it was sent");
            return Err(StatusCode::INTERNAL_SERVER_ERROR.into_response());
        }
    };
    // A finding brings a tag of its own: its version, by which corrections say what they have seen.
    let own = || HeaderValue::from_str(&tag(&body)).expect("quoted hexadecimal digits are ASCII");
    parts.headers.entry(header::ETAG).or_insert_with(own);
    parts.headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-cache"));
    Ok(Response::from_parts(parts, body))
}

/// The answer to who has what these headers stand before; `None` if they do not.
pub(crate) fn unchanged(headers: &HeaderMap, asked: Option<&HeaderValue>) -> Option<Response> {
    let tag = headers.get(header::ETAG)?.to_str().ok()?;
    if !names(asked?, tag) {
        return None;
    }
    let mut repeated = HeaderMap::new();
    for name in [header::ETAG, header::CACHE_CONTROL, header::VARY] {
        if let Some(value) = headers.get(&name) {
            repeated.insert(name, value.clone());
        }
    }
    let mut response = (StatusCode::NOT_MODIFIED, repeated).into_response();
    response.extensions_mut().insert(Tagged);
    Some(response)
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
