//! Checked settings, and the fit.

use linfa::traits::Fit;
use linfa::{DatasetBase, ParamGuard};
use ndarray::Array1;
use serde::{Deserialize, Serialize};

use super::ahead::PaceAhead;
use super::ascent::{Landscape, Top, climb};
use super::filter::Law;
use super::history::{Histories, Place, Stretch, TubeHistory};
use super::judge::Recalibration;
use super::nodes::Nodes;
use super::parameters::{Belief, LEVEL, Layout, Parameter, TUBE_SD};
use super::proposal::Proposal;
use crate::WearError;

/// Nodes of a fit: more change the log-likelihood of a fleet by less than its readings leave open.
const NODES: usize = 32;
/// Parameter vectors that a score averages over, an even number.
const DRAWS: usize = 8;

/// Checked settings of a fit; see [`LatentParams`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LatentValid {
    limit: u8,
    belief: Option<Belief>,
    max_iterations: usize,
}

/// Settings of a fit of latent wear; see the module's head for the model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct LatentParams(LatentValid);

impl LatentParams {
    /// Limit 2, no belief.
    pub fn new() -> Self {
        Self(LatentValid { limit: 2, belief: None, max_iterations: 30 })
    }

    /// The grade whose risk is asked for, 1 to 3: plating, of which grade 4 speaks, is not depth alone.
    pub fn limit(mut self, limit: u8) -> Self {
        self.0.limit = limit;
        self
    }

    /// What the plant believes; it fades as findings come.
    pub fn belief(mut self, belief: Belief) -> Self {
        self.0.belief = Some(belief);
        self
    }

    /// After how many steps to give up.
    pub fn max_iterations(mut self, iterations: usize) -> Self {
        self.0.max_iterations = iterations;
        self
    }
}

impl Default for LatentParams {
    fn default() -> Self {
        Self::new()
    }
}

impl ParamGuard for LatentParams {
    type Checked = LatentValid;
    type Error = WearError;

    fn check_ref(&self) -> Result<&LatentValid, WearError> {
        let valid = &self.0;
        if !(1..=3).contains(&valid.limit) {
            return Err(WearError::Setting {
                name: "limit",
                value: f64::from(valid.limit),
                right: "a grade from 1 to 3",
            });
        }
        if let Some(belief) = &valid.belief {
            let right = "above 0 h, early before late";
            if !(belief.early_h > 0.0 && belief.late_h > belief.early_h && belief.late_h.is_finite()) {
                return Err(WearError::Setting { name: "early_h", value: belief.early_h, right });
            }
            if !(belief.spread >= 1.0 && belief.spread.is_finite()) {
                return Err(WearError::Setting { name: "spread", value: belief.spread, right: "1 or more" });
            }
        }
        Ok(valid)
    }

    fn check(self) -> Result<LatentValid, WearError> {
        self.check_ref()?;
        Ok(self.0)
    }
}

/// A fitted model of latent wear.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Latent {
    /// The grade whose risk it speaks of.
    pub limit: u8,
    /// The parameters with their priors.
    pub parameters: Vec<Parameter>,
    /// Logarithm of the marginal likelihood, without the priors.
    pub log_likelihood: f64,
    /// Logarithm of the priors' density, up to a constant.
    pub log_prior: f64,
    /// Looks that it was fitted on.
    pub n_looks: usize,
    /// Whether the ascent settled.
    pub converged: bool,
    /// Steps that it took.
    pub iterations: usize,
    /// Share of complete looks that read station by station, 0 to 1.
    pub by_station: f64,
    /// How the pace of wear goes on from one stretch to the next.
    pub pace: PaceAhead,
    /// How its chances are to be taken, by what tubes left out said; [`Latent::recalibrated`] sets it.
    pub recalibration: Recalibration,
    /// Parameter vectors as likely as the fit leaves open, each as good as the others.
    pub(crate) draws: Vec<Vec<f64>>,
    pub(crate) layout: Layout,
    #[serde(with = "places")]
    pub(crate) places: Vec<Place>,
}

