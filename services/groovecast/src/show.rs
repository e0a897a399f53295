//! Commands that print what the plant's record says: intervals, fit, score, models.

use std::io::IsTerminal;
use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use plant::{Clock, Grade, Score};
use serde::Serialize;
use wear::{Hazard, WearError};

use crate::args::{self, Fit, Models, Rows, Shape, Validate};
use crate::config::Config;
use crate::exit::Failure;
use crate::fit_table::{scale, standard_errors, write};
use crate::foretell::{self, Visit};
use crate::intervals as table;
use crate::model::{self, Model};
use crate::plant_store::{PlantStore, read_model};
use crate::scoring::Scorer;
use crate::{rolling, validation_report};

/// Writes the intervals table.
pub async fn intervals(config: Config, out: &Path, rows: Rows, clock: &dyn Clock) -> Result<(), Failure> {
    let store = PlantStore::open(Arc::new(config)).await?;
    let baseline = store.newest_baseline(clock.now()).await?;
    let fleet = store.fleet(clock.now(), baseline).await?;
    let rows = table::rows(&fleet, store.config.model.limit, rows);
    table::write(out, &rows, &store.config.exposure.bands)?;
    println!("{}: {} intervals", out.display(), rows.len());
    Ok(())
}

/// A fitted model as it is written: the estimator's own fields first, then what stands around them.
#[derive(Serialize)]
struct Written<'a> {
    version: i64,
    #[serde(flatten)]
    hazard: Option<&'a Hazard>,
    #[serde(flatten)]
    model: &'a Model,
}

/// Fits the plant's own record and keeps the model as proposed.
pub async fn fit(mut config: Config, fit: &Fit, clock: &dyn Clock) -> Result<(), Failure> {
    with_options(&mut config, fit)?;
    let store = PlantStore::open(Arc::new(config)).await?;
    eprintln!("the models are fitted, and fitted again without each fold of tubes: that may take minutes");
    let (fleet, mut model) = store.fit(clock.now()).await?;
    if model.validation.is_some() {
        eprintln!("the last year is foretold over again, from what was known then");
        model.last_year = rolling::last_year(&store, &fleet).await?;
    }
    let version = store.propose(&mut model, clock.now()).await?;
    eprintln!("model {version} is kept as proposed: {}", model.reason());
    if let Some(validation) = &model.validation {
        eprintln!("{}", validation.verdict);
    }
    model.notes.iter().for_each(|note| eprintln!("note: {note}"));
    if store.config.model.approve_automatically {
        store.approve_by_config(version, clock.now()).await?;
        eprintln!("the config approves models by itself: it is published");
    } else {
        eprintln!("nothing is published from it before `groovecast models approve {version}`");
    }
    write(&Written { version, hazard: model.hazard.as_ref(), model: &model }, fit.out.as_deref())
}

/// Validates the plant's model, and foretells each past inspection without its tube.
pub async fn validate(mut config: Config, validate: &Validate, clock: &dyn Clock) -> Result<(), Failure> {
    with_options(&mut config, &validate.fit)?;
    let store = PlantStore::open(Arc::new(config)).await?;
    let config = store.config.clone();
    let baseline = store.newest_baseline(clock.now()).await?;
    let fleet = store.fleet(clock.now(), baseline).await?;
    if let (Some(out), Some(horizon_h)) = (&validate.predictions, validate.horizon) {
        let foretold = foretell::without_the_tube(&fleet, &config, horizon_h).map_err(cannot_fit)?;
        foretell::write(out, &foretold)?;
        eprintln!("{}: {} past inspections foretold", out.display(), foretold.len());
    }
    let rows = table::rows(&fleet, config.model.limit, config.model.rows);
    eprintln!("{} intervals: the models are fitted, and fitted again without each fold of tubes", rows.len());
    let model = model::fit(&fleet, &rows.iter().collect::<Vec<_>>(), &config.model).map_err(cannot_fit)?;
    eprintln!("{}", model.reason());
    model.notes.iter().for_each(|note| eprintln!("note: {note}"));
    match &model.validation {
        Some(validation) => {
            if let Some(html) = &validate.html {
                let year = rolling::last_year(&store, &fleet).await?;
                validation_report::write(html, validation, &validation_report::of_plant(&config, &model), year)?;
            }
            write(validation, validate.fit.out.as_deref())
        }
        None => Err(Failure::Input(format!("there is nothing to validate: {}", model.reason()))),
    }
}

