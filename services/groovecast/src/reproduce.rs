//! A published score of the past, made again from the stored exposures and model, and what differs if it is not the same.

use jiff::Timestamp;
use ledger::KeptScore;
use plant::{Clock, Score, TubeId};
use serde_json::Value;

use crate::args;
use crate::config::Config;
use crate::exit::Failure;
use crate::grounds::Grounds;
use crate::plant_store::PlantStore;
use crate::scoring::Scorer;

/// Prints whether the last score of a tube that was kept by an instant comes out again, bit for bit.
pub async fn reproduce(config: Config, tube: &str, at: &str, clock: &dyn Clock) -> Result<(), Failure> {
    let store = PlantStore::open(std::sync::Arc::new(config)).await?;
    let at = args::time(at, &store.config.time_zone).map_err(|error| Failure::Usage(error.to_string()))?;
    if at > clock.now() {
        return Err(Failure::Usage(format!("{at} lies ahead; no score of it is kept yet")));
    }
    let id = TubeId::new(tube).map_err(|error| Failure::Usage(error.to_string()))?;
    let kept = store.ledger.score_at(tube, at).await?;
    let kept = kept.ok_or_else(|| Failure::Input(format!("no score of tube {tube} was kept at {at} or before it")))?;
    let (now, mut differs) = again(&store, &id, &kept).await?;
    let fields =
        now.as_ref().map_or_else(|| vec!["the score: there is none now".to_owned()], |now| fields(&kept.score, now));
    println!("tube {tube}, score of {} by {}: {}", kept.score.at, kept.score.model, chances(&kept.score));
    if fields.is_empty() {
        println!("made again from the stored exposures and model it is the same, bit for bit");
        return Ok(());
    }
    if let Some(now) = &now {
        println!("made again: {}", chances(now));
    }
    fields.iter().for_each(|field| println!("    {field}"));
    if differs.is_empty() {
        differs.push("when the units were heard last: messages came after the score was published".to_owned());
    }
    println!("what is not as it was:");
    differs.iter().for_each(|what| println!("    {what}"));
    Err(Failure::Other(anyhow::anyhow!("the score of {} does not come out again", kept.score.at)))
}

/// The score made again, and which of its grounds are not as they were.
async fn again(store: &PlantStore, tube: &TubeId, kept: &KeptScore) -> Result<(Option<Score>, Vec<String>), Failure> {
    let then = kept.score.at;
    let (model, model_digest) = store.model_named(&kept.score.model).await?;
    let seen = store.as_scores_saw_it(then, model.baseline_version).await?;
    let mut differs = seen.lost;
    match kept.grounds.as_deref().map(serde_json::from_str::<Grounds>) {
        Some(Ok(grounds)) => {
            let now = Grounds::of(&seen.fleet, Some(tube), &store.config, &model_digest, model.baseline_version);
            differs.extend(now.differences(&grounds));
        }
        Some(Err(error)) => differs.push(format!("its grounds, which do not read back: {error}")),
        None => differs.push("nobody knows: this score was kept before there were grounds with it".to_owned()),
    }
    let config = &store.config;
    let score = Scorer::new(&seen.fleet, &model, config, &config.model.horizons_h).tube(&seen.fleet, tube);
    Ok((score, differs))
}

fn chances(score: &Score) -> String {
    let chance = |risk: &plant::Horizon| format!("{} at +{} h", risk.risk, risk.horizon_h);
    if score.risks.is_empty() {
        "no chance".to_owned()
    } else {
        score.risks.iter().map(chance).collect::<Vec<_>>().join(", ")
    }
}

/// The fields that differ, with what they held and hold.
fn fields(then: &Score, now: &Score) -> Vec<String> {
    let value = |score| serde_json::to_value(score).unwrap_or_default();
    let (Value::Object(then), Value::Object(now)) = (value(then), value(now)) else { return Vec::new() };
    let differ = then.iter().filter(|(name, value)| now.get(*name) != Some(value));
    differ.map(|(name, value)| format!("{name}: {value} then, {} now", now.get(name).unwrap_or(&Value::Null))).collect()
}

/// The fleet as the scores of an instant saw it.
pub struct SeenFleet {
    /// The fleet.
    pub fleet: crate::fleet::Fleet,
    /// Which exposures are not what they were, and cannot be had back.
    pub lost: Vec<String>,
}

/// What a stored finding said at an instant.
pub fn said_at(stored: &ledger::StoredFinding, at: Timestamp) -> Option<&plant::Finding> {
    stored.changed.iter().rev().find(|version| version.at <= at)?.finding.as_ref()
}
