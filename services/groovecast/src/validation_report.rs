//! A validation as it is published and written: the statistics of `wear` in the words of `publisher`.

use std::path::Path;

use jiff::Timestamp;
use plant::Grade;
use publisher::{
    Concordance, DecisionCost, Estimate, FoldCounts, Forecast, ForecastScores, Honesty, ReliabilityBin, ReportCounts,
    ReportSubject, RollingYear, Skill, ValidationReport, validation_file,
};
use wear::RidgeScale;
use wear::validate::{self, Contender, Validation};

use crate::args::{Fit, Rows, Shape};
use crate::config::Config;
use crate::exit::Failure;
use crate::fit_table;
use crate::model::Model;

/// What is published of a validation; `None` if it was kept before there were reports.
pub fn published(validation: &Validation) -> Option<ValidationReport> {
    let report = validation.report.as_ref()?;
    let counts = &report.counts;
    Some(ValidationReport {
        counts: ReportCounts {
            rows: counts.rows,
            events: counts.events,
            tubes: counts.tubes,
            lives: counts.lives,
            event_lives: counts.event_lives,
            censored_lives: counts.censored_lives,
        },
        folds: validation
            .fits
            .iter()
            .map(|fit| FoldCounts { tubes: fit.groups.len(), rows: fit.n_rows, events: fit.n_events })
            .collect(),
        forecasts: validation.contenders.iter().map(scores).collect(),
        skills: report.skills.iter().map(skill).collect(),
        honesty: report.honesty.iter().map(honesty).collect(),
        concordance: report.concordance.map(|found| Concordance { pairs: found.pairs, won: found.won }),
        decision: report.decision.iter().map(cost).collect(),
        rolling: None,
        publish: report.publish,
        sentence: report.sentence.clone(),
    })
}

/// Writes the report as one HTML file.
pub fn write(
    path: &Path,
    validation: &Validation,
    subject: &ReportSubject,
    rolling: Option<RollingYear>,
) -> Result<(), Failure> {
    // A validation made now has a report.
    let Some(report) = published(validation) else { return Ok(()) };
    let report = ValidationReport { rolling, ..report };
    let html = validation_file(&report, subject).map_err(anyhow::Error::from)?;
    std::fs::write(path, html)
        .map_err(|error| Failure::Other(anyhow::anyhow!("cannot write {}: {error}", path.display())))?;
    eprintln!("{}: the report, to be read in a browser or printed", path.display());
    Ok(())
}

