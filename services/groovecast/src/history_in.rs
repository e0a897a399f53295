//! `import history`: a historian's past into the day files.
//!
//! Everything is read and checked first; only when every row is good is anything taken. Then days are merged, some at a
//! time, so that a service that runs meanwhile can close its hours in between. Killed at any instant, the same command goes
//! on where it was.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use history::{
    Added, BadFile, ByTrack, HistoryError, ImportError, ImportSettings, Merged, Progress, Staged, Staging, Tally,
    on_all_cores,
};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use plant::{Clock, DayFile, Reading};

use crate::exit::Failure;
use crate::plant_store::{DaysLock, PlantStore, blocking};
use crate::progress::Gauge;

/// How a past is brought in.
#[derive(Debug, Clone, Default)]
pub struct How {
    /// Only say what would be taken.
    pub dry_run: bool,
    /// The zone of times without an offset; the plant's if none is given.
    pub zone: Option<TimeZone>,
}

/// Bad rows that are listed per file; the rest are counted.
const LISTED_BAD_ROWS: usize = 1000;
/// A reading's time may lie so far ahead of our clock.
const AHEAD: SignedDuration = SignedDuration::from_mins(5);
/// Days merged before others may have the right to change day files again.
const DAYS_AT_ONCE: usize = 30;

/// Imports readings of files.
pub async fn import(store: &PlantStore, files: &[PathBuf], how: &How, clock: &dyn Clock) -> Result<(), Failure> {
    let settings = settings(store, how, clock.now())?;
    let identity = history::identity_of(files).map_err(failed)?;
    let staging = open(store, how, &(identity, settings.identity()))?;
    let files = files.to_vec();
    let (staged, staging) = blocking_import(staging, move |staging| {
        let gauge = Gauge::new();
        let progress = |Progress { source, done, total }: Progress<'_>| {
            let parquet = source.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("parquet"));
            let unit = if parquet { ("thousand rows", 1e3) } else { ("MB", 1e6) };
            gauge.show(&format!("checking {}", source.display()), done, total, unit);
        };
        let staged = history::import(&files, &settings, staging, &progress);
        gauge.end();
        staged
    })
    .await?;
    take(store, how, staged, staging).await
}

/// What rows are held against.
pub fn settings(store: &PlantStore, how: &How, now: Timestamp) -> Result<ImportSettings, Failure> {
    let config = &store.config;
    Ok(ImportSettings {
        header: config.files.header.clone(),
        skip: config.files.skip.clone(),
        zone: how.zone.clone().unwrap_or(config.time_zone.clone()),
        units: config.units.clone(),
        measures: config.files.measures.clone(),
        spans: config.files.spans.clone(),
        quality_codes: config.files.quality_codes,
        quality_words: config.files.quality_words.clone(),
        wide: config.files.columns.clone(),
        stretch_bytes: history::STRETCH_BYTES,
        listed_bad_rows: LISTED_BAD_ROWS,
        earliest: Timestamp::from_second(946_684_800).map_err(anyhow::Error::from)?,
        latest: now + AHEAD,
    })
}

/// The import's own folder, after what other imports left is removed. A dry run has another one than the import itself, and
/// leaves others alone.
pub fn open(store: &PlantStore, how: &How, identity: &impl serde::Serialize) -> Result<Staging, Failure> {
    let data = &store.config.data;
    let staging = Staging::open(data, &(how.dry_run, identity)).map_err(failed)?;
    let staging = staging.ok_or_else(|| Failure::Usage("another process is at the very same import".to_owned()))?;
    if !how.dry_run && Staging::sweep(data, Some(&staging), Timestamp::MAX).map_err(failed)? > 0 {
        eprintln!("what another import left when it was killed is removed");
    }
    if staging.is_begun() {
        eprintln!("an import of the same was ended before it was done: going on where it was");
    }
    Ok(staging)
}

/// Removes what killed imports left a week ago and more, and nobody has gone on with.
///
/// # Errors
/// If a folder cannot be removed.
pub async fn sweep(store: &PlantStore, now: Timestamp) -> anyhow::Result<()> {
    let (data, before) = (store.config.data.clone(), now - Duration::from_secs(7 * 86_400));
    let removed = blocking(move || Staging::sweep(&data, None, before)).await?;
    if removed > 0 {
        tracing::info!(removed, "what killed imports left is removed");
    }
    Ok(())
}

