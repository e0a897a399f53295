//! From a tube's history to its risk.

use super::filter::{BLIND_LOG_SD, Law, State};
use super::fit::Latent;
use super::history::{Stretch, TubeHistory};
use super::nodes::{Nodes, PLACE_NODES};
use super::parameters::Meaning;
use super::proposal::Proposal;
use super::reading::{GRADES, PlaceReads};
use crate::course::check_hours;
use crate::{Risk, WearError};

/// Nodes of a score under each parameter vector; each vector has others.
const NODES: usize = 16;
const Z_90: f64 = 1.645;
/// The curvature that places the vectors is that of a fleet whose random effects were seen, so they lie too close together.
/// On invented plants (`second_plant`) the interval held the chance of somebody who knows the law in 0.70 of looks without
/// this factor, and in 0.86 with it.
const OPEN: f64 = 1.6;

/// Running after the last look of a tube, as doses: hours of running at the fleet's mean rates.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Ahead {
    /// Since the look, as far as readings cover it.
    pub covered: f64,
    /// Since the look, where nobody saw it.
    pub blind: f64,
    /// To come, see [`Latent::coming`].
    pub coming: f64,
}

/// A fitted model made ready to score tubes: its tables and nodes.
pub struct LatentOutlook<'a> {
    latent: &'a Latent,
    /// The law at the most likely parameters: where to look for what a tube went through.
    mode: Law<'a>,
    draws: Vec<Drawn<'a>>,
}

/// The law under one parameter vector, with its nodes.
struct Drawn<'a> {
    law: Law<'a>,
    nodes: Nodes,
    reads: PlaceReads,
}

/// A tube after its looks, under each parameter vector. It holds for the outlook that made it, and for any other of the same fit.
#[derive(Debug)]
pub struct Filtered {
    effects: usize,
    states: Vec<(State, Vec<f64>)>,
}

impl Latent {
    /// Makes the tables and nodes that every score needs.
    pub fn outlook(&self) -> LatentOutlook<'_> {
        let law = |theta: &[f64]| Law::new(&self.layout, theta, &self.places);
        let drawn = |(number, theta): (u64, &Vec<f64>)| {
            let law = law(theta);
            let reads = law.tables.place_reads(usize::from(self.limit));
            Drawn { law, nodes: Nodes::other(NODES, number), reads }
        };
        let draws = (0..).zip(&self.draws).map(drawn).collect();
        LatentOutlook { latent: self, mode: law(&self.mode()), draws }
    }

    /// The terms, in the order of a stretch's amounts.
    pub fn terms(&self) -> &[String] {
        &self.layout.terms
    }

    /// Dose of covered running at the most likely weights: hours themselves, then each term, in hours of running at the
    /// fleet's mean rates. They add up to the dose exactly.
    pub fn dose_parts(&self, stretch: &Stretch) -> Vec<f64> {
        self.layout.dose_parts(&self.layout.meaning(&self.mode(), &self.places), stretch)
    }

    /// What the wear of an hour at the fleet's mean rates comes from: `run_h`, running itself, then each term; shares that
    /// add up to 1.
    pub fn shares(&self) -> Vec<(String, f64)> {
        let usual = Stretch { covered_h: 1.0, blind_h: 0.0, amounts: self.layout.usual.clone() };
        let names = std::iter::once("run_h".to_owned()).chain(self.layout.terms.iter().cloned());
        names.zip(self.dose_parts(&usual)).collect()
    }

    fn mode(&self) -> Vec<f64> {
        self.parameters.iter().map(|parameter| parameter.value).collect()
    }

    /// Dose of some run hours to come after running at a pace (dose per run hour).
    pub fn coming(&self, run_h: f64, pace: f64) -> f64 {
        self.pace.coming(run_h, pace)
    }
}

