//! The words of pages and pictures: English comes with the program, a translation is another file of the same keys.
//!
//! Both are in Fluent's syntax (Project Fluent, "Fluent Syntax 1.0"). A variable `$count` is a bare number by which plural
//! forms are chosen and is never shown; all others are texts that were made ready for the reader before.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::sync::{Arc, LazyLock};

use askama::filters::{Escaper, Html};
use fluent_bundle::concurrent::FluentBundle;
use fluent_bundle::{FluentArgs, FluentResource, FluentValue};
use fluent_syntax::ast::{Entry, Expression, InlineExpression, Pattern, PatternElement};

use crate::Voice;

/// The English of everything that is shown.
const ENGLISH: &str = include_str!("../../../dashboards/text/en.ftl");

type Words = FluentBundle<FluentResource>;

static IN_ENGLISH: LazyLock<Words> = LazyLock::new(|| {
    let resource = FluentResource::try_new(ENGLISH.to_owned()).unwrap_or_else(|(read, _)| read);
    words(resource)
});

/// What the texts of the English file are made of.
static PARTS: LazyLock<BTreeMap<&'static str, Parts>> = LazyLock::new(|| {
    let read = fluent_syntax::parser::parse_runtime(ENGLISH).unwrap_or_else(|(read, _)| read);
    messages(read.body.iter()).map(|(key, pattern)| (key, Parts::of(pattern))).collect()
});

fn words(resource: FluentResource) -> Words {
    let named = language(&resource).and_then(|name| name.parse().ok());
    let mut words = FluentBundle::new_concurrent(vec![named.unwrap_or_default()]);
    // Marks around what is put in would stand in every attribute and in every picture.
    words.set_use_isolating(false);
    words.add_resource_overriding(resource);
    words
}

/// The language that a file says of itself, `language = en`.
fn language(resource: &FluentResource) -> Option<&str> {
    messages(resource.entries()).find(|(key, _)| *key == "language").and_then(|(_, pattern)| {
        match pattern.elements.as_slice() {
            [PatternElement::TextElement { value }] => Some(*value),
            _ => None,
        }
    })
}

/// The words of a reader: a translation, and English where it has none.
#[derive(Clone, Default)]
pub struct Text {
    own: Option<Arc<Words>>,
}

impl fmt::Debug for Text {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.own.is_some() { "Text (translated)" } else { "Text (English)" })
    }
}

/// What is wrong with a file of texts, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {}{problem}", if key.is_empty() { String::new() } else { format!("{key}: ") })]
pub struct BadText {
    /// The line, counted from 1.
    pub line: usize,
    /// The key; empty if none could be read.
    pub key: String,
    /// What is wrong, and what would be right.
    pub problem: String,
}

