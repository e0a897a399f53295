//! Topics as the config writes them: exact levels and named parts.

use std::fmt;

/// A topic with named parts, such as `site/{unit}/shaft/torque` or `line1/C{unit}/temp`.
///
/// A named part stands for one level, or for the middle of one; `{unit}` yields the unit, others are ignored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    text: String,
    levels: Vec<Level>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Level {
    Exact(String),
    Named { name: String, prefix: String, suffix: String },
}

/// A text that is no topic pattern.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{pattern:?} is no topic pattern: {why}; right would be site/{{unit}}/shaft/torque")]
pub struct BadPattern {
    pattern: String,
    why: String,
}

const UNIT: &str = "unit";
/// MQTT 3.1.1, 1.5.3: a string has at most 65,535 bytes.
const LONGEST_BYTES: usize = 65_535;

impl Pattern {
    /// Reads a pattern.
    ///
    /// # Errors
    /// [`BadPattern`] if it is empty or too long, holds a wildcard or NUL, names a part twice or a level has more
    /// than one named part.
    pub fn parse(text: &str) -> Result<Self, BadPattern> {
        let bad = |why: String| BadPattern { pattern: text.chars().take(120).collect(), why };
        if text.is_empty() {
            return Err(bad("it is empty".into()));
        }
        if text.len() > LONGEST_BYTES {
            return Err(bad(format!("it has {} bytes, a topic has at most {LONGEST_BYTES}", text.len())));
        }
        if text.contains('\0') {
            return Err(bad("topics hold no NUL".into()));
        }
        if text.contains(['+', '#']) {
            return Err(bad("'+' and '#' stand in filters only; name the level, like {area}".into()));
        }
        let levels = text.split('/').map(level).collect::<Result<Vec<_>, _>>().map_err(bad)?;
        let mut seen: Vec<&str> = Vec::new();
        for level in &levels {
            if let Level::Named { name, .. } = level {
                if seen.contains(&name.as_str()) {
                    return Err(bad(format!("{{{name}}} stands in it twice")));
                }
                seen.push(name);
            }
        }
        Ok(Self { text: text.to_owned(), levels })
    }

    /// The pattern as it was written.
    pub fn as_str(&self) -> &str {
        &self.text
    }

    /// The MQTT filter that brings its topics: each named level becomes `+`.
    pub fn filter(&self) -> String {
        let levels: Vec<&str> = self
            .levels
            .iter()
            .map(|level| match level {
                Level::Exact(text) => text.as_str(),
                Level::Named { .. } => "+",
            })
            .collect();
        levels.join("/")
    }

    /// Whether it yields the unit.
    pub fn names_unit(&self) -> bool {
        self.unit_level().is_some()
    }

    /// Whether it takes just one topic.
    pub fn is_exact(&self) -> bool {
        self.levels.iter().all(|level| matches!(level, Level::Exact(_)))
    }

    /// `None` if the topic is not its own; else the text at `{unit}`, if the pattern has one.
    pub fn take<'t>(&self, topic: &'t str) -> Option<Option<&'t str>> {
        // A wildcard in the first level does not bring the broker's own topics (MQTT 3.1.1, 4.7.2).
        if topic.starts_with('$') && !matches!(self.levels.first(), Some(Level::Exact(_))) {
            return None;
        }
        let mut parts = topic.split('/');
        let mut unit = None;
        for level in &self.levels {
            let part = level.take(parts.next()?)?;
            if matches!(level, Level::Named { name, .. } if name == UNIT) {
                unit = Some(part);
            }
        }
        parts.next().is_none().then_some(unit)
    }

    /// Whether some topic could be taken by both.
    pub(crate) fn meets(&self, other: &Pattern) -> bool {
        self.levels.len() == other.levels.len() && self.levels.iter().zip(&other.levels).all(|(a, b)| a.meets(b))
    }

    /// What stands at this pattern's `{unit}` in every topic that `other` takes too; `None` if it may vary.
    pub(crate) fn unit_within<'o>(&self, other: &'o Pattern) -> Option<&'o str> {
        let at = self.unit_level()?;
        match other.levels.get(at)? {
            Level::Exact(text) => self.levels[at].take(text),
            Level::Named { .. } => None,
        }
    }

    /// How many levels it has.
    pub(crate) fn depth(&self) -> usize {
        self.levels.len()
    }

    /// The text of a level that stands for just one; counted from 0.
    pub(crate) fn exact_level(&self, at: usize) -> Option<&str> {
        match self.levels.get(at)? {
            Level::Exact(text) => Some(text),
            Level::Named { .. } => None,
        }
    }

    /// Whether a level stands for anything, and for no unit; counted from 0.
    pub(crate) fn is_open(&self, at: usize) -> bool {
        matches!(self.levels.get(at), Some(Level::Named { name, prefix, suffix }) if name != UNIT && prefix.is_empty() && suffix.is_empty())
    }

    /// The pattern of its first levels; `None` if it has fewer.
    pub(crate) fn first_levels(&self, count: usize) -> Option<Pattern> {
        let levels = self.levels.get(..count)?.to_vec();
        let text = self.text.split('/').take(count).collect::<Vec<_>>().join("/");
        Some(Pattern { text, levels })
    }

    fn unit_level(&self) -> Option<usize> {
        self.levels.iter().position(|level| matches!(level, Level::Named { name, .. } if name == UNIT))
    }
}

