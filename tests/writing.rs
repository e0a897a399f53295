//! Writing to a running service: people and tokens of the command line, a finding, and the board that follows at once.

use plant::{Clock, SystemClock};
use serde_json::{Value, json};

use crate::broker::{Broker, Kind, wait_for};
use crate::plant_files::PlantFiles;
use crate::service::{Service, done, with_password};

const PASSWORD: &str = "correct horse battery staple";

/// Status and body of a request with a body.
fn post(service: &Service, path: &str, headers: &[(&str, &str)], body: &str) -> (u16, String) {
    let agent = ureq::Agent::config_builder()
        .http_status_as_error(false)
        .max_redirects(0)
        .max_redirects_will_error(false)
        .build()
        .new_agent();
    let mut request = agent.post(format!("{}{path}", service.origin()));
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    let mut answer = request.send(body).unwrap();
    (answer.status().as_u16(), answer.body_mut().read_to_string().unwrap())
}

#[test]
fn a_finding_that_is_sent_stands_on_the_board_at_once() {
    let now = SystemClock.now();
    let broker = Broker::start(Kind::Mosquitto);
    let files = PlantFiles::new(broker.port, now);
    let config = files.config.to_str().unwrap();
    // So rarely that only the write itself can bring the next evaluation about.
    let text = std::fs::read_to_string(config).unwrap();
    assert!(text.contains("evaluate_every_s = 2"));
    std::fs::write(config, text.replace("evaluate_every_s = 2", "evaluate_every_s = 3600")).unwrap();
    let register = [files.path("tubes.csv"), files.path("fittings.csv"), files.path("work.csv")];
    done(&["import", "register", &register[0], &register[1], &register[2], "--config", config]);
    let service = Service::start(&files.config);

    let before = service.json("/api/v1/tubes/T-K1");
    assert_eq!(before["findings"], json!([]));
    let finding = json!({ "at": now.to_string(), "tube": "T-K1", "grade": 4, "kind": "flake" }).to_string();
    let json_body = ("content-type", "application/json");
    assert_eq!(post(&service, "/api/v1/findings", &[json_body], &finding).0, 401, "nobody is known from the start");

    let token = done(&["tokens", "add", "tablet", "--role", "inspector", "--config", config]);
    let bearer = format!("Bearer {}", token.trim());
    let (status, body) = post(&service, "/api/v1/findings", &[json_body, ("authorization", &bearer)], &finding);
    assert_eq!(status, 201, "{body}");
    wait_for("the finding on the tube's page", || {
        let tube = service.json("/api/v1/tubes/T-K1");
        (tube["findings"].as_array().is_some_and(|findings| findings.len() == 1)).then_some(())
    });
    let risks = service.json("/api/v1/risks?tube=T-K1");
    assert_eq!(risks["risks"][0]["hold_and_assess"], Value::Bool(true), "a flake asks to hold: {risks}");

    done(&["tokens", "revoke", "tablet", "--config", config]);
    assert_eq!(post(&service, "/api/v1/findings", &[json_body, ("authorization", &bearer)], &finding).0, 401);
}

#[test]
fn people_are_added_by_an_admin_of_the_machine_and_log_in() {
    let broker = Broker::start(Kind::Mosquitto);
    let files = PlantFiles::new(broker.port, SystemClock.now());
    let config = files.config.to_str().unwrap();
    let add = ["people", "add", "A. Marsh", "--role", "analyst", "--config", config];
    let (taken, said) = with_password(&add, "short");
    assert!(!taken && said.contains("12"), "{said}");
    assert_eq!(done(&["people", "list", "--config", config]), "", "nobody is there from the start");
    let (taken, said) = with_password(&add, PASSWORD);
    assert!(taken && !said.contains(PASSWORD), "{said}");
    assert!(!with_password(&["people", "add", "a. marsh", "--role", "reader", "--config", config], PASSWORD).0);
    assert!(done(&["people", "list", "--config", config]).starts_with("A. Marsh  analyst"));

    let service = Service::launch(&files.config);
    wait_for("a service that answers", || (service.get("/health/live").0 == 200).then_some(()));
    let form = ("content-type", "application/x-www-form-urlencoded");
    let log_in = |password: &str| post(&service, "/login", &[form], &format!("name=A.+Marsh&password={password}")).0;
    assert_eq!(log_in("wrong+wrong+wrong"), 403);
    assert_eq!(log_in(&PASSWORD.replace(' ', "+")), 303);
    done(&["people", "disable", "A. Marsh", "--config", config]);
    assert_eq!(log_in(&PASSWORD.replace(' ', "+")), 403);
}
