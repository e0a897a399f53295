//! How good probabilities were: each function takes one probability (or score) and one outcome per row.

/// Probabilities are held this far off 0 and 1 where a logarithm is taken.
const EDGE: f64 = 1e-15;

/// Mean squared difference between probability and outcome; 0 is perfect. NaN without rows.
pub fn brier(probabilities: &[f64], outcomes: &[bool]) -> f64 {
    mean(probabilities.iter().zip(outcomes).map(|(p, y)| (p - f64::from(u8::from(*y))).powi(2)))
}

/// Share of a reference's Brier score that is saved: 1 is perfect, 0 as good as the reference, below 0 worse.
pub fn brier_skill(brier: f64, reference: f64) -> f64 {
    1.0 - brier / reference
}

/// Minus the log-likelihood of one outcome.
pub(crate) fn surprise(probability: f64, outcome: bool) -> f64 {
    let p = probability.clamp(EDGE, 1.0 - EDGE);
    if outcome { -p.ln() } else { -(-p).ln_1p() }
}

/// Mean minus log-likelihood per row, natural logarithm; 0 is perfect. NaN without rows.
pub fn log_loss(probabilities: &[f64], outcomes: &[bool]) -> f64 {
    mean(probabilities.iter().zip(outcomes).map(|(p, y)| surprise(*p, *y)))
}

/// Chance that an event has a higher score than a non-event, equal scores counting half. `None` if all outcomes agree.
pub fn auc(scores: &[f64], outcomes: &[bool]) -> Option<f64> {
    let mut order: Vec<usize> = (0..scores.len()).collect();
    order.sort_by(|a, b| scores[*a].total_cmp(&scores[*b]));
    let (mut pairs_won, mut misses_below) = (0.0, 0.0);
    for tied in order.chunk_by(|a, b| scores[*a] == scores[*b]) {
        let events = tied.iter().filter(|row| outcomes[**row]).count() as f64;
        let misses = tied.len() as f64 - events;
        pairs_won += events * (misses_below + 0.5 * misses);
        misses_below += misses;
    }
    let events = outcomes.iter().filter(|outcome| **outcome).count() as f64;
    let pairs = events * (outcomes.len() as f64 - events);
    (pairs > 0.0).then(|| pairs_won / pairs)
}

/// Expected calibration error over equally wide bins, left-closed (the last one closed on both sides): the mean over
/// rows of |mean probability - event rate| of the row's bin. Biased upward in small samples: compare, do not gate.
pub fn ece_equal_width(probabilities: &[f64], outcomes: &[bool], bins: usize) -> f64 {
    let mut sums = vec![0.0; bins];
    for (p, y) in probabilities.iter().zip(outcomes) {
        let bin = ((p * bins as f64) as usize).min(bins.saturating_sub(1));
        sums[bin] += p - f64::from(u8::from(*y));
    }
    sums.iter().map(|sum| sum.abs()).sum::<f64>() / probabilities.len() as f64
}

fn mean(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let n = values.len() as f64;
    values.sum::<f64>() / n
}

#[cfg(test)]
mod tests {
    use super::*;

    const P: [f64; 10] = [0.05, 0.10, 0.10, 0.20, 0.30, 0.35, 0.55, 0.60, 0.80, 0.90];
    const Y: [bool; 10] = [false, false, true, false, false, true, true, false, true, true];

    #[test]
    fn scores_of_ten_made_up_forecasts() {
        // Each figure computed independently of this code; the Brier score can be checked by hand.
        assert!((brier(&P, &Y) - 0.19875).abs() < 1e-12);
        assert!((brier_skill(brier(&P, &Y), 0.25) - 0.205).abs() < 1e-12);
        assert!((log_loss(&P, &Y) - 0.593151).abs() < 5e-7);
        assert!((auc(&P, &Y).unwrap() - 0.78).abs() < 1e-12);
        assert!((ece_equal_width(&P, &Y, 5) - 0.225).abs() < 1e-12);
    }

    #[test]
    fn ties_count_half() {
        assert_eq!(auc(&[0.5, 0.5, 0.5], &[true, false, true]), Some(0.5));
        assert_eq!(auc(&[0.1, 0.2], &[true, true]), None);
    }

    #[test]
    fn a_sure_forecast_that_failed_costs_much_but_not_everything() {
        assert!(log_loss(&[0.0], &[true]) > 30.0 && log_loss(&[0.0], &[true]).is_finite());
    }
}
