//! What is published: scores, record and arrivals put together.

use std::collections::BTreeMap;
use std::sync::Arc;

use collector::{ArrivalsReport, LinkState};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use ledger::{ModelRecord, Status};
use plant::{Score, SignalReport, Suspicions, TubeId, hour_start};
use publisher::{
    Contender, FittedTerm, Journal, Link, ModelBasis, ModelEntry, ModelStatus, Month, Snapshot, Totals, TubeDetail,
    ValidationReport,
};

use crate::config::Config;
use crate::fleet::Fleet;
use crate::known::Shares;
use crate::model::{Basis, Model};
use crate::{readers, validation_report};

/// The snapshot of an evaluation; what arrives is filled in by [`with_arrivals`].
pub fn evaluated(
    fleet: &Fleet,
    scores: Vec<Score>,
    models: Vec<ModelEntry>,
    suspicions: Suspicions,
    zone: &TimeZone,
) -> Snapshot {
    let alone = fleet.record.by_tube().into_iter();
    let tubes = alone
        .filter_map(|(tube, record)| {
            let detail = detail(&fleet.with_record(record), &tube, zone)?;
            Some((tube, detail))
        })
        .collect();
    let campaigns = fleet.record.campaigns.clone();
    Snapshot {
        at: fleet.until,
        evaluated_at: Some(fleet.until),
        scores,
        tubes,
        models,
        campaigns,
        asides: fleet.record.asides.clone(),
        suspicions,
        agreement: readers::agreement(&fleet.record),
        ..Snapshot::default()
    }
}

/// A stored model as it is published.
pub fn model_entry(record: &ModelRecord, model: &Model) -> ModelEntry {
    let validation = model.validation.as_ref();
    let hazard = model.hazard.as_ref();
    ModelEntry {
        version: record.version,
        name: model.name.clone(),
        created_at: record.created_at,
        status: match record.status {
            Status::Proposed => ModelStatus::Proposed,
            Status::Approved => ModelStatus::Approved,
            Status::Retired => ModelStatus::Retired,
        },
        decided_at: record.decided_at,
        decided_by: record.decided_by.clone(),
        why: record.why.clone(),
        basis: match model.basis {
            Basis::Exposures => ModelBasis::Exposures,
            Basis::HoursOnly => ModelBasis::HoursOnly,
            Basis::Prior => ModelBasis::Prior,
        },
        record_revision: Some(model.record_seen.revision).filter(|revision| *revision > 0),
        n_rows: model.n_rows as u64,
        n_events: model.n_events as u64,
        n_event_lives: model.n_event_lives as u64,
        data_from: model.data_from,
        data_to: model.data_to,
        verdict: validation.map(|validation| validation.verdict.clone()),
        notes: model.notes.iter().cloned().chain(model.stations.as_ref().map(|s| shares(&s.latent))).collect(),
        contenders: validation.map_or(Vec::new(), |v| v.contenders.iter().map(contender).collect()),
        terms: match &model.stations {
            Some(stations) => stations.latent.parameters.iter().map(|own| parameter(own, &stations.surfaces)).collect(),
            None => hazard.map_or(Vec::new(), |hazard| hazard.terms.iter().map(term).collect()),
        },
        report: validation
            .and_then(validation_report::published)
            .map(|report| Arc::new(ValidationReport { rolling: model.last_year.clone(), ..report })),
    }
}

fn contender(contender: &wear::validate::Contender) -> Contender {
    Contender {
        forecast: contender.forecast.as_str().to_owned(),
        log_loss: contender.log_loss,
        brier: contender.brier,
        auc: contender.auc,
    }
}

fn term(term: &wear::FittedTerm) -> FittedTerm {
    FittedTerm { name: term.name.clone(), coefficient: term.coefficient, std_error: Some(term.std_error), of: None }
}

/// Of latent wear, on the scale that the parameter's name says.
fn parameter(parameter: &wear::Parameter, surfaces: &[String]) -> FittedTerm {
    let surface = parameter.name.strip_prefix("surface_").and_then(|place| place.parse::<usize>().ok());
    let of = surface.and_then(|place| surfaces.get(place)).cloned();
    FittedTerm { name: parameter.name.clone(), coefficient: parameter.value, std_error: None, of }
}

