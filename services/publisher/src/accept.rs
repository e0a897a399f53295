//! Which form of an answer a request asks for.

use axum::http::{HeaderMap, header};

/// Whether a request would rather have CSV than JSON (RFC 9110, section 12.5.1). At equal quality it gets JSON.
pub(crate) fn wants_csv(headers: &HeaderMap) -> bool {
    let ranges: Vec<&str> = headers
        .get_all(header::ACCEPT)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|v| v.split(','))
        .collect();
    quality(&ranges, "text", "csv") > quality(&ranges, "application", "json")
}

/// Whether a request names pages as what it would have. Browsers that go somewhere do (Fetch Standard, "fetch"); who takes
/// anything is a program.
pub(crate) fn wants_page(headers: &HeaderMap) -> bool {
    let accepted = headers.get_all(header::ACCEPT).iter().filter_map(|value| value.to_str().ok());
    let mut ranges = accepted.flat_map(|value| value.split(',')).filter_map(|range| range.split(';').next());
    ranges.any(|media| media.trim().eq_ignore_ascii_case("text/html"))
}

/// The quality of a media type: that of the most exact range that takes it, 0 if none does.
fn quality(ranges: &[&str], kind: &str, form: &str) -> f32 {
    let exact = |range: &str| {
        let mut parts = range.split(';').map(str::trim);
        let media = parts.next().unwrap_or_default().to_ascii_lowercase();
        let exactness = match media.split_once('/')? {
            ("*", "*") => 1,
            (ours, "*") if ours == kind => 2,
            (ours, own) if ours == kind && own == form => 3,
            _ => return None,
        };
        let q = parts.find_map(|part| part.strip_prefix("q=")).map_or(Some(1.0), |q| q.parse::<f32>().ok());
        Some((exactness, q.filter(|q| (0.0..=1.0).contains(q)).unwrap_or(0.0)))
    };
    ranges.iter().filter_map(|range| exact(range)).max_by_key(|(exactness, _)| *exactness).map_or(0.0, |(_, q)| q)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn csv(accept: &str) -> bool {
        let mut headers = HeaderMap::new();
        headers.insert(header::ACCEPT, accept.parse().unwrap());
        wants_csv(&headers)
    }

    #[test]
    fn only_who_asks_for_csv_gets_it() {
        assert!(csv("text/csv") && csv("text/csv, application/json;q=0.9") && csv("TEXT/CSV") && csv("text/*"));
        assert!(!csv("*/*") && !csv("application/json") && !csv("text/csv, application/json"));
        // What browsers send for a page (from memory).
        assert!(!csv("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"));
        assert!(!wants_csv(&HeaderMap::new()));
    }

    #[test]
    fn a_browser_wants_a_page_and_a_program_that_takes_anything_does_not() {
        let wants = |accept: &str| wants_page(&[(header::ACCEPT, accept.parse().unwrap())].into_iter().collect());
        // Fetch Standard, "fetch": the value for a document.
        assert!(wants("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"));
        assert!(!wants("*/*") && !wants("text/*") && !wants("application/json") && !wants_page(&HeaderMap::new()));
    }

    #[test]
    fn the_most_exact_range_decides() {
        // RFC 9110, 12.5.1: "Media ranges can be overridden by more specific media ranges".
        assert!(!csv("text/*;q=0.9, text/csv;q=0, application/json;q=0.1"));
        assert!(csv("*/*;q=0.1, text/csv;q=0.5"));
    }
}