/// Does the blocking part of an import. What was staged for nothing is removed; after any other end by itself it stays, to
/// be gone on with.
async fn blocking_import(
    staging: Staging,
    work: impl FnOnce(&Staging) -> Result<Staged, ImportError> + Send + 'static,
) -> Result<(Staged, Staging), Failure> {
    let run = move || (work(&staging), staging);
    let (staged, staging) = tokio::task::spawn_blocking(run).await.map_err(anyhow::Error::from)?;
    staged_or_told(staged, staging)
}

/// Parts what was staged from what went wrong.
pub fn staged_or_told(staged: Result<Staged, ImportError>, staging: Staging) -> Result<(Staged, Staging), Failure> {
    match staged {
        Ok(staged) => Ok((staged, staging)),
        Err(ImportError::Bad { files, tallies }) => {
            staging.remove().map_err(failed)?;
            print(&tallies, None);
            Err(Failure::Data(files.into_iter().map(bad_file).collect()))
        }
        Err(ImportError::History(error)) => {
            // A full disk needs the room; a file that is no table would be no better next time.
            staging.remove().map_err(failed)?;
            Err(failed(error))
        }
    }
}

fn failed(error: HistoryError) -> Failure {
    match error {
        error @ HistoryError::Io { .. } => Failure::Other(error.into()),
        error => Failure::Input(error.to_string()),
    }
}

fn bad_file(file: BadFile) -> (PathBuf, Vec<plant::BadRow>, u64) {
    let more = file.count - file.listed.len() as u64;
    (file.path, file.listed, more)
}

/// Takes what is staged, or says what would be taken.
pub async fn take(store: &PlantStore, how: &How, staged: Staged, staging: Staging) -> Result<(), Failure> {
    let gauge = Gauge::new();
    let merged = match how.dry_run {
        true => compare(store, &staged, &gauge).await,
        false => merge(store, &staged, &staging, &gauge).await,
    };
    gauge.end();
    let merged = merged.inspect_err(|_| staging.doubt())?;
    print(&staged.tallies, Some(&merged.added));
    match (how.dry_run, merged.changed) {
        (true, changed) => println!("{} rows read, {changed} days would change; nothing was taken", staged.rows),
        (false, 0) => println!("{} rows read, nothing new in them", staged.rows),
        (false, changed) => println!("{} rows read, {changed} days changed", staged.rows),
    }
    if staged.zone_assumed > 0 {
        let zone = how.zone.as_ref().unwrap_or(&store.config.time_zone);
        let zone = zone.iana_name().unwrap_or("the plant's zone");
        println!("  {} times without an offset taken in {zone}", staged.zone_assumed);
    }
    if staged.zone_unclear > 0 {
        println!(
            "  {} of them fall into an hour that its clock showed twice or skipped: the first was taken; export times with an \
             offset, or in UTC",
            staged.zone_unclear
        );
    }
    if let Some((path, row)) = &staged.disbelieved_sample {
        let count: u64 = staged.tallies.iter().map(|(_, _, tally)| tally.disbelieved).sum();
        println!("  {count} numbers cannot be and are taken as missing, first {}: {row}", path.display());
    }
    staging.remove().map_err(failed)
}

/// What the journal holds, by day.
async fn journal(store: &PlantStore) -> anyhow::Result<BTreeMap<Date, Vec<Reading>>> {
    let mut days: BTreeMap<Date, Vec<Reading>> = BTreeMap::new();
    for reading in store.ledger.journal_from(Timestamp::MIN).await? {
        days.entry(TimeZone::UTC.to_datetime(reading.at).date()).or_default().push(reading);
    }
    Ok(days)
}

/// What days would gain; nothing is written.
async fn compare(store: &PlantStore, staged: &Staged, gauge: &Gauge) -> Result<Merged, Failure> {
    let known = journal(store).await?;
    let current = store.ledger.day_files().await?;
    let mut merged = Merged::default();
    let days: Vec<(&Date, &Vec<PathBuf>)> = staged.days.iter().collect();
    for days in days.chunks(DAYS_AT_ONCE) {
        let work = day_work(days, &current, &known);
        let files = store.store.clone();
        let compare = move |day: &DayWork| files.compare_staged(day.current.as_ref(), &day.known, &day.parts);
        let all = blocking(move || on_all_cores(&work, compare)).await?;
        for ((day, _), added) in days.iter().zip(all) {
            merged.note(**day, &added);
        }
        gauge.show("comparing", merged.days.len() as u64, staged.days.len() as u64, ("days", 1.0));
    }
    Ok(merged)
}

/// What there is to do for a day.
struct DayWork {
    day: Date,
    current: Option<DayFile>,
    /// Readings of it that are in the journal.
    known: Vec<Reading>,
    parts: Vec<PathBuf>,
}

