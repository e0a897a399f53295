//! What makes a model defensible: the same data make the same model, and a published score comes out again bit for bit.

use std::process::Output;

use jiff::SignedDuration;
use plant::{Clock, SystemClock};
use serde_json::Value;

use crate::broker::{Broker, Kind, wait_for};
use crate::plant_files::PlantFiles;
use crate::service::{Service, done, run};

fn imported(broker: &Broker) -> PlantFiles {
    let files = PlantFiles::new(broker.port, SystemClock.now());
    ["register", "history", "campaigns", "findings"].into_iter().for_each(|what| files.take_in(what));
    files
}

fn reproduced(config: &str) -> (bool, String) {
    let now = SystemClock.now().to_string();
    let Output { status, stdout, stderr } = run(&["scores", "reproduce", "T-K1", &now, "--config", config]);
    (status.success(), format!("{}{}", String::from_utf8_lossy(&stdout), String::from_utf8_lossy(&stderr)))
}

#[test]
fn a_published_score_comes_out_again_whatever_came_since() {
    let broker = Broker::start(Kind::Mosquitto);
    let files = imported(&broker);
    let config = files.config.to_str().unwrap();

    let fitted = || serde_json::from_str::<Value>(&done(&["fit", "--config", config])).unwrap();
    let (first, second) = (fitted(), fitted());
    for part in
        ["terms", "intercepts", "log_likelihood", "validation", "stations", "fleet_median", "data_to", "last_year"]
    {
        assert!(!first[part].is_null() || part == "stations", "{part}");
        assert_eq!(first[part], second[part], "{part}: the same data made two models");
    }
    done(&["models", "approve", "1", "--by", "R. Analyst", "--why", "test", "--config", config]);

    let service = Service::start(&files.config);
    let risks = wait_for("evaluated risks", || {
        let risks = service.json("/api/v1/risks");
        (risks["risks"].as_array().is_some_and(|risks| risks.len() == 3)).then_some(risks)
    });
    assert!(risks.to_string().contains("\"model 1\"") && !risks.to_string().contains("\"model 2\""), "{risks}");
    wait_for("a score that is kept", || reproduced(config).0.then_some(()));
    // The proposed model is scored beside the approved one, and is not published.
    let trial = service.json("/api/v1/models/proposed");
    assert_eq!((&trial["version"], trial["scores"].as_array().unwrap().len()), (&Value::from(2), 3));
    assert!(broker.retained("groovecast/risk/K1").contains("model 1"));

    // Readings of the time before come late, as after a lost connection.
    let now = SystemClock.now();
    for minutes in (5..=60).rev().step_by(5) {
        let at = now - SignedDuration::from_mins(minutes);
        broker.publish("harrow/K1/shaft/torque", &format!("{{\"value\": 131.5, \"at\": \"{at}\"}}"));
        broker.publish("harrow/K1/shaft/speed", &format!("{{\"value\": 300, \"at\": \"{at}\"}}"));
    }
    let run_h = |risks: &Value| {
        let k1 = risks["risks"].as_array().unwrap().iter().find(|risk| risk["unit"] == "K1").unwrap();
        k1["run_h"].as_f64().unwrap()
    };
    wait_for("a score that has seen them", || {
        (run_h(&service.json("/api/v1/risks")) > run_h(&risks) + 0.5).then_some(())
    });
    service.stop();
    let (same, told) = reproduced(config);
    assert!(same && told.contains("bit for bit"), "{told}");

    // What does differ has a name.
    let text = std::fs::read_to_string(config).unwrap();
    assert!(text.contains("[model]"), "{text}");
    std::fs::write(config, text.replace("[model]", "[model]\nrecent_h = 35.0")).unwrap();
    let (same, told) = reproduced(config);
    assert!(!same && told.contains("risks:") && told.contains("the settings below [model]"), "{told}");
}
