//! Several collectors with one subscription and one record: each message goes to one of them, and whichever is killed, the stored
//! readings are the published ones.

use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use ledger::Place;

use crate::broker::{Broker, Kind, wait_for, wait_within};
use crate::load::{self, Instants, Load, UNITS, stored_at, times, topic};
use crate::postgres;
use crate::service::{Collector, Service, run};

/// Readings per unit and kill: the load lasts a little longer than the kills.
const PER_KILL: i64 = 600;

/// A config of collectors that share, and where their record lies.
fn sharing(folder: &Path, port: u16) -> (PathBuf, Place) {
    let config = load::config(folder, port);
    let address = postgres::new_database();
    let text = std::fs::read_to_string(&config).unwrap();
    let text = text.replace("keep_alive_s", "share = \"mill\"\nkeep_alive_s");
    std::fs::write(&config, format!("{text}[data]\ndatabase = \"{address}\"\n")).unwrap();
    (config, Place::Postgres(address))
}

#[test]
fn each_message_goes_to_one_of_those_who_share() {
    let broker = Broker::start(Kind::Mosquitto);
    let folder = tempfile::tempdir().unwrap();
    let (config, place) = sharing(folder.path(), broker.port);
    let service = Service::start(&config);
    let collectors = ["a", "b"].map(|name| Collector::start(&config, name));
    for name in ["a", "b"] {
        let topic = format!("groovecast/collectors/{name}");
        wait_for("the collector", || broker.retained(&topic).contains("\"online\"").then_some(()));
    }
    let load = Load::new(300);
    for unit in 0..UNITS.len() {
        (0..100).for_each(|index| broker.publish(&topic(unit), &load.payload(unit, index)));
    }
    let data = folder.path().join("data");
    let all: BTreeSet<_> = (0..UNITS.len()).flat_map(|unit| load.keys(unit, 100)).collect();
    wait_for("all readings", || (stored_at(&data, &place).0.len() == all.len()).then_some(()));
    // The pages show what all three received: each message once.
    wait_for("the sum of what was received", || {
        let shown = service.json("/api/v1/signals");
        let collectors = shown["collectors"].as_array().unwrap();
        let names: Vec<_> = collectors.iter().map(|collector| collector["name"].as_str().unwrap()).collect();
        let working = collectors.iter().all(|collector| collector["working"] == true);
        let counts: u64 = shown["signals"].as_array().unwrap().iter().map(|s| s["count"].as_u64().unwrap()).sum();
        let messages = shown["totals"]["messages"].as_u64().unwrap();
        assert!(messages <= 300, "{messages} messages of 300: more than one collector took some of them");
        (names == ["a", "b"] && working && counts == 300 && messages == 300).then_some(())
    });
    collectors.into_iter().for_each(Collector::stop);
    assert!(broker.retained("groovecast/collectors/a").contains("\"offline\""));
    wait_for("two collectors that have stopped", || {
        let page = service.get("/signals").1;
        (page.matches("it was told to stop").count() == 2).then_some(())
    });
    service.stop();
    load::same(&stored_at(&data, &place).0, &all);
}

#[test]
fn a_collector_takes_a_changed_configuration_and_goes_on_with_its_own_under_a_wrong_one() {
    let broker = Broker::start(Kind::Mosquitto);
    let folder = tempfile::tempdir().unwrap();
    let (config, place) = sharing(folder.path(), broker.port);
    let text = std::fs::read_to_string(&config).unwrap();
    // With every mapping elsewhere nothing of what is published is taken.
    let elsewhere = text.replace("topic = \"", "topic = \"elsewhere/");
    assert_ne!(text, elsewhere);
    std::fs::write(&config, &elsewhere).unwrap();
    let collector = Collector::start(&config, "a");
    wait_for("the collector", || broker.retained("groovecast/collectors/a").contains("\"online\"").then_some(()));
    let data = folder.path().join("data");
    let load = Load::new(300);
    let stored = || stored_at(&data, &place).0.len();

    std::fs::write(&config, &text).unwrap();
    collector.reload();
    // It is told when the new subscription holds by what comes: whatever is published before is nobody's.
    let mut index = 0;
    wait_for("a reading by the new configuration", || {
        broker.publish(&topic(0), &load.payload(0, index));
        index += 1;
        (stored() > 0).then_some(())
    });

    std::fs::write(&config, text.replace("share = ", "shared = ")).unwrap();
    collector.reload();
    std::thread::sleep(Duration::from_millis(500));
    let before = stored();
    broker.publish(&topic(1), &load.payload(1, 0));
    wait_for("a reading under a wrong configuration", || (stored() > before).then_some(()));
    collector.stop();
}

