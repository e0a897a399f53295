//! By-tube cross-validation of a model against honest baselines.

use linfa::traits::Fit;
use serde::{Deserialize, Serialize};

use crate::choice::flattery;
use crate::latent::out_of_fold;
use crate::metrics::{auc, brier, brier_skill, ece_equal_width, log_loss, surprise};
use crate::{
    BaseRate, Bin, Calibration, Hazard, HazardParams, HoursOnly, Intervals, LatentCandidate, Recalibration, Report,
    WearError, calibration, folds, reliability_bins,
};

/// Below so many events no model is believed (house rule after simulations at this scale: below some ten events nothing
/// beats the base rate reliably; five are the least to try).
pub const LEAST_EVENTS: usize = 5;
/// Below so many events a model's coefficients are mostly its penalty.
const FEW_EVENTS: usize = 10;
/// Seed of the draws behind [`Validation::flattery`]: a validation says the same whenever it is made.
const SEED: u64 = 1;

/// What was held against each other, from the simplest to the most elaborate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Forecast {
    /// Events per row of the training tubes, whatever the row.
    BaseRate,
    /// A constant rate per run hour.
    ConstantRate,
    /// A Weibull distribution of age.
    HoursOnly,
    /// The model.
    Model,
}

impl Forecast {
    /// All, from the simplest.
    pub const ALL: [Forecast; 4] = [Forecast::BaseRate, Forecast::ConstantRate, Forecast::HoursOnly, Forecast::Model];

    /// The name used in JSON.
    pub const fn as_str(self) -> &'static str {
        match self {
            Forecast::BaseRate => "base_rate",
            Forecast::ConstantRate => "constant_rate",
            Forecast::HoursOnly => "hours_only",
            Forecast::Model => "model",
        }
    }
}

/// Kinds of models.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ModelKind {
    /// The hazard over the exposures, from the worst grade before.
    #[default]
    Hazard,
    /// Latent wear per station, from all that was read.
    Latent,
}

/// How a kind of model did on tubes that it had not seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KindScore {
    /// Which.
    pub kind: ModelKind,
    /// Mean minus log-likelihood per row.
    pub log_loss: f64,
    /// Mean squared error.
    pub brier: f64,
}

/// How one forecast did on tubes that it had not seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Contender {
    /// Which.
    pub forecast: Forecast,
    /// Mean minus log-likelihood per row.
    pub log_loss: f64,
    /// Mean squared error.
    pub brier: f64,
    /// Share of the base rate's Brier score that it saves.
    pub brier_skill: f64,
    /// Ranking; `None` if all outcomes agree.
    pub auc: Option<f64>,
    /// Recalibration; `None` where it has no answer.
    pub calibration: Option<Calibration>,
    /// Expected calibration error over `bins`.
    pub ece_equal_count: f64,
    /// Expected calibration error over ten equally wide bins.
    pub ece_equal_width: f64,
    /// Ten groups of near-equal size.
    pub bins: Vec<Bin>,
    /// Mean log loss above the best contender's; the model's is taken with [`Validation::flattery`] added.
    pub log_loss_above_best: f64,
    /// Standard error of that difference, tubes resampled whole.
    pub log_loss_above_best_se: f64,
    /// Folds in which it could not be fitted and the next simpler one stood in, each with the reason.
    pub stand_ins: Vec<String>,
}

/// What was foretold of one row by fits that had not seen its tube.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutOfFold {
    /// Its tube.
    pub group: String,
    /// Which life.
    pub life: u32,
    /// Age at the earlier look, run hours.
    pub start_h: f64,
    /// Age at the later look, run hours.
    pub end_h: f64,
    /// Grade at the earlier look.
    pub grade_start: u8,
    /// Whether the later look found the limit reached.
    pub event: bool,
    /// The fold that left it out.
    pub fold: usize,
    /// Probability by each contender, in the order of [`Validation::contenders`].
    pub probabilities: Vec<f64>,
}

