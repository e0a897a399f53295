//! How the likelihood of a tube's readings bends along the middle of the wall at each look.

use super::filter::{Law, Q};
use super::history::{Readings, TubeHistory};
use super::nodes::PLACE_NODES;
use super::reading::GRADES;

/// Step of the difference quotients: wide enough to see across the edge of a grade.
const STEP: f64 = 0.15;
const G: usize = GRADES - 1;

/// One number per place and place node.
type Walls = Vec<[f64; Q]>;

impl Law<'_> {
    /// Log-likelihood at these middles, one per look, with its slope and minus its bend along each.
    ///
    /// A look is moved with all other looks of its life held: their say on the places is the weight of the place nodes
    /// after the life, with the look's own say taken out.
    pub(crate) fn look_by_look(&self, tube: &TubeHistory, middles: &[f64]) -> (f64, Vec<f64>, Vec<f64>) {
        let (mut here, mut slopes, mut bends) = (0.0, Vec::new(), Vec::new());
        let mut rest = middles;
        for life in &tube.lives {
            let (own, others) = rest.split_at(life.looks.len());
            rest = others;
            let mut weights: Walls = vec![PLACE_NODES.map(|(_, weight)| weight); self.meaning.places.len()];
            let mut says = Vec::with_capacity(own.len());
            for ((_, readings), middle) in life.looks.iter().zip(own) {
                let (ln, say) = self.say(&weights, readings, *middle);
                here += ln;
                weights = times(&weights, &say);
                says.push(say);
            }
            for (((_, readings), middle), say) in life.looks.iter().zip(own).zip(&says) {
                let without: Walls =
                    weights.iter().zip(say).map(|(weights, say)| shares(weights, |q| 1.0 / say[q])).collect();
                let [down, level, up] = [-STEP, 0.0, STEP].map(|step| self.say(&without, readings, middle + step).0);
                slopes.push((up - down) / (2.0 * STEP));
                bends.push(((2.0 * level - up - down) / (STEP * STEP)).max(0.0));
            }
        }
        (here, slopes, bends)
    }

    /// The log-likelihood of a look for given weights of the place nodes, and what it says of each node.
    fn say(&self, weights: &Walls, readings: &Readings, middle: f64) -> (f64, Walls) {
        let mut say = vec![[1.0; Q]; weights.len()];
        for (station, grade) in &readings.stations {
            let table = &self.tables.station[usize::from(*grade).min(G)];
            self.along(*station, middle, |q, x| say[*station][q] *= table.at(x));
        }
        for (station, depth_um) in readings.depths_um.iter().filter(|(_, depth)| *depth > 0.0) {
            self.along(*station, middle, |q, x| say[*station][q] *= self.depth_density(*depth_um, x));
        }
        let each = weights.iter().zip(&say);
        let mut ln: f64 = each.map(|(weights, say)| dot(weights, say).max(1e-300).ln()).sum();
        if let Some(grade) = readings.whole {
            ln += self.say_whole(&times(weights, &say), &mut say, usize::from(grade).min(G), middle);
        }
        (ln, say)
    }

    /// The same for a grade that speaks for the whole tube.
    fn say_whole(&self, weights: &Walls, say: &mut Walls, read: usize, middle: f64) -> f64 {
        let mut each = vec![[[0.0; G]; Q]; weights.len()];
        for (place, each) in each.iter_mut().enumerate() {
            self.along(place, middle, |q, x| each[q] = self.tables.up_to(x));
        }
        let own: Vec<[f64; G]> = weights
            .iter()
            .zip(&each)
            .map(|(weights, each)| std::array::from_fn(|g| (0..Q).map(|q| weights[q] * each[q][g]).sum()))
            .collect();
        let all: [f64; G] = std::array::from_fn(|g| own.iter().map(|own| own[g]).product());
        let whole = &self.tables.whole[read];
        let step = |g: usize| whole[g] - whole[g + 1];
        let chance = (whole[G] + (0..G).map(|g| step(g) * all[g]).sum::<f64>()).max(1e-300);
        for ((say, own), each) in say.iter_mut().zip(&own).zip(&each) {
            let others: [f64; G] =
                std::array::from_fn(|g| if own[g] > 1e-200 { step(g) * all[g] / own[g] } else { 0.0 });
            for q in 0..Q {
                let given = whole[G] + (0..G).map(|g| others[g] * each[q][g]).sum::<f64>();
                say[q] *= (given / chance).max(0.0);
            }
        }
        chance.ln()
    }

    fn along(&self, place: usize, middle: f64, mut see: impl FnMut(usize, f64)) {
        for (q, (z, _)) in PLACE_NODES.iter().enumerate() {
            see(q, middle + self.meaning.places[place] + self.meaning.place_sd * z);
        }
    }
}

fn dot(a: &[f64; Q], b: &[f64; Q]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Weights after what was said, adding up to 1 at each place.
fn times(weights: &Walls, say: &Walls) -> Walls {
    weights.iter().zip(say).map(|(weights, say)| shares(weights, |q| say[q])).collect()
}

/// Weights times factors, adding up to 1; as they were if nothing is left of them.
fn shares(weights: &[f64; Q], factor: impl Fn(usize) -> f64) -> [f64; Q] {
    let scaled: [f64; Q] = std::array::from_fn(|q| weights[q] * factor(q));
    let sum: f64 = scaled.iter().sum();
    if sum > 0.0 && sum.is_finite() { scaled.map(|weight| weight / sum) } else { *weights }
}
