//! The words stand apart: templates and scripts hold keys, one file holds the English, another may hold a translation.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use axum::http::StatusCode;
use fluent_syntax::ast::{Entry, PatternElement};
use plant::Role;
use publisher::{Site, Text, Voice};

use crate::desk::Desk;
use crate::fleet;

fn beside(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn files(folder: &str, ending: &str) -> Vec<(String, String)> {
    let mut files: Vec<_> = std::fs::read_dir(beside(folder))
        .expect("a folder of the house")
        .map(|file| file.expect("a file").path())
        .filter(|path| path.extension().is_some_and(|own| own == ending))
        .map(|path| (path.display().to_string(), std::fs::read_to_string(&path).expect("a text")))
        .collect();
    files.sort();
    files
}

fn english() -> String {
    std::fs::read_to_string(beside("../../dashboards/text/en.ftl")).expect("the English file")
}

/// The keys of the English file, read without the program's own reader.
fn keys() -> BTreeSet<String> {
    let text = english();
    let lines = text.lines().filter_map(|line| line.split_once(" ="));
    lines
        .map(|(key, _)| key.to_owned())
        .filter(|key| key.starts_with(|first: char| first.is_ascii_lowercase()))
        .collect()
}

/// A text without what stands between two marks, the marks included.
fn without(text: &str, open: &str, close: &str) -> String {
    let mut rest = text;
    let mut kept = String::new();
    while let Some((before, after)) = rest.split_once(open) {
        kept.push_str(before);
        kept.push(' ');
        rest = after.split_once(close).map_or("", |(_, after)| after);
    }
    kept + rest
}

/// What an element's attributes say to people.
fn spoken_attributes(html: &str) -> Vec<String> {
    let names = ["aria-label", "alt", "title", "placeholder", "data-label"];
    let found = names.iter().flat_map(|name| {
        let start = format!(" {name}=\"");
        html.match_indices(&start)
            .map(|(at, _)| html[at + start.len()..].split('"').next().unwrap_or_default().to_owned())
            .collect::<Vec<_>>()
    });
    found.collect()
}

fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split(|letter: char| !letter.is_alphanumeric() && !"-_'’·°".contains(letter))
        .filter(|word| word.chars().any(char::is_alphabetic))
}

#[test]
fn no_template_holds_a_bare_word() {
    for (name, template) in files("../../dashboards/pages", "html") {
        let plain = without(&without(&without(&template, "{{", "}}"), "{%", "%}"), "<!doctype", ">");
        for said in spoken_attributes(&plain) {
            // One that is a range of numbers says how a number is typed.
            assert_eq!(words(&said).next(), None, "{name}: a bare word in {said:?}");
        }
        let text = without(&plain, "<", ">");
        let entities = ["&amp;", "&lt;", "&gt;"].iter().fold(text, |text, entity| text.replace(entity, " "));
        assert_eq!(words(&entities).next(), None, "{name} holds a bare word");
    }
}

#[test]
fn every_key_that_is_asked_for_is_there_and_every_one_that_is_there_is_asked_for() {
    let keys = keys();
    assert!(keys.len() > 900, "{}", keys.len());
    let sources: Vec<_> =
        [files("../../dashboards/pages", "html"), files("../../dashboards/scripts", "js"), files("src", "rs")].concat();
    for (name, source) in &sources {
        for call in [".say(\"", ".tell(\"", ".html(\"", "say(\"", "sayOf(\""] {
            for (at, _) in source.match_indices(call) {
                let key = source[at + call.len()..].split('"').next().unwrap_or_default();
                assert!(keys.contains(key), "{name} asks for {key:?}, which the English file has not");
            }
        }
    }
    let all: String = sources.into_iter().map(|(_, source)| source).collect();
    for key in keys {
        // The language of a file is asked for by the reader of files too; the text for one thing by the key for many.
        let one = key.strip_suffix("-one").is_some_and(|many| {
            all.contains(&format!("sayOf(smooth, \"{many}\"")) || all.contains(&format!("sayOf(open, \"{many}\""))
        });
        assert!(one || all.contains(&format!("\"{key}\"")), "nobody asks for {key}");
    }
}

/// The English with each text in marks.
fn marked() -> Text {
    let english = english();
    let mut resource = fluent_syntax::parser::parse(english.as_str()).expect("Fluent");
    for entry in &mut resource.body {
        if let Entry::Message(message) = entry
            && message.id.name != "language"
            && let Some(pattern) = &mut message.value
        {
            pattern.elements.insert(0, PatternElement::TextElement { value: "⟦" });
            pattern.elements.push(PatternElement::TextElement { value: "⟧" });
        }
    }
    let source = fluent_syntax::serializer::serialize(&resource);
    match Text::read(&source) {
        Ok((text, missing)) => {
            assert_eq!(missing, Vec::<&str>::new());
            text
        }
        Err(wrong) => panic!("{wrong:?}"),
    }
}

