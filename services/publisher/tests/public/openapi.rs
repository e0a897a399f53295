//! The OpenAPI document against what is really answered.

use insta::assert_snapshot;
use jsonschema::Validator;
use plant::Role;
use serde_json::{Value, json};

use crate::desk::{Desk, FORM, by};
use crate::{Answer, ask, asking, body, fleet, get, photos};

async fn document() -> Value {
    serde_json::from_str(&body("/api/openapi.json").await).expect("JSON")
}

#[tokio::test]
async fn the_page_for_other_systems_as_published() {
    assert_snapshot!(body("/api").await);
}

/// Closes every object: an answer must not have a member that the document does not name.
fn closed(schema: &mut Value) {
    if let Value::Object(members) = schema {
        if members.contains_key("properties") && !members.contains_key("additionalProperties") {
            members.insert("additionalProperties".to_owned(), json!(false));
        }
        members.values_mut().for_each(closed);
    } else if let Value::Array(items) = schema {
        items.iter_mut().for_each(closed);
    }
}

/// The schema of a shape, as a document of its own.
fn shape(document: &Value, name: &str) -> Validator {
    let mut schemas = document["components"]["schemas"].clone();
    schemas.as_object_mut().expect("shapes by name").values_mut().for_each(closed);
    let whole = json!({ "$ref": format!("#/components/schemas/{name}"), "components": { "schemas": schemas } });
    jsonschema::options().should_validate_formats(true).build(&whole).expect("a schema of JSON Schema 2020-12")
}

fn followed<'a>(document: &'a Value, part: &'a Value) -> &'a Value {
    part["$ref"].as_str().map_or(part, |target| document.pointer(target.trim_start_matches('#')).expect("a target"))
}

/// Holds an answer against what the document says of its path: status, media type, headers and shape.
fn assert_told(document: &Value, path: &str, answer: &Answer) {
    assert_told_of(document, "get", path, answer);
}

fn assert_told_of(document: &Value, method: &str, path: &str, answer: &Answer) {
    let told = &document["paths"][path][method]["responses"][answer.status.as_str()];
    assert!(told.is_object(), "{method} {path}: {} is not described: {}", answer.status, answer.body);
    let told = followed(document, told);
    for (name, header) in told["headers"].as_object().into_iter().flatten() {
        let required = followed(document, header)["required"] == true;
        assert!(!required || !answer.header(&name.to_lowercase()).is_empty(), "{path}: header {name} is missing");
    }
    if told["content"].is_null() {
        assert!(answer.body.is_empty(), "{path}: {} has a body that is not described", answer.status);
        return;
    }
    let media = answer.header("content-type").split(';').next().unwrap_or_default();
    let content = &told["content"][media];
    assert!(content.is_object(), "{path}: {} {media:?} is not described", answer.status);
    if let Some(name) = content["schema"]["$ref"].as_str().and_then(|target| target.rsplit('/').next()) {
        let json = serde_json::from_str(&answer.body).unwrap_or_else(|error| panic!("{path}: {error}"));
        let wrong: Vec<String> = shape(document, name)
            .iter_errors(&json)
            .map(|error| format!("{} at {}", error, error.instance_path()))
            .collect();
        assert!(wrong.is_empty(), "{path}: {wrong:#?}");
    }
}

/// A plant with everything in it, and the token of somebody who may see all of it.
async fn full_desk() -> (Desk, String) {
    let desk = Desk::written_down(fleet::snapshot()).await;
    let token = desk.token(Role::Admin).await;
    let photo = desk
        .ask(
            "POST",
            "/api/v1/findings/1/photos",
            &[("authorization", &format!("Bearer {token}"))],
            photos::PICTURES[0].1,
        )
        .await;
    assert_eq!(photo.status.as_u16(), 201, "{}", photo.body);
    (desk, token)
}

#[tokio::test]
async fn every_described_route_answers_as_described() {
    let document = document().await;
    let (desk, token) = full_desk().await;
    let authorization = format!("Bearer {token}");
    for (path, methods) in document["paths"].as_object().unwrap() {
        if methods["get"].is_null() {
            continue;
        }
        let uri =
            path.replace("{tube}", "T-0042").replace("{id}", "1").replace("{version}", "2").replace("{unit}", "C-103");
        let answer = desk.ask("GET", &uri, &[("authorization", &authorization)], "").await;
        assert!(matches!(answer.status.as_u16(), 200 | 303 | 503), "{uri}: {}", answer.status);
        assert_told(&document, path, &answer);
        for snapshot in [fleet::snapshot(), fleet::empty()] {
            assert_told(&document, path, &ask(snapshot, "GET", &uri).await);
        }
    }
}

