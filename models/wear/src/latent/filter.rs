//! One tube under given parameters: how likely its readings are, and what they say of its own state.
//!
//! The random effects of a tube are standard normal numbers: one of its own, one per life, one per stretch, and one more
//! wherever hours were blind or a beginning was not seen. Given these, the middle of the wall at each look is known, and
//! the stations are strangers to each other. The numbers are drawn around their most likely values with the curvature
//! there (a Laplace approximation), and each draw is weighed for the difference: importance sampling, so the
//! approximation costs accuracy, not honesty.

use super::history::{Place, Readings, Stretch, TubeHistory};
use super::nodes::{Nodes, PLACE_NODES};
use super::parameters::{Layout, Meaning};
use super::proposal::Proposal;
use super::reading::{GRADES, Tables};

pub(crate) const Q: usize = PLACE_NODES.len();
/// Standard deviation of the logarithm of what blind hours did (a factor of two; house rule).
pub(crate) const BLIND_LOG_SD: f64 = std::f64::consts::LN_2;
/// The same of the dose before a beginning that nobody saw.
const UNKNOWN_LOG_SD: f64 = 1.0;
/// Share of depths that are of another unit or another place.
const WILD_DEPTHS: f64 = 0.05;
/// Standing for the middle of a wall without any dose.
const SMOOTH: f64 = -1e3;

/// Parameters made ready.
pub(crate) struct Law<'a> {
    pub(crate) layout: &'a Layout,
    pub(crate) meaning: Meaning,
    pub(crate) tables: Tables,
}

/// Where the walls of a tube's lives go for given random effects.
pub(crate) struct Path {
    /// Middle of the wall at each look: logarithm of depth against the depth that catches.
    pub(crate) middles: Vec<f64>,
    /// Derivative of each with respect to the effects that matter to it: (effect, slope).
    pub(crate) slopes: Vec<Vec<(usize, f64)>>,
    /// Level of the last life with its effects.
    pub(crate) rate: f64,
    /// Dose of the last life, h.
    pub(crate) dose_h: f64,
}