fn day_work(
    days: &[(&Date, &Vec<PathBuf>)],
    current: &[DayFile],
    known: &BTreeMap<Date, Vec<Reading>>,
) -> Vec<DayWork> {
    let work = |(day, parts): &(&Date, &Vec<PathBuf>)| DayWork {
        day: **day,
        current: current.iter().find(|file| file.day == **day).cloned(),
        known: known.get(day).cloned().unwrap_or_default(),
        parts: (*parts).clone(),
    };
    days.iter().map(work).collect()
}

/// Merges days, some at a time; those that were merged before a kill are not looked at again.
async fn merge(store: &PlantStore, staged: &Staged, staging: &Staging, gauge: &Gauge) -> Result<Merged, Failure> {
    let mut merged = staging.merged();
    let known = journal(store).await?;
    let left: Vec<(&Date, &Vec<PathBuf>)> = staged.days.iter().filter(|(day, _)| !merged.days.contains(day)).collect();
    for days in left.chunks(DAYS_AT_ONCE) {
        let mut lock = lock_days(store).await?;
        let generation = store.ledger.next_generation().await?;
        let work = day_work(days, &store.ledger.day_files().await?, &known);
        let files = store.store.clone();
        let merge = move |day: &DayWork| {
            let (old, parts) = (day.current.as_ref(), &day.parts);
            let seen = match day.known.as_slice() {
                [] => None,
                known => Some(files.compare_staged(old, known, parts)?),
            };
            let (file, added) = files.merge_staged(day.day, old, generation, parts)?;
            Ok::<_, HistoryError>((file, seen.unwrap_or(added)))
        };
        let all = blocking(move || on_all_cores(&work, merge)).await?;
        let mut files = Vec::new();
        for ((day, _), (file, added)) in days.iter().zip(all) {
            merged.note(**day, &added);
            files.extend(file);
        }
        store.ledger.commit_days(&mut lock.right, &files, None).await?;
        store.remove_unlisted(generation).await?;
        staging.keep_merged(&merged, days.iter().flat_map(|(_, parts)| *parts)).map_err(failed)?;
        gauge.show("merging", merged.days.len() as u64, staged.days.len() as u64, ("days", 1.0));
    }
    Ok(merged)
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
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
}

/// A line for each unit's signal.
fn print(tallies: &ByTrack<Tally>, added: Option<&ByTrack<Added>>) {
    for (unit, signal, tally) in tallies.iter() {
        let added =
            added.map(|added| added.0.get(unit).and_then(|signals| signals.get(&signal)).copied().unwrap_or_default());
        println!("{unit} {signal}: {}", line(tally, added));
    }
}

fn line(tally: &Tally, added: Option<Added>) -> String {
    let mut said = vec![format!("{} readings", tally.rows)];
    if let Some((first, last)) = tally.span_us {
        let at = |at_us| Timestamp::from_microsecond(at_us).map_or_else(|_| at_us.to_string(), |at| at.to_string());
        said.push(format!("{} to {}", at(first), at(last)));
    }
    if let Some(Added { new, conflicts }) = added {
        said.push(format!("{new} new"));
        let rest =
            [(tally.rows - new.min(tally.rows), "there already"), (conflicts, "instants with another value too")];
        said.extend(rest.into_iter().filter(|(count, _)| *count > 0).map(|(count, what)| format!("{count} {what}")));
    }
    let kinds = [
        (tally.uncertain, "uncertain"),
        (tally.derived, "interpolated or calculated"),
        (tally.bad, "bad or missing"),
        (tally.filled, "filled in"),
        (tally.disbelieved, "cannot be"),
        (tally.refused, "refused"),
    ];
    said.extend(kinds.into_iter().filter(|(count, _)| *count > 0).map(|(count, what)| format!("{count} {what}")));
    said.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_tells_what_there_is_and_what_is_new() {
        let mut tally = Tally { rows: 10, span_us: Some((0, 60_000_000)), derived: 2, refused: 1, ..Tally::default() };
        let added = Added { new: 7, conflicts: 1 };
        let right = "10 readings, 1970-01-01T00:00:00Z to 1970-01-01T00:01:00Z, 7 new, 3 there already, 1 instants with another \
                     value too, 2 interpolated or calculated, 1 refused";
        assert_eq!(line(&tally, Some(added)), right);
        tally = Tally { refused: 3, ..Tally::default() };
        assert_eq!(line(&tally, None), "0 readings, 3 refused");
    }
}