/// What stands outside of all marks.
fn unmarked(text: &str) -> String {
    let mut depth = 0;
    let mut outside = String::new();
    for letter in text.chars() {
        match letter {
            '⟦' => depth += 1,
            '⟧' => depth -= 1,
            _ if depth == 0 => outside.push(letter),
            _ => {}
        }
        assert!(depth >= 0, "a mark ends that has not begun: {text}");
        if letter == '⟦' || letter == '⟧' {
            outside.push(' ');
        }
    }
    outside
}

/// Symbols of units of measure and zones of time, which are the same in every language.
const SYMBOLS: [&str; 16] =
    ["h", "s", "min", "N·m", "lbf·in", "lbf·ft", "°C", "°F", "mm", "in", "µm", "mil", "CEST", "CET", "MB", "GB"];

const PAGES: [&str; 27] = [
    "/",
    "/?all=yes",
    "/changeovers",
    "/changeovers?on=2026-05-16&units=all&open=C-101&room=1&run_h=300",
    "/changeovers?on=2026-05-14",
    "/tubes/T-0042",
    "/tubes/T-0007",
    "/tubes/T-0023",
    "/tubes/T-0030",
    "/signals",
    "/advice",
    "/units/C-103/worksheet",
    "/units/C-101/worksheet",
    "/findings",
    "/findings/1",
    "/findings/new",
    "/findings/plain",
    "/suspicions",
    "/audit",
    "/login",
    "/display",
    "/models",
    "/models/2/validation",
    "/track",
    "/charts/board.svg",
    "/charts/tubes/T-0042.svg",
    "/charts/tubes/T-0042/life.svg",
];

#[tokio::test]
async fn a_translation_reaches_every_word_of_every_page() {
    let voice = Voice { text: marked(), ..Voice::default() };
    let snapshot = fleet::snapshot();
    let site = Site { voice, ..fleet::site() };
    let told = format!("{snapshot:?} {site:?} {:?}", fleet::advice());
    let desk = Desk::on(snapshot.clone(), site).await;
    fleet::write_down(&desk.publisher.ledger, &snapshot).await;
    desk.person(Role::Admin).await;
    let (cookie, _) = desk.logged_in(Role::Admin).await;
    // What pages show as it was written down or sent; words of the data are set with spaces where they have underscores.
    let audit = desk.ask("GET", "/api/v1/audit", &[("cookie", &cookie)], "").await.body;
    let data = format!("{told} {audit} {}", told.replace('_', " "));
    let data: BTreeSet<&str> = words(&data).collect();
    let mut bare = BTreeSet::new();
    for uri in PAGES {
        let answer = desk.ask("GET", uri, &[("cookie", &cookie)], "").await;
        assert_eq!(answer.status, StatusCode::OK, "{uri}: {}", answer.body);
        let escaped = [("&#39;", "'"), ("&#34;", " "), ("&#38;", " "), ("&#60;", " "), ("&#62;", " "), ("&amp;", " ")];
        let body = escaped.iter().fold(answer.body, |body, (entity, letter)| body.replace(entity, letter));
        let body = without(&without(&body, "<code", "</code>"), "<!doctype", ">");
        let mut said = spoken_attributes(&body);
        said.push(without(&body, "<", ">"));
        for text in said {
            let outside = unmarked(&text);
            let own = words(&outside).filter(|word| !data.contains(word) && !SYMBOLS.contains(word));
            bare.extend(own.map(|word| format!("{uri}: {word}")));
        }
    }
    assert_eq!(bare, BTreeSet::new(), "words that no translation reaches");
}

#[tokio::test]
async fn what_programs_read_is_english_whatever_the_pages_speak() {
    let site = Site { voice: Voice { text: marked(), ..Voice::default() }, ..fleet::site() };
    let desk = Desk::on(fleet::snapshot(), site).await;
    for uri in [
        "/api/v1/risks",
        "/api/v1/changeovers",
        "/api/v1/changeovers/choice",
        "/api/v1/advice",
        "/api/v1/agreement",
        "/metrics",
        "/health/ready",
    ] {
        let body = desk.ask("GET", uri, &[], "").await.body;
        assert!(!body.contains('⟦'), "{uri}: {body}");
    }
    let page = desk.ask("GET", "/", &[], "").await.body;
    assert!(page.contains("⟦"), "{page}");
}
