//! A changed configuration, taken up by the service while it runs.

use std::collections::BTreeSet;
use std::path::Path;

use serde_json::Value;

use crate::broker::{Broker, Kind, wait_for};
use crate::load::{self, Key, Load, UNITS, same, stored, topic};
use crate::sender::Sender;
use crate::service::Service;
use crate::wire::Wire;

/// Readings per unit.
const READINGS: i64 = 6000;

/// Writes the configuration of the load with something changed, and says so to the service.
fn change(service: &Service, path: &Path, from: &str, to: &str) {
    let text = std::fs::read_to_string(path).unwrap();
    assert!(text.contains(from), "{from:?} is not in the configuration");
    std::fs::write(path, text.replace(from, to)).unwrap();
    service.reload();
}

fn ready(service: &Service) -> Value {
    wait_for("a ready service", || {
        let (status, body) = service.get("/health/ready");
        (status == 200).then(|| serde_json::from_str(&body).unwrap())
    })
}

/// Waits until the configuration in force is a later one.
fn taken_up(service: &Service, since: &Value) {
    wait_for("the new configuration", || {
        (ready(service)["config"]["read_at"] != since["config"]["read_at"]).then_some(())
    });
}

#[test]
fn a_changed_configuration_comes_into_force_under_load_and_a_wrong_one_does_not() {
    let broker = Broker::start(Kind::Mosquitto);
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let wire = runtime.block_on(Wire::to(broker.port));
    let folder = tempfile::tempdir().unwrap();
    let path = load::config(folder.path(), wire.port);
    let service = Service::start(&path);
    let load = Load::new(READINGS);
    let publishers: Vec<_> = (0..UNITS.len())
        .map(|unit| {
            let mut sender = Sender::new(broker.port);
            std::thread::spawn(move || {
                for from in (0..READINGS).step_by(20) {
                    let group: Vec<_> = (from..from + 20).map(|index| load.payload(unit, index)).collect();
                    sender.publish(&topic(unit), &group);
                    std::thread::sleep(std::time::Duration::from_millis(30));
                }
            })
        })
        .collect();

    let first = ready(&service);
    assert_eq!(first["config"]["refused"], false);
    let units = "[units.K1]\n[units.K2]";
    let topics = "[[topics]]\ntopic = \"harrow/{unit}/shaft/speed\"\nsignal = \"speed\"\nmeasure = \"1/min\"\n";
    change(&service, &path, units, &format!("{topics}{units}"));
    taken_up(&service, &first);
    let mut sender = Sender::new(broker.port);
    wait_for("the new signal", || {
        sender.publish("harrow/K2/shaft/speed", &["120".to_owned()]);
        let signals = service.json("/api/v1/signals");
        let mut all = signals["signals"].as_array().unwrap().iter();
        all.any(|one| one["unit"] == "K2" && one["signal"] == "speed" && one["count"].as_u64() > Some(0)).then_some(())
    });

    change(&service, &path, "keep_alive_s = 5", "keep_alive_s = 1");
    wait_for("the refusal", || (ready(&service)["config"]["refused"] == true).then_some(()));
    let board = service.get("/").1;
    assert!(board.contains("broker.keep_alive_s"), "the board says what is wrong: {board}");

    let before = ready(&service);
    change(&service, &path, "keep_alive_s = 1", "keep_alive_s = 5");
    taken_up(&service, &before);
    let before = ready(&service);
    assert_eq!(before["config"]["refused"], false);
    change(&service, &path, "data = \"data\"", "data = \"elsewhere\"");
    taken_up(&service, &before);
    assert_eq!(ready(&service)["config"]["needs_restart"], serde_json::json!(["site.data"]));
    assert!(!folder.path().join("elsewhere").exists());
    assert_eq!(wire.passed().len(), 1, "one connection outlived all of it");

    let before = ready(&service);
    change(&service, &path, "keep_alive_s = 5", "keep_alive_s = 6");
    taken_up(&service, &before);
    wait_for("another connection", || (wire.passed().len() == 2).then_some(()));
    publishers.into_iter().for_each(|publisher| publisher.join().unwrap());
    wait_for("the last readings", || {
        let shown = service.get("/api/v1/signals").1;
        (0..UNITS.len()).all(|unit| shown.contains(&load.at(unit, READINGS - 1))).then_some(())
    });
    std::thread::sleep(std::time::Duration::from_secs(1));
    service.stop();
    let published: BTreeSet<Key> = (0..UNITS.len()).flat_map(|unit| load.keys(unit, READINGS)).collect();
    let (all, _) = stored(&folder.path().join("data"));
    let of_load: Vec<Key> = all.into_iter().filter(|(_, value)| *value != 120.0_f64.to_bits()).collect();
    let hundred_and_twenty = |key: &Key| key.1 == 120.0_f64.to_bits();
    same(&of_load, &published.into_iter().filter(|key| !hundred_and_twenty(key)).collect());
}

/// MQTT 3.1.1, 3.3.1.3: an empty retained message takes back the one before.
#[test]
fn what_is_retained_of_a_unit_that_is_gone_is_taken_back() {
    let broker = Broker::start(Kind::Mosquitto);
    let folder = tempfile::tempdir().unwrap();
    let path = load::config(folder.path(), broker.port);
    let service = Service::start(&path);
    let advice = |unit: &str| format!("groovecast/advice/{unit}");
    UNITS.iter().for_each(|unit| assert!(broker.retained(&advice(unit)).contains(unit)));
    let before = ready(&service);
    change(&service, &path, "[units.K2]\n[units.K3]", "[units.K2]");
    taken_up(&service, &before);
    wait_for("nothing of the unit that is gone", || (!broker.retains(&advice("K3"))).then_some(()));
    // Evaluations go on, one a second.
    std::thread::sleep(std::time::Duration::from_secs(2));
    assert_eq!(UNITS.map(|unit| broker.retains(&advice(unit))), [true, true, false]);
    service.stop();
}