/// What was fitted without the tubes of one fold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FoldFit {
    /// Rows left out.
    pub n_rows: usize,
    /// Events left out.
    pub n_events: usize,
    /// Tubes left out.
    pub groups: Vec<String>,
    /// Which of the candidate settings was chosen inside the training tubes, counted from 0.
    pub candidate: usize,
    /// The base rate of the training tubes.
    pub base_rate: BaseRate,
    /// Hours alone, if they could be fitted.
    pub hours_only: Option<HoursOnly>,
    /// The model, if it could be fitted.
    pub model: Option<Hazard>,
}

/// The outcome of a cross-validation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Validation {
    /// The grade that is an event.
    pub limit: u8,
    /// Number of folds.
    pub folds: usize,
    /// Rows at risk.
    pub n_rows: usize,
    /// Events.
    pub n_events: usize,
    /// Distinct lives with an event.
    pub n_event_lives: usize,
    /// Tubes.
    pub n_groups: usize,
    /// From the simplest to the model.
    pub contenders: Vec<Contender>,
    /// The simplest contender whose log loss is within one standard error of the best; with latent wear as the model,
    /// the best.
    pub winner: Forecast,
    /// Whether the model is the winner and has events enough to be believed.
    pub model_wins: bool,
    /// Why, in a sentence.
    pub verdict: String,
    /// One per row at risk, in their order.
    pub predictions: Vec<OutOfFold>,
    /// One per fold.
    pub fits: Vec<FoldFit>,
    /// Which kind of model speaks as [`Forecast::Model`].
    #[serde(default)]
    pub kind: ModelKind,
    /// The kinds that were held against each other for that; empty if there was one.
    #[serde(default)]
    pub kinds: Vec<KindScore>,
    /// How much lower the model's log loss reads than it will be, because its kind was chosen on the rows that judge it;
    /// 0 with one kind.
    #[serde(default)]
    pub flattery: f64,
    /// How chances of latent wear are to be taken; `None` if it was not tried or could not be fitted.
    #[serde(default)]
    pub recalibration: Option<Recalibration>,
    /// The same drawn up to be read; `None` in validations that were kept before there were reports.
    #[serde(default)]
    pub report: Option<Report>,
}

/// Holds a model against base rate, constant rate and hours alone, on tubes that none of them has seen.
///
/// Every contender is fitted anew in every fold; with more than one candidate setting, the choice between them is made
/// by another by-tube cross-validation inside the training tubes (lowest log loss; a candidate that cannot be fitted
/// there is out). Where a fold cannot carry a contender, the next simpler one stands in and the fold is named. Folds
/// follow [`folds::by_group`] over tubes in sorted order, and each row is foretold for its own length.
///
/// # Errors
/// [`WearError::TooFewGroups`], [`WearError::NoRows`], [`WearError::Setting`] for a candidate that is none, and
/// [`WearError::UnknownTerm`]. That a fit fails is not an error here.
pub fn by_tube(
    rows: &Intervals,
    limit: u8,
    candidates: &[HazardParams],
    folds: usize,
) -> Result<Validation, WearError> {
    by_tube_and_station(rows, limit, candidates, None, folds)
}

