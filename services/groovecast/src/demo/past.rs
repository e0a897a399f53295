//! The invented past into day files and record.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use plant::{DayFile, Reading};
use simulation::Plant;

use crate::args::What;
use crate::exit::Failure;
use crate::history_in::lock_days;
use crate::imports::{import_tables, rules};
use crate::plant_store::{PlantStore, blocking};

/// A reading may arrive so many days late; older days are written.
const LATE_DAYS: usize = 4;

/// Imports readings and register of the past.
pub async fn import(store: &PlantStore, plant: Arc<Plant>, folder: &Path) -> Result<(), Failure> {
    let mut lock = lock_days(store).await?;
    let generation = store.ledger.next_generation().await?;
    let (days, end) = (store.store.clone(), plant.end());
    let files = blocking(move || day_files(&days, &plant, generation)).await?;
    store.ledger.commit_days(&mut lock.right, &files, Some(end)).await?;
    drop(lock);
    let rules = rules(&store.config, end);
    for (what, names) in [
        (What::Register, &["tubes.csv", "fittings.csv", "work.csv"][..]),
        (What::Campaigns, &["campaigns.csv"]),
        (What::Findings, &["findings.csv"]),
    ] {
        let paths: Vec<_> = names.iter().map(|name| folder.join(name)).collect();
        import_tables(store, what, &paths, &rules).await?;
    }
    Ok(())
}

fn day_files(store: &history::Store, plant: &Plant, generation: i64) -> Result<Vec<DayFile>, history::HistoryError> {
    let mut open: BTreeMap<Date, Vec<Reading>> = BTreeMap::new();
    let mut files = Vec::new();
    for readings in plant.past() {
        for reading in readings {
            let day = reading.at.to_zoned_datetime(TimeZone::UTC).date();
            open.entry(day).or_default().push(reading);
        }
        while open.len() > LATE_DAYS {
            if let Some((day, readings)) = open.pop_first() {
                files.push(store.merge(day, None, generation, readings)?);
            }
        }
    }
    for (day, readings) in open {
        files.push(store.merge(day, None, generation, readings)?);
    }
    Ok(files)
}