impl LatentOutlook<'_> {
    /// Dose of covered running at the most likely weights, in hours of running at the fleet's mean rates.
    pub fn dose(&self, covered_h: f64, amounts: &[f64]) -> f64 {
        let Meaning { weights, whole_weight, .. } = &self.mode.meaning;
        self.latent.layout.dose(weights, *whole_weight, covered_h, amounts)
    }

    /// Its parts: hours themselves, then each term. They add up to the dose.
    pub fn dose_parts(&self, stretch: &Stretch) -> Vec<f64> {
        self.latent.layout.dose_parts(&self.mode.meaning, stretch)
    }

    /// Goes through all that was read in a tube.
    pub fn filter(&self, tube: &TubeHistory) -> Filtered {
        let proposal = Proposal::of(&self.mode, tube);
        let state = |Drawn { law, nodes, .. }: &Drawn| {
            let state = law.draw(tube, &proposal, nodes);
            let (weights, _) = state.weights();
            (state, weights)
        };
        Filtered { effects: Law::effects(tube), states: self.draws.iter().map(state).collect() }
    }

    /// The risk that a complete look after this running finds the limit.
    ///
    /// The interval is symmetric on the logarithm of the cumulative hazard: its variance is that between the parameter
    /// vectors that the fit leaves open, widened, plus (blind share of the running x ln 2) squared for what nobody saw.
    ///
    /// # Errors
    /// [`WearError::Setting`] for a dose that cannot be.
    pub fn risk(&self, tube: &Filtered, ahead: Ahead) -> Result<Risk, WearError> {
        for dose in [ahead.covered, ahead.blind, ahead.coming] {
            check_hours("dose", dose)?;
        }
        let risks: Vec<f64> = (0..tube.states.len()).map(|draw| self.risk_under(tube, draw, ahead)).collect();
        let n = risks.len() as f64;
        let risk = self.latent.recalibration.apply(risks.iter().sum::<f64>() / n);
        let hazards: Vec<f64> = risks.iter().map(|risk| (-(-risk).ln_1p()).max(1e-9).ln()).collect();
        let mean = hazards.iter().sum::<f64>() / n;
        let between = hazards.iter().map(|ln| (ln - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
        let all = ahead.covered + ahead.blind + ahead.coming;
        let blind_share = if all > 0.0 { ahead.blind / all } else { 0.0 };
        let off = (Z_90 * (OPEN * OPEN * between + (blind_share * BLIND_LOG_SD).powi(2)).sqrt()).exp();
        let hazard = -(-risk).ln_1p();
        let read = |hazard: f64| (-(-hazard).exp_m1()).clamp(0.0, 1.0);
        Ok(Risk { risk, lower: read(hazard / off), upper: read(hazard * off) })
    }

    fn risk_under(&self, tube: &Filtered, draw: usize, ahead: Ahead) -> f64 {
        let Drawn { law, nodes, .. } = &self.draws[draw];
        let (state, weights) = &tube.states[draw];
        let own = |effect: usize| nodes.dimension(tube.effects + effect);
        let (scale, unseen, pace) = (own(0), own(1), own(2));
        let middles: Vec<f64> = (0..weights.len())
            .map(|node| {
                let blind = ahead.blind * (BLIND_LOG_SD * unseen[node]).exp();
                let coming = ahead.coming * (self.latent.pace.sd * pace[node]).exp();
                let more = (ahead.covered + blind + coming) * (law.meaning.stretch_sd * scale[node]).exp();
                law.middle(state.rate[node], state.dose_h[node] + more)
            })
            .collect();
        let finds = self.finds(tube, draw, &middles);
        weights.iter().zip(finds).map(|(weight, finds)| weight * finds).sum::<f64>().clamp(0.0, 1.0)
    }

    /// The chance that a complete look finds the limit, node by node.
    fn finds(&self, tube: &Filtered, draw: usize, middles: &[f64]) -> impl Iterator<Item = f64> {
        let Drawn { law, reads, .. } = &self.draws[draw];
        let place_weights = &tube.states[draw].0.place;
        let limit = usize::from(self.latent.limit);
        let by_station = self.latent.by_station;
        let count = middles.len();
        // Of all places together: each grade or less, and read below the limit at every one.
        let mut all = vec![[1.0; GRADES]; count];
        let mut own = vec![[0.0; GRADES]; count];
        for (station, place) in law.meaning.places.iter().enumerate() {
            own.fill([0.0; GRADES]);
            for (q, (z, _)) in PLACE_NODES.iter().enumerate() {
                let off = place + law.meaning.place_sd * z;
                let from = (station * PLACE_NODES.len() + q) * count;
                for ((own, middle), weight) in own.iter_mut().zip(middles).zip(&place_weights[from..from + count]) {
                    let read = reads.at(middle + off);
                    own.iter_mut().zip(read).for_each(|(own, read)| *own += weight * read);
                }
            }
            for (all, own) in all.iter_mut().zip(&own) {
                all.iter_mut().zip(own).for_each(|(all, own)| *all *= own);
            }
        }
        let whole = &law.tables.whole;
        all.into_iter().map(move |all| {
            let told: f64 = whole[limit..]
                .iter()
                .map(|read| read[GRADES - 1] + (0..GRADES - 1).map(|g| (read[g] - read[g + 1]) * all[g]).sum::<f64>())
                .sum();
            (by_station * (1.0 - all[GRADES - 1]) + (1.0 - by_station) * told).clamp(0.0, 1.0)
        })
    }
}
