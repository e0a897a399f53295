//! How fast history goes in and comes out: writes an invented plant's past as CSV, imports and merges it, computes
//! exposures from Parquet, and again from the cache.
//!
//! `cargo run --release -p history --example import_speed -- FOLDER [READINGS] [UNITS] [TICK_S]`: 30 million readings of 30
//! units, one torque each per 10 s, unless told otherwise. What it writes stays in FOLDER; `FOLDER again` only computes the exposures once more,
//! `FOLDER import` only imports the same CSV once more.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::time::Instant;

use history::{
    ExposureSettings, Exposures, ImportSettings, Running, Staging, Store, UnitSettings, import, on_all_cores,
};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use plant::{Bands, DayFile, Signal, Term, UnitId};

type Failure = Box<dyn std::error::Error>;

/// Report by exception: per unit torque every tick or so, temperature every other, speed and meter now and then.
fn write_csv(path: &Path, readings: u64, units: u64, tick_s: i64) -> Result<Timestamp, Failure> {
    let mut file = BufWriter::with_capacity(1 << 20, File::create(path)?);
    writeln!(file, "at,unit,signal,value,quality")?;
    let start_us = "2025-01-01T00:00:00Z".parse::<Timestamp>()?.as_microsecond();
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    let mut random = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state
    };
    let (mut written, mut tick) = (0, 0u64);
    while written < readings {
        let at = Timestamp::from_microsecond(start_us + tick as i64 * tick_s * 1_000_000)?;
        for unit in 0..units {
            let jitter_ms = random() % 1000;
            let second = at + jiff::SignedDuration::from_millis(i64::try_from(jitter_ms)?);
            let runs = (tick * tick_s.unsigned_abs() / 3600 + unit * 7) % 24 < 17;
            let torque = if runs { 80.0 + (random() % 4000) as f64 / 100.0 } else { 0.0 };
            writeln!(file, "{second:.3},U{unit:02},torque,{torque:.2},good")?;
            written += 1;
            if tick % 2 == unit % 2 {
                writeln!(file, "{second:.3},U{unit:02},product_temp,{:.1},good", (random() % 300) as f64 / 10.0 - 8.0)?;
                written += 1;
            }
            if tick.is_multiple_of(60) {
                let rpm = if runs { 290.0 + (random() % 20) as f64 } else { 0.0 };
                writeln!(file, "{second:.3},U{unit:02},speed,{rpm:.0},")?;
                writeln!(
                    file,
                    "{second:.3},U{unit:02},run_hours,{:.2},",
                    (tick as i64 * tick_s) as f64 / 3600.0 * 17.0 / 24.0
                )?;
                written += 2;
            }
        }
        tick += 1;
    }
    file.flush()?;
    Ok(Timestamp::from_microsecond(start_us + tick as i64 * tick_s * 1_000_000)?)
}

/// Highest memory so far, in MiB, as the system counts it.
fn peak_mib() -> Result<u64, Failure> {
    let status = fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find(|line| line.starts_with("VmHWM")).ok_or("no VmHWM: not Linux?")?;
    Ok(line.split_whitespace().nth(1).ok_or("no number in VmHWM")?.parse::<u64>()? / 1024)
}

fn told(stage: &str, rows: u64, since: Instant) -> Result<(), Failure> {
    let seconds = since.elapsed().as_secs_f64();
    println!(
        "{stage}: {rows} rows in {seconds:.2} s, {:.2} million rows/s, peak {} MiB",
        rows as f64 / seconds / 1e6,
        peak_mib()?
    );
    Ok(())
}

fn main() -> Result<(), Failure> {
    let mut arguments = std::env::args().skip(1);
    let folder =
        PathBuf::from(arguments.next().ok_or("usage: import_speed FOLDER [READINGS|again|import] [UNITS] [TICK_S]")?);
    let readings = arguments.next().unwrap_or("30000000".to_owned());
    let units: u64 = arguments.next().map_or(Ok(30), |text| text.parse())?;
    let tick_s: i64 = arguments.next().map_or(Ok(10), |text| text.parse())?;
    let manifest = folder.join("days.json");
    if readings == "import" {
        let (_, ids, _): Days = serde_json::from_reader(File::open(&manifest)?)?;
        let again = folder.join("again");
        bring_in(&folder.join("past.csv"), &again, &ids)?;
        return Ok(fs::remove_dir_all(again)?);
    }
    if readings != "again" {
        fs::create_dir_all(&folder)?;
        // What an earlier run left may carry the same names.
        let _ = fs::remove_dir_all(folder.join("exposures"));
        let days = take_in(&folder, readings.parse()?, units, tick_s)?;
        serde_json::to_writer(File::create(&manifest)?, &days)?;
    }
    let (until, ids, files) = serde_json::from_reader(File::open(&manifest)?)?;
    take_out(&Store::new(&folder), until, ids, files)
}

