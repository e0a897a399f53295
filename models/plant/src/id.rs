//! Names of tubes and units.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

/// Longest id in bytes: room for any plant's tag, short enough for a topic and a column.
const LONGEST: usize = 64;

/// Why a text is no id.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{text:?} is no id: {why}")]
pub struct BadId {
    text: String,
    why: &'static str,
}

fn checked(text: &str) -> Result<Arc<str>, BadId> {
    let why = if text.is_empty() {
        "it is empty"
    } else if text.len() > LONGEST {
        "it is longer than 64 bytes"
    } else if text != text.trim() {
        "it begins or ends with a space"
    } else if text.contains(['/', '+', '#']) {
        "'/', '+' and '#' have a meaning of their own in topics"
    } else if text.chars().any(char::is_control) {
        "it has a control character"
    } else {
        return Ok(Arc::from(text));
    };
    let text = text.chars().take(LONGEST).collect();
    Err(BadId { text, why })
}

macro_rules! id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(try_from = "String", into = "String")]
        pub struct $name(Arc<str>);

        impl $name {
            /// Takes a text as an id.
            ///
            /// # Errors
            /// [`BadId`] if the text is empty, longer than 64 bytes, begins or ends with a space, or holds a
            /// control character or one of `/`, `+`, `#`.
            pub fn new(text: &str) -> Result<Self, BadId> {
                checked(text).map(Self)
            }

            /// The id as text.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl TryFrom<String> for $name {
            type Error = BadId;
            fn try_from(text: String) -> Result<Self, BadId> {
                Self::new(&text)
            }
        }

        impl From<$name> for String {
            fn from(id: $name) -> String {
                id.0.as_ref().to_owned()
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{:?}", &*self.0)
            }
        }
    };
}

id!(
    /// A position in the plant: one scraped-surface heat exchanger with its jacket, shaft and drive.
    UnitId
);
id!(
    /// A serialised, removable product tube; it keeps its name wherever it is fitted.
    TubeId
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_may_be_any_plain_tag() {
        for good in ["C-101", "Kühler 3", "T0042"] {
            assert_eq!(UnitId::new(good).unwrap().as_str(), good);
        }
    }

    #[test]
    fn what_would_break_a_topic_or_a_table_is_refused() {
        let long = "x".repeat(65);
        for bad in ["", " C1", "a/b", "a+", "#", "a\nb", long.as_str()] {
            assert!(TubeId::new(bad).is_err(), "{bad:?} was taken");
        }
    }
}
