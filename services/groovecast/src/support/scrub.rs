//! Taking secrets and names out of text.

/// What must not leave the plant, and what stands in its place.
#[derive(Default)]
pub struct Scrub {
    marks: Vec<(String, &'static str)>,
}

/// What stands where a secret stood.
pub const REMOVED: &str = "(removed)";
/// What stands where a name stood.
const NAME: &str = "(a name)";
/// Below this length a text is taken out as a word of its own only, or it would be found in any other word.
const LONG: usize = 8;

impl Scrub {
    /// A secret, as it stands and as JSON, a URL or a message of ours would write it.
    pub fn secret(&mut self, secret: &str) {
        let bare = secret.trim();
        if bare.is_empty() {
            return;
        }
        let json = serde_json::Value::from(bare).to_string();
        let debug = format!("{bare:?}");
        let url = bare.bytes().map(in_url).collect::<String>();
        for written in [bare, json.trim_matches('"'), debug.trim_matches('"'), &url] {
            self.marks.push((written.to_owned(), REMOVED));
        }
        // The longest first: one secret may be a part of another.
        self.marks.sort_by_key(|(mark, _)| std::cmp::Reverse(mark.len()));
        self.marks.dedup();
    }

    /// Somebody's name. It is taken out as a word of its own; a single letter is no name.
    pub fn name(&mut self, name: &str) {
        if name.chars().count() > 1 {
            self.marks.push((name.to_owned(), NAME));
            self.marks.sort_by_key(|(mark, _)| std::cmp::Reverse(mark.len()));
        }
    }

    /// The text without any of them.
    pub fn clean(&self, text: &str) -> String {
        self.marks.iter().fold(text.to_owned(), |text, (mark, instead)| {
            let as_word = *instead == NAME || mark.len() < LONG;
            replaced(&text, mark, instead, as_word)
        })
    }
}

fn in_url(byte: u8) -> String {
    match byte {
        b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => char::from(byte).to_string(),
        _ => format!("%{byte:02X}"),
    }
}

/// The text with each occurrence of a mark replaced, or only those that stand as a word of their own.
fn replaced(text: &str, mark: &str, instead: &str, as_word: bool) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find(mark) {
        let (before, after) = (&rest[..at], &rest[at + mark.len()..]);
        let inner = |next: Option<char>| next.is_some_and(char::is_alphanumeric);
        let part = as_word && (inner(before.chars().next_back()) || inner(after.chars().next()));
        out.push_str(before);
        out.push_str(if part { mark } else { instead });
        rest = after;
    }
    out.push_str(rest);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_goes_however_it_is_written() {
        let mut scrub = Scrub::default();
        scrub.secret("p\"ss/w rd\\9\n");
        let text = format!("{} {} {:?} x", "p\"ss/w rd\\9", serde_json::json!({"k": "p\"ss/w rd\\9"}), "p\"ss/w rd\\9");
        let clean = scrub.clean(&format!("{text} postgresql://u:p%22ss%2Fw%20rd%5C9@h/d"));
        assert!(!clean.contains("ss/w") && !clean.contains("ss%2F"), "{clean}");
        assert!(clean.ends_with("postgresql://u:(removed)@h/d"), "{clean}");
    }

    #[test]
    fn short_secrets_and_names_go_as_words_and_leave_other_words_whole() {
        let mut scrub = Scrub::default();
        scrub.secret("tor");
        scrub.secret("  ");
        scrub.name("A. Marsh");
        scrub.name("K");
        assert_eq!(
            scrub.clean("torque tor, K1 by A. Marsh; A. Marshall"),
            "torque (removed), K1 by (a name); A. Marshall"
        );
    }
}
