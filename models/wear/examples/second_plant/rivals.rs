//! What hours alone, the hazard and latent wear foretell at every look, by-tube folds.

use linfa::prelude::*;
use wear::validate::{self, ModelKind};
use wear::{
    Ahead, BlindPace, Course, Design, Hazard, HazardParams, Histories, HoursOnly, Intervals, Latent, LatentCandidate,
    LatentParams, LifeHistory, Pace, Place, Readings, Recalibration, Row, Stretch, TubeHistory, folds,
};

use crate::plant::{AHEAD_H, Campaign, Looked, Plant, STATIONS, TERMS};

pub const FOLDS: usize = 5;
const RECENT_H: f64 = 500.0;

/// A look with its outcome and what each rival foretold.
pub struct Foretold {
    pub tube: usize,
    pub at_h: f64,
    pub outcome: f64,
    pub hours_only: f64,
    pub hazard: f64,
    pub latent: f64,
    pub recalibrated: f64,
    pub published: f64,
    pub cautious: f64,
    pub lower: f64,
    pub upper: f64,
}

pub fn rates(campaign: &Campaign) -> Option<Vec<f64>> {
    let covered_h = campaign.run_h - campaign.blind_h;
    (covered_h > 0.5).then(|| campaign.seen.iter().map(|amount| amount / covered_h).collect())
}

pub fn foretell(plant: &Plant, seconds: &mut f64) -> Vec<Foretold> {
    let names: Vec<String> = (0..plant.tubes.len()).map(|tube| format!("T{tube:03}")).collect();
    let looked: Vec<usize> =
        (0..names.len()).filter(|tube| plant.tubes[*tube].lives.iter().any(|l| !l.is_empty())).collect();
    let fold_of = folds::by_group(&looked, FOLDS);
    let mut foretold = Vec::new();
    for fold in 0..FOLDS {
        let inside = |tube: usize| looked.iter().position(|t| *t == tube).is_some_and(|at| fold_of[at] != fold);
        let design = design(plant);
        let rows = intervals(plant, &names, &design, inside);
        let hours = HoursOnly::fit(&rows, 2).ok();
        let params = HazardParams::new().ridge(1.0).stratum_ridge(1.0);
        let hazard = params.fit(&rows.dataset(2)).ok();
        let all = histories(plant, &names);
        let training = all.select(|tube| inside(names.iter().position(|name| *name == tube.tube).expect("named")));
        let latent_params = LatentParams::new();
        let began = std::time::Instant::now();
        let candidate = LatentCandidate { params: &latent_params, histories: &training };
        let judged =
            validate::by_tube_and_station(&rows, 2, std::slice::from_ref(&params), Some(candidate), FOLDS).ok();
        let recalibration = judged.as_ref().and_then(|v| v.recalibration).unwrap_or(Recalibration::NONE);
        let cautious = judged.as_ref().and_then(|v| {
            let wins = v.contenders[..3].iter().all(|c| c.log_loss_above_best > c.log_loss_above_best_se);
            wins.then_some(v.kind)
        });
        let winner = judged.filter(|v| v.model_wins).map(|v| v.kind);
        let latent = latent_params.fit(&training.clone().dataset()).expect("there are looks");
        *seconds += began.elapsed().as_secs_f64();
        if std::env::args().any(|text| text == "show") && fold == 0 {
            for p in &latent.parameters {
                println!("{:26} {:8.3}  prior {:6.2} +- {:.2}", p.name, p.value, p.prior_mean, p.prior_sd);
            }
            println!("{:?} {recalibration:?} {} {}", latent.pace, latent.iterations, latent.converged);
        }
        for (at, tube) in looked.iter().enumerate() {
            if fold_of[at] == fold {
                let rivals = Rivals {
                    plant,
                    design: &design,
                    hours: hours.as_ref(),
                    hazard: hazard.as_ref(),
                    latent: &latent,
                    rows: &rows,
                    recalibration,
                    winner,
                    cautious,
                };
                rivals.tube(*tube, &all.tubes()[*tube], &mut foretold);
            }
        }
    }
    foretold
}

