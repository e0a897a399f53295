//! Readings that carry their own time, for services that are killed and disturbed meanwhile, and what of them was stored.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

use plant::{Clock, Reading, SystemClock, Value};

/// The units that speak.
pub const UNITS: [&str; 3] = ["K1", "K2", "K3"];
/// The readings are spread over nearly two days that end now, so that hours close while faults go on.
const SPREAD_US: i64 = 168_000_000_000;

/// A config file for a broker at this port.
pub fn config(folder: &Path, port: u16) -> PathBuf {
    let text = format!(
        r#"
[site]
name = "Harrow Mill"
time_zone = "UTC"
data = "data"
[broker]
host = "127.0.0.1"
port = {port}
client_id = "fault-test"
keep_alive_s = 5
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

/// A reading: its time in µs, which no other reading of any unit has, and its torque.
pub type Key = (i64, u64);

/// So many readings per unit.
#[derive(Clone, Copy)]
pub struct Load {
    start_us: i64,
    per_unit: i64,
}

impl Load {
    /// Readings of the last two days.
    pub fn new(per_unit: i64) -> Load {
        Load { start_us: SystemClock.now().as_microsecond() - 2 * 86_400_000_000, per_unit }
    }

    fn reading(&self, unit: usize, index: i64) -> (i64, f64) {
        let at_us = self.start_us + index * (SPREAD_US / self.per_unit) + unit as i64;
        (at_us, 80.0 + (index % 977) as f64 / 16.0)
    }

    /// What is published for one.
    pub fn payload(&self, unit: usize, index: i64) -> String {
        let (at_us, torque) = self.reading(unit, index);
        format!("{{\"v\": {torque}, \"t\": {at_us}}}")
    }

    /// The first `indexes` readings of a unit, as they should be stored.
    pub fn keys(&self, unit: usize, indexes: i64) -> impl Iterator<Item = Key> + '_ {
        (0..indexes).map(move |index| self.reading(unit, index)).map(|(at_us, torque)| (at_us, torque.to_bits()))
    }

    /// The time of one, as pages write it.
    pub fn at(&self, unit: usize, index: i64) -> String {
        jiff::Timestamp::from_microsecond(self.reading(unit, index).0).unwrap().to_string()
    }
}

/// The topic of a unit.
pub fn topic(unit: usize) -> String {
    format!("harrow/{}/shaft/torque", UNITS[unit])
}

/// The reading in a payload, if it is one of a load.
pub fn key_of(payload: &str) -> Option<Key> {
    let json: serde_json::Value = serde_json::from_str(payload).ok()?;
    Some((json.get("t")?.as_i64()?, json.get("v")?.as_f64()?.to_bits()))
}

/// Instants drawn by a small generator: the same for every run, and nobody chose them.
pub struct Instants(pub u64);

impl Instants {
    /// A time between 20 ms and `most_ms`.
    pub fn next(&mut self, most_ms: u64) -> Duration {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        Duration::from_millis(20 + (self.0 >> 33) % (most_ms - 20))
    }
}

/// How often something is done: as the environment says, or a few times, as in every test run.
pub fn times(variable: &str, usual: usize) -> usize {
    std::env::var(variable)
        .map_or(usual, |text| text.parse().unwrap_or_else(|_| panic!("{variable}={text} is no number")))
}

/// Every reading in journal and day files, one that is still in both counted once; and how many day files there are.
pub fn stored(data: &Path) -> (Vec<Key>, usize) {
    stored_at(data, &ledger::Place::Sqlite(data.join("groovecast.db")))
}

/// The same with the journal at another place.
pub fn stored_at(data: &Path, place: &ledger::Place) -> (Vec<Key>, usize) {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let ledger = ledger::Ledger::open(place).await.unwrap();
        let journal = ledger.journal_from(jiff::Timestamp::MIN).await.unwrap();
        let files = ledger.day_files().await.unwrap();
        let store = history::Store::new(data);
        let mut all: Vec<Reading> = files.iter().flat_map(|file| store.read(file).unwrap().readings()).collect();
        let moved: BTreeSet<_> = all.iter().map(key).collect();
        all.extend(journal.into_iter().filter(|reading| !moved.contains(&key(reading))));
        (all.iter().map(key).collect(), files.len())
    })
}

fn key(reading: &Reading) -> Key {
    let Value::Number(torque) = reading.value else { panic!("{reading:?} is no number") };
    (reading.at.as_microsecond(), torque.to_bits())
}

/// Fails unless what is stored is what should be, each once.
pub fn same(stored: &[Key], published: &BTreeSet<Key>) {
    let distinct: BTreeSet<_> = stored.iter().copied().collect();
    let lost: Vec<_> = published.difference(&distinct).take(5).collect();
    let invented: Vec<_> = distinct.difference(published).take(5).collect();
    assert!(lost.is_empty() && invented.is_empty(), "lost {lost:?}, invented {invented:?}");
    assert_eq!(stored.len(), published.len(), "some readings exist twice");
}
