//! Upgrade and downgrade with data: what an earlier release left is opened and read the same, and a record that a newer version
//! has brought up to date is refused by name and left as it is.
//!
//! `released_5` is a data folder as the program left it when 0005 was its newest migration: its database as the dump of
//! SQLite's own shell, its day files, and what the program itself then said of them (intervals.csv). `made.md` beside it tells how.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::service::{done, run};
use crate::tools::beside_tests;

/// Lets a script of Python's speak to a database.
fn database(path: &Path, script: &str) {
    let head = "import sqlite3, sys\ndb = sqlite3.connect(sys.argv[1])\n";
    let ran = Command::new("python3").args(["-c", &format!("{head}{script}\ndb.commit()")]).arg(path).output().unwrap();
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
}

/// The released plant in a folder of its own; its configuration.
fn released(folder: &Path) -> PathBuf {
    let from = beside_tests("released_5");
    let copied = Command::new("cp").arg("-r").arg(from.join("data")).arg(from.join("plant.toml")).arg(folder).status();
    assert!(copied.unwrap().success());
    let dump = from.join("record.sql");
    let path = folder.join("data/groovecast.db");
    database(
        &path,
        &format!(
            "db.executescript(open({:?}).read())\ndb.execute('PRAGMA journal_mode = WAL')",
            dump.display().to_string()
        ),
    );
    folder.join("plant.toml")
}

/// Every file below a folder, with its bytes.
fn bytes(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        match path.is_dir() {
            true => found.extend(bytes(&path)),
            false => drop(found.insert(path.clone(), std::fs::read(&path).unwrap())),
        }
    }
    found
}

#[test]
fn what_an_earlier_release_left_reads_as_it_did() {
    let folder = tempfile::tempdir().unwrap();
    let config = released(folder.path());
    let config = config.to_str().unwrap();
    let out = folder.path().join("intervals.csv");
    done(&["intervals", "--config", config, "--out", out.to_str().unwrap()]);
    let then = std::fs::read_to_string(beside_tests("released_5/intervals.csv")).unwrap();
    assert_eq!(std::fs::read_to_string(&out).unwrap(), then, "the intervals are others than they were");
    let models = done(&["models", "list", "--config", config]);
    assert!(models.contains("approved by R. Analyst: for show"), "{models}");
    let scores = done(&[
        "scores",
        "export",
        "--config",
        config,
        "--format",
        "csv",
        "--out",
        folder.path().join("s").to_str().unwrap(),
    ]);
    assert!(scores.contains("published scores"), "{scores}");
    done(&["score", "--config", config]);
    // What is imported a second time was there: nothing was lost on the way.
    let history = beside_tests("released_5/history.csv");
    let again = done(&["import", "history", history.to_str().unwrap(), "--config", config]);
    assert!(again.contains("nothing new in them"), "{again}");
}

#[test]
fn a_downgrade_is_refused_by_name_and_leaves_the_data_alone() {
    let folder = tempfile::tempdir().unwrap();
    let config = released(folder.path());
    let (data, config) = (folder.path().join("data"), config.to_str().unwrap());
    let backup = folder.path().join("backup");
    done(&["backup", "--config", config, "--out", backup.to_str().unwrap()]);
    let later = "db.execute(\"INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time) \
                 VALUES (9999, 'later', 1, x'00', 1)\")";
    database(&data.join("groovecast.db"), later);
    let before = bytes(&data);
    let out = folder.path().join("another-backup");
    let backup_again = ["backup", "--out", out.to_str().unwrap()];
    for command in
        [&["run", "--listen", "127.0.0.1:0"][..], &["score"], &["import", "findings", "/dev/null"], &backup_again]
    {
        let refused = run(&[command, &["--config", config]].concat());
        let said = String::from_utf8_lossy(&refused.stderr).into_owned();
        // One that the unit of systemd does not start again after.
        assert_eq!(refused.status.code(), Some(65), "{command:?}: {said}");
        for part in ["groovecast.db is of schema 9999", "a newer groovecast", "Nothing in it was changed", "backup"] {
            assert!(said.contains(part), "{command:?} does not say {part:?}: {said}");
        }
    }
    let after = bytes(&data);
    // Locks, and what SQLite lays beside a database while it is open; a journal with something in it would be a change.
    let aside = |path: &Path, bytes: &[u8]| {
        let name = path.display().to_string();
        name.ends_with(".lock") || name.ends_with("-shm") || name.ends_with("-wal") && bytes.is_empty()
    };
    let changed = after.iter().filter(|(path, now)| before.get(*path) != Some(now) && !aside(path, now));
    let changed: Vec<&PathBuf> = changed.map(|(path, _)| path).collect();
    assert!(changed.is_empty(), "changed: {changed:?}");
    assert!(before.keys().all(|path| after.contains_key(path)), "something is gone");

    // The way back: the backup of before, by the version that made it, into an empty place.
    let there = folder.path().join("again.toml");
    std::fs::write(&there, std::fs::read_to_string(config).unwrap().replace("data = \"data\"", "data = \"again\""))
        .unwrap();
    done(&["restore", "--config", there.to_str().unwrap(), "--from", backup.to_str().unwrap()]);
    done(&["score", "--config", there.to_str().unwrap()]);
}