struct Rivals<'a> {
    plant: &'a Plant,
    design: &'a Design,
    hours: Option<&'a HoursOnly>,
    hazard: Option<&'a Hazard>,
    latent: &'a Latent,
    rows: &'a Intervals,
    recalibration: Recalibration,
    winner: Option<ModelKind>,
    cautious: Option<ModelKind>,
}

impl Rivals<'_> {
    fn tube(&self, number: usize, history: &TubeHistory, foretold: &mut Vec<Foretold>) {
        let outlook = self.latent.outlook();
        let mut so_far = TubeHistory { lives: Vec::new(), ..history.clone() };
        for (life, looks) in self.plant.tubes[number].lives.iter().zip(&history.lives) {
            so_far.lives.push(LifeHistory { looks: Vec::new(), ..looks.clone() });
            let (mut worst, mut since, mut last_age_h) = (0, Vec::new(), 0.0);
            for (looked, step) in life.iter().zip(&looks.looks) {
                so_far.lives.last_mut().expect("just pushed").looks.push(step.clone());
                worst = worst.max(looked.worst());
                if looked.complete() {
                    since.clear();
                    last_age_h = looked.age_h;
                } else {
                    since.extend(looked.before.iter().cloned());
                }
                let Some(outcome) = looked.outcome.filter(|_| worst < 2) else { continue };
                let recent = recent(&self.plant.units[looked.unit], looked.at_h);
                let hours_only = self.hours_only(last_age_h, &since, worst);
                let hazard = self.hazard(last_age_h, &since, worst, &recent).unwrap_or(hours_only);
                let pace: f64 = self
                    .latent
                    .dose_parts(&Stretch { covered_h: recent.0, blind_h: 0.0, amounts: recent.1.clone() })
                    .iter()
                    .sum::<f64>()
                    / recent.0;
                let coming = self.latent.coming(AHEAD_H, pace);
                let ahead = Ahead { coming, ..Ahead::default() };
                let risk = outlook.risk(&outlook.filter(&so_far), ahead).expect("doses are fine");
                let recalibrated = self.recalibration.apply(risk.risk);
                let by = |winner| match winner {
                    Some(ModelKind::Latent) => recalibrated,
                    Some(ModelKind::Hazard) => hazard,
                    None => hours_only,
                };
                foretold.push(Foretold {
                    tube: number,
                    at_h: looked.at_h,
                    outcome,
                    hours_only,
                    hazard,
                    latent: risk.risk,
                    recalibrated,
                    published: by(self.winner),
                    cautious: by(self.cautious),
                    lower: risk.lower,
                    upper: risk.upper,
                });
            }
        }
    }

    fn hours_only(&self, age_h: f64, since: &[Campaign], worst: u8) -> f64 {
        let run_h: f64 = since.iter().map(|campaign| campaign.run_h).sum();
        let Some(hours) = self.hours else {
            let base = wear::BaseRate::fit(self.rows, 2).expect("there are rows");
            return base.probability_within(run_h + AHEAD_H);
        };
        let mut course = Course::new(worst, age_h, 0).expect("an age");
        course.seen(run_h, &[]).expect("hours");
        let plain = Pace { run_h: 0.0, multiplier: 1.0, x: Vec::new() };
        let blind = BlindPace { fleet_median: plain.clone(), unit_before: None };
        let outlook = hours.hazard.outlook(&course, &blind).expect("a course");
        outlook.risk(AHEAD_H, &plain).expect("a pace").risk
    }

    fn hazard(&self, age_h: f64, since: &[Campaign], worst: u8, recent: &(f64, Vec<f64>)) -> Option<f64> {
        let hazard = self.hazard?;
        let mut course = Course::new(worst, age_h, TERMS.len()).ok()?;
        let mut x = Vec::new();
        for campaign in since {
            match rates(campaign) {
                Some(rates) => {
                    self.design.covariates(&rates, &mut x).ok()?;
                    course.seen(campaign.run_h - campaign.blind_h, &x).ok()?;
                    course.blind(campaign.blind_h).ok()?;
                }
                None => course.blind(campaign.run_h).ok()?,
            }
        }
        let rates: Vec<f64> = recent.1.iter().map(|amount| amount / recent.0).collect();
        self.design.covariates(&rates, &mut x).ok()?;
        let pace = hazard.mean_pace([(recent.0, x.as_slice())])?;
        let blind = BlindPace { fleet_median: pace.clone(), unit_before: None };
        Some(hazard.outlook(&course, &blind).ok()?.risk(AHEAD_H, &pace).ok()?.risk)
    }
}

