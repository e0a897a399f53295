//! Where in a JSON document a value stands.

use std::fmt;

/// A JSON pointer (RFC 6901) such as `/torque/value`; a bare field name such as `torque` means `/torque`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pointer(String);

/// A text that is no JSON pointer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{pointer:?} is no JSON pointer: {why}; right would be /torque/value or a bare field name")]
pub struct BadPointer {
    pointer: String,
    why: &'static str,
}

impl Pointer {
    /// Reads a pointer. The empty text means the whole document.
    ///
    /// # Errors
    /// [`BadPointer`] if a pointer has a `~` that is not followed by 0 or 1 (RFC 6901, 3).
    pub fn parse(text: &str) -> Result<Self, BadPointer> {
        if !text.is_empty() && !text.starts_with('/') {
            return Ok(Self(format!("/{}", text.replace('~', "~0").replace('/', "~1"))));
        }
        let escaped = text.split('~').skip(1).all(|rest| rest.starts_with(['0', '1']));
        if !escaped {
            return Err(BadPointer { pointer: text.chars().take(120).collect(), why: "'~' is written ~0 and '/' ~1" });
        }
        Ok(Self(text.to_owned()))
    }

    /// The pointer as RFC 6901 writes it.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Pointer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.0.is_empty() { "the document itself" } else { &self.0 })
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    /// RFC 6901, section 5, and bare names beside it.
    #[test]
    fn pointers_of_rfc_6901_and_bare_names_find_their_value() {
        let document = json!({"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "m~n": 8, " ": 7});
        let cases = [
            ("/foo/0", json!("bar")),
            ("/", json!(0)),
            ("/a~1b", json!(1)),
            ("/c%d", json!(2)),
            ("/ ", json!(7)),
            ("/m~0n", json!(8)),
            ("a/b", json!(1)),
            ("m~n", json!(8)),
        ];
        for (text, expected) in cases {
            let pointer = Pointer::parse(text).unwrap();
            assert_eq!(document.pointer(pointer.as_str()), Some(&expected), "{text}");
        }
        assert_eq!(document.pointer(Pointer::parse("").unwrap().as_str()), Some(&document));
    }

    #[test]
    fn a_loose_tilde_is_refused() {
        assert!(Pointer::parse("/a~2").is_err());
        assert!(Pointer::parse("/a~").is_err());
    }
}
