//! The page for other systems: the OpenAPI document, set to be read.

use std::sync::LazyLock;

use askama::Template;
use axum::http::StatusCode;
use axum::response::Response;
use serde_json::Value;

use crate::openapi::DOCUMENT;
use crate::pages::{Frame, rendered};
use crate::shown::Shown;

use crate::Voice;

static READ: LazyLock<Reading> = LazyLock::new(|| {
    let document = serde_json::from_str(DOCUMENT).expect("the embedded document is JSON: a test reads it");
    Reading::of(&document)
});

#[derive(Template)]
#[template(path = "openapi.html")]
struct OpenApiPage {
    voice: Voice,
    frame: Frame,
    reading: &'static Reading,
}

/// The document as it is set.
#[derive(Debug)]
struct Reading {
    description: String,
    groups: Vec<Group>,
    shapes: Vec<Shape>,
}

/// Routes of one tag.
#[derive(Debug)]
struct Group {
    name: String,
    about: String,
    routes: Vec<Route>,
}

#[derive(Debug)]
struct Route {
    method: String,
    path: String,
    /// It can be opened as it stands.
    open: bool,
    summary: String,
    about: String,
    parameters: Vec<[String; 3]>,
    /// Media types of the body, each with its shape if it has one.
    body: Vec<(String, Option<String>)>,
    answers: Vec<Answer>,
}

#[derive(Debug)]
struct Answer {
    status: String,
    about: String,
    /// Media type, and the shape of its content if it has one.
    forms: Vec<(String, Option<String>)>,
}

/// A schema: its properties in order.
#[derive(Debug)]
struct Shape {
    name: String,
    about: String,
    members: Vec<Member>,
}

#[derive(Debug)]
struct Member {
    name: String,
    kind: String,
    /// The shape that it refers to.
    shape: Option<String>,
    always: bool,
    about: String,
}

/// `GET /api`
pub(crate) async fn page(Shown(publisher): Shown) -> Response {
    let snapshot = publisher.newest();
    rendered(
        StatusCode::OK,
        &OpenApiPage { voice: publisher.site.voice.clone(), frame: Frame::of(&publisher, &snapshot), reading: &READ },
    )
}

impl Reading {
    fn of(document: &Value) -> Reading {
        let routes_of = |tag: &str| {
            let paths = members(&document["paths"]);
            paths
                .flat_map(|(path, methods)| members(methods).map(move |(method, told)| (method, path, told)))
                .filter(|(_, _, told)| told["tags"][0] == tag)
                .map(|(method, path, told)| route(method, path, told, document))
                .collect()
        };
        Reading {
            description: text(&document["info"]["description"]),
            groups: items(&document["tags"])
                .map(|tag| {
                    let name = text(&tag["name"]);
                    Group { about: text(&tag["description"]), routes: routes_of(&name), name }
                })
                .collect(),
            shapes: members(&document["components"]["schemas"]).map(|(name, schema)| shape(name, schema)).collect(),
        }
    }
}

fn route(method: &str, path: &str, told: &Value, document: &Value) -> Route {
    let parameter = |parameter: &Value| {
        let parameter = followed(parameter, document);
        let (kind, _) = kind(&parameter["schema"]);
        [text(&parameter["name"]), format!("{}, {kind}", text(&parameter["in"])), text(&parameter["description"])]
    };
    let answer = |(status, answer): (&str, &Value)| {
        let answer = followed(answer, document);
        Answer { status: status.to_owned(), about: text(&answer["description"]), forms: forms(&answer["content"]) }
    };
    // Said once for all routes, at the top: in each it would hide what differs.
    let of_its_own = |parameter: &&Value| followed(parameter, document)["name"] != "If-None-Match";
    Route {
        path: path.to_owned(),
        method: method.to_uppercase(),
        open: method == "get" && !path.contains('{'),
        summary: text(&told["summary"]),
        about: text(&told["description"]),
        parameters: items(&told["parameters"]).filter(of_its_own).map(parameter).collect(),
        body: forms(&told["requestBody"]["content"]),
        answers: members(&told["responses"]).filter(|(status, _)| *status != "304").map(answer).collect(),
    }
}