/// Covered hours and amounts of the last run hours of a unit before an instant.
fn recent(campaigns: &[Campaign], at_h: f64) -> (f64, Vec<f64>) {
    let (mut hours, mut amounts) = (0.0, vec![0.0; TERMS.len()]);
    for campaign in campaigns.iter().rev().filter(|campaign| campaign.begins_h < at_h) {
        hours += campaign.run_h - campaign.blind_h;
        amounts.iter_mut().zip(campaign.seen).for_each(|(sum, amount)| *sum += amount);
        if hours > RECENT_H {
            break;
        }
    }
    (hours.max(1.0), amounts)
}

fn design(plant: &Plant) -> Design {
    let names = TERMS.map(str::to_owned);
    let periods: Vec<(f64, [f64; 3])> =
        plant.units.iter().flatten().map(|campaign| (campaign.run_h - campaign.blind_h, campaign.seen)).collect();
    Design::of_fleet(&names, periods.iter().map(|(h, amounts)| (*h, amounts.as_slice()))).expect("hours")
}

fn intervals(plant: &Plant, names: &[String], design: &Design, inside: impl Fn(usize) -> bool) -> Intervals {
    let mut builder = Intervals::builder(TERMS);
    let mut x = Vec::new();
    for (number, tube) in plant.tubes.iter().enumerate().filter(|(number, _)| inside(*number)) {
        for (life, looks) in (1..).zip(&tube.lives) {
            let (mut worst, mut age_h, mut since) = (0, 0.0, Vec::new());
            for looked in looks {
                since.extend(looked.before.iter().cloned());
                if !looked.complete() && looked.worst() < 2 {
                    continue;
                }
                let grade_end = worst.max(looked.worst());
                builder.row(Row { group: &names[number], life, grade_start: worst, grade_end }).expect("a row");
                for campaign in since.drain(..) {
                    let usual: Vec<f64> = design.terms.iter().map(|term| term.reference).collect();
                    design.covariates(&rates(&campaign).unwrap_or(usual), &mut x).expect("rates");
                    builder.cell(age_h, age_h + campaign.run_h, &x).expect("a cell");
                    age_h += campaign.run_h;
                }
                worst = grade_end;
            }
        }
    }
    builder.build().expect("rows")
}

pub fn histories(plant: &Plant, names: &[String]) -> Histories {
    let places = (0..STATIONS).map(|station| Place { zone: station / 4, clock: station % 4 }).collect();
    let mut histories = Histories::new(TERMS.map(str::to_owned).to_vec(), places);
    for (name, tube) in names.iter().zip(&plant.tubes) {
        let life = |(number, looks): (u32, &Vec<Looked>)| {
            let looks = looks.iter().map(|looked| (stretch(&looked.before), readings(looked))).collect();
            LifeHistory::new(number, true, looks)
        };
        let lives = (1..).zip(&tube.lives).map(life).collect();
        histories.push(TubeHistory { tube: name.clone(), surface: tube.surface, lives }).expect("a tube");
    }
    histories
}

fn readings(looked: &Looked) -> Readings {
    Readings { stations: looked.stations.clone(), depths_um: looked.depths_um.clone(), whole: looked.whole }
}

fn stretch(campaigns: &[Campaign]) -> Stretch {
    let mut stretch = Stretch { amounts: vec![0.0; TERMS.len()], ..Stretch::default() };
    for campaign in campaigns {
        stretch.covered_h += campaign.run_h - campaign.blind_h;
        stretch.blind_h += campaign.blind_h;
        stretch.amounts.iter_mut().zip(campaign.seen).for_each(|(sum, amount)| *sum += amount);
    }
    stretch
}
