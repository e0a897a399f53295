//! The controls engineer's afternoon with an export: `map`, `check`, `import`; and what is no export.

use std::fmt::Write;
use std::path::Path;

use crate::load::stored;
use crate::service::{done, run};

const TICKS: i64 = 3 * 144;

fn at(tick: i64) -> jiff::Timestamp {
    jiff::Timestamp::from_second(1_775_001_600 + tick * 600).unwrap()
}

/// Three days of two units, and columns that nobody needs. The second one turns as it says in rad/s and counts minutes.
fn value(column: usize, tick: i64) -> f64 {
    let day_tick = tick % 144;
    let runs = day_tick < 96;
    match column {
        0 | 3 if runs => 90.0 + (tick % 13) as f64,
        1 if runs => 300.0 + (tick % 3) as f64,
        4 if runs => 31.0 + 0.1 * (tick % 3) as f64,
        2 | 5 => ((tick / 144 * 96 + day_tick.min(96)) * 10) as f64 / if column == 2 { 60.0 } else { 1.0 },
        6 => 0.02 * (tick % 7) as f64 - 0.01,
        7 => 120.0,
        _ => 0.0,
    }
}

const COLUMNS: [&str; 8] = [
    "K1.Torque_Nm",
    "K1.Speed_rpm",
    "K1.RunHours",
    "K2.Torque_Nm",
    "K2.Speed [rad/s]",
    "K2.RunTime [min]",
    "K2.Vibration",
    "K2.Torque_Limit",
];

fn wide(header: &str) -> String {
    let mut text = format!("{header},{}\n", COLUMNS.join(","));
    for tick in 0..TICKS {
        let cells: Vec<String> = (0..COLUMNS.len()).map(|column| value(column, tick).to_string()).collect();
        writeln!(text, "{},{}", at(tick), cells.join(",")).unwrap();
    }
    text
}

fn tagged() -> String {
    let mut text = "TagName,Timestamp,Value,Quality,Description\n".to_owned();
    for (column, name) in COLUMNS.iter().enumerate() {
        for tick in 0..TICKS {
            writeln!(text, "{name},{},{},192,\"somewhere, someday\"", at(tick), value(column, tick)).unwrap();
        }
    }
    text
}

fn long() -> String {
    let mut text = "at,unit,signal,value,quality\n".to_owned();
    for (column, name) in [(0, "K1,torque"), (1, "K1,speed"), (3, "K2,torque")] {
        for tick in 0..TICKS {
            writeln!(text, "{},{name},{},good", at(tick), value(column, tick)).unwrap();
        }
    }
    text
}

#[test]
fn a_proposed_configuration_takes_the_export_that_it_was_made_from() {
    for (kind, text, tracks) in [("wide", wide("Timestamp"), 6), ("tagged", tagged(), 6), ("long", long(), 3)] {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
        std::fs::write(path("past.csv"), text).unwrap();
        let proposed = done(&["map", &path("past.csv")]);
        if kind != "long" {
            assert!(proposed.contains("# sure: \"Torque\" in its name"), "{kind}: {proposed}");
            assert!(
                proposed.contains("\"K2.Vibration\",  # \"Vibration\" in its name: of something else"),
                "{kind}: {proposed}"
            );
            assert!(proposed.contains("Of 8 columns or tags 6 are mapped"), "{kind}: {proposed}");
        }
        std::fs::write(path("plant.toml"), &proposed).unwrap();
        done(&["check", "--config", &path("plant.toml")]);
        let said = done(&["import", "history", &path("past.csv"), "--config", &path("plant.toml")]);
        assert!(said.contains("K1 torque: 432 readings") && said.contains("K2 torque: 432 readings"), "{kind}: {said}");
        assert!(said.contains("3 days changed"), "{kind}: {said}");
        let (readings, _) = stored(&folder.path().join("data"));
        assert_eq!(readings.len(), tracks * 432, "{kind}");
    }
}

/// Of each file that is none: an error that says what it is and what would be right, and no output.
#[test]
fn what_is_no_export_is_refused_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let odd = wide("Time").replace("K2.Vibration", "\"K2 \"\"torque\"\" # \\x\"");
    for (name, bytes, right) in [
        ("semicolons.csv", b"Zeit;Wert\n1;2\n".to_vec(), "semicolons"),
        ("empty.csv", Vec::new(), "no header"),
        ("binary.csv", vec![0x7f, b'E', b'L', b'F', 0, 1, 2, 3], "no text in UTF-8"),
        ("binary.parquet", vec![0; 100], "binary.parquet"),
        ("one.csv", b"Timestamp\n2026-03-31T06:30:00Z\n".to_vec(), "no column"),
        ("no_time.csv", b"a,b\n1,2\n".to_vec(), "called like a time"),
        ("header.csv", b"Timestamp,K1_Torque\n".to_vec(), "no time in column"),
        ("german.csv", b"Zeit,K1\n31.03.2026 06:30:00,5\n".to_vec(), "31.03.2026 06:30:00"),
        ("twice.csv", b"at,K1,K1\n2026-03-31T06:30:00Z,1,2\n".to_vec(), "twice"),
        ("broken.csv", b"at,\"K1\ntorque\"\n2026-03-31T06:30:00Z,1\n".to_vec(), "broken over lines"),
        ("strange.csv", b"at,unit,signal,value\n2026-03-31T06:30:00Z,K1,trq,2\n".to_vec(), "no signal in it is known"),
        ("asset.csv", b"time,asset,kind,value\n2026-03-31T06:30:00Z,K1,trq,2\n".to_vec(), "which one names"),
    ] {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        let refused = run(&["map", path.to_str().unwrap()]);
        let said = String::from_utf8(refused.stderr).unwrap();
        assert_eq!(refused.status.code(), Some(65), "{name}: {said}");
        assert!(said.contains(right) && said.contains(name), "{name}: {said}");
        assert!(refused.stdout.is_empty(), "{name}");
    }
    // Odd names are taken as they are, by the import too.
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    std::fs::write(path("odd.csv"), odd).unwrap();
    std::fs::write(path("plant.toml"), done(&["map", &path("odd.csv")])).unwrap();
    done(&["check", "--config", &path("plant.toml")]);
    done(&["import", "history", &path("odd.csv"), "--dry-run", "--config", &path("plant.toml")]);
    assert!(!Path::new(&path("data")).join("days").exists(), "a dry run takes nothing");
}

/// Two thousand columns of which two speak of a unit.
#[test]
fn a_very_wide_export_is_read_in_a_moment() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let others: Vec<String> = (0..2000).map(|number| format!("Plant.X{number}.PV")).collect();
    let mut text = format!("Timestamp,K1.Torque_Nm,K1.Speed_rpm,{}\n", others.join(","));
    for tick in 0..TICKS {
        let rest = format!(",{}", tick % 5).repeat(2000);
        writeln!(text, "{},{},{}{rest}", at(tick), value(0, tick), value(1, tick)).unwrap();
    }
    std::fs::write(path("past.csv"), text).unwrap();
    done(&["map", &path("past.csv"), "--out", &path("plant.toml")]);
    let proposed = std::fs::read_to_string(path("plant.toml")).unwrap();
    assert!(proposed.contains("Of 2002 columns or tags 2 are mapped"), "{}", &proposed[..400]);
    let said = done(&["import", "history", &path("past.csv"), "--config", &path("plant.toml")]);
    assert!(said.contains("K1 torque: 432 readings"), "{said}");
}