/// [`by_tube`] with latent wear as one more candidate for the model.
///
/// The kind with the lower log loss on the same folds speaks as the model; on a tie the hazard does. What that choice
/// flatters it by is held against it. A candidate that cannot be fitted is out.
///
/// # Errors
/// Those of [`by_tube`].
pub fn by_tube_and_station(
    rows: &Intervals,
    limit: u8,
    candidates: &[HazardParams],
    latent: Option<LatentCandidate>,
    folds: usize,
) -> Result<Validation, WearError> {
    let rows = rows.at_risk(limit);
    let candidates: Vec<HazardParams> = candidates.iter().map(|candidate| candidate.clone().limit(limit)).collect();
    if candidates.is_empty() {
        return Err(WearError::Setting { name: "number of candidates", value: 0.0, right: "1 or more" });
    }
    let cut = Cut::of(&rows, folds)?;
    let outcomes: Vec<bool> = (0..rows.len()).map(|row| rows.event(row, limit)).collect();
    let mut probabilities = vec![vec![0.0; rows.len()]; Forecast::ALL.len()];
    let mut stand_ins = vec![Vec::new(); Forecast::ALL.len()];
    let mut fits = Vec::with_capacity(cut.folds);
    for fold in 0..cut.folds {
        let (training, test) = (rows.select(&cut.without(fold)), rows.select(&cut.within(fold)));
        let fitted = fit_fold(&training, &test, limit, &candidates, folds)?;
        for (contender, foretold) in fitted.probabilities.iter().enumerate() {
            for (row, p) in cut.within(fold).into_iter().zip(foretold) {
                probabilities[contender][row] = *p;
            }
            if let Some(why) = &fitted.failures[contender] {
                stand_ins[contender].push(format!("fold {fold}: {why}"));
            }
        }
        fits.push(fitted.fit);
    }
    let model = Forecast::Model as usize;
    let (mut kind, mut kinds, mut flattered, mut recalibration) = (ModelKind::Hazard, Vec::new(), 0.0, None);
    if let Some(candidate) = latent
        && let Ok((foretold, taken)) = out_of_fold(candidate, &rows, limit, &cut.of_row, cut.folds)
    {
        let score = |kind: ModelKind, p: &[f64]| KindScore {
            kind,
            log_loss: log_loss(p, &outcomes),
            brier: brier(p, &outcomes),
        };
        kinds = vec![score(ModelKind::Hazard, &probabilities[model]), score(ModelKind::Latent, &foretold)];
        recalibration = Some(taken);
        let hazard_failed = stand_ins[model].len() == cut.folds;
        if !hazard_failed {
            let losses = |p: &[f64]| p.iter().zip(&outcomes).map(|(p, event)| surprise(*p, *event)).collect();
            // By chance it may come out below nothing, which would speak for the model.
            flattered = flattery(&[losses(&probabilities[model]), losses(&foretold)], &cut.group, SEED).max(0.0);
        }
        if hazard_failed || kinds[1].log_loss < kinds[0].log_loss {
            kind = ModelKind::Latent;
            probabilities[model] = foretold;
            stand_ins[model].clear();
        }
    }
    let contenders = rank(&probabilities, &outcomes, stand_ins, flattered, &cut);
    let n_events = outcomes.iter().filter(|event| **event).count();
    // Priors hold latent wear near hours alone where there is little to learn from, so it need not stand out.
    let tie = if kind == ModelKind::Latent { 0.0 } else { 1.0 };
    let winner = contenders
        .iter()
        .find(|contender| contender.log_loss_above_best <= tie * contender.log_loss_above_best_se)
        .map_or(Forecast::BaseRate, |contender| contender.forecast);
    let stood_in = contenders.last().is_some_and(|model| model.stand_ins.len() == cut.folds);
    let model_wins = winner == Forecast::Model && n_events >= LEAST_EVENTS && !stood_in;
    let prediction = |row: usize| {
        let head = rows.row(row);
        OutOfFold {
            group: head.group.to_owned(),
            life: head.life,
            start_h: rows.start_h(row),
            end_h: rows.end_h(row),
            grade_start: head.grade_start,
            event: outcomes[row],
            fold: cut.of_row[row],
            probabilities: probabilities.iter().map(|of| of[row]).collect(),
        }
    };
    let mut validation = Validation {
        limit,
        folds: cut.folds,
        n_rows: rows.len(),
        n_events,
        n_event_lives: rows.lives_of(&outcomes),
        n_groups: cut.n_groups,
        verdict: verdict(&contenders, winner, model_wins, n_events),
        contenders,
        winner,
        model_wins,
        predictions: (0..rows.len()).map(prediction).collect(),
        fits,
        kind,
        kinds,
        flattery: flattered,
        recalibration,
        report: None,
    };
    validation.report = Some(Report::of(&validation));
    Ok(validation)
}

