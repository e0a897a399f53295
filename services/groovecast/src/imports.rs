//! `import`: the plant's files into record and history.

use std::io::IsTerminal;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use history::{BadFile, HistoryError, ImportError, ImportSettings, Progress, Staged};
use jiff::{SignedDuration, Timestamp};
use ledger::{By, FileImport, Rules};
use plant::DayFile;
use plant::{Clock, Table};

use crate::args::What;
use crate::config::Config;
use crate::exit::Failure;
use crate::plant_store::{DaysLock, PlantStore, blocking};
use crate::suspicion;

/// Imports files: all or nothing.
pub async fn import(config: Config, what: What, files: &[PathBuf], clock: &dyn Clock) -> Result<(), Failure> {
    let store = PlantStore::open(Arc::new(config)).await?;
    if what == What::History {
        return history(&store, files, clock).await;
    }
    let rules = rules(&store.config, clock.now());
    import_tables(&store, what, files, &rules).await?.iter().for_each(print);
    if what == What::Findings {
        warn(&store).await?;
    }
    Ok(())
}

/// Most doubts that are told after an import; the page and the API have all.
const MOST_DOUBTS: usize = 20;

/// Tells what is doubted in the record now. Everything was imported all the same.
async fn warn(store: &PlantStore) -> Result<(), Failure> {
    let record = store.record().await?;
    let meters = store.meters(&record).await?;
    let doubts = suspicion::of_record(&record, &meters, &store.config.doubts).doubts;
    for doubt in doubts.iter().take(MOST_DOUBTS) {
        let tube = doubt.tube.as_ref().map_or(String::new(), |tube| format!(" tube {tube}"));
        eprintln!("doubted:{tube} at {:.0}: {}. {}", doubt.at, doubt.what, doubt.check);
    }
    if doubts.len() > MOST_DOUBTS {
        eprintln!("doubted: {} more, told on the page /suspicions of the service", doubts.len() - MOST_DOUBTS);
    }
    Ok(())
}

/// Bad rows that are listed per file; the rest are counted.
const LISTED_BAD_ROWS: usize = 1000;
/// A reading's time may lie so far ahead of our clock.
const AHEAD: SignedDuration = SignedDuration::from_mins(5);

/// Imports readings: read and checked as a whole first, then merged day by day, then made current at once.
async fn history(store: &PlantStore, files: &[PathBuf], clock: &dyn Clock) -> Result<(), Failure> {
    let begun_us = clock.now().as_microsecond();
    let staging = store.config.data.join(format!("staging-{}-{begun_us}", std::process::id()));
    let settings = ImportSettings {
        zone: store.config.time_zone.clone(),
        units: store.config.units.clone(),
        measures: store.config.file_measures.clone(),
        quality_codes: store.config.quality_codes,
        wide: store.config.wide_columns.clone(),
        listed_bad_rows: LISTED_BAD_ROWS,
        earliest: Timestamp::from_second(946_684_800).map_err(anyhow::Error::from)?,
        latest: clock.now() + AHEAD,
    };
    let (paths, folder) = (files.to_vec(), staging.clone());
    let staged = tokio::task::spawn_blocking(move || history::import(&paths, &settings, &folder, &progress()))
        .await
        .map_err(anyhow::Error::from)?;
    let staged = match staged {
        Ok(staged) => staged,
        Err(ImportError::Bad(files)) => return Err(Failure::Data(files.into_iter().map(bad_file).collect())),
        Err(ImportError::History(error @ HistoryError::Io { .. })) => return Err(Failure::Other(error.into())),
        Err(ImportError::History(error)) => return Err(Failure::Input(error.to_string())),
    };
    let merged = merge(store, &staged).await;
    // What was staged is merged, or of no more use.
    let _ = std::fs::remove_dir_all(&staging);
    let files = merged?;
    match files.is_empty() {
        true => println!("{} readings read, nothing new in them", staged.rows),
        false => println!("{} readings read, {} days changed", staged.rows, files.len()),
    }
    print_zone(staged.zone_assumed);
    if staged.disbelieved > 0 {
        let sample = staged.disbelieved_sample.as_ref();
        let sample = sample.map_or(String::new(), |(path, row)| format!(", first {}: {row}", path.display()));
        println!("  {} numbers cannot be and were taken as missing{sample}", staged.disbelieved);
    }
    Ok(())
}

