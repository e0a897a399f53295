//! A model: fitted on the fleet's intervals, held against the baselines on tubes it has not seen.

use std::collections::BTreeSet;

use jiff::Timestamp;
use linfa::ParamGuard;
use linfa::traits::Fit;
use plant::{Grade, HourExposure, Record, State, Term, TubeId};
use publisher::RollingYear;
use serde::{Deserialize, Serialize};
use wear::validate::{self, ModelKind, Validation};
use wear::{
    Design, Hazard, HazardParams, Histories, HoursOnly, Intervals, LatentCandidate, LatentParams, Pace, Recalibration,
    Row, Shape, WearError,
};

use crate::args::Rows;
use crate::by_station::{self, StationModel};
use crate::config::{Belief, ModelConfig};
use crate::dose::{Dose, doses};
use crate::fleet::Fleet;
use crate::intervals::{IntervalRow, pieces};

/// Catches in fewer lives than this make no model: the stated prior speaks.
const LEAST_EVENT_LIVES: usize = 5;

/// What the scores of a model stand on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// The hazard with the exposures.
    Exposures,
    /// Hours alone: no model beat them.
    HoursOnly,
    /// The plant's stated belief.
    Prior,
}

impl Basis {
    /// The state of a score that nothing else speaks against.
    pub const fn state(self) -> State {
        match self {
            Basis::Exposures => State::Ok,
            Basis::HoursOnly => State::Baseline,
            Basis::Prior => State::Prior,
        }
    }
}

/// Everything that scores need of a fit, and what was known of it.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Model {
    /// Its name on scores; set when it is kept.
    pub name: String,
    /// What its scores stand on.
    pub basis: Basis,
    /// The hazard that is published; none for a prior.
    pub hazard: Option<Hazard>,
    /// Latent wear per station, where it foretold better than the hazard; then scores come from it.
    #[serde(default)]
    pub stations: Option<StationModel>,
    /// How rates become its covariates.
    pub design: Design,
    /// The fleet's median hour at the time of the fit: what blind hours count for at least.
    pub fleet_median: Option<Pace>,
    /// The grade whose risk it speaks of.
    pub limit: Grade,
    /// Chance that a complete look reads the limit on a wall that has not reached it.
    pub misread: f64,
    /// The torque baseline of its exposures.
    pub baseline_version: Option<i64>,
    /// First instant of its data.
    pub data_from: Option<Timestamp>,
    /// Last instant of its data.
    pub data_to: Option<Timestamp>,
    /// Rows at risk.
    pub n_rows: usize,
    /// Rows that ended in an event.
    pub n_events: usize,
    /// Lives with an event.
    pub n_event_lives: usize,
    /// What by-tube cross-validation said; none for a prior.
    pub validation: Option<Validation>,
    /// What fits of the last year would have said and saved; only where a person asked for the fit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_year: Option<RollingYear>,
    /// What was left out, and why.
    pub notes: Vec<String>,
    /// The state of the record that it has seen; of models that were kept before there were revisions it is revision 0.
    #[serde(default)]
    pub record_seen: RecordSeen,
    /// The version of the software.
    pub software: String,
}

/// The state of the record and of the past that a model has seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct RecordSeen {
    /// The record's revision: it grows with every entry, correction and withdrawal.
    pub revision: i64,
    /// The first reading: earlier history may have been imported since.
    pub data_from: Option<Timestamp>,
}

impl Model {
    /// The prior alone: before anything was fitted, or if nothing can be.
    pub fn prior(config: &ModelConfig, notes: Vec<String>) -> Model {
        Model {
            name: "prior".to_owned(),
            basis: Basis::Prior,
            hazard: None,
            stations: None,
            design: Design { terms: Vec::new() },
            fleet_median: None,
            limit: config.limit,
            misread: config.misread,
            baseline_version: None,
            data_from: None,
            data_to: None,
            n_rows: 0,
            n_events: 0,
            n_event_lives: 0,
            validation: None,
            last_year: None,
            notes,
            record_seen: RecordSeen::default(),
            software: env!("CARGO_PKG_VERSION").to_owned(),
        }
    }

