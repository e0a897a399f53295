//! Looks that are doubted: set aside with a reason, listed, taken back into use.

use std::sync::Arc;

use ledger::By;
use plant::{Clock, TubeId};

use crate::args::{self, Looks, WithConfig};
use crate::config::Config;
use crate::exit::Failure;
use crate::plant_store::PlantStore;

/// Lists looks set aside, or changes which count.
pub async fn looks(what: Looks, clock: &dyn Clock) -> Result<(), Failure> {
    match what {
        Looks::List { with } => {
            for aside in store(&with).await?.ledger.asides().await? {
                println!("{}  {}  look of {}", aside.id, aside.tube, aside.look);
                println!("    set aside {:.0} by {}: {}", aside.at, aside.who, aside.why);
                if let Some(at) = aside.lifted_at {
                    let (by, why) = (aside.lifted_by.unwrap_or_default(), aside.lifted_why.unwrap_or_default());
                    println!("    counts again since {at:.0}, by {by}: {why}");
                }
            }
        }
        Looks::Aside { tube, at, with, by, why } => {
            let store = store(&with).await?;
            let usage = |error: &dyn std::fmt::Display| Failure::Usage(error.to_string());
            let tube = TubeId::new(&tube).map_err(|error| usage(&error))?;
            let at = args::time(&at, &store.config.time_zone).map_err(|error| usage(&error))?;
            let number = store.ledger.set_look_aside(&tube, at, &why, &By { who: by, at: clock.now() }).await?;
            println!("number {number}: the look of tube {tube} at {at} counts for no fit and no score from now on");
        }
        Looks::Return { number, with, by, why } => {
            store(&with).await?.ledger.lift_aside(number, &why, &By { who: by, at: clock.now() }).await?;
            println!("number {number}: the look counts again");
        }
    }
    Ok(())
}

async fn store(with: &WithConfig) -> Result<PlantStore, Failure> {
    Ok(PlantStore::open(Arc::new(Config::read(&with.config)?)).await?)
}
