//! What the record and the day files say of themselves.

use std::collections::BTreeMap;
use std::future::Future;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use history::Store;
use ledger::{Ledger, Place};
use plant::DayFile;
use serde_json::{Value, json};
use tokio::time::timeout;

use super::Found;
use crate::config::Config;
use crate::plant_store::{PlantStore, blocking, read_model};
use crate::suspicion;

/// How long one question to the database may take.
const MOST: Duration = Duration::from_secs(30);
/// The newest day files of which readings are counted by signal.
const DAYS: usize = 3;
/// Who writes to the record and is no person.
const OURSELVES: &[&str] = &["groovecast", "the service", "the config", "the demo", "an import"];

/// Looks into the record; names in it, if it could be read.
pub async fn of_record(
    found: &mut Found,
    place: Option<Place>,
    data: Option<&Path>,
    config: Option<Arc<Config>>,
) -> Option<Vec<String>> {
    let files = ["database.json", "stored.json", "models.json", "suspicions.json"];
    let looked = match &place {
        Some(place) => in_time(Ledger::look(place)).await,
        None => Err("the configuration is refused, and no database of SQLite's is where it would be".to_owned()),
    };
    let condition = match &looked {
        Ok(ledger) => in_time(ledger.condition()).await,
        Err(why) => Err(why.clone()),
    };
    let (ledger, condition) = match (looked, condition) {
        (Ok(ledger), Ok(condition)) => (ledger, condition),
        (_, Err(why)) | (Err(why), _) => {
            files.into_iter().for_each(|name| found.missing.push((name, why.clone())));
            return None;
        }
    };
    let (schema, known) = (condition.schema, condition.known_schema);
    found.json(
        files[0],
        Ok(json!({
            "kept_by": condition.kept_by,
            "place": place.map(|place| place.to_string()),
            "schema": schema,
            "schema_known_to_this_program": known,
            "rows": condition.rows,
        })),
    );
    if schema != known {
        let why = format!(
            "the database is of schema {schema} and this program of {known}: use the program that runs beside it"
        );
        files[1..].iter().for_each(|name| found.missing.push((name, why.clone())));
        return None;
    }
    found.json(files[1], stored(&ledger, data).await);
    let models = in_time(ledger.models()).await;
    let decided: Vec<String> = models.iter().flatten().filter_map(|model| model.decided_by.clone()).collect();
    found.json(files[2], models.map(|models| models.iter().map(model).collect()));
    let record = match config {
        Some(config) => in_time(PlantStore::on(ledger.clone(), config.clone()).record())
            .await
            .map(|record| (suspicion::of_record(&record, &BTreeMap::new(), &config.doubts), record)),
        None => Err("the configuration is refused".to_owned()),
    };
    let inspectors = match record {
        Ok((doubts, record)) => {
            found.json(files[3], serde_json::to_value(doubts).map_err(|error| error.to_string()));
            record.findings.into_iter().filter_map(|finding| finding.inspector).collect()
        }
        Err(why) => {
            found.missing.push((files[3], why));
            Vec::new()
        }
    };
    let mut names = in_time(ledger.names()).await.ok()?;
    names.extend(decided.into_iter().chain(inspectors));
    names.retain(|name| !OURSELVES.contains(&name.as_str()));
    names.sort();
    names.dedup();
    Some(names)
}

fn model(record: &ledger::ModelRecord) -> Value {
    let reason = read_model(record).map_or_else(|error| format!("{error:#}"), |model| model.reason());
    json!({
        "version": record.version,
        "created_at": record.created_at,
        "status": record.status.as_str(),
        "decided_at": record.decided_at,
        "reason": reason,
    })
}

/// What is stored of readings, in numbers.
async fn stored(ledger: &Ledger, data: Option<&Path>) -> Result<Value, String> {
    let files = in_time(ledger.day_files()).await?;
    let journal = in_time(ledger.journal_by_signal()).await?;
    let newest: Vec<DayFile> = files.iter().rev().take(DAYS).cloned().collect();
    let by_signal = match data {
        Some(data) => {
            let store = Store::new(data);
            let counted =
                blocking(move || Ok::<_, anyhow::Error>(newest.iter().map(|day| counted(&store, day)).collect()));
            counted.await.map_err(|error| format!("{error:#}"))?
        }
        None => Value::Null,
    };
    Ok(json!({
        "days": files.len(),
        "first_day": files.first().map(|file| file.day),
        "last_day": files.last().map(|file| file.day),
        "readings": files.iter().map(|file| file.rows).sum::<u64>(),
        "bytes": files.iter().map(|file| file.bytes).sum::<u64>(),
        "conflicts": files.iter().map(|file| file.conflicts).sum::<u64>(),
        "newest_days": by_signal,
        "journal": journal.iter().map(|of| json!({
            "unit": of.unit, "signal": of.signal, "readings": of.readings, "newest_at": of.newest_at,
        })).collect::<Value>(),
    }))
}

/// How many readings of each signal a day file holds.
fn counted(store: &Store, file: &DayFile) -> Value {
    let readings = match store.read(file) {
        Ok(readings) => readings,
        Err(error) => return json!({ "day": file.day, "error": error.to_string() }),
    };
    let units = readings.units().iter();
    let units: BTreeMap<String, BTreeMap<String, usize>> = units
        .map(|(unit, signals)| {
            let signals = signals.iter().map(|(signal, columns)| (signal.to_string(), columns.len()));
            (unit.to_string(), signals.collect())
        })
        .collect();
    json!({ "day": file.day, "readings": file.rows, "units": units })
}

/// An answer of the database, or why there is none in time.
async fn in_time<T, E: Into<anyhow::Error>>(question: impl Future<Output = Result<T, E>>) -> Result<T, String> {
    match timeout(MOST, question).await {
        Ok(answer) => answer.map_err(|error| format!("{:#}", error.into())),
        Err(_) => Err(format!("the database does not answer within {} s", MOST.as_secs())),
    }
}