impl Latent {
    /// The same model, its chances taken as tubes left out called for.
    pub fn recalibrated(self, recalibration: Recalibration) -> Latent {
        Latent { recalibration, ..self }
    }
}

/// Places as pairs of zone and clock.
mod places {
    use super::Place;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub(super) fn serialize<S: Serializer>(places: &[Place], to: S) -> Result<S::Ok, S::Error> {
        let pairs: Vec<(usize, usize)> = places.iter().map(|place| (place.zone, place.clock)).collect();
        pairs.serialize(to)
    }

    pub(super) fn deserialize<'a, D: Deserializer<'a>>(from: D) -> Result<Vec<Place>, D::Error> {
        let pairs = Vec::<(usize, usize)>::deserialize(from)?;
        Ok(pairs.into_iter().map(|(zone, clock)| Place { zone, clock }).collect())
    }
}

impl Fit<Histories, Array1<()>, WearError> for LatentValid {
    type Object = Latent;

    /// Fits the tubes of the data set.
    ///
    /// # Errors
    /// [`WearError::NoRows`] without looks, [`WearError::Setting`] without stations.
    fn fit(&self, dataset: &DatasetBase<Histories, Array1<()>>) -> Result<Latent, WearError> {
        let histories = &dataset.records;
        let n_looks = histories.looks().count();
        if n_looks == 0 {
            return Err(WearError::NoRows);
        }
        if histories.places.is_empty() {
            return Err(WearError::Setting { name: "number of stations", value: 0.0, right: "1 or more" });
        }
        let layout = Layout::of(histories);
        let nodes = Nodes::new(NODES);
        let priors = layout.priors(self.belief.as_ref());
        let fleet = Fleet { layout: &layout, nodes: &nodes, histories };
        let top = climb(&priors, self.max_iterations, |theta| fleet.around(theta));
        let complete = |readings: &super::Readings| readings.complete(histories.places.len());
        let n_complete = histories.looks().filter(|(_, readings)| complete(readings)).count();
        let n_stations = histories.looks().filter(|(_, r)| complete(r) && r.whole.is_none()).count();
        let mode = layout.meaning(&top.at, &histories.places);
        let dose = |of: &Stretch| layout.dose(&mode.weights, mode.whole_weight, of.covered_h, &of.amounts);
        let pace = PaceAhead::of(histories, dose);
        let draws = draws(&top, &priors);
        let parameters = priors.into_iter().zip(&top.at).map(|(p, value)| Parameter { value: *value, ..p });
        Ok(Latent {
            limit: self.limit,
            parameters: parameters.collect(),
            log_likelihood: top.log_likelihood,
            log_prior: top.log_prior,
            n_looks,
            converged: top.converged,
            iterations: top.iterations,
            by_station: (n_stations as f64 + 0.5) / (n_complete as f64 + 1.0),
            pace,
            recalibration: Recalibration::NONE,
            draws,
            layout,
            places: histories.places.clone(),
        })
    }
}

/// Vectors around the top with the curvature there; two by two they lie on opposite sides of it.
fn draws(top: &Top, priors: &[Parameter]) -> Vec<Vec<f64>> {
    let Some(information) = &top.information else { return vec![top.at.clone()] };
    let nodes = Nodes::new(DRAWS);
    let around = |draw: usize| {
        let standard: Vec<f64> = (0..top.at.len()).map(|dimension| nodes.dimension(dimension)[draw]).collect();
        let off = information.solve_upper(&standard);
        // Where the curvature holds nothing, the prior still does.
        let held = off.iter().zip(priors).map(|(off, p)| off.clamp(-2.0 * p.prior_sd, 2.0 * p.prior_sd));
        top.at.iter().zip(held).map(|(x, off)| x + off).collect()
    };
    (0..DRAWS).map(around).collect()
}

/// What the log-likelihood of a fleet is made of.
pub(crate) struct Fleet<'a> {
    pub(crate) layout: &'a Layout,
    pub(crate) nodes: &'a Nodes,
    pub(crate) histories: &'a Histories,
}

