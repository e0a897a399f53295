//! The main job as the README tells it: from files and a real broker to a score on the page, in JSON and on MQTT.

use std::time::Duration;

use jiff::SignedDuration;
use plant::{Clock, SystemClock};
use serde_json::Value;

use crate::broker::{Broker, Kind, at_each_broker, wait_for, wait_within};
use crate::plant_files::PlantFiles;
use crate::service::{Service, done, run};

fn scores(files: &PlantFiles) -> Vec<Value> {
    let text = done(&["score", "--config", files.config.to_str().unwrap(), "--json"]);
    serde_json::from_str::<Value>(&text).unwrap().as_array().unwrap().clone()
}

fn states(scores: &[Value]) -> Vec<&str> {
    scores.iter().map(|score| score["state"].as_str().unwrap()).collect()
}

/// The column `state` of a table of predictions.
fn states_of_rows(path: &str) -> Vec<String> {
    let text = std::fs::read_to_string(path).unwrap();
    assert!(text.starts_with("tube,at,horizon_h,risk,lower,upper,last_grade,state,model\n"), "{text}");
    text.lines().skip(1).map(|row| row.split(',').nth(7).unwrap().to_owned()).collect()
}

at_each_broker! { from_a_broker_and_files_to_a_risk_on_every_way_out }

fn from_a_broker_and_files_to_a_risk_on_every_way_out(kind: Kind) {
    let broker = Broker::start(kind);
    let files = PlantFiles::new(broker.port, SystemClock.now());
    let config = files.config.to_str().unwrap();
    done(&["check", "--config", config]);

    let history = files.path("history.csv");
    done(&["import", "history", &history, "--config", config]);
    let again = done(&["import", "history", &history, "--config", config]);
    assert!(again.contains("nothing new"), "the second import of the same file said: {again}");
    let register = [files.path("work.csv"), files.path("tubes.csv"), files.path("fittings.csv")];
    done(&["import", "register", &register[0], &register[1], &register[2], "--config", config]);
    done(&["import", "campaigns", &files.path("campaigns.csv"), "--config", config]);
    let believed = scores(&files);
    assert_eq!(states(&believed), ["prior", "prior", "prior"]);
    done(&["import", "findings", &files.path("findings.csv"), "--config", config]);

    let model = files.path("model.json");
    done(&["fit", "--config", config, "--out", &model]);
    let model: Value = serde_json::from_str(&std::fs::read_to_string(&model).unwrap()).unwrap();
    assert!(model["n_event_lives"].as_u64().unwrap() >= 5, "the invented plant has too few catches to fit");
    assert_eq!(states(&scores(&files)), ["prior", "prior", "prior"], "a model that nobody approved was published");
    done(&["models", "approve", "1", "--by", "R. Analyst", "--why", "test", "--config", config]);
    let published = scores(&files);
    assert!(states(&published).iter().all(|state| ["ok", "baseline", "reached"].contains(state)), "{published:#?}");

    let looks = std::fs::read_to_string(files.path("findings.csv")).unwrap().lines().count() - 1;
    let (foretold, report) = (files.path("foretold.csv"), files.path("report.html"));
    let validation: Value = serde_json::from_str(&done(&[
        "validate",
        "--config",
        config,
        "--horizon",
        "200",
        "--predictions",
        &foretold,
        "--html",
        &report,
    ]))
    .unwrap();
    assert_eq!(validation["contenders"].as_array().unwrap().len(), 4);
    let report = std::fs::read_to_string(report).unwrap();
    let sentence = validation["report"]["sentence"].as_str().unwrap();
    assert!(report.contains(sentence), "the report does not end in what the result says: {sentence}");
    assert_eq!(states_of_rows(&foretold).len(), looks);
    done(&["backtest", "--config", config, "--horizon", "200", "--out", &foretold]);
    let states = states_of_rows(&foretold);
    assert_eq!(states.len(), looks);
    assert!(states[..3].iter().all(|state| state == "prior"), "the first looks knew of later catches: {states:?}");
    assert!(states.iter().any(|state| state == "ok" || state == "baseline"), "nothing was ever learnt: {states:?}");

    let service = Service::start(&files.config);
    let risks = wait_for("evaluated risks", || {
        let risks = service.json("/api/v1/risks");
        (risks["risks"].as_array().is_some_and(|risks| risks.len() == 3)).then_some(risks)
    });
    let of_unit = |risks: &Value, unit: &str| {
        risks["risks"].as_array().unwrap().iter().find(|risk| risk["unit"] == unit).unwrap().clone()
    };
    let before = of_unit(&risks, "K1");
    let by_command = published.iter().find(|score| score["unit"] == "K1").unwrap();
    assert_eq!(before["tube"], by_command["tube"]);
    let judged = service.get("/models/1/validation").1;
    // The model's own: time has passed since, and with it hours that nobody counted.
    let sentence = model["validation"]["report"]["sentence"].as_str().unwrap();
    assert!(judged.contains("<svg") && judged.contains(sentence), "the service does not show what validation said");
    assert!(model["last_year"]["looks"].as_u64().is_some_and(|looks| looks > 0), "{}", model["last_year"]);
    assert!(judged.contains("What would it have said, and saved, last year?"), "the page leaves the last year out");
    let page = service.get("/").1;
    for unit in ["K1", "K2", "K3"] {
        assert!(page.contains(unit), "the board does not show {unit}");
        let message: Value = serde_json::from_str(&broker.retained(&format!("groovecast/risk/{unit}"))).unwrap();
        assert_eq!(message["tube"], format!("T-{unit}"));
    }
    assert!(broker.retained("groovecast/status").contains("online"));

    let now = SystemClock.now();
    for minutes in (0..=120).rev().step_by(5) {
        let at = now - SignedDuration::from_mins(minutes);
        broker.publish("harrow/K1/shaft/torque", &format!("{{\"value\": 131.5, \"at\": \"{at}\"}}"));
        broker.publish("harrow/K1/shaft/speed", &format!("{{\"value\": 300, \"at\": \"{at}\"}}"));
        broker.publish("harrow/K1/product/temperature", &format!("{{\"value\": 9.5, \"at\": \"{at}\"}}"));
    }
    let run_h = |risk: &Value| risk["run_h"].as_f64().unwrap();
    let after = wait_within(Duration::from_secs(180), "a score that has seen the new readings", || {
        let risk = of_unit(&service.json("/api/v1/risks"), "K1");
        (run_h(&risk) > run_h(&before) + 1.5).then_some(risk)
    });
    assert!(run_h(&after) < run_h(&before) + 3.0, "two hours of running became {after:#?}");
    let signals = service.json("/api/v1/signals");
    assert!(signals.to_string().contains("131.5"));

    broker.publish("harrow/K1/shaft/torque", "{\"value\": \"much\"}");
    broker.publish("harrow/K1/shaft/colour", "blue");
    wait_for("the faults", || {
        let signals = service.json("/api/v1/signals").to_string();
        (signals.contains("not_number") || signals.contains("much")).then_some(())
    });
    service.stop();
    assert!(broker.retained("groovecast/status").contains("offline"));
}

