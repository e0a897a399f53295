//! A model: fitted on the fleet's intervals, held against the baselines on tubes it has not seen.

use jiff::Timestamp;
use linfa::traits::Fit;
use plant::{Exposure, Grade, Record, State, Term};
use serde::{Deserialize, Serialize};
use wear::validate::{self, Validation};
use wear::{Design, Hazard, HazardParams, HoursOnly, Intervals, RidgeScale, Row, Shape, WearError};

use crate::config::ModelConfig;
use crate::fleet::Fleet;
use crate::intervals::{IntervalRow, covered};

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
    /// How hourly rates become its covariates.
    pub design: Design,
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
    /// What was left out, and why.
    pub notes: Vec<String>,
    /// How much of the record it has seen.
    pub record_size: RecordSize,
    /// The version of the software.
    pub software: String,
}

/// How much is written down: grows with everything that is added.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct RecordSize {
    /// Findings.
    pub findings: usize,
    /// Pieces of work.
    pub work: usize,
    /// Fittings, and their ends.
    pub fittings: usize,
}

impl RecordSize {
    /// The size of a record.
    pub fn of(record: &Record) -> RecordSize {
        let ends = record.fittings.iter().filter(|fitting| fitting.to.is_some()).count();
        RecordSize { findings: record.findings.len(), work: record.work.len(), fittings: record.fittings.len() + ends }
    }
}

impl Model {
    /// The prior alone: before anything was fitted, or if nothing can be.
    pub fn prior(config: &ModelConfig, notes: Vec<String>) -> Model {
        Model {
            name: "prior".to_owned(),
            basis: Basis::Prior,
            hazard: None,
            design: Design { terms: Vec::new() },
            limit: config.limit,
            misread: config.misread,
            baseline_version: None,
            data_from: None,
            data_to: None,
            n_rows: 0,
            n_events: 0,
            n_event_lives: 0,
            validation: None,
            notes,
            record_size: RecordSize::default(),
            software: env!("CARGO_PKG_VERSION").to_owned(),
        }
    }

    /// Why its scores are what they are, in a sentence.
    pub fn reason(&self) -> String {
        let lives = format!("catches in {} lives", self.n_event_lives);
        match self.basis {
            Basis::Exposures => format!(
                "Fitted on {} intervals with {lives}; it beat hours alone on tubes it had not seen",
                self.n_rows
            ),
            Basis::HoursOnly => {
                format!("Hours alone, from {} intervals with {lives}: no model of the exposures beat them", self.n_rows)
            }
            Basis::Prior => {
                format!("The plant's stated belief: {lives} are too few to fit on; it takes {LEAST_EVENT_LIVES}")
            }
        }
    }

    /// The covariates of an hour (or of any other period) with covered running.
    pub fn covariates(&self, exposure: &Exposure) -> Vec<f64> {
        let names = self.design.terms.iter().map(|term| term.name.as_str());
        if self.hazard.as_ref().is_none_or(|hazard| hazard.terms.is_empty()) {
            return Vec::new();
        }
        let mut x = Vec::new();
        self.design
            .covariates(&rates(exposure, names), &mut x)
            .expect("rates of exposures are finite and not negative");
        x
    }
}

fn rates<'n>(exposure: &Exposure, names: impl Iterator<Item = &'n str>) -> Vec<f64> {
    let covered_h = exposure.covered_h();
    names
        .map(|name| {
            let amount = name.parse::<Term>().map_or(0.0, |term| exposure.known(term)).max(0.0);
            if covered_h > 0.0 { amount / covered_h } else { 0.0 }
        })
        .collect()
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

/// The terms that every unit with readings can give.
fn usable_terms(fleet: &Fleet, config: &ModelConfig, notes: &mut Vec<String>) -> Vec<Term> {
    let mut terms = config.terms.clone();
    terms.retain(|term| {
        let lacking: Vec<&str> = fleet
            .hours
            .iter()
            .filter(|(_, hours)| hours.iter().any(|h| h.exposure.covered_h() > 0.0 && h.exposure.get(*term).is_none()))
            .map(|(unit, _)| unit.as_str())
            .collect();
        if !lacking.is_empty() {
            notes.push(format!("{term} is left out: units {} cannot give it", lacking.join(", ")));
        }
        lacking.is_empty()
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
        .ridge_scale(RidgeScale::Raw)
        .stratum_ridge(config.grade_ridge)
        .shape(Shape::Fixed(config.shape));
    let hazard = params.fit(&intervals.dataset(limit))?;
    let folds = config.folds.min(groups(&at_risk));
    let validation = validate::by_tube(&intervals, limit, std::slice::from_ref(&params), folds)?;
    if validation.model_wins {
        model.basis = Basis::Exposures;
        model.hazard = Some(hazard);
    } else {
        model.basis = Basis::HoursOnly;
        model.hazard = Some(HoursOnly::fit(&intervals, limit)?.hazard);
    }
    model.validation = Some(validation);
    Ok(model)
}

fn groups(rows: &Intervals) -> usize {
    rows.group_ranks().into_iter().max().map_or(0, |most| most + 1)
}

fn design(fleet: &Fleet, terms: &[Term]) -> Result<Design, WearError> {
    let names: Vec<String> = terms.iter().map(|term| term.as_str().to_owned()).collect();
    let amounts: Vec<(f64, Vec<f64>)> = fleet
        .hours
        .values()
        .flatten()
        .filter(|hour| hour.exposure.covered_h() > 0.0)
        .map(|hour| (hour.exposure.covered_h(), terms.iter().map(|term| hour.exposure.known(*term).max(0.0)).collect()))
        .collect();
    if amounts.is_empty() {
        return Ok(Design { terms: Vec::new() });
    }
    Design::of_fleet(&names, amounts.iter().map(|(covered_h, amounts)| (*covered_h, amounts.as_slice())))
}

/// The rows as the estimator takes them: hour by hour, blind hours spread over the covered ones of the same span.
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
        let covered_h = row.exposure.covered_h();
        if covered_h <= 0.0 {
            design.covariates(&usual, &mut x)?;
            builder.cell(row.start_h, row.end_h, &x)?;
            continue;
        }
        let stretch = run_h / covered_h;
        let mut age_h = row.start_h;
        for piece in covered(fleet, row) {
            let exposure = &piece.hour.exposure;
            design.covariates(&rates(exposure, names.iter().map(String::as_str)), &mut x)?;
            let next_h = age_h + exposure.covered_h() * piece.share * stretch;
            builder.cell(age_h, next_h, &x)?;
            age_h = next_h;
        }
    }
    if still > 0 {
        notes.push(format!("{still} intervals without running between their looks say nothing and were left out"));
    }
    builder.build()
}
