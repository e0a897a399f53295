//! The origins of foreign dashboards that may use what is published.

use std::fmt;
use std::str::FromStr;

/// A text that is no origin.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{text:?} is no origin: {why}; right would be https://dashboard.example or http://10.0.0.7:3000")]
pub struct BadOrigin {
    text: String,
    why: &'static str,
}

/// Where a page comes from: scheme, host and perhaps a port, nothing after it (RFC 6454, section 6.2).
///
/// It goes into headers as it is, so nothing that has a meaning there gets in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Origin(String);

impl Origin {
    /// The origin as text, as browsers send it: in lower case.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl FromStr for Origin {
    type Err = BadOrigin;

    fn from_str(text: &str) -> Result<Self, BadOrigin> {
        let bad = |why| BadOrigin { text: text.chars().take(64).collect(), why };
        let lower = text.to_ascii_lowercase();
        let Some(place) = lower.strip_prefix("https://").or_else(|| lower.strip_prefix("http://")) else {
            return Err(bad("it begins with neither https:// nor http://"));
        };
        let (host, port) = match place.rsplit_once(':') {
            Some((host, port)) if !port.contains(']') => (host, Some(port)),
            _ => (place, None),
        };
        if port.is_some_and(|port| !port.bytes().all(|byte| byte.is_ascii_digit()) || port.parse::<u16>().is_err()) {
            return Err(bad("its port is no number from 0 to 65535"));
        }
        let name = host.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'.' || byte == b'-');
        let inside = host.strip_prefix('[').and_then(|rest| rest.strip_suffix(']'));
        let address = inside.is_some_and(|inside| inside.parse::<std::net::Ipv6Addr>().is_ok());
        if host.is_empty() || !(name || address) {
            return Err(bad("a host has only letters, digits, '.' and '-', and nothing follows it but a port"));
        }
        Ok(Origin(lower))
    }
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_origin_is_scheme_host_and_port() {
        for (text, kept) in [
            ("https://Wall.Example", "https://wall.example"),
            ("http://10.0.0.7:3000", "http://10.0.0.7:3000"),
            ("http://[::1]:8080", "http://[::1]:8080"),
            ("http://[::1]", "http://[::1]"),
        ] {
            assert_eq!(text.parse::<Origin>().map(|origin| origin.to_string()).as_deref(), Ok(kept));
        }
    }

    #[test]
    fn nothing_that_could_change_a_header_gets_in() {
        for text in [
            "*",
            "null",
            "",
            "wall.example",
            "https://",
            "https://*.example",
            "https://a.example/",
            "https://a.example; script-src *",
            "https://a.example\r\nx: y",
            "https://a.example:port",
            "https://a.example:+80",
            "https://a.example:99999",
            "https://user@a.example",
            "https://[not-six]",
            "javascript:alert(1)",
        ] {
            assert!(text.parse::<Origin>().is_err(), "{text:?} was taken");
        }
    }
}