#[test]
fn what_is_wrong_with_a_file_is_named_and_nothing_is_taken() {
    let files = PlantFiles::new(1883, SystemClock.now());
    let config = files.config.to_str().unwrap();
    let bad = files.path("bad.csv");
    std::fs::write(&bad, "at,unit,signal,value\n2026-01-01T00:00:00Z,K1,torque,80\n2026-13-01,K1,torque,80\n2026-01-01T00:01:00Z,K9,torque,80\n2026-01-01T00:02:00Z,K1,torc,80\n2026-01-01T00:03:00Z,K1,torque,\"8,5\"\n").unwrap();
    let output = run(&["import", "history", &bad, "--config", config]);
    assert_eq!(output.status.code(), Some(65));
    let errors = String::from_utf8(output.stderr).unwrap();
    for part in ["line 3, column at", "line 4, column unit", "line 5, column signal", "line 6, column value"] {
        assert!(errors.contains(part), "{part:?} is not in:\n{errors}");
    }
    let wrong = files.path("wrong.toml");
    std::fs::write(
        &wrong,
        std::fs::read_to_string(&files.config).unwrap().replace("window", "windows").replace("# windows", "windows"),
    )
    .unwrap();
    let output = run(&["check", "--config", &wrong]);
    assert_eq!(output.status.code(), Some(78));
    assert!(String::from_utf8(output.stderr).unwrap().contains("unknown field `windows`"));
}
