//! Where to look for the random effects of one tube.

use ndarray::Array2;

use super::filter::Law;
use super::history::TubeHistory;
use super::nodes::Nodes;
use crate::symmetric::Cholesky;

const ITERATIONS: usize = 6;
/// Draws are spread so much wider than the curvature says, for tails that it does not see.
const WIDEN: f64 = 1.1;

/// Most likely effects and the curvature there.
pub(crate) struct Proposal {
    mode: Vec<f64>,
    factor: Cholesky,
    ln_volume: f64,
    /// Looks of the tube.
    pub(crate) looks: usize,
}

impl Proposal {
    /// Climbs to the most likely effects of a tube by Newton steps; curvature is taken look by look.
    pub(crate) fn of(law: &Law, tube: &TubeHistory) -> Proposal {
        let d = Law::effects(tube);
        let mut mode = vec![0.0; d];
        let mut factor = Cholesky::of(&Array2::eye(d)).expect("the identity has a factor");
        let mut value = f64::MIN;
        let mut looks = 0;
        let mut step: Option<Vec<f64>> = None;
        for _ in 0..ITERATIONS {
            let mut there = mode.clone();
            if let Some(step) = &step {
                there.iter_mut().zip(step).for_each(|(z, step)| *z = (*z + step).clamp(-4.0, 4.0));
            }
            let path = law.path(tube, &there, true);
            looks = path.middles.len();
            let (likely, gradient, curvature) = law.look_by_look(tube, &path.middles);
            let here = likely - 0.5 * there.iter().map(|z| z * z).sum::<f64>();
            if here <= value {
                let Some(step) = &mut step else { break };
                if here > value - 1e-3 {
                    break;
                }
                step.iter_mut().for_each(|step| *step *= 0.4);
                continue;
            }
            let gained = here - value;
            (mode, value) = (there, here);
            let mut slope: Vec<f64> = mode.iter().map(|z| -z).collect();
            let mut information = Array2::eye(d);
            for (look, slopes) in path.slopes.iter().enumerate() {
                for (i, a) in slopes {
                    slope[*i] += gradient[look] * a;
                    for (j, b) in slopes {
                        information[[*i, *j]] += curvature[look] * a * b;
                    }
                }
            }
            let Ok(found) = Cholesky::of(&information) else { break };
            factor = found;
            if gained < 1e-2 {
                break;
            }
            step = Some(factor.solve(&slope));
        }
        let ln_volume = d as f64 * WIDEN.ln() - factor.ln_root_determinant();
        Proposal { mode, factor, ln_volume, looks }
    }

    /// The most likely effect of the tube itself.
    pub(crate) fn tube_effect(&self) -> f64 {
        self.mode[0]
    }

    /// One draw, and the logarithm of the prior's density there over the proposal's.
    pub(crate) fn draw(&self, nodes: &Nodes, node: usize) -> (Vec<f64>, f64) {
        let d = self.mode.len();
        let standard: Vec<f64> = (0..d).map(|dimension| nodes.dimension(dimension)[node]).collect();
        let mut effects = self.factor.solve_upper(&standard);
        effects.iter_mut().zip(&self.mode).for_each(|(z, mode)| *z = mode + WIDEN * *z);
        let squares = |z: &[f64]| z.iter().map(|z| z * z).sum::<f64>();
        let ln_weight = 0.5 * (squares(&standard) - squares(&effects)) + self.ln_volume;
        (effects, ln_weight)
    }
}
