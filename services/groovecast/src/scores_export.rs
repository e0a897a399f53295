//! `scores export`: what was published, and what another model says of the same moments, as files by day for others.
//!
//! A score that was published stands below `published`, made at the moment of which it speaks. What the approved model says of
//! moments at which another one spoke stands below `back-dated`: it was made later, by a model that has learnt from what came
//! after, so it must never be held against findings as if it had been foretold. `dashboards/notebook/README.md` has the columns.

use std::fs;
use std::io::IsTerminal;
use std::path::Path;
use std::sync::Arc;

use anyhow::Context;
use history::Cells;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};
use plant::{Clock, Horizon, Score};

use crate::args::{self, ExportScores, FileFormat};
use crate::config::Config;
use crate::exit::Failure;
use crate::plant_store::{PlantStore, blocking};
use crate::scoring::Scorer;

/// Scores that were made at a moment.
struct Made {
    score: Score,
    at: Timestamp,
}

/// Writes a file per UTC day.
pub async fn export(config: Config, asked: &ExportScores, clock: &dyn Clock) -> Result<(), Failure> {
    let store = PlantStore::open(Arc::new(config)).await?;
    let zone = &store.config.time_zone;
    let instant = |text: &Option<String>| match text {
        Some(text) => args::time(text, zone).map(Some).map_err(|error| Failure::Usage(error.to_string())),
        None => Ok(None),
    };
    let (from, to) = (instant(&asked.from)?, instant(&asked.to)?);
    let Some((first, last)) = store.ledger.scores_span().await? else {
        return Err(Failure::Input(
            "no score is kept yet; the service keeps them once a day and at each change".to_owned(),
        ));
    };
    let from = from.unwrap_or(first);
    let to = to.unwrap_or(last + Span::new().microseconds(1));
    if from >= to {
        return Err(Failure::Usage(format!("nothing lies between {from} and {to}; right would be --from before --to")));
    }
    let now = clock.now();
    let (mut published, mut back_dated, mut days) = (0, 0, 0);
    for (begin, end) in utc_days(from, to)? {
        let scores = store.ledger.scores_between(begin.max(from), end.min(to)).await?;
        if scores.is_empty() {
            continue;
        }
        days += 1;
        if asked.back_dated {
            let again = by_the_approved_model(&store, &scores, now).await?;
            back_dated += again.len();
            write(&asked.out.join("back-dated"), begin, asked.format, again).await?;
        }
        let made: Vec<Made> = scores.into_iter().map(|score| Made { at: score.at, score }).collect();
        published += made.len();
        write(&asked.out.join("published"), begin, asked.format, made).await?;
        if std::io::stderr().is_terminal() {
            eprint!("\r{days} days");
        }
    }
    println!("{}: {published} published scores of {days} days", asked.out.display());
    if asked.back_dated {
        println!("and {back_dated} back-dated ones, by a model that knows what came after: no forecasts");
    }
    Ok(())
}

/// The UTC days that a span touches: their first instants and those of the days after them.
fn utc_days(from: Timestamp, to: Timestamp) -> anyhow::Result<Vec<(Timestamp, Timestamp)>> {
    let mut day = from.to_zoned_datetime(TimeZone::UTC).start_of_day()?;
    let mut days = Vec::new();
    while day.timestamp() < to {
        let next = day.tomorrow()?;
        days.push((day.timestamp(), next.timestamp()));
        day = next;
    }
    Ok(days)
}

/// What the approved model says of the last moment of a day at which scores were kept, as they saw the fleet; nothing if it was
/// that model that spoke.
async fn by_the_approved_model(store: &PlantStore, scores: &[Score], now: Timestamp) -> Result<Vec<Made>, Failure> {
    let model = store.published_model().await?;
    let Some(at) = scores.iter().map(|score| score.at).max() else { return Ok(Vec::new()) };
    if scores.iter().filter(|score| score.at == at).all(|score| score.model == model.name) {
        return Ok(Vec::new());
    }
    let seen = store.as_scores_saw_it(at, model.baseline_version).await?;
    let config = store.config.clone();
    let scored = blocking(move || {
        let scorer = Scorer::new(&seen.fleet, &model, &config, &config.model.horizons_h);
        Ok::<_, anyhow::Error>(scorer.scores(&seen.fleet))
    });
    Ok(scored.await?.into_iter().map(|score| Made { score, at: now }).collect())
}

