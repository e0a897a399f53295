//! `import`: the plant's files into record and history.

use std::path::PathBuf;
use std::sync::Arc;

use ledger::{FileImport, Rules};
use plant::{Clock, Table};

use crate::args::What;
use crate::config::Config;
use crate::exit::Failure;
use crate::plant_store::PlantStore;

/// Imports files: all or nothing.
pub async fn import(config: Config, what: What, files: &[PathBuf], clock: &dyn Clock) -> Result<(), Failure> {
    let store = PlantStore::open(Arc::new(config)).await?;
    if what == What::History {
        return history(&store, files, clock).await;
    }
    let tables: Vec<Table> = files
        .iter()
        .map(|path| history::read_table(path).map_err(|error| Failure::Input(error.to_string())))
        .collect::<Result<_, _>>()?;
    let rules = Rules {
        units: store.config.units.clone(),
        zones: store.config.zones.clone(),
        surfaces: store.config.surfaces.clone(),
        time_zone: store.config.time_zone.clone(),
        now: clock.now(),
    };
    let done = match what {
        What::Register => store.ledger.import_register(&tables, &rules).await?,
        What::Findings => store.ledger.import_findings(&tables, &rules).await?,
        What::Campaigns => store.ledger.import_campaigns(&tables, &rules).await?,
        What::History => Vec::new(),
    };
    done.iter().for_each(print);
    Ok(())
}

fn print(file: &FileImport) {
    let FileImport { added, changed, unchanged, .. } = file;
    println!("{}: {}: {added} added, {changed} changed, {unchanged} there already", file.path.display(), file.kind);
    print_zone(file.zone_assumed);
}

fn print_zone(times: u64) {
    if times > 0 {
        println!("  {times} times had no offset and were taken in the plant's zone");
    }
}
