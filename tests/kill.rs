//! Killed anywhere and started again, the stored readings are the published ones: none lost, none twice.

use std::collections::BTreeSet;
use std::io::Write;
use std::path::Path;
use std::time::Duration;

use plant::{Clock, Reading, SystemClock, Value};

use crate::broker::{Broker, Kind, at_each_broker, wait_for};
use crate::service::Service;

const KILLS: u64 = 20;
const UNITS: [&str; 3] = ["K1", "K2", "K3"];
const PER_UNIT: i64 = 12_000;

fn config(folder: &Path, port: u16) -> std::path::PathBuf {
    let text = format!(
        r#"
[site]
name = "Harrow Mill"
time_zone = "UTC"
data = "data"
[broker]
host = "127.0.0.1"
port = {port}
client_id = "kill-test"
[[topics]]
topic = "harrow/{{unit}}/shaft/torque"
signal = "torque"
measure = "N·m"
payload = "json"
value = "/v"
time = "/t"
time_format = "us"
[service]
evaluate_every_s = 1
close_after_min = 1
[units.K1]
[units.K2]
[units.K3]
"#
    );
    let path = folder.join("plant.toml");
    std::fs::write(&path, text).unwrap();
    path
}

/// Readings that carry their own time, spread over the last two days, so that hours close while the kills go on.
fn message(start_us: i64, index: i64) -> (i64, f64, String) {
    let at_us = start_us + index * 14_000_000;
    let torque = 80.0 + (index % 977) as f64 / 16.0;
    (at_us, torque, format!("{{\"v\": {torque}, \"t\": {at_us}}}"))
}

/// Kills at instants drawn by a small generator: the same for every run, and nobody chose them.
struct Instants(u64);

impl Instants {
    fn next(&mut self) -> Duration {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        Duration::from_millis(20 + (self.0 >> 33) % 700)
    }
}

at_each_broker! { twenty_kills_under_load_leave_just_what_was_published }

fn twenty_kills_under_load_leave_just_what_was_published(kind: Kind) {
    let broker = Broker::start(kind);
    let folder = tempfile::tempdir().unwrap();
    let config = config(folder.path(), broker.port);
    let start_us = SystemClock.now().as_microsecond() - 2 * 86_400_000_000;
    let mut service = Service::start(&config);

    let load: Vec<_> = UNITS
        .iter()
        .map(|unit| {
            let mut publisher = broker.publisher(&format!("harrow/{unit}/shaft/torque"));
            std::thread::spawn(move || {
                let mut input = publisher.stdin.take().unwrap();
                for index in 0..PER_UNIT - 1 {
                    writeln!(input, "{}", message(start_us, index).2).unwrap();
                    if index % 100 == 0 {
                        std::thread::sleep(Duration::from_millis(100));
                    }
                }
                drop(input);
                assert!(publisher.wait().unwrap().success(), "the broker did not take everything");
            })
        })
        .collect();

    let mut instants = Instants(20_260_331);
    let mut underway = 0;
    for _ in 0..KILLS {
        std::thread::sleep(instants.next());
        service.kill();
        underway += usize::from(load.iter().any(|publisher| !publisher.is_finished()));
        service.again();
    }
    load.into_iter().for_each(|publisher| publisher.join().unwrap());
    // The last reading of each unit is published after the last kill: when it has come, so has everything before it.
    let (_, _, last) = message(start_us, PER_UNIT - 1);
    UNITS.iter().for_each(|unit| broker.publish(&format!("harrow/{unit}/shaft/torque"), &last));
    assert!(underway >= 15, "only {underway} of {KILLS} kills fell into the load: it is too short");

    let published: BTreeSet<(String, i64, u64)> = UNITS
        .iter()
        .flat_map(|unit| (0..PER_UNIT).map(move |index| (unit, message(start_us, index))))
        .map(|(unit, (at_us, torque, _))| (unit.to_string(), at_us, torque.to_bits()))
        .collect();
    wait_for("the last reading", || {
        let last = message(start_us, PER_UNIT - 1).0;
        let text = jiff::Timestamp::from_microsecond(last).unwrap().to_string();
        (service.get("/api/v1/signals").1.matches(&text).count() >= UNITS.len()).then_some(())
    });
    std::thread::sleep(Duration::from_secs(2));
    service.stop();
    let stored = stored(&folder.path().join("data"));
    let distinct: BTreeSet<_> = stored.iter().cloned().collect();
    let lost: Vec<_> = published.difference(&distinct).take(5).collect();
    let invented: Vec<_> = distinct.difference(&published).take(5).collect();
    assert!(lost.is_empty() && invented.is_empty(), "lost {lost:?}, invented {invented:?}");
    assert_eq!(stored.len(), published.len(), "some readings exist twice");
}

/// Every reading in journal and day files, one that is still in both counted once.
fn stored(data: &Path) -> Vec<(String, i64, u64)> {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let ledger = ledger::Ledger::open(&ledger::Place::Sqlite(data.join("groovecast.db"))).await.unwrap();
        let journal = ledger.journal_from(jiff::Timestamp::MIN).await.unwrap();
        let files = ledger.day_files().await.unwrap();
        assert!(!files.is_empty(), "no hour was closed: the test did not reach the day files");
        let store = history::Store::new(data);
        let mut all: Vec<Reading> = files.iter().flat_map(|file| store.read(file).unwrap().readings()).collect();
        let moved: BTreeSet<_> = all.iter().map(key).collect();
        all.extend(journal.into_iter().filter(|reading| !moved.contains(&key(reading))));
        all.iter().map(key).collect()
    })
}

fn key(reading: &Reading) -> (String, i64, u64) {
    let Value::Number(torque) = reading.value else { panic!("{reading:?} is no number") };
    (reading.unit.to_string(), reading.at.as_microsecond(), torque.to_bits())
}