/// Media types, each with the shape of its content if it has one.
fn forms(content: &Value) -> Vec<(String, Option<String>)> {
    members(content).map(|(form, told)| (form.to_owned(), told["schema"]["$ref"].as_str().map(last_part))).collect()
}

fn shape(name: &str, schema: &Value) -> Shape {
    let always = |name: &str| items(&schema["required"]).any(|required| required == name);
    let member = |(name, property): (&str, &Value)| {
        let (kind, shape) = kind(property);
        Member { name: name.to_owned(), kind, shape, always: always(name), about: text(&property["description"]) }
    };
    Shape {
        name: name.to_owned(),
        about: text(&schema["description"]),
        members: members(&schema["properties"]).map(member).collect(),
    }
}

/// What a value may be, in words, and the shape that it refers to.
fn kind(schema: &Value) -> (String, Option<String>) {
    if let Some(target) = schema["$ref"].as_str() {
        return (String::new(), Some(last_part(target)));
    }
    if let Some(target) = items(&schema["anyOf"]).find_map(|either| either["$ref"].as_str()) {
        return ("or null:".to_owned(), Some(last_part(target)));
    }
    let mut words = match &schema["type"] {
        Value::Array(kinds) => kinds.iter().map(text).collect::<Vec<_>>().join(" or "),
        kind => text(kind),
    };
    if words.starts_with("array") {
        let (of, shape) = kind(&schema["items"]);
        return (format!("list of {of}").trim_end().to_owned(), shape);
    }
    if schema["format"] == "date-time" {
        words = words.replace("string", "time");
    }
    let values: Vec<String> = items(&schema["enum"]).filter(|value| !value.is_null()).map(text).collect();
    if !values.is_empty() {
        let null = if words.contains("null") { ", or null" } else { "" };
        words = format!("one of {}{null}", values.join(", "));
    }
    match (schema["minimum"].as_f64(), schema["maximum"].as_f64()) {
        (Some(least), Some(most)) => words.push_str(&format!(", {least} to {most}")),
        (Some(least), None) => words.push_str(&format!(", {least} or more")),
        _ => {}
    }
    (words, None)
}

/// The part that a reference points at, or the part itself.
fn followed<'a>(part: &'a Value, document: &'a Value) -> &'a Value {
    let target = part["$ref"].as_str().and_then(|target| document.pointer(target.trim_start_matches('#')));
    target.unwrap_or(part)
}

fn last_part(reference: &str) -> String {
    reference.rsplit('/').next().unwrap_or_default().to_owned()
}

fn text(value: &Value) -> String {
    value.as_str().unwrap_or_default().to_owned()
}

fn items(value: &Value) -> impl Iterator<Item = &Value> {
    value.as_array().into_iter().flatten()
}

fn members(value: &Value) -> impl Iterator<Item = (&str, &Value)> {
    value.as_object().into_iter().flatten().map(|(name, value)| (name.as_str(), value))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_route_has_its_place_on_the_page() {
        let document: Value = serde_json::from_str(DOCUMENT).unwrap();
        let set: usize = READ.groups.iter().map(|group| group.routes.len()).sum();
        let told: usize =
            document["paths"].as_object().unwrap().values().map(|path| path.as_object().unwrap().len()).sum();
        assert_eq!(set, told);
        assert!(READ.groups.iter().all(|group| !group.routes.is_empty()));
    }

    #[test]
    fn kinds_read_as_words() {
        let kind = |schema: &str| kind(&serde_json::from_str(schema).unwrap());
        assert_eq!(kind(r#"{"type":["number","null"],"minimum":0,"maximum":1}"#).0, "number or null, 0 to 1");
        assert_eq!(
            kind(r##"{"type":"array","items":{"$ref":"#/a/B"}}"##),
            ("list of".to_owned(), Some("B".to_owned()))
        );
        assert_eq!(kind(r#"{"type":["string","null"],"enum":["a","b",null]}"#).0, "one of a, b, or null");
        assert_eq!(kind(r#"{"type":["string","null"],"format":"date-time"}"#).0, "time or null");
    }
}