fn bad_file(file: BadFile) -> (PathBuf, Vec<plant::BadRow>, u64) {
    let more = file.count - file.listed.len() as u64;
    (file.path, file.listed, more)
}

async fn merge(store: &PlantStore, staged: &Staged) -> Result<Vec<DayFile>, Failure> {
    let mut lock = lock_days(store).await?;
    let generation = store.ledger.next_generation().await?;
    let current = store.ledger.day_files().await?;
    let mut files = Vec::new();
    for (day, parts) in &staged.days {
        let old = current.iter().find(|file| file.day == *day).cloned();
        let (days, day, parts) = (store.store.clone(), *day, parts.clone());
        files.extend(blocking(move || days.merge_staged(day, old.as_ref(), generation, &parts)).await?);
    }
    store.ledger.commit_days(&mut lock.right, &files, None).await?;
    store.remove_unlisted(generation).await?;
    Ok(files)
}

/// Waits until no other process changes day files.
pub async fn lock_days(store: &PlantStore) -> Result<DaysLock, Failure> {
    let mut told = false;
    loop {
        if let Some(lock) = store.try_lock_days().await? {
            return Ok(lock);
        }
        if !told {
            tracing::info!("another process is changing day files; waiting for it");
            told = true;
        }
        tokio::time::sleep(std::time::Duration::from_millis(200)).await;
    }
}

/// Shows how far it is, on a terminal; silent in a pipe.
fn progress() -> impl Fn(Progress<'_>) {
    let shown = AtomicU64::new(u64::MAX);
    let terminal = std::io::stderr().is_terminal();
    move |progress| {
        let percent = progress.done * 100 / progress.total.max(1);
        if terminal && shown.swap(percent, Ordering::Relaxed) != percent {
            eprint!("\r{}: {percent} %", progress.file.display());
            if percent >= 100 {
                eprintln!();
            }
        }
    }
}

/// What rows are held against.
pub fn rules(config: &Config, now: Timestamp) -> Rules {
    Rules {
        units: config.units.clone(),
        zones: config.zones.clone(),
        surfaces: config.surfaces.clone(),
        time_zone: config.time_zone.clone(),
        now,
    }
}

/// Imports files of the record.
///
/// # Errors
/// [`Failure::Data`] names every bad row; then nothing is imported.
pub async fn import_tables(
    store: &PlantStore,
    what: What,
    files: &[PathBuf],
    rules: &Rules,
) -> Result<Vec<FileImport>, Failure> {
    let by = By { who: importer(), at: rules.now };
    let sheets: &[&str] = match what {
        What::Register => &["tubes", "fittings", "work", "register"],
        What::Findings => &["findings"],
        What::Campaigns => &["campaigns"],
        What::History => &[],
    };
    let read = |path: &PathBuf| history::read_tables(path, sheets).map_err(|error| Failure::Input(error.to_string()));
    let mut tables: Vec<Table> = Vec::new();
    for path in files {
        let file = read(path)?;
        if !file.left_out.is_empty() {
            let left_out = file.left_out.join(", ");
            eprintln!("{}: not read: {left_out}; read are sheets called {}", path.display(), sheets.join(", "));
        }
        tables.extend(file.tables);
    }
    Ok(match what {
        What::Register => store.ledger.import_register(&tables, rules, &by).await?,
        What::Findings => store.ledger.import_findings(&tables, rules, &by).await?,
        What::Campaigns => store.ledger.import_campaigns(&tables, rules, &by).await?,
        What::History => return Err(Failure::Usage("history is no table of the record".to_owned())),
    })
}

fn print(file: &FileImport) {
    let FileImport { added, changed, unchanged, .. } = file;
    println!("{}: {}: {added} added, {changed} changed, {unchanged} there already", file.path.display(), file.kind);
    print_zone(file.zone_assumed);
}

fn print_zone(times: u64) {
    if times > 0 {
        let times = if times == 1 { "1 time".to_owned() } else { format!("{times} times") };
        println!("  {times} without an offset taken in the plant's zone");
    }
}

/// Who imports, for the audit trail: the account of the machine, as far as it says.
fn importer() -> String {
    let account = ["SUDO_USER", "USER", "LOGNAME"].into_iter().find_map(|name| std::env::var(name).ok());
    account.map_or("an import".to_owned(), |account| format!("an import by {account}"))
}