impl<'a> Law<'a> {
    pub(crate) fn new(layout: &'a Layout, theta: &[f64], places: &[Place]) -> Law<'a> {
        let meaning = layout.meaning(theta, places);
        let tables = Tables::new(&meaning.eye);
        Law { layout, meaning, tables }
    }

    /// How many random effects a tube has.
    pub(crate) fn effects(tube: &TubeHistory) -> usize {
        let of_stretch = |stretch: &Stretch| 1 + usize::from(stretch.blind_h > 0.0);
        let lives = tube.lives.iter().map(|life| {
            1 + usize::from(!life.begins_smooth) + life.looks.iter().map(|(s, _)| of_stretch(s)).sum::<usize>()
        });
        1 + lives.sum::<usize>()
    }

    /// The path for given effects.
    pub(crate) fn path(&self, tube: &TubeHistory, effects: &[f64], with_slopes: bool) -> Path {
        let m = &self.meaning;
        let surface = m.surfaces.get(tube.surface).copied().unwrap_or(0.0);
        let mut path = Path { middles: Vec::new(), slopes: Vec::new(), rate: 0.0, dose_h: 0.0 };
        let mut next = 1;
        for life in &tube.lives {
            path.rate = m.level + surface + m.tube_sd * effects[0] + m.life_sd * effects[next];
            let own = [(0, m.tube_sd), (next, m.life_sd)];
            next += 1;
            // Parts of the dose that an effect scales: effect, part, and how steeply.
            let mut parts: Vec<(usize, f64, f64)> = Vec::new();
            path.dose_h = 0.0;
            if !life.begins_smooth {
                path.dose_h = self.layout.dose_ref_h * (UNKNOWN_LOG_SD * effects[next]).exp();
                parts.push((next, path.dose_h, UNKNOWN_LOG_SD));
                next += 1;
            }
            for (stretch, _) in &life.looks {
                let covered = self.layout.dose(&m.weights, m.whole_weight, stretch.covered_h, &stretch.amounts);
                let scale = (m.stretch_sd * effects[next]).exp();
                let mut dose = covered * scale;
                if stretch.blind_h > 0.0 {
                    // Blind hours of the past count like the covered ones of their stretch, or the fleet's mean hour.
                    let pace = if stretch.covered_h > 0.0 { covered / stretch.covered_h } else { 1.0 };
                    let blind = pace * stretch.blind_h * (BLIND_LOG_SD * effects[next + 1]).exp() * scale;
                    parts.push((next + 1, blind, BLIND_LOG_SD));
                    dose += blind;
                }
                parts.push((next, dose, m.stretch_sd));
                next += 1 + usize::from(stretch.blind_h > 0.0);
                path.dose_h += dose;
                path.middles.push(self.middle(path.rate, path.dose_h));
                if with_slopes {
                    let per = |part: &(usize, f64, f64)| (part.0, m.power * part.1 * part.2 / path.dose_h.max(1e-9));
                    path.slopes.push(own.iter().copied().chain(parts.iter().map(per)).collect());
                }
            }
        }
        path
    }

    /// The middle of a wall of a level after a dose.
    pub(crate) fn middle(&self, rate: f64, dose_h: f64) -> f64 {
        if dose_h > 0.0 { rate + self.meaning.power * (dose_h / self.layout.dose_ref_h).ln() } else { SMOOTH }
    }

    /// The proposal's draws, each with its weight.
    pub(crate) fn draw(&self, tube: &TubeHistory, proposal: &Proposal, nodes: &Nodes) -> State {
        let count = nodes.count();
        let mut middles = vec![0.0; proposal.looks * count];
        let mut state = State {
            ln_start: vec![0.0; count],
            ln_looks: vec![0.0; proposal.looks * count],
            rate: vec![0.0; count],
            dose_h: vec![0.0; count],
            place: Vec::new(),
        };
        for node in 0..count {
            let (effects, ln_start) = proposal.draw(nodes, node);
            let path = self.path(tube, &effects, false);
            path.middles.iter().enumerate().for_each(|(look, middle)| middles[look * count + node] = *middle);
            state.ln_start[node] = ln_start;
            state.rate[node] = path.rate;
            state.dose_h[node] = path.dose_h;
        }
        state.place = self.read_all(tube, &middles, &mut state.ln_looks, count);
        state
    }

    /// Adds the log-likelihood of every reading, look by look and node by node, for middles laid out alike; gives the
    /// weights of places as they are at the end of the last life.
    pub(crate) fn read_all(&self, tube: &TubeHistory, middles: &[f64], ln_looks: &mut [f64], count: usize) -> Vec<f64> {
        let mut looks = middles.chunks_exact(count).zip(ln_looks.chunks_exact_mut(count));
        let mut place = self.fresh(count);
        for (number, life) in tube.lives.iter().enumerate() {
            if number > 0 {
                place = self.fresh(count);
            }
            for (_, readings) in &life.looks {
                if let Some((middle, ln_look)) = looks.next() {
                    self.read(&mut place, ln_look, middle, readings);
                }
            }
        }
        place
    }

    fn fresh(&self, count: usize) -> Vec<f64> {
        let weights = PLACE_NODES.iter().flat_map(|(_, weight)| std::iter::repeat_n(*weight, count));
        weights.collect::<Vec<f64>>().repeat(self.meaning.places.len())
    }

    fn read(&self, place: &mut [f64], ln_look: &mut [f64], middle: &[f64], readings: &Readings) {
        let mut chance = vec![1.0; middle.len()];
        for (station, grade) in &readings.stations {
            let table = &self.tables.station[usize::from(*grade).min(GRADES - 1)];
            self.weigh(place, middle, *station, &mut chance, |x| table.at(x));
        }
        for (station, depth_um) in readings.depths_um.iter().filter(|(_, depth)| *depth > 0.0) {
            self.weigh(place, middle, *station, &mut chance, |x| self.depth_density(*depth_um, x));
        }
        ln_look.iter_mut().zip(&chance).for_each(|(sum, chance)| *sum += chance.max(1e-300).ln());
        if let Some(grade) = readings.whole {
            self.read_whole(place, ln_look, middle, usize::from(grade).min(GRADES - 1));
        }
    }

    /// Density of a depth where the wall stands at x, on the logarithm and up to a constant.
    pub(crate) fn depth_density(&self, depth_um: f64, x: f64) -> f64 {
        let (read, sd) = (depth_um.ln() - self.meaning.ln_catch_um, self.meaning.depth_sd);
        let density = |sd: f64| (-0.5 * ((read - x) / sd).powi(2)).exp() / sd;
        (1.0 - WILD_DEPTHS) * density(sd) + WILD_DEPTHS * density(2.0)
    }

    fn weigh(&self, place: &mut [f64], middle: &[f64], station: usize, chance: &mut [f64], of: impl Fn(f64) -> f64) {
        let count = middle.len();
        let mut sum = vec![0.0; count];
        let place = &mut place[station * Q * count..(station + 1) * Q * count];
        for (weights, (z, _)) in place.chunks_exact_mut(count).zip(PLACE_NODES) {
            let off = self.meaning.places[station] + self.meaning.place_sd * z;
            for ((weight, middle), sum) in weights.iter_mut().zip(middle).zip(&mut sum) {
                *weight *= of(middle + off);
                *sum += *weight;
            }
        }
        chance.iter_mut().zip(&mut sum).for_each(|(chance, sum)| {
            *chance *= *sum;
            *sum = 1.0 / sum.max(1e-300);
        });
        for weights in place.chunks_exact_mut(count) {
            weights.iter_mut().zip(&sum).for_each(|(weight, scale)| *weight *= scale);
        }
    }

    /// A grade for the whole tube ties its places together; afterwards each is kept with its own exact share, and what
    /// they say of each other is dropped.
    fn read_whole(&self, place: &mut [f64], ln_look: &mut [f64], middle: &[f64], read: usize) {
        const G: usize = GRADES - 1;
        let count = middle.len();
        let places = self.meaning.places.len();
        let whole = &self.tables.whole[read];
        let steps: [f64; G] = std::array::from_fn(|grade| whole[grade] - whole[grade + 1]);
        let mut each = vec![[0.0; G]; places * Q * count];
        let mut own = vec![[0.0; G]; places * count];
        let mut all = vec![[1.0; G]; count];
        for station in 0..places {
            let own = &mut own[station * count..(station + 1) * count];
            for (q, (z, _)) in PLACE_NODES.iter().enumerate() {
                let off = self.meaning.places[station] + self.meaning.place_sd * z;
                let from = (station * Q + q) * count;
                for node in 0..count {
                    let up_to = self.tables.up_to(middle[node] + off);
                    let weight = place[from + node];
                    each[from + node] = up_to;
                    (0..G).for_each(|g| own[node][g] += weight * up_to[g]);
                }
            }
            for (all, own) in all.iter_mut().zip(own) {
                (0..G).for_each(|g| all[g] *= own[g]);
            }
        }
        for node in 0..count {
            let chance = (whole[G] + (0..G).map(|g| steps[g] * all[node][g]).sum::<f64>()).max(1e-300);
            ln_look[node] += chance.ln();
            for station in 0..places {
                let own = &own[station * count + node];
                let others: [f64; G] =
                    std::array::from_fn(|g| if own[g] > 1e-200 { steps[g] * all[node][g] / own[g] } else { 0.0 });
                for q in 0..Q {
                    let at = (station * Q + q) * count + node;
                    let given = whole[G] + (0..G).map(|g| others[g] * each[at][g]).sum::<f64>();
                    place[at] *= (given / chance).max(0.0);
                }
            }
        }
    }
}

/// What is known of a tube after its looks, node by node.
#[derive(Debug, Clone)]
pub(crate) struct State {
    /// Logarithm of each node's weight before anything was read.
    pub(crate) ln_start: Vec<f64>,
    /// Log-likelihood of each look, look by look.
    pub(crate) ln_looks: Vec<f64>,
    /// Level with the effects of surface, tube and life.
    pub(crate) rate: Vec<f64>,
    /// Dose of the life so far, h.
    pub(crate) dose_h: Vec<f64>,
    /// Weights of the place nodes: station by station, place node by place node, node by node.
    pub(crate) place: Vec<f64>,
}

impl State {
    /// Weights that add up to 1, and the log-likelihood of all that was read.
    pub(crate) fn weights(&self) -> (Vec<f64>, f64) {
        let count = self.ln_start.len();
        let mut weights = self.ln_start.clone();
        for look in self.ln_looks.chunks_exact(count) {
            weights.iter_mut().zip(look).for_each(|(sum, ln)| *sum += ln);
        }
        let most = weights.iter().copied().fold(f64::MIN, f64::max);
        weights.iter_mut().for_each(|ln| *ln = (*ln - most).exp());
        let sum: f64 = weights.iter().sum();
        weights.iter_mut().for_each(|weight| *weight /= sum);
        (weights, most + (sum / count as f64).ln())
    }
}