/// What the wear of an hour comes from, in a sentence.
fn shares(latent: &wear::Latent) -> String {
    let shares: Vec<String> =
        latent.shares().iter().map(|(name, share)| format!("{name} {:.0} %", share * 100.0)).collect();
    format!("what an hour at the fleet's mean conditions wears comes from: {}", shares.join(", "))
}

fn detail(fleet: &Fleet, tube: &TubeId, zone: &TimeZone) -> Option<TubeDetail> {
    let record = &fleet.record;
    Some(TubeDetail {
        tube: record.tubes.get(tube)?.clone(),
        unit: record.unit_of(tube, fleet.until).cloned(),
        fittings: record.fittings_of(tube).cloned().collect(),
        lives: record.lives(tube),
        work: record.work.iter().filter(|work| work.tube == *tube).cloned().collect(),
        looks: all_looks(record, tube),
        findings: record.findings.iter().filter(|finding| finding.tube == *tube).cloned().collect(),
        months: months(fleet, tube, zone),
        surface_h: fleet.life_now(tube).map(|life| fleet.surface_h(tube, &life, fleet.until)),
        plating: record.plating(tube, fleet.until),
    })
}

/// The looks of a tube, those set aside among them, in order of time.
fn all_looks(record: &plant::Record, tube: &TubeId) -> Vec<plant::Look> {
    let mut looks = record.looks(tube);
    looks.extend(record.looks_aside(tube));
    looks.sort_by_key(|look| look.at);
    looks
}

/// A tube's exposures by month of the plant's calendar, oldest first.
fn months(fleet: &Fleet, tube: &TubeId, zone: &TimeZone) -> Vec<Month> {
    let mut months = BTreeMap::new();
    for piece in fleet.pieces(tube, None, fleet.until) {
        let first_day = hour_start(piece.hour.hour).to_zoned_datetime(zone.clone()).date().first_of_month();
        let exposure: &mut plant::Exposure = months.entry(first_day).or_default();
        *exposure += &piece.hour.exposure.share(piece.share);
    }
    months.into_iter().map(|(first_day, exposure)| Month { first_day, exposure }).collect()
}

/// A line for every mapped signal of which nothing has come.
fn silent(config: &Config, heard: &[SignalReport]) -> Vec<SignalReport> {
    let mut silent = Vec::new();
    for unit in &config.units {
        for mapping in config.mappings.iter().filter(|mapping| mapping.unit.as_ref().is_none_or(|of| of == unit)) {
            if !heard.iter().any(|report| report.unit == *unit && report.signal == mapping.signal) {
                silent.push(SignalReport {
                    unit: unit.clone(),
                    signal: mapping.signal,
                    topic: mapping.pattern.to_string(),
                    count: 0,
                    per_min: 0.0,
                    last_at: None,
                    arrived_at: None,
                    value: String::new(),
                    measure: mapping.signal.house_unit().to_owned(),
                    raw: String::new(),
                    unprotected: false,
                    faults: Vec::new(),
                });
            }
        }
    }
    silent
}

/// The same snapshot with what has arrived up to now, and what has not.
pub fn with_arrivals(
    evaluated: &Snapshot,
    mut report: ArrivalsReport,
    known: Arc<Shares>,
    config: &Config,
    now: Timestamp,
) -> Snapshot {
    report.signals.extend(silent(config, &report.signals));
    let link = &report.link;
    let error = match &link.state {
        LinkState::Offline { error } => Some(error.clone()),
        _ => None,
    };
    Snapshot {
        at: now,
        signals: report.signals,
        known,
        unmapped: report.unmapped,
        faults: report.faults,
        totals: Totals {
            messages: report.totals.messages,
            readings: report.totals.committed,
            duplicates: report.totals.duplicates,
            kept_out: report.totals.refused,
        },
        link: Link {
            connected: link.state == LinkState::Online,
            since: link.since,
            error,
            refused_filters: link.refused_filters.clone(),
            qos0_filters: link.qos0_filters.clone(),
            backlog: link.backlog,
        },
        journal: Journal {
            last_commit_at: link.last_commit_at,
            error: link.commit_error.as_ref().map(|e| e.error.clone()),
        },
        ..evaluated.clone()
    }
}
