//! From a tube's history to its risk.

use super::filter::{BLIND_LOG_SD, Law, State};
use super::fit::Latent;
use super::history::{Stretch, TubeHistory};
use super::nodes::{Nodes, PLACE_NODES};
use super::proposal::Proposal;
use super::reading::GRADES;
use crate::{Risk, WearError};

/// Nodes of a score.
const NODES: usize = 128;
const TAIL: f64 = 0.05;

/// Running since the last look of a tube and running to come, as doses (h of running at the fleet's mean rates).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Ahead {
    /// What readings cover.
    pub covered: f64,
    /// What nobody saw.
    pub blind: f64,
}

/// A fitted model made ready to score tubes.
pub struct LatentOutlook<'a> {
    latent: &'a Latent,
    theta: Vec<f64>,
    nodes: Nodes,
}

/// A tube after its looks.
pub struct Filtered<'a> {
    latent: &'a Latent,
    law: Law<'a>,
    nodes: &'a Nodes,
    next_effect: usize,
    state: State,
    weights: Vec<f64>,
}

impl Latent {
    /// Makes the tables and nodes that every score needs.
    pub fn outlook(&self) -> LatentOutlook<'_> {
        let theta = self.parameters.iter().map(|parameter| parameter.value).collect();
        LatentOutlook { latent: self, theta, nodes: Nodes::new(NODES) }
    }

    /// Dose of covered running: hours themselves, then each term, in hours of running at the fleet's mean rates.
    pub fn dose_parts(&self, stretch: &Stretch) -> Vec<f64> {
        let theta: Vec<f64> = self.parameters.iter().map(|parameter| parameter.value).collect();
        self.layout.dose_parts(&self.layout.meaning(&theta, &self.places), stretch)
    }
}

impl LatentOutlook<'_> {
    /// Goes through all that was read in a tube.
    pub fn filter(&self, tube: &TubeHistory) -> Filtered<'_> {
        let law = Law::new(&self.latent.layout, &self.theta, &self.latent.places);
        let state = law.draw(tube, &Proposal::of(&law, tube), &self.nodes);
        let (weights, _) = state.weights();
        Filtered { latent: self.latent, law, nodes: &self.nodes, next_effect: Law::effects(tube), state, weights }
    }
}

impl Filtered<'_> {
    /// The risk that a complete look after this running finds the limit.
    ///
    /// # Errors
    /// [`WearError::Setting`] for a dose that cannot be.
    pub fn risk(&self, ahead: Ahead) -> Result<Risk, WearError> {
        crate::course::check_hours("dose", ahead.covered)?;
        crate::course::check_hours("dose", ahead.blind)?;
        let scale = self.nodes.dimension(self.next_effect);
        let unseen = self.nodes.dimension(self.next_effect + 1);
        let sd = self.law.meaning.stretch_sd;
        let mut chances: Vec<(f64, f64)> = (0..self.weights.len())
            .map(|node| {
                let more = (ahead.covered + ahead.blind * (BLIND_LOG_SD * unseen[node]).exp()) * (sd * scale[node]).exp();
                let middle = self.law.middle(self.state.rate[node], self.state.dose_h[node] + more);
                (self.finds(node, middle), self.weights[node])
            })
            .collect();
        let risk = chances.iter().map(|(chance, weight)| chance * weight).sum::<f64>().clamp(0.0, 1.0);
        chances.sort_by(|a, b| a.0.total_cmp(&b.0));
        let quantile = |share: f64| {
            let mut sum = 0.0;
            let found = chances.iter().find(|(_, weight)| {
                sum += weight;
                sum >= share
            });
            found.or(chances.last()).map_or(risk, |(chance, _)| *chance)
        };
        Ok(Risk { risk, lower: quantile(TAIL).min(risk), upper: quantile(1.0 - TAIL).max(risk) })
    }

    /// The chance that a complete look finds the limit, at one node.
    fn finds(&self, node: usize, middle: f64) -> f64 {
        let limit = usize::from(self.latent.limit);
        let (law, count) = (&self.law, self.nodes.count());
        let mut stations_below = 1.0;
        let mut up_to = [1.0; GRADES - 1];
        for (station, place) in law.meaning.places.iter().enumerate() {
            let mut below = 0.0;
            let mut own = [0.0; GRADES - 1];
            for (q, (z, _)) in PLACE_NODES.iter().enumerate() {
                let weight = self.state.place[(station * PLACE_NODES.len() + q) * count + node];
                let x = middle + place + law.meaning.place_sd * z;
                below += weight * law.tables.station_below(x, limit);
                own.iter_mut().zip(law.tables.up_to(x)).for_each(|(own, up_to)| *own += weight * up_to);
            }
            stations_below *= below;
            up_to.iter_mut().zip(own).for_each(|(all, own)| *all *= own);
        }
        let whole: f64 = law.tables.whole[limit..]
            .iter()
            .map(|read| {
                read[GRADES - 1] + (0..GRADES - 1).map(|g| (read[g] - read[g + 1]) * up_to[g]).sum::<f64>()
            })
            .sum();
        let by_station = self.latent.by_station;
        (by_station * (1.0 - stations_below) + (1.0 - by_station) * whole).clamp(0.0, 1.0)
    }

    /// Effective share of the nodes, 0 to 1: how well they sit.
    pub fn node_share(&self) -> f64 {
        1.0 / (self.weights.iter().map(|w| w * w).sum::<f64>() * self.weights.len() as f64)
    }

    /// How many times faster than a usual tube of its surface this one wears, as far as its looks say.
    pub fn own_pace(&self) -> f64 {
        let mean: f64 = self.state.rate.iter().zip(&self.weights).map(|(rate, weight)| rate * weight).sum();
        (mean - self.law.meaning.level).exp()
    }
}
