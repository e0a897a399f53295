//! The robust regression behind the baseline: one level per group, shared slopes with a deviation per product.

/// One observation: `y = level[group] + (b + db[product]) * x + (c + dc[product]) * z + noise`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Point {
    pub(crate) group: usize,
    pub(crate) product: usize,
    pub(crate) y: f64,
    pub(crate) x: f64,
    pub(crate) z: f64,
}

/// What was fitted: levels per group, slopes over x and z per product.
#[derive(Debug)]
pub(crate) struct Fitted {
    pub(crate) levels: Vec<f64>,
    pub(crate) slopes: Vec<(f64, f64)>,
    pub(crate) converged: bool,
}

/// What is believed before any slot is seen: mean and standard deviation of a slope, and how far a product's own slope
/// may lie from the shared one.
pub(crate) struct Belief {
    pub(crate) mean: f64,
    pub(crate) sd: f64,
    pub(crate) product_sd: f64,
}

/// Tukey's bisquare has 95 % efficiency at this many standard deviations, Huber's psi at the second (Huber & Ronchetti,
/// Robust Statistics, 2009).
const BISQUARE: f64 = 4.685;
const HUBER: f64 = 1.345;
const MOST_ROUNDS: usize = 300;
const HUBER_ROUNDS: usize = 10;
/// From then on the spread stands still: weights and spread that chase each other need not settle.
const SPREAD_ROUNDS: usize = 30;

/// Standard deviation from the residuals below zero alone: torque is contaminated from above only, by episodes, and
/// the lower half knows nothing of them.
pub(crate) fn lower_sd(residuals: impl Iterator<Item = f64>) -> f64 {
    let mut below: Vec<f64> = residuals.filter(|residual| *residual <= 0.0).map(f64::abs).collect();
    if below.is_empty() {
        return 0.0;
    }
    let middle = below.len() / 2;
    let (_, median, _) = below.select_nth_unstable_by(middle, f64::total_cmp);
    // 1.4826 makes the median of absolute normal deviates a standard deviation.
    1.4826 * *median
}

/// The median of what would be one value, where the share from above is not to count: the lower third of the
/// observations of a group lies below the level even if three in ten are episodes.
fn start_levels(points: &[Point], groups: usize, slopes: &[(f64, f64)]) -> Vec<f64> {
    let mut values = vec![Vec::new(); groups];
    for point in points {
        let (b, c) = slopes[point.product];
        values[point.group].push(point.y - b * point.x - c * point.z);
    }
    let middle = |mut values: Vec<f64>| {
        if values.is_empty() {
            return 0.0;
        }
        let place = values.len() * 2 / 5;
        *values.select_nth_unstable_by(place, f64::total_cmp).1
    };
    values.into_iter().map(middle).collect()
}

/// Fits by reweighted least squares, Huber's weights first, then Tukey's bisquare. Deterministic.
pub(crate) fn fit(points: &[Point], groups: usize, products: usize, x: &Belief, z: &Belief) -> Fitted {
    let mut slopes = vec![(x.mean, z.mean); products];
    let mut levels = start_levels(points, groups, &slopes);
    let mut converged = false;
    let mut sd = 0.0;
    for round in 0..MOST_ROUNDS {
        if round < SPREAD_ROUNDS {
            sd = lower_sd(points.iter().map(|point| residual(point, &levels, &slopes))).max(1e-6);
        }
        let weight = |point: &Point| {
            let off = residual(point, &levels, &slopes) / sd;
            if round < HUBER_ROUNDS {
                if off.abs() <= HUBER { 1.0 } else { HUBER / off.abs() }
            } else {
                let inside = 1.0 - (off / BISQUARE).powi(2);
                if inside > 0.0 { inside * inside } else { 0.0 }
            }
        };
        let weights: Vec<f64> = points.iter().map(weight).collect();
        let (next_levels, next_slopes) = least_squares(points, &weights, &levels, products, sd, x, z);
        let moved = levels.iter().zip(&next_levels).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        let turned = slopes.iter().zip(&next_slopes).map(|(a, b)| (a.0 - b.0).abs().max((a.1 - b.1).abs()));
        let step = turned.fold(moved, f64::max);
        (levels, slopes) = (next_levels, next_slopes);
        if round > SPREAD_ROUNDS && step < 1e-7 {
            converged = true;
            break;
        }
    }
    Fitted { levels, slopes, converged }
}

pub(crate) fn residual(point: &Point, levels: &[f64], slopes: &[(f64, f64)]) -> f64 {
    let (b, c) = slopes[point.product];
    point.y - levels[point.group] - b * point.x - c * point.z
}

