//! Findings as a request brings them, held against the rules of the findings file.

use std::path::PathBuf;

use jiff::Timestamp;
use ledger::{FindingRules, read_findings};
use plant::{Finding, Table, Tube, TubeId};
use serde_json::Value;
use std::collections::BTreeMap;

use crate::Site;
use crate::form::Form;
use crate::problem::{Problem, Wrong};

/// What a finding may say, by the names of the findings file, and the kind of JSON value that says it.
pub(crate) const MEMBERS: [(&str, Told); 13] = [
    ("at", Told::Text),
    ("tube", Told::Text),
    ("grade", Told::Whole),
    ("zone", Told::Text),
    ("clock", Told::Text),
    ("method", Told::Text),
    ("kind", Told::Text),
    ("depth_um", Told::Number),
    ("reason", Told::Text),
    ("inspector", Told::Text),
    ("run_h", Told::Number),
    ("recorded_at", Told::Text),
    ("note", Told::Text),
];

/// Findings that one request may bring: every station of the largest wall, several times over (house limit).
const MOST: usize = 500;

/// A kind of JSON value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Told {
    Text,
    Whole,
    Number,
}

impl Told {
    /// The value as a cell of a file.
    fn cell(self, value: &Value) -> Result<String, &'static str> {
        match (self, value) {
            (_, Value::Null) => Ok(String::new()),
            (Told::Text, Value::String(text)) => Ok(text.trim().to_owned()),
            (Told::Text, _) => Err("this is no text; right would be a string"),
            (Told::Whole, Value::Number(number)) if number.is_u64() => Ok(number.to_string()),
            (Told::Whole, _) => Err("this is no whole number; right would be one such as 2, without quotes"),
            (Told::Number, Value::Number(number)) => Ok(number.to_string()),
            (Told::Number, _) => Err("this is no number; right would be one such as 12.5, without quotes"),
        }
    }
}

/// What findings are held against.
pub(crate) struct Held<'a> {
    pub site: &'a Site,
    pub tubes: &'a BTreeMap<TubeId, Tube>,
    pub now: Timestamp,
}