#[tokio::test]
async fn every_described_write_answers_as_described() {
    let document = document().await;
    let (desk, token) = full_desk().await;
    let finding = json!({ "at": "2026-05-11T09:30:00Z", "tube": "T-0042", "grade": 2 });
    let corrected = json!({ "finding": finding, "why": "measured again" });
    let why = json!({ "why": "never seen" });
    let (all, fix, off) = ("/api/v1/findings", "/api/v1/findings/{id}/correction", "/api/v1/findings/{id}/withdrawal");
    let (first, key) = ([("if-match", "\"1\"")], [("idempotency-key", "one")]);
    for (path, headers, body, status) in [
        (all, &key[..], &finding, 201),
        (all, &key, &finding, 200),
        (all, &key, &json!({ "at": "2026-05-11", "tube": "T-0042", "grade": 3 }), 409),
        (all, &[], &json!({}), 422),
        (all, &[("idempotency-key", "")], &finding, 400),
        (fix, &[], &corrected, 428),
        (fix, &first, &why, 422),
        (fix, &first, &json!({ "finding": { "at": "2026-05-10", "tube": "T-0042", "grade": 1 }, "why": "x" }), 200),
        (fix, &first, &corrected, 412),
        (off, &[], &why, 428),
        (off, &[("if-match", "\"2\"")], &json!({}), 422),
        (off, &[("if-match", "*")], &why, 200),
        (off, &[("if-match", "*")], &why, 409),
    ] {
        let answer = desk.send(&token, &path.replace("{id}", "1"), headers, body).await;
        assert_eq!(answer.status.as_u16(), status, "{path}: {}", answer.body);
        assert_told_of(&document, "post", path, &answer);
    }
    let advice: Vec<_> = fleet::advice().into_iter().map(|advice| plant::Advice { id: 0, ..advice }).collect();
    desk.publisher.ledger.keep_advice(&advice, &[], &by()).await.unwrap();
    let form = [("authorization", format!("Bearer {token}")), (FORM[0].0, FORM[0].1.to_owned())];
    let form: Vec<(&str, &str)> = form.iter().map(|(name, value)| (*name, value.as_str())).collect();
    for (path, id, body, status) in [
        ("/advice/{id}/seen", "1", "", 303),
        ("/advice/{id}/seen", "9", "", 404),
        ("/advice/{id}/put-off", "1", "until=2026-05-30&why=crew", 303),
        ("/advice/{id}/put-off", "1", "until=2026-05-30", 422),
        ("/advice/{id}/put-off", "2", "until=2026-05-30&why=crew", 409),
        ("/advice/{id}/put-off", "%ff", "until=2026-05-30&why=crew", 400),
    ] {
        let answer = desk.ask("POST", &path.replace("{id}", id), &form, body).await;
        assert_eq!(answer.status.as_u16(), status, "{path}: {}", answer.body);
        assert_told_of(&document, "post", path, &answer);
    }
    assert_told(&document, "/api/v1/advice", &desk.ask("GET", "/api/v1/advice", &[], "").await);
    desk.publisher.ledger.add_model("{}", &crate::desk::by()).await.expect("a model");
    let (approve, retire) = ("/api/v1/models/{version}/approval", "/api/v1/models/{version}/retirement");
    let (aside, back) = ("/api/v1/looks-aside", "/api/v1/looks-aside/{id}/return");
    let found = &desk.publisher.ledger.findings(None).await.expect("findings")[1];
    let look = found.finding.as_ref().expect("it stands");
    let doubted = json!({ "tube": look.tube, "look": look.at, "why": "another tube was open" });
    for (path, number, body, status) in [
        (approve, "1", &json!({}), 422),
        (approve, "9", &why, 404),
        (approve, "x", &why, 404),
        (approve, "1", &why, 200),
        (approve, "1", &why, 409),
        (retire, "1", &why, 200),
        (retire, "1", &why, 409),
        (aside, "", &json!({ "tube": "T-0042", "look": "yesterday" }), 422),
        (aside, "", &json!({ "tube": "T-0042", "look": "2020-01-01T00:00:00Z", "why": "x" }), 422),
        (aside, "", &doubted, 201),
        (aside, "", &doubted, 409),
        (back, "1", &json!({ "why": "" }), 422),
        (back, "1", &why, 200),
        (back, "1", &why, 404),
    ] {
        let answer = desk.send(&token, &path.replace("{version}", number).replace("{id}", number), &[], body).await;
        assert_eq!(answer.status.as_u16(), status, "{path}: {}", answer.body);
        assert_told_of(&document, "post", path, &answer);
    }
    let photos = "/api/v1/findings/{id}/photos";
    let bearer = format!("Bearer {token}");
    for (uri, body, status) in [
        ("/api/v1/findings/2/photos", photos::PICTURES[1].1, 201),
        ("/api/v1/findings/2/photos", b"text", 415),
        ("/api/v1/findings/2/photos?x=1", b"text", 400),
        ("/api/v1/findings/999/photos", b"text", 404),
    ] {
        let answer = desk.ask("POST", uri, &[("authorization", &bearer)], body).await;
        assert_eq!(answer.status.as_u16(), status, "{uri}: {}", answer.body);
        assert_told_of(&document, "post", photos, &answer);
    }
    for (path, methods) in document["paths"].as_object().unwrap() {
        if methods["post"].is_null() || ["/login", "/display"].contains(&path.as_str()) {
            continue;
        }
        // Without a login each says so, in the form that is described for it.
        let answer = desk.ask("POST", &path.replace("{id}", "1").replace("{version}", "1"), &[], "").await;
        assert_eq!(answer.status.as_u16(), 401, "{path}");
        assert_told_of(&document, "post", path, &answer);
    }
    let login = desk.ask("POST", "/login", &[], "name=x&password=y").await;
    assert_told_of(&document, "post", "/login", &login);
    for (form, status) in [("decimal=comma", 303), ("decimal=dot", 422)] {
        let answer = desk.ask("POST", "/display", FORM, form).await;
        assert_eq!(answer.status.as_u16(), status, "{}", answer.body);
        assert_told_of(&document, "post", "/display", &answer);
    }
}

