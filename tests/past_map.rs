//! From an export to a configuration that takes it: `map`, `check`, `import`.

use std::fmt::Write;

use crate::load::stored;
use crate::service::{done, run};

const TICKS: i64 = 3 * 144;

fn at(tick: i64) -> jiff::Timestamp {
    jiff::Timestamp::from_second(1_775_001_600 + tick * 600).unwrap()
}

/// Three days of two units, and a column that nobody needs.
fn value(column: usize, tick: i64) -> f64 {
    let runs = tick % 144 < 96;
    match column {
        0 | 2 if runs => 90.0 + (tick % 13) as f64,
        1 | 3 if runs => 300.0 + (tick % 3) as f64,
        4 => 0.02 * (tick % 7) as f64 - 0.01,
        _ => 0.0,
    }
}

const COLUMNS: [&str; 5] = ["K1.Torque_Nm", "K1.Speed_rpm", "K2.Torque_Nm", "K2.Speed_rpm", "K2.Vibration"];

fn wide() -> String {
    let mut text = format!("Timestamp,{}\n", COLUMNS.join(","));
    for tick in 0..TICKS {
        let cells: Vec<String> = (0..COLUMNS.len()).map(|column| value(column, tick).to_string()).collect();
        writeln!(text, "{},{}", at(tick), cells.join(",")).unwrap();
    }
    text
}

fn tagged() -> String {
    let mut text = "TagName,Timestamp,Value,Quality\n".to_owned();
    for (column, name) in COLUMNS.iter().enumerate() {
        for tick in 0..TICKS {
            writeln!(text, "{name},{},{},good", at(tick), value(column, tick)).unwrap();
        }
    }
    text
}

#[test]
fn a_proposed_configuration_takes_the_export_that_it_was_made_from() {
    for (kind, text) in [("wide", wide()), ("tagged", tagged())] {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
        std::fs::write(path("past.csv"), text).unwrap();
        let proposed = done(&["map", &path("past.csv")]);
        assert!(proposed.contains("# sure: \"torque\" in its name"), "{kind}: {proposed}");
        assert!(proposed.contains("# ? a guess: nothing says what it is"), "{kind}: {proposed}");
        std::fs::write(path("plant.toml"), &proposed).unwrap();
        done(&["check", "--config", &path("plant.toml")]);
        let said = done(&["import", "history", &path("past.csv"), "--config", &path("plant.toml")]);
        assert!(said.contains("K1 torque: 432 readings") && said.contains("K2 speed: 432 readings"), "{kind}: {said}");
        assert!(said.contains("3 days changed"), "{kind}: {said}");
        assert_eq!(stored(&folder.path().join("data")).0.len(), 4 * 432, "{kind}");
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("past.csv");
    std::fs::write(&path, "Zeit;Wert\n1;2\n").unwrap();
    let refused = run(&["map", path.to_str().unwrap()]);
    assert_eq!(refused.status.code(), Some(65));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("semicolons"));
}