/// Levels fall out of the centred sums; what is left is a ridge in two shared slopes and two deviations per product.
fn least_squares(
    points: &[Point],
    weights: &[f64],
    levels: &[f64],
    products: usize,
    sd: f64,
    x: &Belief,
    z: &Belief,
) -> (Vec<f64>, Vec<(f64, f64)>) {
    let mut means = vec![[0.0; 4]; levels.len()];
    for (point, weight) in points.iter().zip(weights) {
        let sums = &mut means[point.group];
        sums[0] += weight;
        for (sum, value) in sums[1..].iter_mut().zip([point.y, point.x, point.z]) {
            *sum += weight * value;
        }
    }
    for sums in &mut means {
        let total = sums[0];
        if total > 0.0 {
            sums[1..].iter_mut().for_each(|sum| *sum /= total);
        }
    }
    let size = 2 + 2 * products;
    let mut matrix = vec![vec![0.0; size]; size];
    let mut right = vec![0.0; size];
    for (point, weight) in points.iter().zip(weights) {
        let mean = &means[point.group];
        let y = point.y - mean[1] - x.mean * (point.x - mean[2]) - z.mean * (point.z - mean[3]);
        let (px, pz) = (point.x - mean[2], point.z - mean[3]);
        let at = [0, 1, 2 + 2 * point.product, 3 + 2 * point.product];
        let values = [px, pz, px, pz];
        for (row, a) in at.into_iter().zip(values) {
            right[row] += weight * a * y;
            for (column, b) in at.into_iter().zip(values) {
                matrix[row][column] += weight * a * b;
            }
        }
    }
    for (place, row) in matrix.iter_mut().enumerate() {
        let belief = if place % 2 == 0 { x } else { z };
        let sd_belief = if place < 2 { belief.sd } else { belief.product_sd };
        row[place] += (sd / sd_belief).powi(2);
    }
    let solved = solve(matrix, right);
    let slopes: Vec<(f64, f64)> = (0..products)
        .map(|product| (x.mean + solved[0] + solved[2 + 2 * product], z.mean + solved[1] + solved[3 + 2 * product]))
        .collect();
    let mut product_of = vec![0; levels.len()];
    points.iter().for_each(|point| product_of[point.group] = point.product);
    let next = means.iter().enumerate().map(|(group, mean)| {
        let (b, c) = slopes[product_of[group]];
        // A group whose every slot is out of reach keeps its level.
        if mean[0] > 0.0 { mean[1] - b * mean[2] - c * mean[3] } else { levels[group] }
    });
    (next.collect(), slopes)
}

/// Solves a symmetric positive definite system by Cholesky's decomposition; the ridge makes it so.
fn solve(mut matrix: Vec<Vec<f64>>, mut right: Vec<f64>) -> Vec<f64> {
    let size = right.len();
    for column in 0..size {
        for row in column..size {
            let dot: f64 = (0..column).map(|k| matrix[row][k] * matrix[column][k]).sum();
            let value = matrix[row][column] - dot;
            matrix[row][column] =
                if row == column { value.max(f64::MIN_POSITIVE).sqrt() } else { value / matrix[column][column] };
        }
    }
    for row in 0..size {
        let dot: f64 = (0..row).map(|k| matrix[row][k] * right[k]).sum();
        right[row] = (right[row] - dot) / matrix[row][row];
    }
    for row in (0..size).rev() {
        let dot: f64 = (row + 1..size).map(|k| matrix[k][row] * right[k]).sum();
        right[row] = (right[row] - dot) / matrix[row][row];
    }
    right
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 4x + 2y = 10, 2x + 3y = 9 has x = 1.5, y = 2 (by hand).
    #[test]
    fn a_small_system_is_solved() {
        let solved = solve(vec![vec![4.0, 2.0], vec![2.0, 3.0]], vec![10.0, 9.0]);
        assert!((solved[0] - 1.5).abs() < 1e-12 && (solved[1] - 2.0).abs() < 1e-12, "{solved:?}");
    }

    /// The upper quartile of the standard normal is 0.6745, of which 1.4826 is the inverse (from memory, any table).
    #[test]
    fn the_lower_half_tells_the_spread_whatever_lies_above() {
        let quantiles = [-1.959964, -1.281552, -0.6744898, -0.3853205, -0.1256613];
        let spread = lower_sd(quantiles.into_iter().chain([5.0, 50.0, 500.0]));
        assert!((spread - 1.0).abs() < 1e-4, "{spread}");
    }
}
