//! The historian's past: brought in through kills, beside what arrives live, and told before it is taken.

use std::collections::BTreeSet;
use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::process::Stdio;

use crate::broker::{Broker, Kind, wait_for};
use crate::load::{self, Instants, Load, UNITS, stored, times, topic};
use crate::service::{Service, done, groovecast, run};

/// A folder with a configuration.
fn plant(port: u16) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let config = load::config(folder.path(), port);
    (folder, config)
}

/// Readings of all units, 10 s apart, of so many days that are over.
fn write_past(path: &Path, days: i64) -> usize {
    let mut text = "at,unit,signal,value,quality\n".to_owned();
    let mut rows = 0;
    for tick in 0..days * 8640 {
        for (number, unit) in UNITS.iter().enumerate() {
            let at = jiff::Timestamp::from_millisecond(1_750_000_000_000 + tick * 10_000 + number as i64).unwrap();
            writeln!(text, "{at},{unit},torque,{},good", 80.0 + (tick % 977) as f64 / 16.0).unwrap();
            rows += 1;
        }
    }
    std::fs::write(path, text).unwrap();
    rows
}

fn staged(data: &Path) -> usize {
    std::fs::read_dir(data.join("staging")).map_or(0, Iterator::count)
}

/// Killed at instants that nobody chose, in reading and in merging, and started again: what an import at one go leaves.
#[test]
fn an_import_killed_again_and_again_leaves_what_one_at_one_go_leaves() {
    let kills = times("IMPORT_KILLS", 12);
    let (whole, whole_config) = plant(1);
    let (killed, killed_config) = plant(1);
    let past = whole.path().join("past.csv");
    let rows = write_past(&past, 45);
    let begun = std::time::Instant::now();
    let said = done(&["import", "history", past.to_str().unwrap(), "--config", whole_config.to_str().unwrap()]);
    let at_one_go = begun.elapsed();
    assert!(said.contains(&format!("{rows} rows read, 46 days changed")), "{said}");
    let import = || {
        let mut command = groovecast();
        command.args(["import", "history", past.to_str().unwrap(), "--config", killed_config.to_str().unwrap()]);
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
    };
    let mut instants = Instants(19_991_231);
    // Each goes on where the one before was killed, so that a third of the time often leaves little to do.
    let most_ms = u64::try_from(at_one_go.as_millis()).unwrap() / 3;
    let mut underway = 0;
    for _ in 0..kills {
        let mut running = import();
        std::thread::sleep(instants.next(most_ms.max(100)));
        underway += usize::from(running.try_wait().unwrap().is_none());
        running.kill().unwrap();
        running.wait().unwrap();
    }
    assert!(underway * 2 >= kills, "only {underway} of {kills} kills came before the end");
    assert!(import().wait().unwrap().success());
    let (left, _) = stored(&killed.path().join("data"));
    let (right, _) = stored(&whole.path().join("data"));
    println!("{kills} kills, {underway} of them before the end; one import takes {at_one_go:.1?}");
    assert_eq!(left.len(), rows);
    load::same(&left, &right.into_iter().collect::<BTreeSet<_>>());
    assert_eq!(staged(&killed.path().join("data")), 0, "something is left of the imports");
}

#[test]
fn what_a_killed_import_left_goes_with_the_next_one_of_other_files() {
    let (folder, config) = plant(1);
    let (past, other) = (folder.path().join("past.csv"), folder.path().join("other.csv"));
    write_past(&past, 60);
    write_past(&other, 1);
    let mut command = groovecast();
    command.args(["import", "history", past.to_str().unwrap(), "--config", config.to_str().unwrap()]);
    let mut running = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let data = folder.path().join("data");
    wait_for("a staging folder", || (staged(&data) > 0).then_some(()));
    running.kill().unwrap();
    running.wait().unwrap();
    assert_eq!(staged(&data), 1, "it was over before it was killed");
    done(&["import", "history", other.to_str().unwrap(), "--config", config.to_str().unwrap()]);
    assert_eq!(staged(&data), 0);
}