/// Foretells each past inspection from what was known before its day.
pub async fn backtest(config: Config, horizon_h: f64, out: &Path, clock: &dyn Clock) -> Result<(), Failure> {
    let store = PlantStore::open(Arc::new(config)).await?;
    let record = store.record().await?;
    let visits: Vec<Visit> = foretell::visits(&record).into_iter().filter(|v| v.left_at <= clock.now()).collect();
    let day = |visit: &Visit| visit.left_at.as_second().div_euclid(86_400);
    let mut foretold = Vec::new();
    for of_day in visits.chunk_by(|a, b| day(a) == day(b)) {
        let begins = Timestamp::from_second(day(&of_day[0]) * 86_400).map_err(anyhow::Error::from)?;
        let until = of_day.iter().map(|visit| visit.left_at).max().unwrap_or(begins);
        let (fleet, model) = store.before_and_up_to(begins, until).await?;
        foretold.extend(foretell::without_the_future(&fleet, &model, &store.config, horizon_h, of_day));
        if std::io::stderr().is_terminal() {
            eprint!("\r{} of {} inspections", foretold.len(), visits.len());
        }
    }
    foretell::write(out, &foretold)?;
    eprintln!("{}: {} past inspections foretold", out.display(), foretold.len());
    Ok(())
}

pub(crate) fn cannot_fit(error: WearError) -> Failure {
    Failure::Input(error.to_string())
}

fn with_options(config: &mut Config, fit: &Fit) -> Result<(), Failure> {
    let only_tables = [
        ("--unpenalised", !fit.unpenalised.is_empty()),
        ("--event", fit.event.is_some()),
        ("--group", fit.group != "tube"),
        ("--start", fit.start != "start_h"),
        ("--end", fit.end != "end_h"),
    ];
    if let Some((option, _)) = only_tables.iter().find(|(_, given)| *given) {
        return Err(Failure::Usage(format!("{option} goes with --table")));
    }
    let model = &mut config.model;
    if let Some(limit) = fit.limit {
        model.limit = Grade::try_from(limit).map_err(|error| Failure::Usage(error.to_string()))?;
    }
    if let Some(terms) = &fit.terms {
        let terms = terms.iter().map(|term| term.parse().map_err(|error| Failure::Usage(format!("{error}"))));
        model.terms = terms.collect::<Result<_, _>>()?;
    }
    match fit.shape {
        Some(Shape::Fixed(shape)) => model.shape = shape,
        Some(Shape::Fitted) => {
            return Err(Failure::Usage(
                "--shape fit goes with --table; the plant's shape stands in the config".to_owned(),
            ));
        }
        None => {}
    }
    model.ridge = fit.ridge.unwrap_or(model.ridge);
    model.ridge_scale = fit.ridge_scale.map_or(model.ridge_scale, scale);
    model.se = standard_errors(fit.se);
    model.rows = fit.rows;
    Ok(())
}

/// Prints the scores now, or as known at a time with a model fitted on what was known then.
pub async fn score(config: Config, at: Option<&str>, json: bool, clock: &dyn Clock) -> Result<(), Failure> {
    let store = PlantStore::open(Arc::new(config)).await?;
    let config = store.config.clone();
    let (fleet, model) = match at {
        None => {
            let model = store.published_model().await?;
            (store.fleet(clock.now(), model.baseline_version).await?, model)
        }
        Some(text) => {
            let at = args::time(text, &config.time_zone).map_err(|error| Failure::Usage(error.to_string()))?;
            if at > clock.now() {
                return Err(Failure::Usage(format!("--at {at} lies ahead; nothing is known of it yet")));
            }
            store.as_known_at(at).await?
        }
    };
    let scores = Scorer::new(&fleet, &model, &config, &config.model.horizons_h).scores(&fleet);
    if json {
        println!("{}", serde_json::to_string_pretty(&scores).map_err(anyhow::Error::from)?);
    } else {
        print(&scores, &config.time_zone);
    }
    Ok(())
}

