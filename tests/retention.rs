//! Readings that the plant does not want to keep any longer go, the others stay.

use std::collections::BTreeMap;
use std::fmt::Write;

use jiff::{SignedDuration, Timestamp};
use plant::{Clock, Signal, SystemClock};

use crate::broker::{Broker, Kind, wait_for};
use crate::load;
use crate::service::{Service, done};

/// Readings per signal and day of age, in day files.
fn kept(data: &std::path::Path, now: Timestamp) -> BTreeMap<(i64, Signal), usize> {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let ledger = ledger::Ledger::open(&ledger::Place::Sqlite(data.join("groovecast.db"))).await.unwrap();
        let store = history::Store::new(data);
        let mut kept = BTreeMap::new();
        for file in ledger.day_files().await.unwrap() {
            // A file may be replaced between list and look; then it is looked again.
            for reading in store.read(&file).map_or_else(|_| Vec::new(), |day| day.readings()) {
                let days = (now.duration_since(reading.at).as_hours() + 12).div_euclid(24);
                *kept.entry((days, reading.signal)).or_default() += 1;
            }
        }
        kept
    })
}

#[test]
fn readings_older_than_the_config_keeps_them_go_and_the_others_stay() {
    let broker = Broker::start(Kind::Mosquitto);
    let folder = tempfile::tempdir().unwrap();
    let config = load::config(folder.path(), broker.port);
    let text = std::fs::read_to_string(&config).unwrap();
    std::fs::write(&config, format!("{text}[data]\nkeep_days = {{ flow = 31, pressure = 31 }}\n")).unwrap();
    let now = SystemClock.now();
    let mut csv = "at,unit,signal,value\n".to_owned();
    for days in [100, 60, 10] {
        let at = now - SignedDuration::from_hours(24 * days);
        for signal in ["torque", "flow"].into_iter().filter(|signal| days != 60 || *signal == "flow") {
            writeln!(csv, "{at},K1,{signal},1.5").unwrap();
        }
    }
    let file = folder.path().join("past.csv");
    std::fs::write(&file, csv).unwrap();
    let config_at = config.to_str().unwrap();
    done(&["import", "history", file.to_str().unwrap(), "--config", config_at]);
    let data = folder.path().join("data");
    assert_eq!(kept(&data, now).len(), 5);
    assert!(done(&["check", "--config", config_at]).contains("readings of flow are let go after 31 days"));

    let service = Service::start(&config);
    let expected = BTreeMap::from([((100, Signal::Torque), 1), ((10, Signal::Torque), 1), ((10, Signal::Flow), 1)]);
    wait_for("the old readings of flow to go", || (kept(&data, now) == expected).then_some(()));
    // The page tells how full the disk is; ten days with readings of one are enough to say when.
    wait_for("a look at the disk", || service.json("/api/v1/signals")["disk"]["full_in_days"].as_f64());
    service.stop();
    let days = std::fs::read_dir(data.join("readings")).unwrap().count();
    assert_eq!(days, 2, "the day of which nothing is kept leaves no folder behind");
}
