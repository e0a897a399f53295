//! Killed anywhere and started again, the stored readings are the published ones: none lost, none twice.
//! `tests/bench/faults` does the same for hours if need be.

use std::collections::BTreeSet;
use std::io::Write;
use std::time::Duration;

use crate::broker::{Broker, Kind, at_each_broker, wait_for};
use crate::load::{self, Instants, Load, UNITS, stored, times, topic};
use crate::service::Service;

/// Readings per unit and kill: the load lasts a little longer than the kills.
const PER_KILL: i64 = 600;

at_each_broker! { kills_under_load_leave_just_what_was_published }

fn kills_under_load_leave_just_what_was_published(kind: Kind) {
    let kills = times("FAULTS_KILLS", 20);
    let broker = Broker::start(kind);
    let folder = tempfile::tempdir().unwrap();
    let config = load::config(folder.path(), broker.port);
    let per_unit = kills as i64 * PER_KILL;
    let load = Load::new(per_unit);
    let mut service = Service::start(&config);

    let publishers: Vec<_> = (0..UNITS.len())
        .map(|unit| {
            let mut publisher = broker.publisher(&topic(unit));
            std::thread::spawn(move || {
                let mut input = publisher.stdin.take().unwrap();
                for index in 0..per_unit - 1 {
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

    let mut instants = Instants(20_260_331);
    let mut underway = 0;
    for _ in 0..kills {
        std::thread::sleep(instants.next(720));
        service.kill();
        underway += usize::from(publishers.iter().any(|publisher| !publisher.is_finished()));
        service.again();
    }
    publishers.into_iter().for_each(|publisher| publisher.join().unwrap());
    // The last reading of each unit is published after the last kill: when it has come, so has everything before it.
    (0..UNITS.len()).for_each(|unit| broker.publish(&topic(unit), &load.payload(unit, per_unit - 1)));
    assert!(underway * 4 >= kills * 3, "only {underway} of {kills} kills fell into the load: it is too short");

    wait_for("the last readings", || {
        let shown = service.get("/api/v1/signals").1;
        (0..UNITS.len()).all(|unit| shown.contains(&load.at(unit, per_unit - 1))).then_some(())
    });
    std::thread::sleep(Duration::from_secs(2));
    service.stop();
    let published: BTreeSet<_> = (0..UNITS.len()).flat_map(|unit| load.keys(unit, per_unit)).collect();
    let (stored, day_files) = stored(&folder.path().join("data"));
    assert!(day_files > 0, "no hour was closed: the test did not reach the day files");
    println!(
        "{kind:?}: {kills} kills of the collector, {underway} of them under load: {} readings published, {} stored, \
         {day_files} day files",
        published.len(),
        stored.len()
    );
    load::same(&stored, &published);
}
