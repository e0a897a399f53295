//! `import`: the plant's files into record and history.

use std::path::PathBuf;
use std::sync::Arc;

use jiff::Timestamp;
use ledger::{By, FileImport, Rules};
use plant::{Clock, Table};

use crate::args::{Query, What};
use crate::config::Config;
use crate::exit::Failure;
use crate::history_in::{self, How};
use crate::history_sql;
use crate::plant_store::PlantStore;
use crate::suspicion;

/// What is imported.
pub struct From {
    /// Files.
    pub files: Vec<PathBuf>,
    /// Or what a query gives.
    pub query: Query,
}

/// Imports files, or what a query gives: all or nothing.
pub async fn import(config: Config, what: What, from: &From, how: &How, clock: &dyn Clock) -> Result<(), Failure> {
    let store = PlantStore::open(Arc::new(config)).await?;
    if from.query.sql.is_some() && what != What::History {
        return Err(Failure::Usage("--sql brings readings in; right would be import history".to_owned()));
    }
    if what == What::History {
        return match &from.query.sql {
            Some(sql) => history_sql::import(&store, sql, &from.query, how, clock).await,
            None => history_in::import(&store, &from.files, how, clock).await,
        };
    }
    let rules = rules(&store.config, clock.now());
    import_tables(&store, what, &from.files, &rules).await?.iter().for_each(print);
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