    /// Why its scores are what they are, in a sentence.
    pub fn reason(&self) -> String {
        let lives = format!("catches in {} lives", self.n_event_lives);
        match self.basis {
            Basis::Exposures if self.stations.is_some() => format!(
                "Fitted on every station read in {} intervals with {lives}; it beat hours alone on tubes it had not seen",
                self.n_rows
            ),
            Basis::Exposures => format!(
                "Fitted on {} intervals with {lives}; it beat hours alone on tubes it had not seen",
                self.n_rows
            ),
            Basis::HoursOnly => {
                format!("Hours alone, from {} intervals with {lives}: no model of the exposures beat them", self.n_rows)
            }
            Basis::Prior if self.data_to.is_none() => {
                "The plant's stated belief: no model has been fitted and approved yet".to_owned()
            }
            Basis::Prior => {
                format!("The plant's stated belief: {lives} are too few to fit on; it takes {LEAST_EVENT_LIVES}")
            }
        }
    }

    /// The exposures that its hazard reads, in order.
    pub fn terms(&self) -> Vec<Term> {
        match &self.hazard {
            Some(hazard) if !hazard.terms.is_empty() => terms_of(&self.design),
            _ => Vec::new(),
        }
    }

    /// The covariates of a dose of its terms.
    ///
    /// # Errors
    /// [`WearError`] for a rate that is not finite.
    pub fn covariates(&self, dose: &Dose) -> Result<Vec<f64>, WearError> {
        let mut x = Vec::new();
        if !dose.amounts.is_empty() {
            self.design.covariates(&dose.rates(), &mut x)?;
        }
        Ok(x)
    }
}

fn terms_of(design: &Design) -> Vec<Term> {
    design.terms.iter().filter_map(|term| term.name.parse().ok()).collect()
}

/// Fits a model on the rows of the tubes' worst places and judges it.
///
/// # Errors
/// [`WearError`] if the data cannot carry what the config asks for.
pub fn fit(fleet: &Fleet, rows: &[&IntervalRow], config: &ModelConfig) -> Result<Model, WearError> {
    let mut notes = Vec::new();
    let mut terms = usable_terms(fleet, config, &mut notes);
    loop {
        match fit_terms(fleet, rows, config, &terms, notes.clone()) {
            Err(WearError::Constant { name, value }) => {
                notes.push(format!("{name} is left out: it is {value} per run hour everywhere"));
                terms.retain(|term| term.as_str() != name);
            }
            Err(WearError::Collinear { name, with }) => {
                notes.push(format!("{name} is left out: it follows from {with}"));
                terms.retain(|term| term.as_str() != name);
            }
            other => return other,
        }
    }
}

/// The rival that knows run hours alone, fitted on the same rows; it is held against models, whatever wins.
///
/// # Errors
/// [`WearError`] if the rows cannot carry it.
pub fn hours_alone(fleet: &Fleet, rows: &[&IntervalRow], config: &ModelConfig) -> Result<Model, WearError> {
    let intervals = intervals(fleet, rows, &Design { terms: Vec::new() }, &mut Vec::new())?;
    let hazard = HoursOnly::fit(&intervals, config.limit.get())?.hazard;
    Ok(Model { basis: Basis::HoursOnly, hazard: Some(hazard), ..Model::prior(config, Vec::new()) })
}

/// The terms that every unit can give for most of its covered running.
fn usable_terms(fleet: &Fleet, config: &ModelConfig, notes: &mut Vec<String>) -> Vec<Term> {
    let mut terms = config.terms.clone();
    terms.retain(|term| {
        let lacking = |hours: &[HourExposure]| {
            let covered: f64 = hours.iter().map(|hour| hour.exposure.covered_h()).sum();
            let unknown = hours.iter().filter(|hour| hour.exposure.get(*term).is_none());
            unknown.map(|hour| hour.exposure.covered_h()).sum::<f64>() > 0.5 * covered
        };
        let units: Vec<&str> = fleet.hours.iter().filter(|(_, h)| lacking(h)).map(|(unit, _)| unit.as_str()).collect();
        if !units.is_empty() {
            notes.push(format!("{term} is left out: units {} cannot give it", units.join(", ")));
        }
        units.is_empty()
    });
    terms
}

