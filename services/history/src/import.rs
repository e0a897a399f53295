//! Import of a historian's past, as CSV or Parquet: long tables of at, unit, signal, value and perhaps quality, or wide
//! ones with a column per signal.
//!
//! All files or none: rows are checked and staged as parts of days, every bad row is named, and only when all are good
//! does the caller merge the parts into the days.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use plant::{BadRow, Measure, Signal, UnitId};

use crate::spool::Parts;
use crate::{HistoryError, import_csv, import_parquet};

/// What numbers in a quality column mean where they do not say it themselves: 0 is good to one and bad to the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum QualityCodes {
    /// OPC UA status codes: the top two of 32 bits.
    OpcUa,
    /// The codes before it: 192 good, 64 uncertain, 0 bad.
    Classic,
}

/// How files are read.
#[derive(Debug, Clone)]
pub struct ImportSettings {
    /// The plant's zone, for times without an offset.
    pub zone: TimeZone,
    /// The units of the config; a row of another is bad.
    pub units: BTreeSet<UnitId>,
    /// What the columns of a wide table are, by name; such a table has `at` and these. An empty cell of it is no
    /// reading, for not every signal has one at every instant.
    pub wide: BTreeMap<String, (UnitId, Signal)>,
    /// What the file measures a signal in; the house unit where nothing is said.
    pub measures: BTreeMap<Signal, Measure>,
    /// What bare numbers in the quality column mean.
    pub quality_codes: Option<QualityCodes>,
    /// Bad rows listed per file; the others are counted.
    pub listed_bad_rows: usize,
    /// Earliest time taken.
    pub earliest: Timestamp,
    /// Latest time taken.
    pub latest: Timestamp,
}

/// How far an import is.
#[derive(Debug, Clone, Copy)]
pub struct Progress<'a> {
    /// The file being read.
    pub file: &'a Path,
    /// Bytes (CSV) or rows (Parquet) read of it.
    pub done: u64,
    /// Bytes (CSV) or rows (Parquet) in it.
    pub total: u64,
}

/// Checked readings, staged as parts of days.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Staged {
    /// The parts of each UTC day, to be merged and then removed.
    pub days: BTreeMap<Date, Vec<PathBuf>>,
    /// Rows read.
    pub rows: u64,
    /// Of these, times that were taken in the plant's zone.
    pub zone_assumed: u64,
    /// Numbers that their signal cannot be ([`Signal::believable`]): staged as missing and bad, so that each ends what
    /// the reading before it said. Those that the file itself calls bad are not counted.
    pub disbelieved: u64,
    /// The first of them: its file, where it stands, and why it is not believed.
    pub disbelieved_sample: Option<(PathBuf, BadRow)>,
}

/// A file with bad rows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadFile {
    /// Which file.
    pub path: PathBuf,
    /// Its bad rows, as far as they are listed, by line.
    pub listed: Vec<BadRow>,
    /// All of its bad rows.
    pub count: u64,
}

/// Why nothing was imported.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// Some rows are bad; nothing was taken.
    #[error("{} bad rows in {} files, first: {}: {}", count(.0), .0.len(), .0[0].path.display(), .0[0].listed.first().map(BadRow::to_string).unwrap_or_default())]
    Bad(Vec<BadFile>),
    /// A file could not be read, or the staging folder not be written.
    #[error(transparent)]
    History(#[from] HistoryError),
}

fn count(files: &[BadFile]) -> u64 {
    files.iter().map(|file| file.count).sum()
}

/// What one file gave.
#[derive(Debug, Default)]
pub(crate) struct Outcome {
    pub(crate) parts: Parts,
    pub(crate) rows: u64,
    pub(crate) zone_assumed: u64,
    pub(crate) disbelieved: Disbelieved,
    pub(crate) bad: Vec<BadRow>,
    pub(crate) bad_count: u64,
}

/// Numbers of a file that their signal cannot be.
#[derive(Debug, Default)]
pub(crate) struct Disbelieved {
    pub(crate) count: u64,
    pub(crate) first: Option<BadRow>,
}

impl Disbelieved {
    pub(crate) fn note(&mut self, row: impl FnOnce() -> BadRow) {
        self.count += 1;
        self.first.get_or_insert_with(row);
    }

    /// Adds what another reader of the same file found.
    pub(crate) fn add(&mut self, other: Disbelieved) {
        self.count += other.count;
        self.first = self.first.take().into_iter().chain(other.first).min_by_key(|row| row.line);
    }
}