/// Writes the scores of a day, a row for each of their horizons; no file without scores.
async fn write(folder: &Path, day: Timestamp, format: FileFormat, made: Vec<Made>) -> Result<(), Failure> {
    if made.is_empty() {
        return Ok(());
    }
    let name = day.strftime("%Y-%m-%d").to_string();
    let path = folder.join(match format {
        FileFormat::Parquet => format!("{name}.parquet"),
        FileFormat::Csv => format!("{name}.csv"),
    });
    let columns = columns(&made);
    blocking(move || match format {
        FileFormat::Parquet => history::write_columns(&path, &columns).map_err(anyhow::Error::from),
        FileFormat::Csv => write_csv(&path, &columns).with_context(|| format!("cannot write {}", path.display())),
    })
    .await?;
    Ok(())
}

fn write_csv(path: &Path, columns: &[(&'static str, Cells)]) -> anyhow::Result<()> {
    let folder = path.parent().unwrap_or(Path::new("."));
    fs::create_dir_all(folder)?;
    let mut file = csv::Writer::from_writer(tempfile::NamedTempFile::new_in(folder)?);
    file.write_record(columns.iter().map(|(name, _)| name))?;
    for row in 0..columns.first().map_or(0, |(_, cells)| cells.len()) {
        file.write_record(columns.iter().map(|(_, cells)| cells.text(row)))?;
    }
    let file = file.into_inner().map_err(|error| anyhow::anyhow!("{error}"))?;
    file.as_file().sync_all()?;
    file.persist(path)?;
    Ok(())
}

/// The table of scores. A score without a chance has one row, in which horizon and chance are null: never 0.
fn columns(made: &[Made]) -> Vec<(&'static str, Cells)> {
    let rows: Vec<(&Made, Option<&Horizon>)> = made
        .iter()
        .flat_map(|made| {
            let risks = made.score.risks.iter().map(Some);
            let none = made.score.risks.is_empty().then_some(None);
            risks.chain(none).map(move |horizon| (made, horizon))
        })
        .collect();
    let instants =
        |of: &dyn Fn(&Made) -> Option<Timestamp>| Cells::Instants(rows.iter().map(|(made, _)| of(made)).collect());
    let words =
        |of: &dyn Fn(&Score) -> Option<String>| Cells::Words(rows.iter().map(|(made, _)| of(&made.score)).collect());
    let numbers =
        |of: &dyn Fn(&Score) -> Option<f64>| Cells::Numbers(rows.iter().map(|(made, _)| of(&made.score)).collect());
    let ahead =
        |of: &dyn Fn(&Horizon) -> f64| Cells::Numbers(rows.iter().map(|(_, horizon)| horizon.map(of)).collect());
    let truths = |of: &dyn Fn(&Made) -> bool| Cells::Truths(rows.iter().map(|(made, _)| Some(of(made))).collect());
    let grades = rows.iter().map(|(made, _)| made.score.last_grade.map(plant::Grade::get)).collect();
    vec![
        ("at", instants(&|made| Some(made.score.at))),
        ("made_at", instants(&|made| Some(made.at))),
        ("back_dated", truths(&|made| made.at > made.score.at)),
        ("unit", words(&|score| score.unit.as_ref().map(ToString::to_string))),
        ("tube", words(&|score| score.tube.as_ref().map(ToString::to_string))),
        ("state", words(&|score| Some(score.state.to_string()))),
        ("horizon_h", ahead(&|horizon| horizon.horizon_h)),
        ("risk", ahead(&|horizon| horizon.risk)),
        ("lower", ahead(&|horizon| horizon.lower)),
        ("upper", ahead(&|horizon| horizon.upper)),
        ("last_look_at", instants(&|made| made.score.last_look_at)),
        ("last_grade", Cells::Small(grades)),
        ("run_h", numbers(&|score| Some(score.run_h))),
        ("blind_h", numbers(&|score| Some(score.blind_h))),
        ("coverage", numbers(&|score| score.coverage)),
        ("equivalent_h", numbers(&|score| Some(score.equivalent_h))),
        ("hold_and_assess", truths(&|made| made.score.hold_and_assess)),
        ("model", words(&|score| Some(score.model.clone()))),
        ("data_from", instants(&|made| made.score.data_from)),
        ("data_to", instants(&|made| made.score.data_to)),
        ("reason", words(&|score| Some(score.reason.clone()))),
    ]
}