impl fmt::Display for Pattern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl Level {
    fn take<'t>(&self, part: &'t str) -> Option<&'t str> {
        match self {
            Level::Exact(text) => (text == part).then_some(part),
            Level::Named { prefix, suffix, .. } => part.strip_prefix(prefix.as_str())?.strip_suffix(suffix.as_str()),
        }
    }

    fn meets(&self, other: &Level) -> bool {
        match (self, other) {
            (Level::Exact(text), level) | (level, Level::Exact(text)) => level.take(text).is_some(),
            (Level::Named { prefix: p, suffix: s, .. }, Level::Named { prefix: q, suffix: t, .. }) => {
                (p.starts_with(q.as_str()) || q.starts_with(p.as_str()))
                    && (s.ends_with(t.as_str()) || t.ends_with(s.as_str()))
            }
        }
    }
}

/// Whether every topic that the second filter brings comes with the first one too (MQTT 3.1.1, 4.7).
pub(crate) fn covers(filter: &str, other: &str) -> bool {
    if other.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let (mut mine, mut theirs) = (filter.split('/'), other.split('/'));
    loop {
        match (mine.next(), theirs.next()) {
            (Some("#"), _) | (None, None) => return true,
            (Some("+"), Some(level)) if level != "#" => {}
            (Some(a), Some(b)) if a == b => {}
            _ => return false,
        }
    }
}

fn level(text: &str) -> Result<Level, String> {
    let Some(open) = text.find('{') else {
        return if text.contains('}') {
            Err(format!("level {text:?} closes a '}}' that it never opened"))
        } else {
            Ok(Level::Exact(text.to_owned()))
        };
    };
    let (prefix, rest) = (&text[..open], &text[open + 1..]);
    let close = rest.find('}').ok_or_else(|| format!("level {text:?} never closes its '{{'"))?;
    let (name, suffix) = (&rest[..close], &rest[close + 1..]);
    if prefix.contains('}') || suffix.contains(['{', '}']) {
        return Err(format!("level {text:?} has more than one named part"));
    }
    if name.is_empty() || !name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_') {
        return Err(format!("{name:?} is no name for a part; letters, digits and '_' are"));
    }
    Ok(Level::Named { name: name.to_owned(), prefix: prefix.to_owned(), suffix: suffix.to_owned() })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pattern(text: &str) -> Pattern {
        Pattern::parse(text).unwrap()
    }

    #[test]
    fn named_levels_become_plus_and_yield_the_unit() {
        let torque = pattern("site/{area}/{unit}/shaft/torque");
        assert_eq!(torque.filter(), "site/+/+/shaft/torque");
        assert_eq!(torque.take("site/a1/C101/shaft/torque"), Some(Some("C101")));
        for other in ["site/a1/C101/shaft", "site/a1/C101/shaft/torque/x", "Site/a1/C101/shaft/torque", "", "/"] {
            assert_eq!(torque.take(other), None, "{other:?}");
        }
    }

    #[test]
    fn a_named_part_may_be_the_middle_of_a_level() {
        let temp = pattern("line/C{unit}_A/temp");
        assert_eq!(temp.filter(), "line/+/temp");
        assert_eq!(temp.take("line/C7_A/temp"), Some(Some("7")));
        assert_eq!(temp.take("line/D7_A/temp"), None);
        assert_eq!(pattern("x{unit}x").take("x"), None, "prefix and suffix must not share a letter");
    }

    /// MQTT 3.1.1, 4.7.1.3: an empty level is a level; '+' takes it.
    #[test]
    fn an_empty_level_is_a_level() {
        assert_eq!(pattern("/site/{unit}").take("/site/C1"), Some(Some("C1")));
        assert_eq!(pattern("site/{unit}/t").take("site//t"), Some(Some("")));
        assert_eq!(pattern("/site/{unit}").take("site/C1"), None);
    }

    /// MQTT 3.1.1, 4.7.2.
    #[test]
    fn a_named_first_level_does_not_take_the_brokers_own_topics() {
        assert_eq!(pattern("{unit}/load").take("$SYS/load"), None);
        assert_eq!(pattern("$SYS/load").take("$SYS/load"), Some(None));
        assert!(!covers("+/load", "$SYS/load"));
    }

    #[test]
    fn what_is_no_pattern_says_why() {
        let cases = [
            ("", "empty"),
            ("a/+/b", "'+'"),
            ("a/#", "'#'"),
            ("a/{unit}/{unit}", "twice"),
            ("a/{unit}{area}", "more than one"),
            ("a/{unit", "never closes"),
            ("a/unit}", "never opened"),
            ("a/{}", "no name"),
            ("a\0", "NUL"),
        ];
        for (text, why) in cases {
            let error = Pattern::parse(text).unwrap_err().to_string();
            assert!(error.contains(why), "{text:?} said {error}");
        }
        assert!(Pattern::parse(&"x".repeat(65_536)).is_err());
    }

    #[test]
    fn filters_cover_what_they_bring() {
        for (filter, other) in
            [("a/+/c", "a/b/c"), ("a/+/c", "a/+/c"), ("a/#", "a"), ("a/#", "a/b/c"), ("a/#", "a/+/#")]
        {
            assert!(covers(filter, other), "{filter} covers {other}");
        }
        for (filter, other) in [("a/b/c", "a/+/c"), ("a/+", "a/b/c"), ("a/+", "a/#"), ("a/+", "a"), ("a/b", "a/#")] {
            assert!(!covers(filter, other), "{filter} does not cover {other}");
        }
    }
}