/// Reads and checks files, by extension `.parquet` or CSV, and stages their readings in a folder that is this import's
/// alone. Blocking; CSV is read on all cores, in memory that does not grow with the file.
///
/// # Errors
/// If any row is bad (all are named or counted, and the staging folder is removed), or a file cannot be read.
pub fn import(
    files: &[PathBuf],
    settings: &ImportSettings,
    staging: &Path,
    progress: &dyn Fn(Progress<'_>),
) -> Result<Staged, ImportError> {
    fs::create_dir_all(staging).map_err(HistoryError::io("create the folder", staging))?;
    let staged = stage(files, settings, staging, progress);
    if staged.is_err() {
        // What is told is why nothing was staged, not what could not be tidied up after it.
        let _ = fs::remove_dir_all(staging);
    }
    staged
}

fn stage(
    files: &[PathBuf],
    settings: &ImportSettings,
    staging: &Path,
    progress: &dyn Fn(Progress<'_>),
) -> Result<Staged, ImportError> {
    let mut staged =
        Staged { days: BTreeMap::new(), rows: 0, zone_assumed: 0, disbelieved: 0, disbelieved_sample: None };
    let mut bad = Vec::new();
    for (number, path) in files.iter().enumerate() {
        let folder = staging.join(number.to_string());
        fs::create_dir_all(&folder).map_err(HistoryError::io("create the folder", &folder))?;
        let parquet = path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("parquet"));
        let read = if parquet { import_parquet::read } else { import_csv::read };
        let mut outcome = read(path, settings, &folder, progress)?;
        if outcome.bad_count > 0 {
            outcome.bad.sort_by_key(|bad| bad.line);
            outcome.bad.truncate(settings.listed_bad_rows);
            bad.push(BadFile { path: path.clone(), listed: outcome.bad, count: outcome.bad_count });
        }
        staged.rows += outcome.rows;
        staged.zone_assumed += outcome.zone_assumed;
        staged.disbelieved += outcome.disbelieved.count;
        if staged.disbelieved_sample.is_none() {
            staged.disbelieved_sample = outcome.disbelieved.first.map(|row| (path.clone(), row));
        }
        for (day, mut parts) in outcome.parts {
            staged.days.entry(day).or_default().append(&mut parts);
        }
    }
    if bad.is_empty() { Ok(staged) } else { Err(ImportError::Bad(bad)) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Store;
    use plant::{DayFile, Quality, Quantity, Reading, Value};

    fn settings() -> ImportSettings {
        ImportSettings {
            zone: TimeZone::get("Europe/Amsterdam").unwrap(),
            units: ["C1", "Kühler 3"].map(|unit| UnitId::new(unit).unwrap()).into(),
            wide: BTreeMap::new(),
            measures: BTreeMap::new(),
            quality_codes: None,
            listed_bad_rows: 3,
            earliest: "2000-01-01T00:00:00Z".parse().unwrap(),
            latest: "2030-01-01T00:00:00Z".parse().unwrap(),
        }
    }

    fn run(texts: &[&[u8]], settings: &ImportSettings) -> (tempfile::TempDir, Result<Staged, ImportError>) {
        let folder = tempfile::tempdir().unwrap();
        let mut files = Vec::new();
        for (number, text) in texts.iter().enumerate() {
            let path = folder.path().join(format!("{number}.csv"));
            fs::write(&path, text).unwrap();
            files.push(path);
        }
        let staged = import(&files, settings, &folder.path().join("staging"), &|_| {});
        (folder, staged)
    }

    fn merged(data: &Path, staged: &Staged) -> (Vec<DayFile>, Vec<Reading>) {
        let store = Store::new(data);
        let mut files = Vec::new();
        let mut readings = Vec::new();
        for (day, parts) in &staged.days {
            let file = store.merge_staged(*day, None, 1, parts).unwrap().unwrap();
            readings.extend(store.read(&file).unwrap().readings());
            files.push(file);
        }
        (files, readings)
    }

    #[test]
    fn a_historians_table_arrives_in_house_units() {
        let text = "\u{feff}at,unit,signal,value,quality\r\n\
            2026-03-31T23:59:59.5Z,C1,torque,100,\r\n\
            2026-04-01T00:00:00+00:00,C1,torque,NaN,good\r\n\
            2026-04-01 09:00,Kühler 3,mode,\"cip\",192\r\n\
            2026-04-01T00:00:01Z, C1 ,product_temp,-6.5,uncertain\r\n";
        let mut settings = settings();
        settings.measures.insert(Signal::Torque, Measure::parse("lbf·in", Quantity::Torque).unwrap());
        let (folder, staged) = run(&[text.as_bytes()], &settings);
        let staged = staged.unwrap();
        assert_eq!((staged.rows, staged.zone_assumed, staged.days.len()), (4, 1, 2));
        let (_, readings) = merged(folder.path(), &staged);
        // 100 lbf·in = 11.29848290 N·m (NIST SP 811, appendix B).
        assert!((readings[0].value.number().unwrap() - 11.298_482_90).abs() < 1e-8);
        assert_eq!((&readings[1].value, readings[1].quality), (&Value::Missing, Quality::Bad));
        assert_eq!((&readings[2].value, readings[2].quality), (&Value::Number(-6.5), Quality::Uncertain));
        assert_eq!(readings[3].at.to_string(), "2026-04-01T07:00:00Z");
        assert_eq!(readings[3].value, Value::Text("cip".into()));
    }

    #[test]
    fn importing_twice_changes_nothing() {
        let text = b"at,unit,signal,value\n2026-04-01T00:00:00Z,C1,torque,95\n2026-04-01T00:00:00Z,C1,torque,95\n";
        let (folder, staged) = run(&[text, text], &settings());
        let staged = staged.unwrap();
        let (files, readings) = merged(folder.path(), &staged);
        assert_eq!((files[0].rows, readings.len()), (1, 1));
        let again =
            Store::new(folder.path()).merge_staged(files[0].day, Some(&files[0]), 2, &staged.days[&files[0].day]);
        assert_eq!(again.unwrap(), None);
    }

    /// The span and the sentinels are those of the collector: what is refused live must not come in by the back door.
    #[test]
    fn a_number_that_cannot_be_is_missing_and_counted() {
        let text = b"at,unit,signal,value,quality\n\
            2026-04-01T00:00:00Z,C1,product_temp,4,\n\
            2026-04-01T00:00:10Z,C1,product_temp,850,\n\
            2026-04-01T00:00:20Z,C1,torque,1e300,good\n\
            2026-04-01T00:00:30Z,C1,torque,-5000,bad\n\
            2026-04-01T00:00:40Z,C1,run_hours,9999,\n";
        let (folder, staged) = run(&[text], &settings());
        let staged = staged.unwrap();
        assert_eq!((staged.rows, staged.disbelieved), (5, 2));
        let (path, row) = staged.disbelieved_sample.clone().unwrap();
        assert_eq!((path.file_name().unwrap().to_str(), row.line, &*row.column), (Some("0.csv"), 3, "value"));
        assert!(row.problem.contains("850") && row.problem.contains("-60 to 300 °C"), "{row}");
        let (_, readings) = merged(folder.path(), &staged);
        let told: Vec<_> = readings.iter().map(|reading| (reading.value.clone(), reading.quality)).collect();
        let (good, missing) = (|number| (Value::Number(number), Quality::Good), (Value::Missing, Quality::Bad));
        assert_eq!(told, [missing.clone(), missing.clone(), good(4.0), missing, good(9999.0)]);
    }

    /// 1000 °F are 537.8 °C: the span is in the house unit, whatever the file measures in.
    #[test]
    fn the_span_is_held_against_the_house_unit() {
        let text = b"at,unit,signal,value\n2026-04-01T00:00:00Z,C1,product_temp,500\n2026-04-01T00:00:10Z,C1,product_temp,1000\n";
        let mut settings = settings();
        settings.measures.insert(Signal::ProductTemp, Measure::parse("°F", Quantity::Temperature).unwrap());
        let (_folder, staged) = run(&[text], &settings);
        assert_eq!(staged.unwrap().disbelieved, 1);
    }

    #[test]
    fn every_bad_row_is_named_and_nothing_is_taken() {
        let text = b"at,unit,signal,value\n\
            2026-04-01T00:00:00Z,C1,torque,95\n\
            01/04/2026,C1,torque,95\n\
            \n\
            2026-04-01T00:00:00Z,C9,torque,95\n\
            2026-04-01T00:00:00Z,C1,tork,95\n\
            2026-04-01T00:00:00Z,C1,torque,\"95,5\"\n\
            2026-04-01T00:00:00Z,C1,torque,95,5\n\
            1970-01-01T00:00:00Z,C1,torque,95\n";
        let (folder, staged) = run(&[text], &settings());
        let Err(ImportError::Bad(files)) = staged else { panic!("a bad file was taken") };
        assert_eq!((files[0].count, files[0].listed.len()), (6, 3));
        let named: Vec<_> = files[0].listed.iter().map(|bad| (bad.line, bad.column.as_str())).collect();
        assert_eq!(named, [(3, "at"), (5, "unit"), (6, "signal")]);
        assert!(!folder.path().join("staging").exists());
        let all = ImportSettings { listed_bad_rows: 1000, ..settings() };
        let (_folder, staged) = run(&[text], &all);
        let Err(ImportError::Bad(files)) = staged else { panic!("a bad file was taken") };
        assert!(files[0].listed[3].problem.contains("decimal point"), "{}", files[0].listed[3]);
        assert!(files[0].listed[4].problem.contains("5 cells"), "{}", files[0].listed[4]);
        assert!(files[0].listed[5].problem.contains("1970"), "{}", files[0].listed[5]);
    }

    /// Every worker fails while the reader still has much to hand out.
    #[test]
    fn a_staging_folder_that_goes_away_is_an_error_and_no_standstill() {
        use std::io::Write;
        const COLUMNS: usize = 4000;
        let folder = tempfile::tempdir().unwrap();
        let mut settings = settings();
        let names: Vec<String> = (0..COLUMNS).map(|number| format!("x{number}")).collect();
        let unit = UnitId::new("C1").unwrap();
        settings.wide = names.iter().map(|name| (name.clone(), (unit.clone(), Signal::Torque))).collect();
        let path = folder.path().join("past.csv");
        let mut file = std::io::BufWriter::new(fs::File::create(&path).unwrap());
        writeln!(file, "at,{}", names.join(",")).unwrap();
        // Blocks have 4 MiB: some for each worker to fail on, some to wait in line, and more.
        let workers = std::thread::available_parallelism().map_or(1, usize::from);
        let row = format!("2026-04-01T00:00:00Z{}", ",1".repeat(COLUMNS));
        for _ in 0..(4 * workers + 4) * (4 << 20) / row.len() {
            writeln!(file, "{row}").unwrap();
        }
        drop(file);
        let staging = folder.path().join("staging");
        let (tell, told) = std::sync::mpsc::channel();
        std::thread::spawn(move || {
            let gone = |_: Progress<'_>| {
                let _ = fs::remove_dir_all(&staging);
            };
            let _ = tell.send(import(&[path], &settings, &staging, &gone));
        });
        let error = told.recv_timeout(std::time::Duration::from_secs(60)).expect("it stands still").unwrap_err();
        assert!(error.to_string().contains("cannot create"), "{error}");
    }

    #[test]
    fn a_semicolon_file_is_refused_with_a_hint() {
        let (_folder, staged) = run(&[b"at;unit;signal;value\n2026-04-01;C1;torque;95,5\n"], &settings());
        assert!(staged.unwrap_err().to_string().contains("semicolon"));
    }

    #[test]
    fn a_wrong_header_names_what_is_right() {
        let (_folder, staged) = run(&[b"time,unit,signal,value\n"], &settings());
        let said = staged.unwrap_err().to_string();
        assert!(said.contains("columns are at, unit, signal, value"), "{said}");
    }

    #[test]
    fn a_wide_table_is_one_reading_per_filled_cell() {
        let text =
            b"at,C101.TQ,C101.TT\n2026-04-01T00:00:00Z,95,\n2026-04-01T00:00:10Z,,4.5\n2026-04-01T00:00:20Z,NaN,x\n";
        let mut settings = settings();
        let unit = UnitId::new("C1").unwrap();
        settings.wide.insert("C101.TQ".to_owned(), (unit.clone(), Signal::Torque));
        settings.wide.insert("C101.TT".to_owned(), (unit, Signal::ProductTemp));
        let (_folder, staged) = run(&[text], &settings);
        let Err(ImportError::Bad(files)) = staged else { panic!("a bad file was taken") };
        assert_eq!((files[0].count, files[0].listed[0].line, files[0].listed[0].column.as_str()), (1, 4, "C101.TT"));
        let (folder, staged) = run(&[&text[..text.len() - 2]], &settings);
        let (_, readings) = merged(folder.path(), &staged.unwrap());
        let values: Vec<_> = readings.iter().map(|reading| (reading.signal, reading.value.clone())).collect();
        let right = [
            (Signal::Torque, Value::Number(95.0)),
            (Signal::Torque, Value::Missing),
            (Signal::ProductTemp, Value::Number(4.5)),
        ];
        assert_eq!(values, right);
        let (_folder, staged) = run(&[b"at,C101.TQ,C102.TQ\n"], &settings);
        assert!(staged.unwrap_err().to_string().contains("C102.TQ"));
    }
}