fn fit_terms(
    fleet: &Fleet,
    rows: &[&IntervalRow],
    config: &ModelConfig,
    terms: &[Term],
    mut notes: Vec<String>,
) -> Result<Model, WearError> {
    let limit = config.limit.get();
    let design = design(fleet, terms)?;
    let intervals = intervals(fleet, rows, &design, &mut notes)?;
    notes.extend(honed_early(&fleet.record, config.limit));
    notes.extend(aside(&fleet.record));
    let at_risk = intervals.at_risk(limit);
    let events: Vec<bool> = (0..at_risk.len()).map(|row| at_risk.event(row, limit)).collect();
    let n_event_lives = at_risk.lives_of(&events);
    let mut model = Model {
        n_rows: at_risk.len(),
        n_events: events.iter().filter(|event| **event).count(),
        n_event_lives,
        data_from: fleet.data_from(),
        data_to: fleet.data_to(),
        design,
        ..Model::prior(config, notes)
    };
    if n_event_lives < LEAST_EVENT_LIVES {
        return Ok(model);
    }
    let params = HazardParams::new()
        .limit(limit)
        .ridge(config.ridge)
        .ridge_scale(config.ridge_scale)
        .stratum_ridge(config.grade_ridge)
        .shape(Shape::Fixed(config.shape))
        .se(config.se);
    let folds = config.folds.min(groups(&at_risk));
    let (latent_params, histories) = latent_candidate(fleet, rows, config)?;
    let fitted = match params.fit(&intervals.dataset(limit)) {
        Err(error @ (WearError::Constant { .. } | WearError::Collinear { .. })) => return Err(error),
        fitted => fitted,
    };
    let judged = fitted.and_then(|hazard| {
        let latent = histories.as_ref().map(|histories| LatentCandidate { params: &latent_params, histories });
        let candidates = std::slice::from_ref(&params);
        let validation = validate::by_tube_and_station(&intervals, limit, candidates, latent, folds)?;
        Ok((hazard, validation))
    });
    match judged {
        Ok((hazard, validation)) if validation.model_wins => {
            if let (ModelKind::Latent, Some(histories)) = (validation.kind, histories) {
                model.stations = Some(stations(fleet, histories, &latent_params, &validation)?);
                let note = "latent wear speaks, learnt from every station and depth";
                model.notes.push(note.to_owned());
            }
            model.fleet_median = fleet_median(fleet, &hazard, &model.design)?;
            model.basis = Basis::Exposures;
            model.hazard = Some(hazard);
            model.validation = Some(validation);
            return Ok(model);
        }
        Ok((_, validation)) => model.validation = Some(validation),
        Err(error) => model.notes.push(format!("no model of the exposures: {error}")),
    }
    match HoursOnly::fit(&intervals, limit) {
        Ok(hours) => {
            model.basis = Basis::HoursOnly;
            model.hazard = Some(hours.hazard);
        }
        Err(error) => model.notes.push(format!("not even hours alone: {error}")),
    }
    Ok(model)
}

/// How often work ended a life before any look had found the limit: such a life proves nothing beyond its last look.
fn honed_early(record: &Record, limit: Grade) -> Option<String> {
    let (mut early, mut ended) = (0, 0);
    for tube in record.tubes.keys() {
        let looks = record.looks(tube);
        for life in record.lives(tube).iter().filter(|life| life.ended_by.is_some()) {
            let own = || looks.iter().filter(|look| life.holds(look.at));
            ended += usize::from(own().next().is_some());
            let found = own().any(|look| look.grade.is_some_and(|grade| grade >= limit));
            early += usize::from(own().next().is_some() && !found);
        }
    }
    (early > 0).then(|| {
        format!(
            "{early} of {ended} lives that work ended had not reached grade {limit} by then: they count as censored"
        )
    })
}

/// How many looks are set aside.
fn aside(record: &Record) -> Option<String> {
    let looks: usize = record.tubes.keys().map(|tube| record.looks_aside(tube).len()).sum();
    (looks > 0).then(|| format!("looks set aside by an analyst, which count for nothing here: {looks}"))
}

/// Settings and record for latent wear; no record where depth does not speak of the limit, or no station has a name.
fn latent_candidate(
    fleet: &Fleet,
    rows: &[&IntervalRow],
    config: &ModelConfig,
) -> Result<(LatentParams, Option<Histories>), WearError> {
    let Belief { early_h, late_h, spread } = config.belief;
    let params = LatentParams::new().limit(config.limit.get()).belief(wear::Belief { early_h, late_h, spread });
    if params.check_ref().is_err() || fleet.record.zones.is_empty() || config.rows != Rows::Worst {
        return Ok((params, None));
    }
    let mut asked = config.clone();
    // Short bad episodes cost little to ask for: a term that says nothing is shrunk away.
    asked.terms.extend([Term::DryH, Term::TorqueExcursions].into_iter().filter(|term| !config.terms.contains(term)));
    let terms = usable_terms(fleet, &asked, &mut Vec::new());
    let tubes: BTreeSet<&TubeId> = rows.iter().map(|row| &row.span.tube).collect();
    let histories = by_station::histories(fleet, tubes.into_iter(), &terms, &by_station::surfaces(fleet))?;
    Ok((params, Some(histories)))
}

