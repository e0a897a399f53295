//! A JSON document as plants write it.

use std::cell::OnceCell;

use serde_json::Value as Json;

use crate::reason::{Problem, Reason};

/// The document of a message, parsed once for all mappings that read it.
#[derive(Debug)]
pub(crate) struct Document<'a> {
    payload: &'a [u8],
    parsed: OnceCell<Result<Json, Problem>>,
}

impl<'a> Document<'a> {
    pub(crate) fn new(payload: &'a [u8]) -> Self {
        Self { payload, parsed: OnceCell::new() }
    }

    pub(crate) fn json(&self) -> Result<&Json, Problem> {
        self.parsed.get_or_init(|| text(self.payload).and_then(parse)).as_ref().map_err(Problem::clone)
    }
}

/// The payload as text.
pub(crate) fn text(payload: &[u8]) -> Result<&str, Problem> {
    std::str::from_utf8(payload)
        .map_err(|error| Problem::new(Reason::NotUtf8, format!("byte {} is not UTF-8", error.valid_up_to() + 1)))
}

/// Parses a document. `NaN`, `Infinity` and numbers beyond a double are no JSON, but common: they are read as null.
fn parse(text: &str) -> Result<Json, Problem> {
    let error = match serde_json::from_str(text) {
        Ok(json) => return Ok(json),
        Err(error) => error,
    };
    if error.to_string().contains("recursion limit") {
        return Err(Problem::new(Reason::TooDeep, "the document is nested more than 127 levels deep"));
    }
    nulled(text)
        .and_then(|text| serde_json::from_str(&text).ok())
        .ok_or_else(|| Problem::new(Reason::NotJson, format!("this is no JSON: {error}")))
}

/// The text with every bare number that is not finite written as null; `None` if there is none.
fn nulled(text: &str) -> Option<String> {
    let mut out = String::with_capacity(text.len());
    let mut found = false;
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let token = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '+' | '.');
        let length = if first == '"' {
            string_length(rest)
        } else if token(first) {
            rest.find(|c| !token(c)).unwrap_or(rest.len())
        } else {
            first.len_utf8()
        };
        let (head, tail) = rest.split_at(length);
        if token(first) && head.parse::<f64>().is_ok_and(|number| !number.is_finite()) {
            out.push_str("null");
            found = true;
        } else {
            out.push_str(head);
        }
        rest = tail;
    }
    found.then_some(out)
}

/// Length in bytes of the JSON string that a text begins with, quotes included.
fn string_length(text: &str) -> usize {
    let mut escaped = false;
    for (at, c) in text.char_indices().skip(1) {
        match c {
            _ if escaped => escaped = false,
            '\\' => escaped = true,
            '"' => return at + 1,
            _ => {}
        }
    }
    text.len()
}