#[tokio::test]
async fn refusals_are_described_too() {
    let document = document().await;
    for (path, uri, status) in [
        ("/tubes/{tube}", "/tubes/T-9999", 404),
        ("/tubes/{tube}", "/tubes/%ff", 400),
        ("/units/{unit}/worksheet", "/units/C-999/worksheet", 404),
        ("/units/{unit}/worksheet", "/units/%ff/worksheet", 400),
        ("/changeovers", "/changeovers?room=x", 400),
        ("/api/v1/changeovers/choice", "/api/v1/changeovers/choice?on=x", 400),
        ("/models/{version}/validation", "/models/1/validation", 404),
        ("/models/{version}/validation", "/models/x/validation", 404),
        ("/models/{version}/validation", "/models/%ff/validation", 400),
        ("/api/v1/tubes/{tube}", "/api/v1/tubes/T-9999", 404),
        ("/api/v1/tubes/{tube}", "/api/v1/tubes/%ff", 400),
        ("/api/v1/tubes", "/api/v1/tubes?x=1", 400),
        ("/api/v1/risks", "/api/v1/risks?unit=C-999", 404),
        ("/api/v1/risks", "/api/v1/risks?x=1", 400),
        ("/api/v1/risks.csv", "/api/v1/risks.csv?unit=C-999", 404),
        ("/api/v1/risks.csv", "/api/v1/risks.csv?x=1", 400),
        ("/charts/tubes/{tube}.svg", "/charts/tubes/T-9999.svg", 404),
        ("/charts/tubes/{tube}.svg", "/charts/tubes/T-0042.svg?width=1", 400),
        ("/charts/board.svg", "/charts/board.svg?theme=blue", 400),
        ("/charts/board.png", "/charts/board.png?scale=9", 400),
        ("/charts/tubes/{tube}.png", "/charts/tubes/T-9999.png", 404),
    ] {
        let answer = get(uri).await;
        assert_eq!(answer.status.as_u16(), status, "{uri}");
        assert_told(&document, path, &answer);
    }
    assert_told(&document, "/health/ready", &ask(fleet::empty(), "GET", "/health/ready").await);
    let csv = asking(fleet::snapshot(), "GET", "/api/v1/risks", &[("accept", "text/csv")]).await;
    assert_told(&document, "/api/v1/risks", &csv);
}

#[tokio::test]
async fn every_tube_and_every_state_fits_its_shape() {
    let document = document().await;
    for tube in fleet::snapshot().tubes.keys() {
        assert_told(&document, "/api/v1/tubes/{tube}", &get(&format!("/api/v1/tubes/{tube}")).await);
    }
    for state in plant::State::ALL {
        let mut snapshot = fleet::snapshot();
        snapshot.scores = vec![fleet::score("C-101", "T-0007", *state, "a reason")];
        snapshot.scores[0].run_h = f64::NAN;
        assert_told(&document, "/api/v1/risks", &ask(snapshot, "GET", "/api/v1/risks").await);
    }
}

#[tokio::test]
async fn a_member_that_is_not_described_is_noticed() {
    let document = document().await;
    let health = shape(&document, "Health");
    assert!(health.is_valid(&json!({ "status": "live", "version": "1" })));
    assert!(!health.is_valid(&json!({ "status": "live", "version": "1", "more": 1 })));
    assert!(!health.is_valid(&json!({ "status": "asleep", "version": "1" })));
}

#[tokio::test]
async fn what_foreign_dashboards_are_told_to_ask_for_is_there() {
    let guide = include_str!("../../../../dashboards/foreign/README.md");
    let page = include_str!("../../../../dashboards/foreign/example.html");
    let told = guide.split('`').skip(1).step_by(2).filter(|code| code.starts_with('/'));
    let asked = page.split("${service}").skip(1).filter_map(|rest| rest.split('`').next());
    let addresses: Vec<String> = told
        .chain(asked.filter(|address| address.starts_with('/')))
        .map(|address| address.replace("TUBE", "T-0042").replace("${tube}", "T-0042"))
        .collect();
    assert!(addresses.len() > 15, "{addresses:?}");
    for address in addresses {
        assert_eq!(get(&address).await.status.as_u16(), 200, "{address}");
    }
}