impl Text {
    /// Reads a translation.
    ///
    /// Besides it, the keys that it leaves out, which stay English: none of that is wrong. Safety cautions are to stay out,
    /// unless somebody who may answer for them has translated them.
    ///
    /// # Errors
    /// Everything that is wrong: what cannot be read, keys that nobody asks for, variables that are not given, and other
    /// markup than the English of the key has.
    pub fn read(source: &str) -> Result<(Text, Vec<&'static str>), Vec<BadText>> {
        let line = |offset: usize| source.as_bytes().iter().take(offset).filter(|byte| **byte == b'\n').count() + 1;
        let resource = FluentResource::try_new(source.to_owned()).map_err(|(_, errors)| {
            let bad = |error: &fluent_syntax::parser::ParserError| BadText {
                line: line(error.pos.start),
                key: String::new(),
                problem: format!("{error}; right would be `key = text`, with variables as {{ $name }}"),
            };
            errors.iter().map(bad).collect::<Vec<_>>()
        })?;
        let english = &*PARTS;
        let mut wrong = Vec::new();
        let mut seen = BTreeSet::new();
        for (key, pattern) in messages(resource.entries()) {
            // A key is a slice of the source that the resource owns.
            let line = line(key.as_ptr() as usize - resource.source().as_ptr() as usize);
            let mut refuse = |problem: String| wrong.push(BadText { line, key: key.to_owned(), problem });
            if !seen.insert(key) {
                refuse("stands twice; right would be once".to_owned());
            }
            let Some(own) = english.get(key) else {
                refuse("nothing is shown by this key; right would be a key of the English file".to_owned());
                continue;
            };
            let parts = Parts::of(pattern);
            for variable in parts.variables.difference(&own.variables) {
                let known: Vec<String> = own.variables.iter().map(|name| format!("${name}")).collect();
                let known = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
                refuse(format!("${variable} is not given here; right would be {known}"));
            }
            // What stands beside a score, such as the plant's own interval, must not get lost.
            for variable in own.variables.difference(&parts.variables).filter(|variable| *variable != "count") {
                refuse(format!("leaves out ${variable}; right would be a text that says it"));
            }
            if own.letters && !parts.letters {
                refuse("says nothing; right would be words, or no line at all, which keeps the English".to_owned());
            }
            if parts.refers {
                refuse("refers to another text or to a function; right would be words and variables".to_owned());
            }
            if parts.tags != own.tags {
                let tags: Vec<&str> = own.tags.iter().map(String::as_str).collect();
                let right = if tags.is_empty() { "none".to_owned() } else { tags.join(" ") };
                refuse(format!("has other markup than the English; right would be {right}"));
            }
        }
        for entry in resource.entries() {
            let (key, what) = match entry {
                Entry::Term(term) => (term.id.name, "is a term"),
                Entry::Message(message) if !message.attributes.is_empty() => (message.id.name, "has attributes"),
                _ => continue,
            };
            let line = line(key.as_ptr() as usize - resource.source().as_ptr() as usize);
            let problem = format!("{what}, which nothing shows; right would be `key = text` alone");
            wrong.push(BadText { line, key: key.to_owned(), problem });
        }
        if !wrong.is_empty() {
            return Err(wrong);
        }
        let missing = english.keys().filter(|key| !seen.contains(*key)).copied().collect();
        let resource_language = language(&resource).map(str::to_owned);
        let own = words(resource);
        // Browsers take hyphens alone.
        let underscored = resource_language.is_some_and(|name| name.contains('_'));
        if underscored || own.locales.iter().all(|language| language.language.is_empty()) {
            let problem =
                "this names no language; right would be one as BCP 47 writes it, such as `language = de` or `de-CH`";
            return Err(vec![BadText { line: 1, key: "language".to_owned(), problem: problem.to_owned() }]);
        }
        Ok((Text { own: Some(Arc::new(own)) }, missing))
    }

    fn format(&self, key: &str, args: &FluentArgs<'_>) -> String {
        for words in self.own.as_deref().into_iter().chain([&*IN_ENGLISH]) {
            let Some(pattern) = words.get_message(key).and_then(|message| message.value()) else { continue };
            let mut errors = Vec::new();
            let said = words.format_pattern(pattern, Some(args), &mut errors).into_owned();
            // A translation that stumbles is not shown: English is.
            if errors.is_empty() {
                return said;
            }
        }
        key.to_owned()
    }
}

/// The keys of a file with their texts.
fn messages<'r, 's: 'r>(
    entries: impl Iterator<Item = &'r Entry<&'s str>>,
) -> impl Iterator<Item = (&'s str, &'r Pattern<&'s str>)> {
    entries.filter_map(|entry| match entry {
        Entry::Message(message) => Some((message.id.name, message.value.as_ref()?)),
        _ => None,
    })
}

/// What a text must have in common with its English.
#[derive(Debug, Clone, Default, PartialEq)]
struct Parts {
    variables: BTreeSet<String>,
    /// Each `<...>` of its markup, variables in it as they are written.
    tags: BTreeSet<String>,
    /// It has a letter beside markup and variables.
    letters: bool,
    /// It refers to other texts, or calls functions.
    refers: bool,
}

impl Parts {
    fn of(pattern: &Pattern<&str>) -> Parts {
        let (mut parts, mut flat) = (Parts::default(), String::new());
        parts.gather(pattern, &mut flat);
        let tags = flat.split('<').skip(1).map(|rest| format!("<{}>", rest.split('>').next().unwrap_or_default()));
        parts.tags = tags.collect();
        parts
    }