/// What the report of a plant's model speaks of.
pub fn of_plant(config: &Config, model: &Model) -> ReportSubject {
    let day = |at: Option<Timestamp>| {
        at.map_or("not known".to_owned(), |at| {
            at.to_zoned_datetime(config.time_zone.clone()).strftime("%-d %b %Y").to_string()
        })
    };
    let settings = &config.model;
    let terms = model.design.terms.iter().map(|term| term.name.as_str()).collect::<Vec<_>>();
    let data = ("Data", format!("{} to {}", day(model.data_from), day(model.data_to)));
    let judged = ("Rows", format!("one per life and pair of looks, of {}", rows(settings.rows)));
    let facts = match &model.stations {
        Some(stations) => facts([
            data,
            (
                "What speaks",
                "latent wear: a depth at each station that only grows, read through grades and depths".to_owned(),
            ),
            ("What wears, in an hour at the fleet's mean rates", shares(&stations.latent.shares())),
            ("Tubes of one surface differ in pace", spread(&stations.latent, "ln_tube_sd")),
            ("Lives of one tube differ", spread(&stations.latent, "ln_life_sd")),
            ("Places of one tube differ", spread(&stations.latent, "ln_place_sd")),
            ("The rows that judged it", judged.1),
            ("The hazard that it was held against", format!("terms {}", listed(&terms))),
        ]),
        None => facts([
            data,
            ("What speaks", "a hazard of the tube's worst place".to_owned()),
            ("Terms", listed(&terms)),
            ("Ridge penalty", format!("{} {}", settings.ridge, scale(settings.ridge_scale))),
            ("Shape over run hours", settings.shape.to_string()),
            judged,
        ]),
    };
    ReportSubject {
        name: config.site_name.clone(),
        event: grade_or_worse(settings.limit),
        facts,
        notes: model.notes.clone(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
    }
}

/// What the report of a table speaks of.
pub fn of_table(path: &Path, fit: &Fit, limit: u8) -> ReportSubject {
    let event = match (&fit.event, Grade::try_from(limit)) {
        (Some(column), _) => format!("1 in the column {column}"),
        (None, Ok(grade)) => grade_or_worse(grade),
        (None, Err(_)) => format!("grade {limit} or worse"),
    };
    let named =
        |terms: &[String]| listed(&terms.iter().map(String::as_str).filter(|t| !t.is_empty()).collect::<Vec<_>>());
    ReportSubject {
        name: path.file_name().map_or(String::new(), |name| name.to_string_lossy().into_owned()),
        event,
        facts: facts([
            ("Tubes, by the column", fit.group.clone()),
            ("Terms", named(fit.terms.as_deref().unwrap_or_default())),
            ("Terms without penalty", named(&fit.unpenalised)),
            (
                "Ridge penalty",
                format!(
                    "{} {}",
                    fit.ridge.unwrap_or(0.0),
                    scale(fit.ridge_scale.map_or(RidgeScale::Sd, fit_table::scale))
                ),
            ),
            (
                "Shape over run hours",
                match fit.shape {
                    None => "1".to_owned(),
                    Some(Shape::Fixed(shape)) => shape.to_string(),
                    Some(Shape::Fitted) => "fitted".to_owned(),
                },
            ),
        ]),
        notes: Vec::new(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
    }
}

/// Shares of wear, the greatest first.
fn shares(shares: &[(String, f64)]) -> String {
    let mut shares = shares.to_vec();
    shares.sort_by(|a, b| b.1.total_cmp(&a.1));
    let told = shares.iter().map(|(name, share)| {
        let name = if name == "run_h" { "running itself" } else { name };
        format!("{:.0} % {name}", share * 100.0)
    });
    told.collect::<Vec<_>>().join(", ")
}

/// A spread as a factor: two in three lie within it.
fn spread(latent: &wear::Latent, name: &str) -> String {
    let found = latent.parameters.iter().find(|parameter| parameter.name == name);
    found.map_or("not known".to_owned(), |sd| {
        format!("by a factor of {:.2} either way in depth, two in three of them", sd.value.exp().exp())
    })
}

fn grade_or_worse(grade: Grade) -> String {
    format!("grade {grade} ({}) or worse", grade.meaning())
}

fn listed(terms: &[&str]) -> String {
    if terms.is_empty() { "none".to_owned() } else { terms.join(", ") }
}

fn rows(rows: Rows) -> &'static str {
    match rows {
        Rows::Worst => "the tube's worst place",
        Rows::Station => "every station",
    }
}

fn scale(scale: RidgeScale) -> &'static str {
    match scale {
        RidgeScale::Raw => "in each term's own unit",
        RidgeScale::Sd => "per standard deviation",
    }
}

fn facts<const N: usize>(facts: [(&str, String); N]) -> Vec<(String, String)> {
    facts.into_iter().map(|(name, value)| (name.to_owned(), value)).collect()
}

fn forecast(forecast: validate::Forecast) -> Forecast {
    match forecast {
        validate::Forecast::BaseRate => Forecast::BaseRate,
        validate::Forecast::ConstantRate => Forecast::ConstantRate,
        validate::Forecast::HoursOnly => Forecast::HoursOnly,
        validate::Forecast::Model => Forecast::Model,
    }
}

fn estimate(it: wear::Estimate) -> Estimate {
    Estimate { value: it.value, lower: it.lower, upper: it.upper }
}

fn scores(contender: &Contender) -> ForecastScores {
    ForecastScores {
        forecast: forecast(contender.forecast),
        log_loss: contender.log_loss,
        brier: contender.brier,
        auc: contender.auc,
        above_best: contender.log_loss_above_best,
        above_best_se: contender.log_loss_above_best_se,
        stand_ins: contender.stand_ins.clone(),
    }
}

fn skill(skill: &wear::Skill) -> Skill {
    Skill {
        against: forecast(skill.against),
        log_loss: skill.log_loss_skill,
        brier: skill.brier_skill,
        saved: skill.log_loss_saved.map(estimate),
    }
}

fn honesty(honesty: &wear::Honesty) -> Honesty {
    let reliability = &honesty.reliability;
    let bin = |bin: &wear::BinInNull| ReliabilityBin {
        n: bin.n,
        n_events: bin.n_events,
        mean: bin.mean_probability,
        band: (bin.lower, bin.upper),
    };
    Honesty {
        forecast: forecast(honesty.forecast),
        slope_and_level: honesty.calibration.map(|found| (estimate(found.slope), estimate(found.in_the_large))),
        bins: reliability.bins.iter().map(bin).collect(),
        error: reliability.error,
        null_mean: reliability.null_mean,
        null_upper: reliability.null_upper,
        draws: reliability.draws,
    }
}

fn cost(at: &wear::DecisionCost) -> DecisionCost {
    DecisionCost { ratio: at.ratio, always: at.always, never: at.never, hours_only: at.hours_only, model: at.model }
}