impl Held<'_> {
    /// One finding, or the `findings` of an object.
    ///
    /// # Errors
    /// A problem that names everything that cannot be taken.
    pub(crate) fn all(&self, body: &Value) -> Result<Vec<Finding>, Problem> {
        let Some(list) = body.get("findings") else { return self.one(body, "#").map(|finding| vec![finding]) };
        let more = body.as_object().into_iter().flatten().map(|(name, _)| name).filter(|name| *name != "findings");
        let mut wrong: Vec<Wrong> = more
            .map(|name| unknown("#", name, "right would be `findings` alone, or the members of one finding"))
            .collect();
        match list.as_array() {
            Some(list) if (1..=MOST).contains(&list.len()) => {
                let entries = list.iter().enumerate().map(|(index, entry)| (format!("#/findings/{index}"), entry));
                let read = self.read(entries.collect(), &mut wrong);
                if wrong.is_empty() { Ok(read) } else { Err(Problem::in_body("bad_finding", wrong)) }
            }
            _ => {
                let detail = format!("this is no list of findings; right would be an array of 1 to {MOST}");
                wrong.push(Wrong { pointer: "#/findings".to_owned(), detail });
                Err(Problem::in_body("bad_finding", wrong))
            }
        }
    }

    /// The one finding that stands at `place`.
    ///
    /// # Errors
    /// A problem that names everything that cannot be taken.
    pub(crate) fn one(&self, value: &Value, place: &str) -> Result<Finding, Problem> {
        let mut wrong = Vec::new();
        match self.read(vec![(place.to_owned(), value)], &mut wrong).pop() {
            Some(finding) if wrong.is_empty() => Ok(finding),
            _ => Err(Problem::in_body("bad_finding", wrong)),
        }
    }

    fn read(&self, entries: Vec<(String, &Value)>, wrong: &mut Vec<Wrong>) -> Vec<Finding> {
        let mut rows = Vec::new();
        for (index, (place, entry)) in entries.iter().enumerate() {
            let Some(members) = entry.as_object() else {
                let detail = "this is no finding; right would be an object with at, tube and grade".to_owned();
                wrong.push(Wrong { pointer: place.clone(), detail });
                continue;
            };
            let known = |name: &String| MEMBERS.iter().any(|(own, _)| own == name);
            let names = MEMBERS.map(|(name, _)| name).join(", ");
            wrong.extend(
                members
                    .keys()
                    .filter(|name| !known(name))
                    .map(|name| unknown(place, name, &format!("right would be some of {names}"))),
            );
            let cells = MEMBERS.iter().map(|(name, told)| {
                let value = members.get(*name).unwrap_or(&Value::Null);
                told.cell(value).unwrap_or_else(|detail| {
                    wrong.push(Wrong { pointer: format!("{place}/{name}"), detail: detail.to_owned() });
                    String::new()
                })
            });
            rows.push((index as u64, cells.collect()));
        }
        let read = self.held(rows);
        match read {
            Ok(findings) => findings,
            Err(bad) => {
                for (index, column, detail) in bad {
                    let place = entries.get(index).map_or("#", |(place, _)| place);
                    let pointer = format!("{place}/{column}");
                    // A value of the wrong kind was named already; then its cell is empty.
                    if !wrong.iter().any(|wrong| wrong.pointer == pointer) {
                        wrong.push(Wrong { pointer, detail });
                    }
                }
                Vec::new()
            }
        }
    }

    /// The finding that a form describes.
    ///
    /// # Errors
    /// A problem that names every field that cannot be taken.
    pub(crate) fn form(&self, form: &Form) -> Result<Finding, Problem> {
        let (decimal, group) = form.style(self.site.voice.display);
        let mut wrong = Vec::new();
        let cells = MEMBERS.iter().map(|(name, told)| match form.get(name).trim() {
            typed if *told == Told::Number && !typed.is_empty() => decimal.read(group, typed).map_or_else(
                |detail| {
                    wrong.push(Wrong { pointer: format!("#/{name}"), detail });
                    String::new()
                },
                |number| number.to_string(),
            ),
            typed => typed.to_owned(),
        });
        let cells = cells.collect();
        match self.held(vec![(0, cells)]) {
            Ok(mut findings) if findings.len() == 1 && wrong.is_empty() => Ok(findings.remove(0)),
            Ok(_) => Err(Problem::in_body("bad_finding", wrong)),
            Err(bad) => {
                wrong.extend(bad.into_iter().map(|(_, field, detail)| Wrong { pointer: format!("#/{field}"), detail }));
                Err(Problem::in_body("bad_finding", wrong))
            }
        }
    }

    /// Rows held against the rules; else the row, the column and what is wrong.
    fn held(&self, rows: Vec<(u64, Vec<String>)>) -> Result<Vec<Finding>, Vec<(usize, String, String)>> {
        let columns = MEMBERS.map(|(name, _)| name.to_owned()).to_vec();
        let rules =
            FindingRules { zones: &self.site.zones, time_zone: &self.site.zone, now: self.now, tubes: self.tubes };
        let read = read_findings(&Table { path: PathBuf::new(), columns, rows }, &rules);
        read.map_err(|bad| bad.into_iter().map(|bad| (bad.line as usize, bad.column, bad.problem)).collect())
    }
}

pub(crate) fn unknown(place: &str, name: &str, right: &str) -> Wrong {
    // RFC 6901, 3: `~` and `/` in a name are written ~0 and ~1.
    let shown: String = name.chars().take(40).collect();
    let pointer = format!("{place}/{}", shown.replace('~', "~0").replace('/', "~1"));
    Wrong { pointer, detail: format!("this member is not known; {right}") }
}

/// The JSON of a body.
///
/// # Errors
/// A problem if the body is no JSON, or says that it is something else.
pub(crate) fn json(headers: &axum::http::HeaderMap, body: &[u8]) -> Result<Value, Problem> {
    use axum::http::StatusCode;
    let media = crate::door::media_type(headers).to_ascii_lowercase();
    if media != "application/json" {
        let detail = format!("this body is {media:?}; right would be Content-Type: application/json");
        return Err(Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "not_json", detail));
    }
    serde_json::from_slice(body).map_err(|error| {
        let detail = format!("this body is no JSON: {error}");
        Problem::new(StatusCode::BAD_REQUEST, "not_json", detail)
    })
}
