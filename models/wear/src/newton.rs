//! Newton's method for a maximum, with step-halving and damping.

use ndarray::Array2;

use crate::symmetric::Cholesky;

/// Value, gradient and information (minus the Hessian) of an objective at a point.
pub(crate) struct Point {
    pub(crate) value: f64,
    pub(crate) gradient: Vec<f64>,
    pub(crate) information: Array2<f64>,
}

/// A function to maximise.
pub(crate) trait Objective {
    /// Its value; minus infinity or NaN outside its domain.
    fn value(&self, at: &[f64]) -> f64;
    /// Value and derivatives.
    fn point(&self, at: &[f64]) -> Point;
    /// Whether a parameter has left the range in which it means anything.
    fn out_of_range(&self, _at: &[f64]) -> bool {
        false
    }
}

/// Where the maximum is.
pub(crate) struct Maximum {
    pub(crate) at: Vec<f64>,
    pub(crate) information: Array2<f64>,
    pub(crate) iterations: usize,
}

/// Why there is none.
#[derive(Debug, PartialEq)]
pub(crate) enum Failure {
    /// The objective no longer bends along these parameters: it rises for ever, ever more slowly.
    Flat { parameters: Vec<usize> },
    /// [`Objective::out_of_range`] said so.
    OutOfRange { at: Vec<f64> },
    /// It did not settle.
    NotConverged { iterations: usize, max_gradient: f64 },
}

/// Information that has shrunk to this share of its start no longer holds a parameter.
const FLAT: f64 = 1e-10;

/// Maximises from a start.
///
/// Settled means: the undamped Newton step is below 1e-9 of each parameter's size (at least 1), and the gradient below
/// 1e-7 of the objective's. Parameters should be of order one.
pub(crate) fn maximise(objective: &impl Objective, start: Vec<f64>, max_iterations: usize) -> Result<Maximum, Failure> {
    let mut at = start;
    let mut point = objective.point(&at);
    let first: Vec<f64> = point.information.diag().iter().map(|d| d.abs()).collect();
    for iteration in 0..max_iterations {
        let max_gradient = largest(&point.gradient);
        let stuck = Failure::NotConverged { iterations: iteration, max_gradient };
        let small_gradient = max_gradient <= 1e-7 * (1.0 + point.value.abs());
        let (factor, damped) = match Cholesky::of(&point.information) {
            Ok(factor) => (factor, false),
            Err(parameter) if small_gradient => return Err(Failure::Flat { parameters: vec![parameter] }),
            Err(_) => (damp(&point.information).ok_or(stuck)?, true),
        };
        if !damped {
            let parameters: Vec<usize> = (0..at.len()).filter(|j| factor.pivot(*j) < FLAT * first[*j]).collect();
            if !parameters.is_empty() {
                return Err(Failure::Flat { parameters });
            }
        }
        let step = factor.solve(&point.gradient);
        let small_step = step.iter().zip(&at).all(|(d, x)| d.abs() <= 1e-9 * (1.0 + x.abs()));
        if small_step && small_gradient && !damped {
            return Ok(Maximum { at, information: point.information, iterations: iteration });
        }
        let Some((next, next_point)) = uphill(objective, &at, &step, point.value) else {
            return Err(Failure::NotConverged { iterations: iteration, max_gradient });
        };
        (at, point) = (next, next_point);
        if objective.out_of_range(&at) {
            return Err(Failure::OutOfRange { at });
        }
    }
    Err(Failure::NotConverged { iterations: max_iterations, max_gradient: largest(&point.gradient) })
}

/// The first of the step, its half, its quarter, ... that does not lead downhill. The full step nearly always does not,
/// so its derivatives are taken along at once.
fn uphill(objective: &impl Objective, at: &[f64], step: &[f64], value: f64) -> Option<(Vec<f64>, Point)> {
    let least = value - 1e-13 * (1.0 + value.abs());
    let along = |share: f64| -> Vec<f64> { at.iter().zip(step).map(|(x, d)| x + share * d).collect() };
    let whole = along(1.0);
    let point = objective.point(&whole);
    if point.value >= least {
        return Some((whole, point));
    }
    let next = (1..60).map(|halvings| along(0.5f64.powi(halvings))).find(|next| objective.value(next) >= least)?;
    let point = objective.point(&next);
    Some((next, point))
}

/// Levenberg: the least lift of the diagonal, in powers of ten, that makes the information positive definite.
fn damp(information: &Array2<f64>) -> Option<Cholesky> {
    let scale = information.diag().iter().fold(1e-8f64, |a, d| a.max(d.abs()));
    (-6..6).find_map(|power| {
        let mut lifted = information.clone();
        lifted.diag_mut().iter_mut().for_each(|d| *d += scale * 10f64.powi(power));
        Cholesky::of(&lifted).ok()
    })
}

fn largest(values: &[f64]) -> f64 {
    values.iter().fold(0.0, |a, v| if v.is_nan() { f64::NAN } else { a.max(v.abs()) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    /// -(x^2 - 1)^2: two hills, a saddle between them.
    struct Hills;

    impl Objective for Hills {
        fn value(&self, at: &[f64]) -> f64 {
            -(at[0] * at[0] - 1.0).powi(2)
        }
        fn point(&self, at: &[f64]) -> Point {
            let x = at[0];
            Point {
                value: self.value(at),
                gradient: vec![-4.0 * x * (x * x - 1.0)],
                information: array![[12.0 * x * x - 4.0]],
            }
        }
    }

    #[test]
    fn damping_climbs_out_of_a_hollow() {
        let maximum = maximise(&Hills, vec![0.1], 50).unwrap_or_else(|failure| panic!("{failure:?}"));
        assert!((maximum.at[0] - 1.0).abs() < 1e-9);
    }

    /// -exp(-x) rises for ever.
    struct Slope;

    impl Objective for Slope {
        fn value(&self, at: &[f64]) -> f64 {
            -(-at[0]).exp()
        }
        fn point(&self, at: &[f64]) -> Point {
            let y = (-at[0]).exp();
            Point { value: -y, gradient: vec![y], information: array![[y]] }
        }
    }

    #[test]
    fn a_slope_without_a_top_is_called_flat() {
        assert_eq!(maximise(&Slope, vec![0.0], 100).err(), Some(Failure::Flat { parameters: vec![0] }));
    }
}
