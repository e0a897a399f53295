//! A backup of a running service, and the same plant again in an empty place.

use std::path::Path;

use plant::{Clock, SystemClock};

use crate::broker::{Broker, Kind};
use crate::plant_files::PlantFiles;
use crate::service::{Service, done, run};

/// The configuration with another data folder.
fn elsewhere(files: &PlantFiles, data: &str) -> String {
    let text = std::fs::read_to_string(&files.config).unwrap();
    let path = files.path(&format!("{data}.toml"));
    std::fs::write(&path, text.replace("data = \"data\"", &format!("data = \"{data}\""))).unwrap();
    path
}

fn plant(broker_port: u16) -> PlantFiles {
    let files = PlantFiles::new(broker_port, SystemClock.now());
    let config = files.config.to_str().unwrap();
    done(&["import", "history", &files.path("history.csv"), "--config", config]);
    let register = [files.path("work.csv"), files.path("tubes.csv"), files.path("fittings.csv")];
    done(&["import", "register", &register[0], &register[1], &register[2], "--config", config]);
    done(&["import", "findings", &files.path("findings.csv"), "--config", config]);
    files
}

fn intervals(files: &PlantFiles, config: &str, name: &str) -> String {
    let out = files.path(name);
    done(&["intervals", "--config", config, "--out", &out]);
    std::fs::read_to_string(out).unwrap()
}

#[test]
fn a_backup_of_a_running_service_restores_to_the_same_plant() {
    let broker = Broker::start(Kind::Mosquitto);
    let files = plant(broker.port);
    let config = files.config.to_str().unwrap();
    let photo = files.folder.path().join("data/photos/ab12.png");
    std::fs::create_dir_all(photo.parent().unwrap()).unwrap();
    std::fs::write(&photo, b"\x89PNG invented").unwrap();
    let folder = files.path("backup");
    let service = Service::start(&files.config);
    let said = done(&["backup", "--config", config, "--out", &folder]);
    assert!(said.contains("1 photos"), "{said}");
    service.stop();

    let there = elsewhere(&files, "again");
    let said = done(&["restore", "--config", &there, "--from", &folder]);
    assert!(said.contains("all compared"), "{said}");
    assert_eq!(std::fs::read(files.folder.path().join("again/photos/ab12.png")).unwrap(), b"\x89PNG invented");
    assert!(
        intervals(&files, &there, "there.csv") == intervals(&files, config, "here.csv"),
        "the intervals of the restored plant are others"
    );

    let twice = run(&["restore", "--config", &there, "--from", &folder]);
    assert_eq!(twice.status.code(), Some(2), "a place that is not empty was written over");
    let twice = run(&["backup", "--config", config, "--out", &folder]);
    assert_eq!(twice.status.code(), Some(2), "a backup was written over");
}

#[test]
fn a_damaged_backup_is_refused_and_leaves_nothing_behind() {
    let files = plant(1883);
    let folder = files.path("backup");
    done(&["backup", "--config", files.config.to_str().unwrap(), "--out", &folder]);
    let list: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(Path::new(&folder).join("backup.json")).unwrap()).unwrap();
    let (day, _) = list["files"].as_object().unwrap().iter().next().expect("no day file was copied");
    let day = Path::new(&folder).join("files").join(day);
    let good = std::fs::read(&day).unwrap();
    let mut bad = good.clone();
    bad[good.len() / 2] ^= 1;
    std::fs::write(&day, &bad).unwrap();
    let there = elsewhere(&files, "again");
    let refused = run(&["restore", "--config", &there, "--from", &folder]);
    assert_eq!(refused.status.code(), Some(65));
    let errors = String::from_utf8(refused.stderr).unwrap();
    assert!(errors.contains(day.file_name().unwrap().to_str().unwrap()), "{errors}");

    std::fs::write(&day, &good).unwrap();
    let findings = Path::new(&folder).join("record/findings.jsonl");
    let text = std::fs::read_to_string(&findings).unwrap();
    std::fs::write(&findings, text.replacen("A. Marsh", "B. Marsh", 1)).unwrap();
    let refused = run(&["restore", "--config", &there, "--from", &folder]);
    assert_eq!(refused.status.code(), Some(65));

    std::fs::write(&findings, text).unwrap();
    let list = Path::new(&folder).join("backup.json");
    let text = std::fs::read_to_string(&list).unwrap();
    std::fs::write(&list, text.replacen("\"readings/", "\"groovecast.db/", 1)).unwrap();
    let refused = run(&["restore", "--config", &there, "--from", &folder]);
    assert_eq!(refused.status.code(), Some(65), "a file that is neither readings nor photo was taken");
    std::fs::write(&list, text).unwrap();
    done(&["restore", "--config", &there, "--from", &folder]);
    std::fs::remove_file(Path::new(&folder).join("backup.json")).unwrap();
    let other = elsewhere(&files, "third");
    assert_eq!(
        run(&["restore", "--config", &other, "--from", &folder]).status.code(),
        Some(65),
        "half a backup was taken"
    );
}
