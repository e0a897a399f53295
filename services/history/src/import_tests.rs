//! What imports take and refuse.

use super::*;
use crate::Store;
use plant::{DayFile, Quality, Quantity, Reading, Value};

fn staging(data: &Path) -> Staging {
    Staging::open(data, &"a test").unwrap().unwrap()
}

fn torque_of(unit: &UnitId) -> WideColumn {
    WideColumn { unit: unit.clone(), signal: Signal::Torque, measure: None, quality: None }
}

fn disbelieved(staged: &Staged) -> u64 {
    staged.tallies.iter().map(|(_, _, tally)| tally.disbelieved).sum()
}

pub(crate) fn settings() -> ImportSettings {
    ImportSettings {
        header: Header::house(),
        skip: BTreeSet::new(),
        zone: TimeZone::get("Europe/Amsterdam").unwrap(),
        units: ["C1", "Kühler 3"].map(|unit| UnitId::new(unit).unwrap()).into(),
        wide: BTreeMap::new(),
        measures: BTreeMap::new(),
        spans: BTreeMap::new(),
        quality_codes: None,
        quality_words: BTreeMap::new(),
        stretch_bytes: STRETCH_BYTES,
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
    let staging = staging(folder.path());
    let staged = import(&files, settings, &staging, &|_| {});
    (folder, staged)
}

fn merged(data: &Path, staged: &Staged) -> (Vec<DayFile>, Vec<Reading>) {
    let store = Store::new(data);
    let mut files = Vec::new();
    let mut readings = Vec::new();
    for (day, parts) in &staged.days {
        let file = store.merge_staged(*day, None, 1, parts).unwrap().0.unwrap();
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
    let again = Store::new(folder.path()).merge_staged(files[0].day, Some(&files[0]), 2, &staged.days[&files[0].day]);
    assert_eq!(again.unwrap().0, None);
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
    assert_eq!((staged.rows, disbelieved(&staged)), (5, 2));
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
    let text =
        b"at,unit,signal,value\n2026-04-01T00:00:00Z,C1,product_temp,500\n2026-04-01T00:00:10Z,C1,product_temp,1000\n";
    let mut settings = settings();
    settings.measures.insert(Signal::ProductTemp, Measure::parse("°F", Quantity::Temperature).unwrap());
    let (_folder, staged) = run(&[text], &settings);
    assert_eq!(disbelieved(&staged.unwrap()), 1);
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
    let (_folder, staged) = run(&[text], &settings());
    let Err(ImportError::Bad { files, .. }) = staged else { panic!("a bad file was taken") };
    assert_eq!((files[0].count, files[0].listed.len()), (6, 3));
    let named: Vec<_> = files[0].listed.iter().map(|bad| (bad.line, bad.column.as_str())).collect();
    assert_eq!(named, [(3, "at"), (5, "unit"), (6, "signal")]);
    let all = ImportSettings { listed_bad_rows: 1000, ..settings() };
    let (_folder, staged) = run(&[text], &all);
    let Err(ImportError::Bad { files, .. }) = staged else { panic!("a bad file was taken") };
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
    settings.wide = names.iter().map(|name| (name.clone(), torque_of(&unit))).collect();
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
    let staging = staging(folder.path());
    let root = folder.path().join("staging");
    let (tell, told) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let gone = |_: Progress<'_>| {
            let _ = fs::remove_dir_all(&root);
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
    let text = b"at,C101.TQ,C101.TT\n2026-04-01T00:00:00Z,95,\n2026-04-01T00:00:10Z,,4.5\n2026-04-01T00:00:20Z,NaN,x\n";
    let mut settings = settings();
    let unit = UnitId::new("C1").unwrap();
    settings.wide.insert("C101.TQ".to_owned(), torque_of(&unit));
    settings.wide.insert("C101.TT".to_owned(), WideColumn { signal: Signal::ProductTemp, ..torque_of(&unit) });
    let (_folder, staged) = run(&[text], &settings);
    let Err(ImportError::Bad { files, .. }) = staged else { panic!("a bad file was taken") };
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

/// Killed after any block and started again: read on where it was, and the same readings and counts as at one go.
#[test]
fn a_killed_import_goes_on_where_it_was() {
    let mut text = "at,unit,signal,value,quality\n".to_owned();
    for second in 0..300_000 {
        let at = Timestamp::from_second(1_775_001_600 + 3 * second).unwrap();
        text.push_str(&format!(
            "{at},C1,torque,{},{}\n",
            second % 997,
            ["good", "uncertain", "filled"][second as usize % 3]
        ));
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("past.csv");
    fs::write(&path, &text).unwrap();
    let settings = ImportSettings { stretch_bytes: 1, ..settings() };
    let at_once =
        import(std::slice::from_ref(&path), &settings, &staging(&folder.path().join("whole")), &|_| {}).unwrap();
    let data = folder.path().join("killed");
    let steps = std::cell::Cell::new(0);
    for kill_at in [1, 2, 1] {
        let taken = staging(&data);
        let killed = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            let begun = steps.get();
            import(std::slice::from_ref(&path), &settings, &taken, &|_| {
                steps.set(steps.get() + 1);
                assert!(steps.get() < begun + kill_at, "killed here");
            })
        }));
        assert!(killed.is_err(), "the file is too short to be killed in");
    }
    // What a power cut may leave: a part without its end. Its stretch is read again.
    let source = fs::read_dir(data.join("staging")).unwrap().next().unwrap().unwrap().path().join("0");
    let first_parts = |path: &PathBuf| path.file_name().unwrap().to_str().unwrap().starts_with("0-");
    let part = fs::read_dir(source).unwrap().map(|entry| entry.unwrap().path()).find(first_parts).unwrap();
    fs::write(part, b"PAR1").unwrap();
    let taken = staging(&data);
    let resumed = import(std::slice::from_ref(&path), &settings, &taken, &|_| {}).unwrap();
    assert_eq!((resumed.rows, &resumed.tallies), (at_once.rows, &at_once.tallies));
    assert_eq!(merged(&data, &resumed).1, merged(&folder.path().join("whole"), &at_once).1);
    // It is not read again once it is whole, and what is over leaves nothing behind.
    drop(taken);
    let again = import(std::slice::from_ref(&path), &settings, &staging(&data), &|_| panic!("read again")).unwrap();
    assert_eq!(again, resumed);
    staging(&data).remove().unwrap();
    assert!(!data.join("staging").exists());
}

#[test]
fn a_folder_that_somebody_works_at_is_left_alone_and_others_are_swept() {
    let folder = tempfile::tempdir().unwrap();
    let mine = Staging::open(folder.path(), &"mine").unwrap().unwrap();
    assert!(Staging::open(folder.path(), &"mine").unwrap().is_none(), "two imports work at one folder");
    let theirs = Staging::open(folder.path(), &"theirs").unwrap().unwrap();
    drop(Staging::open(folder.path(), &"killed").unwrap().unwrap());
    assert_eq!(Staging::sweep(folder.path(), Some(&mine), Timestamp::MIN).unwrap(), 0, "nothing is so old");
    assert_eq!(Staging::sweep(folder.path(), Some(&mine), Timestamp::MAX).unwrap(), 1);
    assert_eq!(fs::read_dir(folder.path().join("staging")).unwrap().count(), 2);
    drop(theirs);
    assert_eq!(Staging::sweep(folder.path(), None, Timestamp::MAX).unwrap(), 1, "mine is still at work");
}

/// The span of a unit's signal is the plant's; what lies outside is as missing as a sentinel.
#[test]
fn a_plants_own_span_is_held() {
    let mut settings = settings();
    settings.spans.insert((UnitId::new("C1").unwrap(), Signal::Torque), (0.0, 400.0));
    let text = b"at,unit,signal,value\n2026-04-01T00:00:00Z,C1,torque,401\n2026-04-01T00:00:01Z,C1,torque,400\n";
    let (_folder, staged) = run(&[text], &settings);
    assert_eq!(disbelieved(&staged.unwrap()), 1);
}

/// A wide table whose qualities stand in columns of their own, and the counts of every kind.
#[test]
fn qualities_of_a_wide_table_are_read_and_counted() {
    let text = b"at,TQ,TQ.Q\n2026-04-01T00:00:00Z,95,good\n2026-04-01T00:00:10Z,96,interpolated\n\
        2026-04-01T00:00:20Z,97,filled\n2026-04-01T00:00:30Z,98,0x808C0000\n2026-04-01T00:00:40Z,99,missing\n\
        2026-04-01T00:00:50Z,99,I/O timeout\n2026-04-01T00:01:00Z,99,uncertain\n";
    let mut settings = settings();
    let unit = UnitId::new("C1").unwrap();
    settings.wide.insert("TQ".to_owned(), WideColumn { quality: Some("TQ.Q".to_owned()), ..torque_of(&unit) });
    let (_folder, staged) = run(&[text], &settings);
    let Err(ImportError::Bad { files, .. }) = staged else { panic!("a word that nobody knows was taken") };
    assert_eq!((files[0].listed[0].line, &*files[0].listed[0].column), (7, "TQ.Q"));
    settings.quality_words.insert("i/o timeout".to_owned(), Status::measured(Quality::Bad));
    let (folder, staged) = run(&[text], &settings);
    let staged = staged.unwrap();
    let tally = staged.tallies.0[&unit][&Signal::Torque];
    assert_eq!((tally.rows, tally.uncertain, tally.bad, tally.derived, tally.filled), (7, 1, 3, 1, 1));
    let (_, readings) = merged(folder.path(), &staged);
    let told: Vec<_> = readings.iter().map(|reading| (reading.value.number(), reading.quality)).collect();
    let bad = |number| (Some(number), Quality::Bad);
    let right =
        [(Some(95.0), Quality::Good), (Some(96.0), Quality::Uncertain), bad(97.0), bad(98.0), (None, Quality::Bad)];
    assert_eq!(told[..5], right);
    let (_folder, staged) = run(&[b"at,TQ\n"], &settings);
    assert!(staged.unwrap_err().to_string().contains("TQ.Q"));
}

/// What comes in besides what is there: new ones, such that are there, and instants with two values.
#[test]
fn what_a_day_gains_is_counted_by_signal() {
    let text = b"at,unit,signal,value\n2026-04-01T00:00:00Z,C1,torque,95\n2026-04-01T00:00:01Z,C1,torque,96\n";
    let (folder, staged) = run(&[text], &settings());
    let (files, _) = merged(folder.path(), &staged.unwrap());
    let text = b"at,unit,signal,value\n2026-04-01T00:00:00Z,C1,torque,95\n2026-04-01T00:00:01Z,C1,torque,97\n\
        2026-04-01T00:00:02Z,C1,torque,98\n";
    let (_other, staged) = run(&[text], &settings());
    let staged = staged.unwrap();
    let parts = staged.days.values().next().unwrap();
    let store = Store::new(folder.path());
    let added = store.compare_staged(Some(&files[0]), &[], parts).unwrap();
    let (_, _, found) = added.iter().next().unwrap();
    assert_eq!((found.new, found.conflicts), (2, 1));
    let known = Reading { value: Value::Number(98.0), ..reading_at("2026-04-01T00:00:02Z") };
    let added = store.compare_staged(Some(&files[0]), &[known], parts).unwrap();
    assert_eq!(added.iter().next().unwrap().2.new, 1, "the journal has one of them");
}

fn reading_at(at: &str) -> Reading {
    let unit = UnitId::new("C1").unwrap();
    let (value, quality, time_source) = (Value::Missing, Quality::Good, plant::TimeSource::Own);
    Reading { unit, signal: Signal::Torque, at: at.parse().unwrap(), value, quality, time_source }
}

/// One reading per row, told by a tag, under the names that a historian gave the columns.
#[test]
fn a_table_of_tags_is_read_by_the_names_of_the_plant() {
    let text =
        b"TagName,Timestamp,Status,Val\nC101.TQ,2026-04-01T00:00:00Z,good,95\nC101.X,2026-04-01T00:00:00Z,good,1\n\
        C101.TT,2026-04-01T00:00:10Z,uncertain,4.5\nC102.TQ,2026-04-01T00:00:10Z,good,1\n";
    let mut settings = settings();
    let unit = UnitId::new("C1").unwrap();
    settings.wide.insert("C101.TQ".to_owned(), torque_of(&unit));
    settings.wide.insert("C101.TT".to_owned(), WideColumn { signal: Signal::ProductTemp, ..torque_of(&unit) });
    settings.skip = ["C101.X".to_owned()].into();
    let [at, tag, value, quality] = ["Timestamp", "TagName", "Val", "Status"].map(str::to_owned);
    settings.header = Header { at, tag, value, quality };
    let (_folder, staged) = run(&[text], &settings);
    let Err(ImportError::Bad { files, .. }) = staged else { panic!("a tag that nobody knows was taken") };
    assert_eq!((files[0].count, files[0].listed[0].line, &*files[0].listed[0].column), (1, 5, "TagName"));
    settings.skip.insert("C102.TQ".to_owned());
    let (folder, staged) = run(&[text], &settings);
    let (_, readings) = merged(folder.path(), &staged.unwrap());
    let told: Vec<_> =
        readings.iter().map(|reading| (reading.signal, reading.value.number(), reading.quality)).collect();
    let right = [(Signal::Torque, Some(95.0), Quality::Good), (Signal::ProductTemp, Some(4.5), Quality::Uncertain)];
    assert_eq!(told, right);
    // What is mapped is taken though it is skipped too, in its own unit of measure.
    settings.skip.insert("C101.TQ".to_owned());
    settings.wide.get_mut("C101.TQ").unwrap().measure = Some(Measure::parse("kN·m", Quantity::Torque).unwrap());
    let staged = run(&[b"TagName,Timestamp,Val\nC101.TQ,2026-04-01T00:00:00Z,0.1\n"], &settings);
    let (_, readings) = merged(staged.0.path(), &staged.1.unwrap());
    assert_eq!(readings[0].value.number(), Some(100.0));
    settings.wide.get_mut("C101.TQ").unwrap().measure = None;
    // A wide table under the same names.
    let (folder, staged) = run(&[b"Timestamp,C101.TQ,C102.TQ\n2026-04-01T00:00:00Z,95,1\n"], &settings);
    assert_eq!(merged(folder.path(), &staged.unwrap()).1.len(), 1);
}
