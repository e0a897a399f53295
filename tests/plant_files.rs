//! A small invented plant as files: three units, some 200 days, with findings that follow a hidden law. For robustness
//! and for the whole way through the program; nothing here proves a model right.

use std::fmt::Write;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::service::done;

const DAYS: i64 = 200;
const DAY_S: i64 = 86_400;
const UNITS: [(&str, f64); 3] = [("K1", 0.02), ("K2", 0.10), ("K3", 0.30)];

/// A folder with a configuration and every file of the past.
pub struct PlantFiles {
    /// The configuration.
    pub config: PathBuf,
    /// Where all files are.
    pub folder: tempfile::TempDir,
}

struct Draw(u64);

impl Draw {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 11) as f64) / (1u64 << 53) as f64
    }
}

impl PlantFiles {
    /// Lives through the past up to `now` and writes it down.
    pub fn new(broker_port: u16, now: Timestamp) -> PlantFiles {
        let folder = tempfile::tempdir().unwrap();
        let start_s = now.as_second() / DAY_S * DAY_S - DAYS * DAY_S;
        let mut draw = Draw(7);
        let mut tubes = "tube,surface,bore_mm,run_h_before\n".to_owned();
        let mut fittings = "tube,unit,from,to\n".to_owned();
        let mut work = "at,tube,work\n".to_owned();
        let mut findings = "at,tube,grade,method,inspector\n".to_owned();
        let mut history = "at,unit,signal,value\n".to_owned();
        for (unit, sloppy) in UNITS {
            let tube = format!("T-{unit}");
            writeln!(tubes, "{tube},hard_chrome,152.4,").unwrap();
            writeln!(fittings, "{tube},{unit},{},", time(start_s)).unwrap();
            writeln!(work, "{},{tube},new", time(start_s)).unwrap();
            // Heard from the first instant on: running before that would be guessed from the present pace.
            writeln!(history, "{},{unit},speed,0\n{},{unit},torque,0", time(start_s), time(start_s)).unwrap();
            let (mut worn, mut holds, mut meter_h) = (0.0, threshold(&mut draw), 1000.0);
            for day in 0..DAYS {
                let midnight = start_s + day * DAY_S;
                worn += day_of_running(&mut history, unit, sloppy, midnight, now.as_second(), &mut meter_h, &mut draw);
                if day % 8 == 7 {
                    let grade = if worn > holds { 2 } else { u8::from(worn > 0.6 * holds) };
                    let look_s = midnight + 23 * 3600;
                    writeln!(findings, "{},{tube},{grade},nail,A. Marsh", time(look_s)).unwrap();
                    if grade == 2 {
                        writeln!(work, "{},{tube},hone_polish", time(look_s + 1800)).unwrap();
                        (worn, holds) = (0.0, threshold(&mut draw));
                    }
                }
            }
            // Today it stands, and says so: silence would count as blind hours from some hour of the day on.
            for at in (start_s + DAYS * DAY_S..now.as_second()).step_by(4 * 3600) {
                writeln!(history, "{},{unit},speed,0\n{},{unit},torque,0", time(at), time(at)).unwrap();
            }
        }
        let campaigns = format!(
            "unit,from,to,product,planned\nK1,{},{},fondant,no\n",
            time(start_s),
            time(now.as_second() + 5 * DAY_S)
        );
        for (name, text) in [
            ("tubes.csv", tubes),
            ("fittings.csv", fittings),
            ("work.csv", work),
            ("findings.csv", findings),
            ("history.csv", history),
            ("campaigns.csv", campaigns),
        ] {
            std::fs::write(folder.path().join(name), text).unwrap();
        }
        let config = folder.path().join("plant.toml");
        std::fs::write(&config, config_text(broker_port)).unwrap();
        PlantFiles { config, folder }
    }

    /// Imports what is named so: `register`, `history`, `campaigns` or `findings`.
    pub fn take_in(&self, what: &str) {
        let names: &[&str] = if what == "register" { &["work", "tubes", "fittings"] } else { &[what] };
        let paths: Vec<String> = names.iter().map(|name| self.path(&format!("{name}.csv"))).collect();
        let words = ["import", what].into_iter().chain(paths.iter().map(String::as_str));
        done(&words.chain(["--config", self.config.to_str().unwrap()]).collect::<Vec<_>>());
    }

    /// The path of one of the files.
    pub fn path(&self, name: &str) -> String {
        self.folder.path().join(name).to_str().unwrap().to_owned()
    }
}

fn time(second: i64) -> String {
    Timestamp::from_second(second).unwrap().to_string()
}

fn threshold(draw: &mut Draw) -> f64 {
    500.0 * (-draw.unit().max(1e-9).ln()).powf(0.5) + 60.0
}

/// One day from 06:00 to 22:00, a reading every ten minutes; returns what it wore, in plain hours.
fn day_of_running(
    out: &mut String,
    unit: &str,
    sloppy: f64,
    midnight: i64,
    now_s: i64,
    meter_h: &mut f64,
    draw: &mut Draw,
) -> f64 {
    let mut worn = 0.0;
    let mut row = |at: i64, signal: &str, value: f64| {
        if at < now_s {
            writeln!(out, "{},{unit},{signal},{value:.3}", time(at)).unwrap();
        }
    };
    for hour in 6..22 {
        let rough = draw.unit() < sloppy;
        for slot in 0..6 {
            let at = midnight + hour * 3600 + slot * 600;
            let temp = 8.0 + 4.0 * draw.unit();
            let usual = 120.0 * (0.03 * (10.0 - temp)).exp() * (1.0 + 0.02 * (draw.unit() - 0.5));
            row(at, "torque", if rough { usual * 1.5 } else { usual });
            row(at, "product_temp", temp);
            if slot == 0 {
                row(at, "speed", 300.0);
            }
        }
        *meter_h += 1.0;
        row(midnight + (hour + 1) * 3600, "run_hours", *meter_h);
        worn += if rough { 6.0 } else { 1.0 };
    }
    row(midnight + 22 * 3600, "speed", 0.0);
    row(midnight + 22 * 3600, "torque", 0.0);
    worn
}

fn config_text(port: u16) -> String {
    let example =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/plant.toml")).unwrap();
    let mut text =
        example.replace("# port = 1883", &format!("port = {port}")).replace("data = \"../data\"", "data = \"data\"");
    text = text.replace("torque = 600.0", "torque = 1200.0").replace("speed = 3600.0", "speed = 36000.0");
    text.replace("# evaluate_every_s = 30", "evaluate_every_s = 2")
}
