//! What time does to a service: its machine's clock is set back, and hours pass without a broker. Debian's libfaketime stands
//! between the process and its clock.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use crate::broker::{Broker, Kind, wait_for};
use crate::load::{self, Load, stored, topic};
use crate::sender::Sender;
use crate::service::Service;
use crate::tools::need;

/// So many times as fast hours pass while a broker is away.
const FAST: u64 = 900;

/// The clock of one service.
pub struct Clock {
    folder: tempfile::TempDir,
    /// Whether timers go by it too; else they go by the machine's, as when an administrator sets a clock.
    timers: bool,
}

impl Clock {
    /// A clock that goes as the machine's until it is set.
    fn new(timers: bool) -> Clock {
        let clock = Clock { folder: tempfile::tempdir().unwrap(), timers };
        clock.set("+0");
        clock
    }

    /// Sets it as the library's language says: `-2h` behind the machine's, `+0 x900` so many times as fast since the process began.
    fn set(&self, to: &str) {
        let (new, file) = (self.folder.path().join("new"), self.file());
        std::fs::write(&new, to).unwrap();
        std::fs::rename(new, file).unwrap();
    }

    fn file(&self) -> PathBuf {
        self.folder.path().join("clock")
    }

    /// What a process on this clock is started with.
    pub fn environment(&self) -> Vec<(&'static str, PathBuf)> {
        let folders = std::fs::read_dir("/usr/lib").unwrap().flatten().map(|entry| entry.path().join("faketime"));
        let library = folders.map(|folder| folder.join("libfaketimeMT.so.1")).find(|library| library.exists());
        let library = library.unwrap_or_else(|| PathBuf::from("/usr/lib/faketime/libfaketimeMT.so.1"));
        need(&library);
        let mut environment = vec![
            ("LD_PRELOAD", library),
            ("FAKETIME_TIMESTAMP_FILE", self.file()),
            ("FAKETIME_NO_CACHE", "1".into()),
            ("NO_FAKE_STAT", "1".into()),
        ];
        if !self.timers {
            environment.push(("FAKETIME_DONT_FAKE_MONOTONIC", "1".into()));
        }
        environment
    }
}

/// Readings of now, of a unit, `from` to `to` seconds from now.
fn readings_of_now(from: i64, to: i64) -> Vec<(i64, String)> {
    use plant::Clock as _;
    let now_us = plant::SystemClock.now().as_microsecond();
    (from..to).map(|s| now_us + s * 1_000_000).map(|us| (us, format!(r#"{{"v":{},"t":{us}}}"#, 80.5))).collect()
}

#[test]
fn a_clock_that_is_set_back_loses_no_reading_and_stops_nothing() {
    let broker = Broker::start(Kind::Mosquitto);
    let folder = tempfile::tempdir().unwrap();
    let clock = Clock::new(false);
    let service = Service::start_with_clock(&load::config(folder.path(), broker.port), &clock);
    let mut published = BTreeSet::new();
    let mut sender = Sender::new(broker.port);
    let mut publish = |readings: Vec<(i64, String)>| {
        let last = readings.last().unwrap().0;
        sender.publish(&topic(0), &readings.iter().map(|(_, payload)| payload.clone()).collect::<Vec<_>>());
        published.extend(readings.iter().map(|(us, _)| (*us, 80.5_f64.to_bits())));
        let last = jiff::Timestamp::from_microsecond(last).unwrap().to_string();
        wait_for("the last reading", || service.get("/api/v1/signals").1.contains(&last).then_some(()));
    };
    let evaluated = || service.json("/api/v1/risks")["at"].as_str().unwrap().parse::<jiff::Timestamp>().unwrap();
    publish(readings_of_now(-60, 0));
    let before = wait_for("an evaluation", || Some(evaluated()));

    clock.set("-2h");
    publish(readings_of_now(-30, 0));
    let after = wait_for("an evaluation by the clock of now", || Some(evaluated()).filter(|at| *at < before));
    wait_for("another one", || (evaluated() > after).then_some(()));
    let said = service.get("/api/v1/signals").1;
    assert!(said.contains("clock_set_back") && !said.contains("future_time"), "{said}");
    let (ready, body) = service.get("/health/ready");
    assert_eq!(ready, 200, "{body}");
    assert_eq!(service.get("/").0, 200);

    clock.set("+0");
    publish(readings_of_now(-10, 0));
    wait_for("an evaluation by the right clock", || (evaluated() > before).then_some(()));
    service.stop();
    load::same(&stored(&folder.path().join("data")).0, &published);
}

#[test]
fn a_broker_that_was_away_for_hours_is_found_again() {
    let mut broker = Broker::that_saves_each_change();
    let folder = tempfile::tempdir().unwrap();
    let (clock, began, port) = (Clock::new(true), Instant::now(), broker.port);
    let service = Service::start_with_clock(&load::config(folder.path(), broker.port), &clock);
    let load = Load::new(3000);
    let publish = |indexes: std::ops::Range<i64>| {
        let payloads: Vec<_> = indexes.clone().map(|index| load.payload(0, index)).collect();
        Sender::new(port).publish(&topic(0), &payloads);
        let last = load.at(0, indexes.end - 1);
        wait_for("the last reading", || service.get("/api/v1/signals").1.contains(&last).then_some(()));
    };
    publish(0..1000);

    broker.kill();
    clock.set(&format!("+0 x{FAST}"));
    let away = || service.get("/health/ready").1;
    wait_for("an unready service", || away().contains("broker_away").then_some(()));
    std::thread::sleep(Duration::from_secs(20));
    assert_eq!(service.get("/health/live").0, 200, "it has nothing to be started again for");
    // Nothing goes back: an hour later than it is by then, and at the machine's pace again.
    let hours = FAST * began.elapsed().as_secs() / 3600;
    assert!(hours >= 5, "{hours} h");
    clock.set(&format!("+{}h x1", hours + 1));
    broker.again();
    publish(1000..3000);
    service.stop();
    load::same(&stored(&folder.path().join("data")).0, &load.keys(0, 3000).collect());
}