#[test]
fn whichever_collector_is_killed_the_readings_are_the_same() {
    let kills = times("FAULTS_KILLS", 20);
    let broker = Broker::start(Kind::Mosquitto);
    let folder = tempfile::tempdir().unwrap();
    let (config, place) = sharing(folder.path(), broker.port);
    let per_unit = kills as i64 * PER_KILL;
    let load = Load::new(per_unit);
    let mut service = Service::start(&config);
    let mut collectors = ["a", "b"].map(|name| Collector::start(&config, name));

    let publishers: Vec<_> = (0..UNITS.len())
        .map(|unit| {
            let mut publisher = broker.publisher(&topic(unit));
            std::thread::spawn(move || {
                let mut input = publisher.stdin.take().unwrap();
                for index in 0..per_unit {
                    writeln!(input, "{}", load.payload(unit, index)).unwrap();
                    if index % 100 == 0 {
                        std::thread::sleep(Duration::from_millis(100));
                    }
                }
                drop(input);
                assert!(publisher.wait().unwrap().success(), "the broker did not take everything");
            })
        })
        .collect();

    let mut instants = Instants(20_261_125);
    let mut underway = 0;
    for kill in 0..kills {
        std::thread::sleep(instants.next(720));
        match kill % 3 {
            0 => {
                service.kill();
                service.again();
            }
            one => collectors[one - 1].kill_and_again(),
        }
        underway += usize::from(publishers.iter().any(|publisher| !publisher.is_finished()));
    }
    publishers.into_iter().for_each(|publisher| publisher.join().unwrap());
    assert!(underway * 4 >= kills * 3, "only {underway} of {kills} kills fell into the load: it is too short");

    let data = folder.path().join("data");
    let published: BTreeSet<_> = (0..UNITS.len()).flat_map(|unit| load.keys(unit, per_unit)).collect();
    // A session that was broken off holds what was sent to it until its collector is back.
    let came = || BTreeSet::from_iter(stored_at(&data, &place).0).len() == published.len();
    wait_within(Duration::from_secs(120), "every reading", || {
        std::thread::sleep(Duration::from_secs(1));
        came().then_some(())
    });
    collectors.into_iter().for_each(Collector::stop);
    service.stop();
    let (stored, day_files) = stored_at(&data, &place);
    assert!(day_files > 0, "no hour was closed: the test did not reach the day files");
    println!(
        "three collectors, {kills} kills, {underway} of them under load: {} readings published, {} stored, {day_files} day files",
        published.len(),
        stored.len()
    );
    load::same(&stored, &published);
}

#[test]
fn a_collector_without_share_or_postgresql_says_what_it_needs() {
    let folder = tempfile::tempdir().unwrap();
    let config = load::config(folder.path(), 1883);
    let refused = |name: &str| {
        let output = run(&["collect", "--config", config.to_str().unwrap(), "--name", name]);
        assert_eq!(output.status.code(), Some(2));
        String::from_utf8(output.stderr).unwrap()
    };
    assert!(refused("b/c").contains("\"b/c\" is no name"));
    assert!(refused("b").contains("share = "));
    let text = std::fs::read_to_string(&config).unwrap();
    std::fs::write(&config, text.replace("keep_alive_s", "share = \"mill\"\nkeep_alive_s")).unwrap();
    assert!(refused("b").contains("postgresql://"));
}
