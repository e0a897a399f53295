//! Whether a request comes from our own pages.

use axum::http::{HeaderMap, header};

/// Whether what a browser says of where a request comes from speaks against our own pages.
///
/// Browsers send `Sec-Fetch-Site` and, with every unsafe method, `Origin` (Fetch Metadata Request Headers, 2.3; Fetch
/// Standard, "append a request Origin header"). What sends neither is no browser that could be tricked by a foreign page,
/// or an old one, for which the token in the form remains.
pub(crate) fn foreign(headers: &HeaderMap) -> bool {
    let text = |name| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
    if let Some(site) = text(header::HeaderName::from_static("sec-fetch-site"))
        && !matches!(site, "same-origin" | "none")
    {
        return true;
    }
    let Some(origin) = text(header::ORIGIN) else { return false };
    // The scheme is left out: behind a proxy that speaks https we ourselves hear plain http.
    let authority = origin.split_once("://").map(|(_, authority)| authority);
    authority.is_none() || authority != text(header::HOST)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &'static str)]) -> HeaderMap {
        pairs.iter().map(|(name, value)| (name.parse().unwrap(), value.parse().unwrap())).collect()
    }

    #[test]
    fn our_own_pages_and_machines_are_not_foreign() {
        for own in [
            &[][..],
            &[("host", "plant.example:8080")],
            &[
                ("host", "plant.example:8080"),
                ("origin", "http://plant.example:8080"),
                ("sec-fetch-site", "same-origin"),
            ],
            &[("host", "plant.example"), ("origin", "https://plant.example")],
        ] {
            assert!(!foreign(&headers(own)), "{own:?}");
        }
    }

    #[test]
    fn what_a_browser_sends_for_a_foreign_page_is_foreign() {
        for other in [
            &[("host", "plant.example"), ("origin", "http://evil.example")][..],
            &[("host", "plant.example"), ("origin", "http://plant.example:81")],
            &[("host", "plant.example"), ("origin", "null")],
            &[("host", "plant.example"), ("sec-fetch-site", "cross-site")],
            &[("host", "plant.example"), ("sec-fetch-site", "same-site")],
        ] {
            assert!(foreign(&headers(other)), "{other:?}");
        }
    }
}
