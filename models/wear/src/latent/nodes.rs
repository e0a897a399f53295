//! Fixed points at which random effects are evaluated.

/// Gauss-Hermite nodes and weights for a standard normal, three points (Abramowitz & Stegun 1964, table 25.10, rescaled).
pub(crate) const PLACE_NODES: [(f64, f64); 3] =
    [(-1.732_050_807_568_877_2, 1.0 / 6.0), (0.0, 2.0 / 3.0), (1.732_050_807_568_877_2, 1.0 / 6.0)];

/// Standard normal values, one row per dimension: in each, one in every slice of equal probability (a Latin hypercube).
/// The second half of the nodes mirrors the first.
#[derive(Debug, Clone)]
pub(crate) struct Nodes {
    count: usize,
    values: Vec<f64>,
}

/// Dimensions kept; a tube with more looks than that uses them again.
const DIMENSIONS: usize = 257;

impl Nodes {
    /// So many nodes, an even number.
    pub(crate) fn new(count: usize) -> Nodes {
        Nodes::other(count, 0)
    }

    /// The same, put together in another way for each number.
    pub(crate) fn other(count: usize, number: u64) -> Nodes {
        let slices: Vec<f64> = (0..count).map(|i| normal_quantile((i as f64 + 0.5) / count as f64)).collect();
        let mut values = Vec::with_capacity(DIMENSIONS * count);
        let mut state = 0x2545_f491_4f6c_dd1d_u64.wrapping_add(number.wrapping_mul(0x9e37_79b9_7f4a_7c15));
        for _ in 0..DIMENSIONS {
            let half = count / 2;
            let mut order: Vec<usize> = (0..half).collect();
            for i in (1..half).rev() {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                order.swap(i, ((state >> 33) % (i as u64 + 1)) as usize);
            }
            // Of each pair of mirrored slices, one by chance.
            let mut first = Vec::with_capacity(half);
            for slice in order {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                first.push(if state >> 63 == 0 { slices[slice] } else { -slices[slice] });
            }
            values.extend(first.iter().copied());
            values.extend(first.iter().map(|z| -z));
        }
        Nodes { count, values }
    }

    /// How many nodes.
    pub(crate) fn count(&self) -> usize {
        self.count
    }

    /// The values of one dimension.
    pub(crate) fn dimension(&self, number: usize) -> &[f64] {
        let from = (number % DIMENSIONS) * self.count;
        &self.values[from..from + self.count]
    }
}

/// Standard normal distribution function: complementary error function by the Chebyshev fit of Numerical Recipes
/// (Press et al. 1992, section 6.2), fractional error below 1.2e-7.
pub(crate) fn normal_cdf(x: f64) -> f64 {
    const C: [f64; 10] = [
        -1.265_512_23,
        1.000_023_68,
        0.374_091_96,
        0.096_784_18,
        -0.186_288_06,
        0.278_868_07,
        -1.135_203_98,
        1.488_515_87,
        -0.822_152_23,
        0.170_872_77,
    ];
    let z = (x / std::f64::consts::SQRT_2).abs();
    let t = 1.0 / (1.0 + 0.5 * z);
    let polynomial = C.iter().rev().fold(0.0, |sum, c| sum * t + c);
    let upper = 0.5 * t * (-z * z + polynomial).exp();
    if x > 0.0 { 1.0 - upper } else { upper }
}

/// Its inverse, by bisection: it is only asked for a few hundred nodes.
fn normal_quantile(p: f64) -> f64 {
    let (mut low, mut high) = (-9.0, 9.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if normal_cdf(middle) < p { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_normal_distribution_of_the_tables() {
        // Abramowitz & Stegun (1964), table 26.1.
        for (x, p) in [(0.0, 0.5), (1.0, 0.841_344_746), (1.96, 0.975_002_105), (-2.5, 0.006_209_665)] {
            assert!((normal_cdf(x) - p).abs() < 2e-7, "{x}: {}", normal_cdf(x));
        }
    }

    #[test]
    fn every_dimension_has_the_moments_of_a_normal() {
        let nodes = Nodes::new(64);
        for d in [0, 1, 50, 256] {
            let values = nodes.dimension(d);
            let mean = values.iter().sum::<f64>() / 64.0;
            let variance = values.iter().map(|z| z * z).sum::<f64>() / 64.0;
            assert!(mean.abs() < 1e-6 && (variance - 1.0).abs() < 0.03, "{mean} {variance}");
        }
        let (a, b) = (nodes.dimension(0), nodes.dimension(1));
        assert!((a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>() / 64.0).abs() < 0.4);
    }
}