/// Rows cut into folds by group.
struct Cut {
    folds: usize,
    n_groups: usize,
    group: Vec<usize>,
    of_row: Vec<usize>,
}

impl Cut {
    fn of(rows: &Intervals, folds: usize) -> Result<Cut, WearError> {
        if rows.is_empty() {
            return Err(WearError::NoRows);
        }
        let group = rows.group_ranks();
        let n_groups = group.iter().max().map_or(0, |most| most + 1);
        if n_groups < folds || folds < 2 {
            return Err(WearError::TooFewGroups { groups: n_groups, folds });
        }
        Ok(Cut { folds, n_groups, of_row: folds::by_group(&group, folds), group })
    }

    fn within(&self, fold: usize) -> Vec<usize> {
        (0..self.of_row.len()).filter(|row| self.of_row[*row] == fold).collect()
    }

    fn without(&self, fold: usize) -> Vec<usize> {
        (0..self.of_row.len()).filter(|row| self.of_row[*row] != fold).collect()
    }
}

struct FittedFold {
    fit: FoldFit,
    /// By contender, for the rows of the test.
    probabilities: [Vec<f64>; 4],
    /// Why a contender could not be fitted.
    failures: [Option<String>; 4],
}

fn fit_fold(
    training: &Intervals,
    test: &Intervals,
    limit: u8,
    candidates: &[HazardParams],
    folds: usize,
) -> Result<FittedFold, WearError> {
    let base_rate = BaseRate::fit(training, limit)?;
    let flat = vec![base_rate.probability; test.len()];
    let constant: Vec<f64> = (0..test.len()).map(|row| base_rate.probability_within(test.run_h(row))).collect();
    let hours_only = HoursOnly::fit(training, limit);
    let by_age = hours_only.as_ref().map_or_else(|_| constant.clone(), |fit| fit.probabilities(test));
    let candidate = choose(training, limit, candidates, folds);
    let model = candidates[candidate].fit(&training.dataset(limit));
    if let Err(error @ (WearError::Setting { .. } | WearError::UnknownTerm { .. } | WearError::TermTwice { .. })) =
        model
    {
        return Err(error);
    }
    let by_model = match &model {
        Ok(model) => model.probabilities(test)?,
        Err(_) => by_age.clone(),
    };
    let why = |error: Option<&WearError>| error.map(ToString::to_string);
    let mut groups: Vec<String> = (0..test.len()).map(|row| test.row(row).group.to_owned()).collect();
    groups.sort();
    groups.dedup();
    Ok(FittedFold {
        probabilities: [flat, constant, by_age, by_model],
        failures: [None, None, why(hours_only.as_ref().err()), why(model.as_ref().err())],
        fit: FoldFit {
            n_rows: test.len(),
            n_events: (0..test.len()).filter(|row| test.event(*row, limit)).count(),
            groups,
            candidate,
            base_rate,
            hours_only: hours_only.ok(),
            model: model.ok(),
        },
    })
}

/// The candidate with the lowest log loss on tubes left out of the training; the first if none can be told better.
fn choose(training: &Intervals, limit: u8, candidates: &[HazardParams], folds: usize) -> usize {
    if candidates.len() == 1 {
        return 0;
    }
    let n_groups = training.group_ranks().into_iter().max().map_or(0, |most| most + 1);
    let Ok(cut) = Cut::of(training, folds.min(n_groups)) else {
        return 0;
    };
    let loss = |candidate: &HazardParams| -> Result<f64, WearError> {
        let mut sum = 0.0;
        for fold in 0..cut.folds {
            let test = training.select(&cut.within(fold));
            let model = candidate.fit(&training.select(&cut.without(fold)).dataset(limit))?;
            let foretold = model.probabilities(&test)?;
            sum += foretold.iter().enumerate().map(|(row, p)| surprise(*p, test.event(row, limit))).sum::<f64>();
        }
        Ok(sum)
    };
    let losses = candidates.iter().map(loss).enumerate().filter_map(|(i, loss)| loss.ok().map(|loss| (i, loss)));
    losses.min_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(candidate, _)| candidate)
}

