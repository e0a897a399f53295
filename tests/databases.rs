//! The same plant however its record comes in and wherever it is kept: files of text or a workbook, SQLite or PostgreSQL.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use plant::{Clock, SystemClock};

use crate::broker::{Broker, Kind, wait_for};
use crate::plant_files::PlantFiles;
use crate::postgres::{self, LOCKED};
use crate::service::{Service, done, groovecast, run};
use crate::tools::{beside_tests, need, passes};

/// The zone of the workbook's times: one without summer time, in which no hour comes twice.
const ZONE: &str = "Asia/Kolkata";

/// The table of intervals, which depends on everything that was imported.
fn intervals(files: &PlantFiles, config: &str) -> String {
    let out = files.path("intervals.csv");
    done(&["intervals", "--config", config, "--out", &out]);
    std::fs::read_to_string(out).unwrap()
}

/// A copy of the configuration with more in `[data]` and a data folder of its own.
fn with_data(files: &PlantFiles, name: &str, lines: &str) -> String {
    let text = std::fs::read_to_string(&files.config).unwrap();
    let text = text
        .replace("data = \"data\"", &format!("data = \"{name}\""))
        .replace("[data]\n", &format!("[data]\n{lines}\n"));
    let path = files.path(&format!("{name}.toml"));
    std::fs::write(&path, text).unwrap();
    path
}

fn import(files: &PlantFiles, config: &str) {
    done(&["import", "history", &files.path("history.csv"), "--config", config]);
    let register = ["work.csv", "tubes.csv", "fittings.csv"].map(|name| files.path(name));
    done(&["import", "register", &register[0], &register[1], &register[2], "--config", config]);
    done(&["import", "findings", &files.path("findings.csv"), "--config", config]);
}

#[test]
fn a_workbook_that_another_library_wrote_says_the_same_as_its_files() {
    let python = beside_tests("outside/.venv/bin/python");
    need(&python);
    let files = PlantFiles::new(1883, SystemClock.now());
    import(&files, files.config.to_str().unwrap());
    let book = files.path("plant.xlsx");
    let mut write = Command::new(python);
    write.arg(beside_tests("outside/workbook.py")).args([ZONE, &book]);
    write.args(["tubes.csv", "fittings.csv", "work.csv", "findings.csv"].map(|name| files.path(name)));
    passes(write, Duration::from_secs(120));

    let config = with_data(&files, "again", "");
    let text = std::fs::read_to_string(&config).unwrap();
    std::fs::write(&config, text.replace("Europe/Amsterdam", ZONE)).unwrap();
    done(&["import", "history", &files.path("history.csv"), "--config", &config]);
    done(&["import", "register", &book, "--config", &config]);
    let said = done(&["import", "findings", &book, "--config", &config]);
    assert!(said.contains("75 added"), "three units were looked into every eighth of 200 days: {said}");
    assert!(
        intervals(&files, &config) == intervals(&files, files.config.to_str().unwrap()),
        "the intervals are others"
    );
}

#[test]
fn the_record_in_postgresql_tells_the_same_and_its_password_is_told_nowhere() {
    let password = "shelf/9:winter@mill";
    let trusted = postgres::new_database();
    for statement in [
        format!(
            "DO $$ BEGIN CREATE ROLE {LOCKED} LOGIN PASSWORD '{password}'; EXCEPTION WHEN duplicate_object THEN NULL; END $$"
        ),
        format!("GRANT ALL ON SCHEMA public TO {LOCKED}"),
    ] {
        let done = Command::new("psql").args(["-X", "-q", &trusted, "-c", &statement]).output().unwrap();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    }
    let address = trusted.replace("//postgres@", &format!("//{LOCKED}@"));
    let broker = Broker::start(Kind::Mosquitto);
    let files = PlantFiles::new(broker.port, SystemClock.now());
    let here = files.config.to_str().unwrap();
    import(&files, here);

    std::fs::write(files.path("database.password"), format!("{password}\n")).unwrap();
    let lines = format!("database = \"{address}\"\ndatabase_password_file = \"database.password\"");
    let there = with_data(&files, "there", &lines);
    import(&files, &there);
    assert!(!files.folder.path().join("there/groovecast.db").exists(), "the record is in a file after all");
    let expected = intervals(&files, here);
    assert!(intervals(&files, &there) == expected, "the intervals on PostgreSQL are others");

    // The password may come from the environment, and a wrong one is told without the right one.
    let bare =
        with_data(&files, "bare", &format!("database = \"{address}\"\ndatabase_password_env = \"RECORD_PASSWORD\""));
    let models = |password: &str| {
        let mut command = groovecast();
        command.args(["models", "list", "--config", &bare]).env("RECORD_PASSWORD", password);
        command.output().unwrap()
    };
    let right = models(password);
    assert!(right.status.success(), "{}", String::from_utf8_lossy(&right.stderr));
    let wrong = models("another");
    let said = String::from_utf8_lossy(&wrong.stderr).into_owned() + &String::from_utf8_lossy(&wrong.stdout);
    assert!(!wrong.status.success() && said.contains("password") && !said.contains("another"), "{said}");
    let written = with_data(&files, "written", &format!("database = \"{}\"", address.replace(LOCKED, "locked:winter")));
    let refused = run(&["check", "--config", &written]);
    let said = String::from_utf8_lossy(&refused.stderr).into_owned() + &String::from_utf8_lossy(&refused.stdout);
    assert!(!refused.status.success() && said.contains("data.database") && !said.contains("winter"), "{said}");

    // A backup of a running service on PostgreSQL goes into a file of SQLite's.
    let service = Service::start(there.as_ref());
    let tubes = wait_for("scores", || {
        let (status, body) = service.get("/api/v1/risks");
        (status == 200 && body.matches("\"tube\"").count() == 3).then_some(3)
    });
    assert_eq!(tubes, 3);
    let folder = files.path("backup");
    done(&["backup", "--config", &there, "--out", &folder]);
    service.stop();
    let back = with_data(&files, "back", "");
    let said = done(&["restore", "--config", &back, "--from", &folder]);
    assert!(said.contains("all compared"), "{said}");
    assert!(intervals(&files, &back) == expected, "the intervals of the restored plant are others");
}

/// Holds the database of a service, from another program.
pub struct Holder(Child);

impl Holder {
    /// Executes both, the first to begin with, and holds what they take.
    pub fn begin(data: &Path, begin: &str, then: &str) -> Holder {
        let script = "import sqlite3, sys\ndb = sqlite3.connect(sys.argv[1], isolation_level=None)\ndb.execute(sys.argv[2])\n\
                      db.execute(sys.argv[3]).fetchall()\nprint('held', flush=True)\nsys.stdin.read()";
        let mut child = Command::new("python3")
            .args(["-c", script, data.join("groovecast.db").to_str().unwrap(), begin, then])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3 is not installed: ./tests/setup installs it");
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        assert_eq!(line, "held\n");
        Holder(child)
    }
}

impl Drop for Holder {
    fn drop(&mut self) {
        // Its end closes the database and with it the transaction.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