fn print(scores: &[Score], zone: &TimeZone) {
    for score in scores {
        let tube = score.tube.as_ref().map_or("no tube", |tube| tube.as_str());
        let unit = score.unit.as_ref().map_or("no unit", |unit| unit.as_str());
        if score.hold_and_assess {
            println!(
                "{unit}  {tube}  HOLD AND ASSESS: flakes or exposed metal were seen in this life. Stop, hold the product, and call the responsible food-safety and pressure-equipment persons."
            );
            continue;
        }
        println!("{unit}  {tube}  [{}]  {}", score.state, score.reason);
        for horizon in &score.risks {
            let when = if horizon.horizon_h == 0.0 { "now".to_owned() } else { format!("+{:.0} h", horizon.horizon_h) };
            println!(
                "    {when:>8}  {}  (90 % interval {} to {})",
                percent(horizon.risk),
                percent(horizon.lower),
                percent(horizon.upper)
            );
        }
        if score.risks.is_empty() {
            println!("    no risk can be given; inspect on the fixed schedule");
        }
        let look = score.last_look_at.map_or("no complete look in this life".to_owned(), |at| {
            let grade =
                score.last_grade.map_or(String::new(), |grade| format!("worst grade {grade} ({})", grade.meaning()));
            format!("last complete look {}, {grade}", at.to_zoned_datetime(zone.clone()).strftime("%-d %b %Y"))
        });
        println!("    {look}; {:.0} run hours since, {:.0} of them blind", score.run_h, score.blind_h);
        for driver in score.drivers.iter().take(3) {
            println!("    {}, like {:.1} h of plain running", driver.text, driver.hours_equivalent);
        }
    }
    println!("A score is advice. The plant's longest interval and its procedures govern.");
}

fn percent(risk: f64) -> String {
    match risk * 100.0 {
        low if low < 1.0 => "under 1 %".to_owned(),
        high if high > 99.0 => "over 99 %".to_owned(),
        percent => format!("{percent:.0} %"),
    }
}

/// Lists, shows or approves models.
pub async fn models(what: Models, clock: &dyn Clock) -> Result<(), Failure> {
    match what {
        Models::List { with } => {
            let store = PlantStore::open(Arc::new(Config::read(&with.config)?)).await?;
            for record in store.ledger.models().await? {
                let model = read_model(&record)?;
                let decided = record
                    .decided_by
                    .map_or(String::new(), |by| format!(" by {by}: {}", record.why.unwrap_or_default()));
                println!(
                    "{}  {}  {}{decided}",
                    record.version,
                    record.created_at.strftime("%Y-%m-%d %H:%MZ"),
                    record.status.as_str()
                );
                println!("    {}", model.reason());
                println!("    on revision {} of the record", model.record_seen.revision);
            }
        }
        Models::Show { version, with } => {
            let store = PlantStore::open(Arc::new(Config::read(&with.config)?)).await?;
            let record = store.ledger.models().await?.into_iter().find(|record| record.version == version);
            let record = record.ok_or(ledger::LedgerError::NoModel(version))?;
            let model = read_model(&record)?;
            write(&Written { version, hazard: model.hazard.as_ref(), model: &model }, None)?;
        }
        Models::Approve { version, with, by, why } => {
            let store = PlantStore::open(Arc::new(Config::read(&with.config)?)).await?;
            store.ledger.approve(version, &why, &ledger::By { who: by, at: clock.now() }).await?;
            println!("model {version} is approved; scores come from it from the next evaluation on");
        }
        Models::Retire { version, with, by, why } => {
            let store = PlantStore::open(Arc::new(Config::read(&with.config)?)).await?;
            store.ledger.retire(version, &why, &ledger::By { who: by, at: clock.now() }).await?;
            println!("model {version} is retired");
            if store.ledger.approved_model().await?.is_none() {
                println!("no model is approved now: scores come from the plant's stated belief");
            }
        }
    }
    Ok(())
}