/// A reading as columns: instant, number, quality, source of its time.
const ROW_BYTES: f64 = 8.0 + 8.0 + 1.0 + 1.0;

/// How many bytes of memory all cores together read in a second: the best of five times a quarter of a GiB each.
fn memory_bytes_per_s() -> Result<f64, Failure> {
    let cores = std::thread::available_parallelism()?.get();
    let words: Vec<Vec<u64>> = (0..cores).map(|core| vec![core as u64; 1 << 25]).collect();
    let mut best = 0.0_f64;
    for _ in 0..5 {
        let since = Instant::now();
        std::thread::scope(|scope| {
            for words in &words {
                scope.spawn(|| std::hint::black_box(words.iter().fold(0u64, |sum, word| sum.wrapping_add(*word))));
            }
        });
        best = best.max((cores << 28) as f64 / since.elapsed().as_secs_f64());
    }
    Ok(best)
}

type Days = (Timestamp, Vec<UnitId>, Vec<DayFile>);

/// From nothing to days on disk.
fn take_in(folder: &Path, readings: u64, units: u64, tick_s: i64) -> Result<Days, Failure> {
    let csv = folder.join("past.csv");
    let since = Instant::now();
    let until = write_csv(&csv, readings, units, tick_s)?;
    println!("wrote {} MiB of CSV in {:.1} s", fs::metadata(&csv)?.len() >> 20, since.elapsed().as_secs_f64());
    let ids: Vec<UnitId> = (0..units).map(|unit| UnitId::new(&format!("U{unit:02}"))).collect::<Result<_, _>>()?;
    let files = bring_in(&csv, folder, &ids)?;
    Ok((until, ids, files))
}

/// From CSV to days on disk.
fn bring_in(csv: &Path, folder: &Path, ids: &[UnitId]) -> Result<Vec<DayFile>, Failure> {
    let settings = ImportSettings {
        header: history::Header::house(),
        skip: Default::default(),
        zone: TimeZone::UTC,
        units: ids.iter().cloned().collect(),
        wide: Default::default(),
        measures: Default::default(),
        spans: Default::default(),
        quality_codes: None,
        quality_words: Default::default(),
        stretch_bytes: history::STRETCH_BYTES,
        listed_bad_rows: 100,
        earliest: "2000-01-01T00:00:00Z".parse()?,
        latest: "2100-01-01T00:00:00Z".parse()?,
    };
    let since = Instant::now();
    let staging = Staging::open(folder, &"import_speed")?.ok_or("another process works in this folder")?;
    let staged = import(&[csv.to_owned()], &settings, &staging, &|_| {})?;
    told("import (check and stage)", staged.rows, since)?;
    let store = Store::new(folder);
    let since = Instant::now();
    let days: Vec<_> = staged.days.iter().collect();
    let files = on_all_cores(&days, |(day, parts)| {
        Ok::<_, history::HistoryError>(store.merge_staged(**day, None, 1, parts)?.0)
    })?;
    let files: Vec<DayFile> = files.into_iter().flatten().collect();
    staging.remove()?;
    told("merge into days", files.iter().map(|file| file.rows).sum(), since)?;
    println!("{} days, {} MiB of Parquet", files.len(), files.iter().map(|file| file.bytes).sum::<u64>() >> 20);
    Ok(files)
}

/// From days on disk to exposures.
fn take_out(store: &Store, until: Timestamp, ids: Vec<UnitId>, files: Vec<DayFile>) -> Result<(), Failure> {
    let signals = [Signal::Torque, Signal::ProductTemp, Signal::Speed, Signal::RunHours];
    let mut unit = UnitSettings::new(signals, Running::SpeedAboveRpm(10.0));
    unit.bore_mm = Some(152.4);
    let mut plant = ExposureSettings::new(ids.into_iter().map(|id| (id, unit.clone())).collect());
    plant.bands = Bands { torque_nm: vec![90.0, 110.0], temp_degc: vec![0.0, 10.0] };
    let exposures = Exposures::new(plant, None, &[])?;
    let rows = files.iter().map(|file| file.rows).sum();
    let mut taken = Vec::new();
    for stage in ["exposures from Parquet", "exposures from the cache"] {
        let since = Instant::now();
        let hours = exposures.fleet_hours(store, &files, &[], until)?;
        taken.push(since.elapsed().as_secs_f64());
        told(stage, rows, since)?;
        let run_h: f64 = hours.values().map(|unit| unit.sum(Timestamp::MIN, until).known(Term::RunH)).sum();
        println!("{run_h:.1} run hours");
    }
    let limit = rows as f64 * ROW_BYTES / memory_bytes_per_s()?;
    println!(
        "from Parquet: {:.0} times what reading as many columns from memory takes ({limit:.3} s)",
        taken[0] / limit
    );
    Ok(())
}