fn rank(
    probabilities: &[Vec<f64>],
    outcomes: &[bool],
    stand_ins: Vec<Vec<String>>,
    flattery: f64,
    cut: &Cut,
) -> Vec<Contender> {
    let losses: Vec<f64> = probabilities.iter().map(|p| log_loss(p, outcomes)).collect();
    let mut expected = losses.clone();
    expected[Forecast::Model as usize] += flattery;
    let best = (0..losses.len()).min_by(|a, b| expected[*a].total_cmp(&expected[*b])).unwrap_or(0);
    let reference = brier(&probabilities[0], outcomes);
    let contender = |(i, stand_ins): (usize, Vec<String>)| {
        let p = &probabilities[i];
        let bins = reliability_bins(p, outcomes, 10);
        let n = outcomes.len() as f64;
        Contender {
            forecast: Forecast::ALL[i],
            log_loss: losses[i],
            brier: brier(p, outcomes),
            brier_skill: brier_skill(brier(p, outcomes), reference),
            auc: auc(p, outcomes),
            calibration: calibration(p, outcomes),
            ece_equal_count: bins
                .iter()
                .map(|bin| bin.n as f64 / n * (bin.mean_probability - bin.event_rate).abs())
                .sum(),
            ece_equal_width: ece_equal_width(p, outcomes, 10),
            bins,
            log_loss_above_best: expected[i] - expected[best],
            log_loss_above_best_se: paired_se(p, &probabilities[best], outcomes, cut),
            stand_ins,
        }
    };
    stand_ins.into_iter().enumerate().map(contender).collect()
}

/// Standard error of the mean difference in log loss, from the spread of its sums per group.
fn paired_se(p: &[f64], best: &[f64], outcomes: &[bool], cut: &Cut) -> f64 {
    let mut sums = vec![0.0; cut.n_groups];
    for (row, event) in outcomes.iter().enumerate() {
        sums[cut.group[row]] += surprise(p[row], *event) - surprise(best[row], *event);
    }
    let g = sums.len() as f64;
    let mean = sums.iter().sum::<f64>() / g;
    let variance = sums.iter().map(|sum| (sum - mean).powi(2)).sum::<f64>() / (g - 1.0);
    (g * variance).sqrt() / outcomes.len() as f64
}

fn verdict(contenders: &[Contender], winner: Forecast, model_wins: bool, n_events: usize) -> String {
    let loss = |forecast: Forecast| contenders[forecast as usize].log_loss;
    let told = |forecast: Forecast| format!("{} (log loss {:.4})", forecast.as_str(), loss(forecast));
    if n_events < LEAST_EVENTS {
        return format!("{n_events} events are too few for any model; it takes {LEAST_EVENTS}");
    }
    let few = if n_events < FEW_EVENTS { "; with so few events its coefficients are mostly the penalty" } else { "" };
    if model_wins {
        let rivals = contenders.iter().filter(|contender| contender.forecast != Forecast::Model);
        let next = rivals.min_by(|a, b| a.log_loss.total_cmp(&b.log_loss)).map_or(0.0, |next| next.log_loss_above_best);
        return format!(
            "the model wins on tubes it has not seen: {}, the best baseline is {next:.4} above it{few}",
            told(Forecast::Model)
        );
    }
    let model = &contenders[Forecast::Model as usize];
    if winner == Forecast::Model {
        return "the model could not be fitted in any fold; hours alone stood in for it".to_owned();
    }
    format!(
        "{} is not beaten by more than one standard error between tubes; the model has {:.4}",
        told(winner),
        model.log_loss
    )
}
