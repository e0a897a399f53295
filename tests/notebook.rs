//! An analyst's morning without us: day files, intervals, scores and models, read by what others wrote.

use std::process::Command;
use std::time::Duration;

use plant::{Clock, SystemClock};

use crate::broker::{Broker, Kind, wait_for};
use crate::plant_files::PlantFiles;
use crate::service::{Service, done, run};
use crate::tools::{beside_tests, need, passes};

#[test]
fn a_plant_reads_without_us_as_its_page_says() {
    let python = beside_tests("outside/.venv/bin/python");
    need(&python);
    let broker = Broker::start(Kind::Mosquitto);
    let files = PlantFiles::new(broker.port, SystemClock.now());
    let config = files.config.to_str().unwrap();
    ["history", "register", "findings"].into_iter().for_each(|what| files.take_in(what));
    let none = run(&["scores", "export", "--config", config, "--out", &files.path("scores")]);
    assert_eq!(none.status.code(), Some(65), "there is nothing to export yet");

    let (csv, parquet) = (files.path("intervals.csv"), files.path("intervals.parquet"));
    done(&["intervals", "--config", config, "--out", &csv]);
    done(&["intervals", "--config", config, "--out", &parquet]);
    let terms = ["--terms", "excess_work_mj,shaft_work_mj", "--ridge", "1", "--limit", "2"];
    done(&[&["fit", "--table", &csv, "--out", &files.path("model.json")], &terms[..]].concat());

    done(&["fit", "--config", config, "--out", &files.path("first.json")]);
    done(&["models", "approve", "1", "--by", "R. Analyst", "--why", "for show", "--config", config]);
    let service = Service::start(&files.config);
    wait_for("scores that are kept", || {
        let out = files.path("first-scores");
        run(&["scores", "export", "--config", config, "--out", &out]).status.success().then_some(())
    });
    service.stop();
    done(&["fit", "--config", config, "--ridge", "4", "--out", &files.path("second.json")]);
    done(&["models", "approve", "2", "--by", "R. Analyst", "--why", "for show", "--config", config]);
    let export = ["scores", "export", "--config", config, "--out"];
    let said = done(&[&export[..], &[&files.path("scores"), "--back-dated"]].concat());
    assert!(said.contains("no forecasts"), "{said}");
    done(&[&export[..], &[&files.path("scores-csv"), "--format", "csv"]].concat());
    let refused = run(&[&export[..], &[&files.path("x"), "--from", "2026-05-02", "--to", "2026-05-01"]].concat());
    assert_eq!(refused.status.code(), Some(2), "an empty span was taken");

    let mut readers = Command::new(python);
    readers.arg(beside_tests("outside/notebook.py")).arg(files.folder.path());
    println!("{}", passes(readers, Duration::from_secs(400)));
}