impl Fleet<'_> {
    /// The landscape whose draws are placed for these parameters.
    pub(crate) fn around(&self, theta: &[f64]) -> Drawn<'_> {
        let law = Law::new(self.layout, theta, &self.histories.places);
        let drawn = by_tube(&self.histories.tubes, |_, tube| {
            let proposal = Proposal::of(&law, tube);
            let state = law.draw(tube, &proposal, self.nodes);
            let (weights, value) = state.weights();
            (proposal, (weights, state.ln_looks), value)
        });
        let value = drawn.iter().map(|(_, _, value)| value).sum();
        let (proposals, here) = drawn.into_iter().map(|(proposal, here, _)| (proposal, here)).unzip();
        Drawn { fleet: self, proposals, here, value }
    }
}

/// Draws placed for a point.
pub(crate) struct Drawn<'a> {
    fleet: &'a Fleet<'a>,
    proposals: Vec<Proposal>,
    /// Tube by tube: weights of the nodes, and each look's log-likelihood node by node.
    here: Vec<(Vec<f64>, Vec<f64>)>,
    value: f64,
}

impl Landscape for Drawn<'_> {
    fn here(&self) -> f64 {
        self.value
    }

    fn centred(&self, priors: &[Parameter], theta: &[f64]) -> Vec<f64> {
        let tubes: f64 = self.proposals.iter().map(Proposal::tube_effect).sum();
        let tube_sd = theta[TUBE_SD].exp();
        let prior = &priors[LEVEL];
        let pull = (theta[LEVEL] - prior.prior_mean) / prior.prior_sd.powi(2);
        let held = self.proposals.len() as f64 / tube_sd.powi(2) + prior.prior_sd.powi(-2);
        let mut there = theta.to_vec();
        there[LEVEL] += (tubes / tube_sd - pull) / held;
        there
    }

    fn value(&self, theta: &[f64]) -> f64 {
        let law = Law::new(self.fleet.layout, theta, &self.fleet.histories.places);
        let tubes = &self.fleet.histories.tubes;
        let draw = |number: usize, tube: &TubeHistory| law.draw(tube, &self.proposals[number], self.fleet.nodes);
        by_tube(tubes, |number, tube| draw(number, tube).weights().1).iter().sum()
    }

    fn gains(&self, theta: &[f64]) -> Vec<f64> {
        let law = Law::new(self.fleet.layout, theta, &self.fleet.histories.places);
        let count = self.fleet.nodes.count();
        let gains = by_tube(&self.fleet.histories.tubes, |number, tube| {
            let there = law.draw(tube, &self.proposals[number], self.fleet.nodes);
            let (weights, here) = &self.here[number];
            let pairs = there.ln_looks.chunks_exact(count).zip(here.chunks_exact(count));
            pairs
                .map(|(there, here)| weights.iter().zip(there).zip(here).map(|((w, t), h)| w * (t - h)).sum())
                .collect::<Vec<f64>>()
        });
        gains.into_iter().flatten().collect()
    }
}

/// Every tube's value, in their order, on as many threads as there are processors. Each value depends on its tube alone.
fn by_tube<T: Send>(tubes: &[TubeHistory], value: impl Fn(usize, &TubeHistory) -> T + Sync) -> Vec<T> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from).min(8);
    let one = |(number, tube)| value(number, tube);
    if tubes.len() < 2 * threads {
        return tubes.iter().enumerate().map(one).collect();
    }
    let share = tubes.len().div_ceil(threads);
    std::thread::scope(|scope| {
        let value = &value;
        let parts: Vec<_> = tubes
            .chunks(share)
            .enumerate()
            .map(|(part, tubes)| {
                let one = move |(at, tube)| value(part * share + at, tube);
                scope.spawn(move || tubes.iter().enumerate().map(one).collect::<Vec<_>>())
            })
            .collect();
        parts.into_iter().flat_map(|part| part.join().expect("a filter does not panic")).collect()
    })
}