    /// Notes the variables of a pattern, and writes it down with them; of plural forms one behind the other.
    fn gather(&mut self, pattern: &Pattern<&str>, flat: &mut String) {
        for element in &pattern.elements {
            match element {
                PatternElement::TextElement { value } => {
                    self.letters |= value
                        .split('<')
                        .any(|part| part.rsplit('>').next().is_some_and(|words| words.contains(char::is_alphabetic)));
                    flat.push_str(value);
                }
                PatternElement::Placeable { expression: Expression::Inline(inline) } => self.inline(inline, flat),
                PatternElement::Placeable { expression: Expression::Select { selector, variants } } => {
                    self.inline(selector, &mut String::new());
                    variants.iter().for_each(|variant| self.gather(&variant.value, flat));
                }
            }
        }
    }

    fn inline(&mut self, inline: &InlineExpression<&str>, flat: &mut String) {
        match inline {
            InlineExpression::VariableReference { id } => {
                self.variables.insert(id.name.to_owned());
                flat.push_str(&format!("{{ ${} }}", id.name));
            }
            InlineExpression::StringLiteral { value } => flat.push_str(value),
            InlineExpression::Placeable { expression } => {
                let element = PatternElement::Placeable { expression: Expression::clone(expression) };
                self.gather(&Pattern { elements: vec![element] }, flat);
            }
            InlineExpression::NumberLiteral { .. } => {}
            InlineExpression::FunctionReference { .. }
            | InlineExpression::MessageReference { .. }
            | InlineExpression::TermReference { .. } => self.refers = true,
        }
    }
}

/// What goes into a text, by the name that it has there.
pub(crate) type Told<'a> = (&'a str, &'a dyn fmt::Display);

impl Voice {
    /// The text of a key into which nothing goes.
    pub(crate) fn say(&self, key: &str) -> String {
        self.tell(key, &[])
    }