/// Latent wear fitted on all tubes, its chances taken as tubes left out called for.
fn stations(
    fleet: &Fleet,
    histories: Histories,
    params: &LatentParams,
    validation: &Validation,
) -> Result<StationModel, WearError> {
    let recalibration = validation.recalibration.unwrap_or(Recalibration::NONE);
    let latent = params.fit(&histories.dataset())?.recalibrated(recalibration);
    let terms: Vec<Term> = latent.terms().iter().filter_map(|name| name.parse().ok()).collect();
    let fleet_pace = by_station::fleet_pace(fleet, &latent, &terms);
    Ok(StationModel { surfaces: by_station::surfaces(fleet), fleet_pace, latent })
}

fn fleet_median(fleet: &Fleet, hazard: &Hazard, design: &Design) -> Result<Option<Pace>, WearError> {
    let terms = terms_of(design);
    let mut hours: Vec<(f64, Vec<f64>)> = Vec::new();
    for unit in fleet.hours.values() {
        for dose in doses(unit.iter().map(|hour| (hour.hour, &hour.exposure, 1.0)), &terms) {
            let mut x = Vec::new();
            design.covariates(&dose.rates(), &mut x)?;
            hours.push((dose.covered_h, x));
        }
    }
    Ok(hazard.median_pace(hours.iter().map(|(h, x)| (*h, x.as_slice()))))
}

fn groups(rows: &Intervals) -> usize {
    rows.group_ranks().into_iter().max().map_or(0, |most| most + 1)
}

fn design(fleet: &Fleet, terms: &[Term]) -> Result<Design, WearError> {
    let names: Vec<String> = terms.iter().map(|term| term.as_str().to_owned()).collect();
    let of_unit = |hours: &Vec<HourExposure>| doses(hours.iter().map(|hour| (hour.hour, &hour.exposure, 1.0)), terms);
    let all: Vec<Dose> = fleet.hours.values().flat_map(of_unit).filter(|dose| dose.covered_h > 0.0).collect();
    if all.is_empty() {
        return Ok(Design { terms: Vec::new() });
    }
    Design::of_fleet(&names, all.iter().map(|dose| (dose.covered_h, dose.amounts.as_slice())))
}

/// The rows as the estimator takes them: dose by dose, blind hours spread over the covered ones of the same span.
///
/// Nobody saw the conditions of blind hours; in a fit they count like the span's own covered hours, and where a span
/// has none, like the fleet's usual hour.
fn intervals(
    fleet: &Fleet,
    rows: &[&IntervalRow],
    design: &Design,
    notes: &mut Vec<String>,
) -> Result<Intervals, WearError> {
    let names = design.names();
    let mut builder = Intervals::builder(names.clone());
    let terms = terms_of(design);
    let usual: Vec<f64> = design.terms.iter().map(|term| term.reference).collect();
    let mut x = Vec::new();
    let mut still = 0;
    for row in rows {
        let run_h = row.exposure.run_h();
        if run_h <= 0.0 {
            still += 1;
            continue;
        }
        let span = &row.span;
        builder.row(Row {
            group: span.tube.as_str(),
            life: span.life,
            grade_start: span.grade_start.get(),
            grade_end: span.grade_end.get(),
        })?;
        let doses = doses(pieces(fleet, row).map(|piece| (piece.hour.hour, &piece.hour.exposure, piece.share)), &terms);
        let covered_h: f64 = doses.iter().map(|dose| dose.covered_h).sum();
        if covered_h <= 0.0 {
            design.covariates(&usual, &mut x)?;
            builder.cell(row.start_h, row.end_h, &x)?;
            continue;
        }
        let stretch = run_h / covered_h;
        let mut age_h = row.start_h;
        for dose in doses.iter().filter(|dose| dose.covered_h > 0.0) {
            design.covariates(&dose.rates(), &mut x)?;
            let next_h = age_h + dose.covered_h * stretch;
            builder.cell(age_h, next_h, &x)?;
            age_h = next_h;
        }
    }
    if still > 0 {
        notes.push(format!("{still} intervals without running between their looks say nothing and were left out"));
    }
    builder.build()
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "all of this is tests")]
mod tests {
    use super::*;

    #[test]
    fn a_model_that_was_kept_before_there_was_latent_wear_reads_back() {
        let example = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/plant.toml");
        let config = crate::config::Config::read(&example).unwrap();
        let mut kept = serde_json::to_value(Model::prior(&config.model, Vec::new())).unwrap();
        assert!(kept.as_object_mut().unwrap().remove("stations").is_some(), "stations are not written");
        let again: Model = serde_json::from_value(kept).unwrap();
        assert!(again.stations.is_none());
        assert_eq!(again.basis, Basis::Prior);
    }
}
