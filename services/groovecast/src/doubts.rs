//! What is needed to doubt: the hour meters of the past, read once and kept.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

use history::DayReadings;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use plant::{DayFile, Reading, Record, Suspicions, UnitId};
use tokio::sync::watch;

use crate::config::Config;
use crate::fleet::Fleet;
use crate::plant_store::{PlantStore, blocking};
use crate::run::pause;
use crate::suspicion::{self, Meters};

/// How often it is looked anew.
const EVERY: Duration = Duration::from_secs(60);
/// The generation of a day that has no file yet.
const NO_FILE: i64 = -1;

/// What the hour meters showed at instants, by the generation of the day file that it was read from.
pub type KnownMeters = BTreeMap<Timestamp, (i64, BTreeMap<UnitId, f64>)>;

/// The doubts about a fleet, with the limits and the bores of the config.
pub fn of_fleet(fleet: &Fleet, meters: &Meters, config: &Config) -> Suspicions {
    let bores = &config.exposure.units;
    let bores_mm = bores.iter().filter_map(|(unit, settings)| Some((unit.clone(), settings.bore_mm?))).collect();
    suspicion::of_fleet(fleet, meters, &bores_mm, &config.doubts)
}

/// Looks again and again what the hour meters of the past showed, until the service is told to stop. Scores do not wait
/// for it, and go on if it fails.
///
/// # Errors
/// None: what goes wrong is logged, and what was read before stands.
pub async fn keep_up(store: Arc<PlantStore>, stopped: watch::Receiver<bool>) -> anyhow::Result<()> {
    loop {
        let looked = async { store.meters(&store.record().await?).await };
        if let Err(error) = looked.await {
            tracing::warn!(error = format!("{error:#}"), "the hour meters of the past could not be read");
        }
        if !pause(EVERY, &stopped).await {
            return Ok(());
        }
    }
}

impl PlantStore {
    /// What is known already of the hour meters when findings with run hours were made.
    pub fn known_meters(&self) -> Meters {
        let known = self.meters.lock().map(|known| known.clone()).unwrap_or_default();
        known.into_iter().map(|(at, (_, shown))| (at, shown)).collect()
    }

    /// What the hour meters showed when findings with run hours were made, from the readings of that day. It is read
    /// anew only where a day's file has changed.
    ///
    /// # Errors
    /// If disk or database refuse.
    pub async fn meters(&self, record: &Record) -> anyhow::Result<Meters> {
        let wanted: BTreeSet<Timestamp> =
            record.findings.iter().filter(|finding| finding.run_h.is_some()).map(|finding| finding.at).collect();
        let files = self.ledger.day_files().await?;
        let file_of = |at: &Timestamp| {
            let day = at.to_zoned_datetime(TimeZone::UTC).date();
            files.iter().find(|file| file.day == day).cloned()
        };
        let generation = |file: &Option<DayFile>| file.as_ref().map_or(NO_FILE, |file| file.generation);
        let known = self.meters.lock().map(|known| known.clone()).unwrap_or_default();
        let newest = files.last().map(|file| file.day);
        let is_new = |at: &&Timestamp| {
            let file = file_of(at);
            // What is only in the journal may still grow: that are the days after the last file's.
            let grows =
                file.is_none() && newest.is_none_or(|newest| newest < at.to_zoned_datetime(TimeZone::UTC).date());
            grows || known.get(*at).is_none_or(|(then, _)| *then != generation(&file))
        };
        let mut by_day: BTreeMap<i64, (Option<DayFile>, Vec<Timestamp>)> = BTreeMap::new();
        for at in wanted.iter().filter(is_new) {
            let day = at.as_second().div_euclid(86_400);
            by_day.entry(day).or_insert_with(|| (file_of(at), Vec::new())).1.push(*at);
        }
        let mut fresh = known;
        fresh.retain(|at, _| wanted.contains(at));
        if let Some((first_day, _)) = by_day.first_key_value() {
            let from = Timestamp::from_second(first_day * 86_400).unwrap_or(Timestamp::MIN);
            let tail = self.ledger.journal_from(from).await?;
            let (store, config) = (self.store.clone(), self.config.clone());
            let days = by_day.into_values();
            let read = move || {
                days.map(|(file, times)| of_day(&store, &config.units, file, &tail, times))
                    .collect::<Result<Vec<_>, _>>()
            };
            fresh.extend(blocking(read).await?.into_iter().flatten());
            if let Ok(mut kept) = self.meters.lock() {
                kept.clone_from(&fresh);
            }
        }
        Ok(fresh.into_iter().map(|(at, (_, shown))| (at, shown)).collect())
    }
}

/// What the meters showed at instants of one day, and of which generation the file was.
type DayMeters = Vec<(Timestamp, (i64, BTreeMap<UnitId, f64>))>;

fn of_day(
    store: &history::Store,
    units: &BTreeSet<UnitId>,
    file: Option<DayFile>,
    tail: &[Reading],
    times: Vec<Timestamp>,
) -> Result<DayMeters, history::HistoryError> {
    let generation = file.as_ref().map_or(NO_FILE, |file| file.generation);
    let mut shown: DayMeters = times.iter().map(|at| (*at, (generation, BTreeMap::new()))).collect();
    let day = |at: Timestamp| at.as_second().div_euclid(86_400);
    // One unit after the other: a day of all of them may be too much to hold.
    for unit in units {
        let mut readings = match file.as_ref().map(|file| store.read_unit(file, unit)) {
            None => DayReadings::default(),
            // Another process has put a newer file in its place: the next look reads that.
            Some(Err(error)) if error.is_gone() => return Ok(Vec::new()),
            Some(read) => read?,
        };
        let of_day = |reading: &&Reading| times.first().is_some_and(|at| day(*at) == day(reading.at));
        readings.add(tail.iter().filter(|reading| reading.unit == *unit).filter(of_day).cloned());
        for (at, (_, meters)) in &mut shown {
            meters.extend(history::hour_meters(&readings, *at));
        }
    }
    Ok(shown)
}