    /// The text of a key with what goes into it.
    pub(crate) fn tell(&self, key: &str, told: &[Told<'_>]) -> String {
        let mut args = FluentArgs::with_capacity(told.len());
        for (name, value) in told {
            let value = value.to_string();
            match value.parse::<f64>() {
                Ok(count) if *name == "count" => args.set(*name, count),
                _ => args.set(*name, FluentValue::from(value)),
            }
        }
        self.text.format(key, &args)
    }

    /// The text of a key that has markup, as HTML: what goes into it is escaped, the markup is that of the English.
    pub(crate) fn html(&self, key: &str, told: &[Told<'_>]) -> String {
        let escaped: Vec<(&str, String)> =
            told.iter().map(|(name, value)| (*name, escaped(&value.to_string()))).collect();
        let told: Vec<Told<'_>> = escaped.iter().map(|(name, value)| (*name, value as &dyn fmt::Display)).collect();
        self.tell(key, &told)
    }
}

fn escaped(text: &str) -> String {
    let mut html = String::with_capacity(text.len());
    Html.write_escaped_str(&mut html, text).expect("a text in memory takes what is written to it");
    html
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wrong(source: &str) -> Vec<String> {
        Text::read(source).unwrap_err().iter().map(ToString::to_string).collect()
    }

    #[test]
    fn the_english_file_is_whole() {
        let read = FluentResource::try_new(ENGLISH.to_owned());
        let english = read.unwrap_or_else(|(_, errors)| panic!("{errors:?}"));
        let mut seen = BTreeSet::new();
        for (key, _) in messages(english.entries()) {
            assert!(seen.insert(key), "{key} stands twice");
        }
        // Read as a translation of itself nothing is wrong with it, and nothing is missing.
        assert_eq!(Text::read(ENGLISH).map(|(_, missing)| missing), Ok(vec![]));
    }

    #[test]
    fn a_translation_speaks_and_what_it_leaves_out_stays_english() {
        let (text, missing) = Text::read("language = de\nchance-now = jetzt\n").unwrap();
        let voice = Voice { text, ..Voice::default() };
        assert_eq!(voice.say("chance-now"), "jetzt");
        assert_eq!(voice.say("board-hold"), "Hold");
        assert!(missing.contains(&"board-hold") && !missing.contains(&"chance-now"));
        // No translation, no caution: the English one stands.
        assert!(missing.contains(&"caution-flakes") && voice.say("caution-flakes").contains("hold the product"));
    }

    /// Unicode CLDR plural rules (chart 44, cardinal): Polish has one (1), few (2 to 4) and many (0, 5).
    #[test]
    fn plural_forms_are_those_of_the_language() {
        let units =
            "count-units = { $count ->\n    [one] { $units } A\n    [few] { $units } B\n   *[many] { $units } C\n }\n";
        let (text, _) = Text::read(&format!("language = pl\n{units}")).unwrap();
        let polish = Voice { text, ..Voice::default() };
        let told = |voice: &Voice, count: u32| voice.tell("count-units", &[("count", &count), ("units", &count)]);
        assert_eq!([0, 1, 3, 5].map(|count| told(&polish, count)), ["0 C", "1 A", "3 B", "5 C"]);
        assert_eq!([0, 1, 2].map(|count| told(&Voice::default(), count)), ["0 units", "1 unit", "2 units"]);
    }

    #[test]
    fn what_is_wrong_is_told_with_line_and_key() {
        let told = wrong(
            "# a file\nboard-hold = Halt\nno-such-key = x\nchance-floor = mindestens { $chanse }\nboard-hold = Stopp\n",
        );
        assert_eq!(
            told,
            [
                "line 3: no-such-key: nothing is shown by this key; right would be a key of the English file",
                "line 4: chance-floor: $chanse is not given here; right would be $chance",
                "line 4: chance-floor: leaves out $chance; right would be a text that says it",
                "line 5: board-hold: stands twice; right would be once",
            ]
        );
        let told = wrong("board-hold = Halt\nstate-ok = { $\n");
        assert!(told[0].starts_with("line 2: ") && told[0].contains("right would be `key = text`"), "{told:?}");
        assert!(wrong("board-hold = Halt\n")[0].contains("such as `language = de`"));
        assert!(wrong("language = de_CH\nboard-hold = Halt\n")[0].contains("`de-CH`"));
        let markup =
            wrong("frame-not-all = <strong>Halb.</strong> <script>alert(1)</script>\nboard-hold = <b>Halt</b>\n");
        assert!(markup[0].contains("other markup than the English; right would be </strong> <strong>"), "{markup:?}");
        assert!(markup[1].contains("right would be none"), "{markup:?}");
    }

    #[test]
    fn no_translation_takes_a_caution_or_the_plants_interval_away() {
        for (source, told) in [
            ("chance-floor = mindestens\n", "leaves out $chance"),
            ("caution-flakes = { \"\" }\n", "says nothing"),
            ("caution-flakes = –\n", "says nothing"),
            ("-x = <form action=/logout method=post>\n", "is a term"),
            ("board-hold = Halt\n    .x = y\n", "has attributes"),
            ("board-hold = { board-doubted }\n", "refers to another text"),
        ] {
            assert!(wrong(source).iter().any(|wrong| wrong.contains(told)), "{source}: {:?}", wrong(source));
        }
    }

    #[test]
    fn what_goes_into_markup_is_escaped_and_into_texts_is_not_changed() {
        let voice = Voice::default();
        // HTML Standard, 13.1.2: `<` and `&` would begin a tag and a character reference.
        let html = voice.html("board-doubted", &[("doubted", &"<b>&\"")]);
        assert!(html.contains("&#60;b&#62;&#38;&#34;") && html.contains("<a href="), "{html}");
        // A serial that looks like a number is none.
        assert_eq!(voice.tell("tube-named", &[("tube", &"007")]), "tube 007");
        assert_eq!(voice.tell("tube-named", &[("tube", &"1e5 { $x }")]), "tube 1e5 { $x }");
    }
}
