//! Texts of strangers inside a configuration that is written.

use serde_json::Value as Json;

/// A text as TOML writes it: JSON's way is one of TOML's, but for a character that JSON lets stand.
pub fn quoted(text: &str) -> String {
    Json::from(text).to_string().replace('\u{7f}', "\\u007f")
}

/// A text as a key of TOML.
pub fn key(text: &str) -> String {
    let bare = !text.is_empty() && text.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
    if bare { text.to_owned() } else { quoted(text) }
}