/// The same readings from the broker and from a file, whoever comes first, exist once.
#[test]
fn what_came_live_and_what_the_historian_has_is_one_set() {
    const ALL: i64 = 600;
    let load = Load::new(ALL);
    let mut text = "at,unit,signal,value,quality\n".to_owned();
    for (unit, name) in UNITS.iter().enumerate() {
        for (at_us, torque) in load.keys(unit, ALL) {
            let at = jiff::Timestamp::from_microsecond(at_us).unwrap();
            writeln!(text, "{at},{name},torque,{},good", f64::from_bits(torque)).unwrap();
        }
    }
    let right: BTreeSet<_> = (0..UNITS.len()).flat_map(|unit| load.keys(unit, ALL)).collect();
    for live_first in [true, false] {
        let broker = Broker::start(Kind::Mosquitto);
        let (folder, config) = plant(broker.port);
        let past = folder.path().join("past.csv");
        std::fs::write(&past, &text).unwrap();
        let import = || done(&["import", "history", past.to_str().unwrap(), "--config", config.to_str().unwrap()]);
        if !live_first {
            import();
        }
        let service = Service::start(&config);
        for unit in 0..UNITS.len() {
            for index in (0..ALL).step_by(12) {
                broker.publish(&topic(unit), &load.payload(unit, index));
            }
        }
        let last = load.at(UNITS.len() - 1, ALL - 12);
        wait_for("the live readings", || service.get("/api/v1/signals").1.contains(&last).then_some(()));
        if live_first {
            let said = import();
            assert!(said.contains("K1 torque: 600 readings") && said.contains("550 new, 50 there already"), "{said}");
        }
        service.stop();
        load::same(&stored(&folder.path().join("data")).0, &right);
    }
}

#[test]
fn a_dry_run_tells_what_would_be_taken_and_takes_nothing() {
    let (folder, config) = plant(1);
    let config = config.to_str().unwrap();
    let past = folder.path().join("past.csv");
    let text = "at,unit,signal,value,quality\n2026-04-01 00:00:00,K1,torque,95,good\n2026-04-01 00:00:10,K1,torque,96,interpolated\n\
                2026-04-01 00:00:20,K1,torque,9999,\n2026-04-01 00:00:30,K2,torque,97,filled\n";
    std::fs::write(&past, text).unwrap();
    let import = |more: &[&str]| {
        let arguments = [&["import", "history", past.to_str().unwrap(), "--config", config], more].concat();
        run(&arguments)
    };
    let said = |more: &[&str]| String::from_utf8(import(more).stdout).unwrap();
    let dry = said(&["--dry-run", "--zone", "Asia/Kolkata"]);
    assert!(dry.contains("K1 torque: 3 readings, 2026-03-31T18:30:00Z to 2026-03-31T18:30:20Z, 3 new"), "{dry}");
    assert!(dry.contains("1 interpolated or calculated, 1 cannot be"), "{dry}");
    assert!(dry.contains("K2 torque: 1 readings") && dry.contains("1 filled in"), "{dry}");
    assert!(dry.contains("4 rows read, 1 days would change; nothing was taken"), "{dry}");
    let data = folder.path().join("data");
    assert_eq!((stored(&data).1, staged(&data)), (0, 0));
    assert!(said(&[]).contains("1 days changed"));
    let again = said(&["--dry-run"]);
    assert!(again.contains("0 new, 3 there already") && again.contains("0 days would change"), "{again}");
    std::fs::write(&past, text.replace("97,filled", "97,so so")).unwrap();
    let refused = import(&["--dry-run"]);
    assert_eq!(refused.status.code(), Some(65));
    let told = String::from_utf8(refused.stdout).unwrap();
    assert!(told.contains("K2 torque: 0 readings, 1 refused"), "{told}");
    assert!(String::from_utf8(refused.stderr).unwrap().contains("line 5, column quality"));
}
