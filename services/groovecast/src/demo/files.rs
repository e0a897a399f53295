//! The invented plant's files: a configuration and a register, as a person would write them. They can be read, and used
//! with every other command, while the demo runs.

use std::fmt::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use anyhow::Context;
use plant::{Record, Signal};
use simulation::Plant;

const SIGNALS: [Signal; 6] =
    [Signal::Torque, Signal::Speed, Signal::ProductTemp, Signal::RunHours, Signal::Mode, Signal::Product];

/// The topic of a unit's signal.
pub fn topic(unit: &str, signal: Signal) -> String {
    format!("harrow/{unit}/{signal}")
}

/// Writes configuration and register into a folder; gives the configuration's path.
///
/// # Errors
/// If the folder cannot be written.
pub fn write(plant: &Plant, folder: &Path, broker_port: u16, listen: SocketAddr) -> anyhow::Result<PathBuf> {
    let path = folder.join("plant.toml");
    std::fs::write(&path, config(plant, broker_port, listen)?).context("cannot write the demo's configuration")?;
    register(plant.record(), folder)?;
    Ok(path)
}

fn config(plant: &Plant, broker_port: u16, listen: SocketAddr) -> Result<String, std::fmt::Error> {
    let mut text = format!(
        r#"# The invented plant of the demo.
[site]
name = "Harrow Mill (invented)"
time_zone = "UTC"
data = "data"
longest_interval_days = 180

[broker]
host = "127.0.0.1"
port = {broker_port}
client_id = "groovecast-demo"
protocol = "3.1.1"
window = 100

[http]
listen = "{listen}"

[advice]
raise_after_h = 1.0

[opening]
room = 3
open_cost = [2000.0, 4000.0]
late_cost = [20000.0, 60000.0]
money = "EUR"

[exposure]
hold_s = {{ torque = 1200.0, product_temp = 2400.0, speed = 3600.0, mode = 14400.0, product = 14400.0 }}

[model]
approve = "automatic"
terms = ["excess_work_mj", "cold_starts", "dry_h"]

[service]
evaluate_every_s = 5

[unit_defaults]
cleaning_modes = ["cip"]
meter_resolution_h = 0.1
"#
    );
    for signal in SIGNALS {
        writeln!(text, "\n[[topics]]\ntopic = \"{}\"\nsignal = \"{signal}\"", topic("{unit}", signal))?;
        if signal.quantity().is_some() {
            writeln!(text, "measure = \"{}\"", signal.house_unit())?;
        }
        writeln!(text, "payload = \"json\"\nvalue = \"/value\"\ntime = \"/at\"\nquality = \"/quality\"")?;
    }
    for facts in plant.units() {
        writeln!(text, "\n[units.{}]  # {}, {}", facts.unit, facts.line, facts.products.join(", "))?;
        writeln!(text, "nominal_speed_rpm = {:?}\nbore_mm = {:?}", facts.nominal_speed_rpm, facts.bore_mm)?;
        writeln!(
            text,
            "running_above_rpm = {:?}\ndry_below_share = {:?}",
            facts.running_above_rpm, facts.dry_below_share
        )?;
        writeln!(text, "cold_start_below_degc = {:?}", facts.cold_start_below_degc)?;
        writeln!(text, "excursion_above_nm = {:?}", facts.excursion_above_nm)?;
    }
    Ok(text)
}

/// Writes the register, findings and campaigns as the CSV files of the contract.
fn register(record: &Record, folder: &Path) -> anyhow::Result<()> {
    let number = |value: Option<f64>| value.map_or(String::new(), |value| value.to_string());
    let text = |value: &Option<String>| value.clone().unwrap_or_default();
    table(
        folder,
        "tubes.csv",
        &["tube", "surface", "bore_mm", "length_mm", "plating_um", "run_h_before"],
        record.tubes.values().map(|t| {
            vec![
                t.tube.to_string(),
                t.surface.clone(),
                number(t.bore_mm),
                number(t.length_mm),
                number(t.plating_um),
                number(t.run_h_before),
            ]
        }),
    )?;
    table(
        folder,
        "fittings.csv",
        &["tube", "unit", "from", "to"],
        record.fittings.iter().map(|f| {
            vec![
                f.tube.to_string(),
                f.unit.to_string(),
                f.from.to_string(),
                f.to.map_or(String::new(), |to| to.to_string()),
            ]
        }),
    )?;
    table(
        folder,
        "work.csv",
        &["at", "tube", "work", "note"],
        record.work.iter().map(|w| vec![w.at.to_string(), w.tube.to_string(), w.work.to_string(), text(&w.note)]),
    )?;
    let columns = [
        "at",
        "tube",
        "grade",
        "zone",
        "clock",
        "method",
        "kind",
        "depth_um",
        "reason",
        "inspector",
        "run_h",
        "recorded_at",
        "note",
    ];
    table(
        folder,
        "findings.csv",
        &columns,
        record.findings.iter().map(|f| {
            vec![
                f.at.to_string(),
                f.tube.to_string(),
                f.grade.to_string(),
                f.zone.as_ref().map_or(String::new(), |zone| zone.0.clone()),
                f.clock.map_or(String::new(), |clock| clock.to_string()),
                f.method.map_or(String::new(), |method| method.to_string()),
                f.kind.map_or(String::new(), |kind| kind.to_string()),
                number(f.depth_um),
                f.reason.map_or(String::new(), |reason| reason.to_string()),
                text(&f.inspector),
                number(f.run_h),
                f.recorded_at.map_or(String::new(), |at| at.to_string()),
                text(&f.note),
            ]
        }),
    )?;
    table(
        folder,
        "campaigns.csv",
        &["unit", "from", "to", "product", "planned", "run_h"],
        record.campaigns.iter().map(|c| {
            let planned = if c.planned { "yes" } else { "no" };
            vec![
                c.unit.to_string(),
                c.from.to_string(),
                c.to.to_string(),
                c.product.clone(),
                planned.to_owned(),
                number(c.run_h),
            ]
        }),
    )
}

fn table(folder: &Path, name: &str, columns: &[&str], rows: impl Iterator<Item = Vec<String>>) -> anyhow::Result<()> {
    let mut file =
        csv::Writer::from_path(folder.join(name)).with_context(|| format!("cannot write the demo's {name}"))?;
    file.write_record(columns)?;
    for row in rows {
        file.write_record(row)?;
    }
    file.flush()?;
    Ok(())
}
