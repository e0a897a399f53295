//! How far two readers of the same place agree beyond chance.

use serde::{Deserialize, Serialize};

/// How far apart two grades may be and still count as agreement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Agreement {
    /// Only the same grade agrees.
    Exact,
    /// Credit falls with the distance: `1 - |i - j| / (k - 1)`.
    Linear,
    /// Credit falls with its square: `1 - (i - j)² / (k - 1)²`.
    Quadratic,
}

impl Agreement {
    fn credit<const K: usize>(self, i: usize, j: usize) -> f64 {
        let apart = i.abs_diff(j) as f64 / (K.max(2) - 1) as f64;
        match self {
            Agreement::Exact => f64::from(u8::from(i == j)),
            Agreement::Linear => 1.0 - apart,
            Agreement::Quadratic => 1.0 - apart * apart,
        }
    }
}

/// Weighted kappa: 1 is full agreement, 0 what chance would give with the same shares of grades.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Kappa {
    /// The estimate.
    pub value: f64,
    /// Its large-sample standard error where it is not zero (Fleiss, Cohen & Everitt 1969, Psychological Bulletin 72:323).
    pub std_error: f64,
    /// Lower end of the 95 % interval by that standard error, at least -1.
    pub lower: f64,
    /// Upper end of it, at most 1.
    pub upper: f64,
}

/// The normal quantile of a two-sided 95 % interval.
const Z_95: f64 = 1.959_963_984_540_054;

/// Kappa of a table of counts: `counts[i][j]` pairs that the first reader graded `i` and the second `j`.
///
/// `None` for an empty table, and where both readers gave one and the same grade throughout: then chance agrees as well
/// and nothing can be said.
pub fn kappa<const K: usize>(counts: &[[u32; K]; K], agreement: Agreement) -> Option<Kappa> {
    let n: f64 = counts.iter().flatten().map(|count| f64::from(*count)).sum();
    if n == 0.0 {
        return None;
    }
    let share = |i: usize, j: usize| f64::from(counts[i][j]) / n;
    let credit = |i: usize, j: usize| agreement.credit::<K>(i, j);
    let first: [f64; K] = std::array::from_fn(|i| (0..K).map(|j| share(i, j)).sum());
    let second: [f64; K] = std::array::from_fn(|j| (0..K).map(|i| share(i, j)).sum());
    // The mean credit of a grade of one reader, if the other's grades fell by chance.
    let of_first: [f64; K] = std::array::from_fn(|i| (0..K).map(|j| credit(i, j) * second[j]).sum());
    let of_second: [f64; K] = std::array::from_fn(|j| (0..K).map(|i| credit(i, j) * first[i]).sum());
    let cells = || (0..K).flat_map(|i| (0..K).map(move |j| (i, j)));
    let seen: f64 = cells().map(|(i, j)| credit(i, j) * share(i, j)).sum();
    let by_chance: f64 = cells().map(|(i, j)| credit(i, j) * first[i] * second[j]).sum();
    let room = 1.0 - by_chance;
    if room < 1e-12 {
        return None;
    }
    let spread: f64 = cells()
        .map(|(i, j)| share(i, j) * (credit(i, j) * room - (of_first[i] + of_second[j]) * (1.0 - seen)).powi(2))
        .sum();
    let variance = (spread - (seen * by_chance - 2.0 * by_chance + seen).powi(2)) / (n * room.powi(4));
    let (value, std_error) = ((seen - by_chance) / room, variance.max(0.0).sqrt());
    let (lower, upper) = ((value - Z_95 * std_error).max(-1.0), (value + Z_95 * std_error).min(1.0));
    Some(Kappa { value, std_error, lower, upper })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn close(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() <= within, "{found} is not {expected}");
    }

    /// Fleiss, Levin & Paik, Statistical Methods for Rates and Proportions, chapter 18: 100 patients by two raters
    /// (psychotic, neurotic, organic), kappa 0.68 with standard error 0.087 (from memory).
    /// `cohens_kappa` of statsmodels 0.15.0 gives 0.676470588235294 and 0.08770295347521254.
    #[test]
    fn the_psychiatric_diagnoses_of_the_textbook() {
        let found = kappa(&[[75, 1, 4], [5, 4, 1], [0, 0, 10]], Agreement::Exact).unwrap();
        close(found.value, 0.68, 0.005);
        close(found.std_error, 0.087, 0.001);
        close(found.value, 0.676_470_588_235_294, 1e-12);
        close(found.std_error, 0.087_702_953_475_212_54, 1e-12);
    }

    /// Expected: `cohens_kappa` of statsmodels 0.15.0 with `wt=None`, `"linear"` and `"fc"`, of an invented table.
    #[test]
    fn five_grades_as_another_library_weighs_them() {
        let table = [[44, 5, 1, 0, 0], [7, 31, 6, 1, 0], [0, 4, 18, 3, 0], [0, 1, 2, 9, 1], [0, 0, 0, 1, 6]];
        for (agreement, value, std_error, lower, upper) in [
            (Agreement::Exact, 0.686691377019372, 0.048297997110148726, 0.5920290421580608, 0.7813537118806831),
            (Agreement::Linear, 0.8000163251979431, 0.034640387754215726, 0.7321224127891779, 0.8679102376067083),
            (Agreement::Quadratic, 0.8918613413715147, 0.024533899644312376, 0.8437757816683424, 0.939946901074687),
        ] {
            let found = kappa(&table, agreement).unwrap();
            close(found.value, value, 1e-12);
            close(found.std_error, std_error, 1e-12);
            close(found.lower, lower, 1e-9);
            close(found.upper, upper, 1e-9);
        }
    }

    #[test]
    fn one_grade_throughout_says_nothing() {
        assert_eq!(kappa(&[[30, 0], [0, 0]], Agreement::Linear), None);
        assert_eq!(kappa(&[[0; 5]; 5], Agreement::Quadratic), None);
    }

    /// By definition: full agreement is 1, and a table of independent readers is 0.
    #[test]
    fn full_agreement_is_one_and_chance_is_zero() {
        for agreement in [Agreement::Exact, Agreement::Linear, Agreement::Quadratic] {
            let full = kappa(&[[10, 0, 0], [0, 20, 0], [0, 0, 5]], agreement).unwrap();
            close(full.value, 1.0, 1e-12);
            close(full.std_error, 0.0, 1e-9);
            // Rows and columns are independent: 10, 20, 30 times 1, 2, 3.
            let chance = kappa(&[[10, 20, 30], [20, 40, 60], [30, 60, 90]], agreement).unwrap();
            close(chance.value, 0.0, 1e-12);
        }
    }
}
