//! The cookies: one carries a session's secret, one says how numbers are shown.

use axum::http::{HeaderMap, HeaderValue, header};
use jiff::SignedDuration;

use crate::Display;

/// The prefix makes browsers refuse the cookie unless it came over https, for this host and every path
/// (RFC 6265bis, 4.1.3.2).
const OVER_HTTPS: &str = "__Host-groovecast";
const OVER_HTTP: &str = "groovecast";

const fn name(https: bool) -> &'static str {
    if https { OVER_HTTPS } else { OVER_HTTP }
}

/// The secret that a request brings.
pub(crate) fn secret(headers: &HeaderMap, https: bool) -> Option<&str> {
    value(headers, name(https))
}

fn value<'h>(headers: &'h HeaderMap, name: &str) -> Option<&'h str> {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    cookies.flat_map(|cookies| cookies.split(';')).find_map(|cookie| {
        let (own, value) = cookie.trim().split_once('=')?;
        (own == name).then_some(value)
    })
}

/// All that a browser brings besides the secret of a session: wishes of its reader.
pub(crate) fn wishes(headers: &HeaderMap) -> String {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let others = cookies.flat_map(|cookies| cookies.split(';')).map(str::trim).filter(|cookie| {
        let name = cookie.split_once('=').map_or("", |(name, _)| name);
        !matches!(name, OVER_HTTPS | OVER_HTTP)
    });
    others.collect::<Vec<_>>().join(";")
}

/// How numbers are shown, as a line; it is no secret, and works without a login.
const DISPLAY: &str = "groovecast-display";
/// How long a browser keeps it, s: a year.
const DISPLAY_LASTS_S: u32 = 365 * 86_400;
/// Longest line that is read, bytes; one with every key is half as long.
const LONGEST: usize = 160;

/// The line that a request brings; one that is longer than any of ours is none.
pub(crate) fn display(headers: &HeaderMap) -> Option<&str> {
    value(headers, DISPLAY).filter(|line| line.len() <= LONGEST)
}

/// Gives a display to the browser. Links from elsewhere send it along, other sites' frames and forms do not.
pub(crate) fn displayed(display: Display, https: bool) -> HeaderValue {
    let secure = if https { "; Secure" } else { "" };
    let line = display.line();
    let cookie = format!("{DISPLAY}={line}; Path=/; Max-Age={DISPLAY_LASTS_S}; HttpOnly; SameSite=Lax{secure}");
    HeaderValue::from_str(&cookie).expect("the words of a display are visible ASCII")
}

/// Gives a secret to the browser: no script reads it, and no other site's page sends it along.
pub(crate) fn given(secret: &str, lasts: SignedDuration, https: bool) -> HeaderValue {
    written(secret, lasts.as_secs(), https)
}

/// Takes the secret away.
pub(crate) fn taken(https: bool) -> HeaderValue {
    written("", 0, https)
}

fn written(secret: &str, lasts_s: i64, https: bool) -> HeaderValue {
    let secure = if https { "; Secure" } else { "" };
    let name = name(https);
    let cookie = format!("{name}={secret}; Path=/; Max-Age={lasts_s}; HttpOnly; SameSite=Strict{secure}");
    HeaderValue::from_str(&cookie).expect("secrets are letters and digits")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_found_among_others_and_only_under_its_own_name() {
        let mut headers = HeaderMap::new();
        headers.insert(header::COOKIE, HeaderValue::from_static("theme=dark; groovecast=abc; x=y"));
        assert_eq!(secret(&headers, false), Some("abc"));
        assert_eq!(wishes(&headers), "theme=dark;x=y");
        assert_eq!(secret(&headers, true), None, "what came over plain http is not taken over https");
    }

    #[test]
    fn over_https_it_is_bound_to_the_host() {
        // RFC 6265bis, 4.1.3.2: a __Host- cookie has Secure, Path=/ and no Domain.
        let cookie = given("abc", SignedDuration::from_hours(12), true);
        assert_eq!(
            cookie.to_str().unwrap(),
            "__Host-groovecast=abc; Path=/; Max-Age=43200; HttpOnly; SameSite=Strict; Secure"
        );
        assert!(taken(false).to_str().unwrap().starts_with("groovecast=; Path=/; Max-Age=0;"));
    }
}
