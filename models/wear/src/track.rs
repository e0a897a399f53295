//! Published chances against what looks found: exact intervals of the counts, and drift told while it is young.
//!
//! If every chance is right and each look is an outcome of its own, the number of finds is a sum of unequal coins (the
//! Poisson binomial distribution): its exact distribution is the product of their generating functions.
//!
//! Drift is told by likelihood ratios of other chances against those published: shifted and stretched on the scale of log
//! odds. A sum of such ratios over every possible beginning (the Shiryaev-Roberts procedure; Shiryaev 1963, Roberts 1966)
//! minus the number of looks is a martingale while the chances are right, so the mean number of looks until it first passes
//! a limit is at least that limit, whatever the chances are (Shin, Ramdas & Rinaldo 2024, "E-detectors").

/// A published chance and what the next complete look found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// The chance, 0 to 1.
    pub chance: f64,
    /// Whether the look found the limit reached.
    pub found: bool,
}

/// Finds against those expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tally {
    /// Looks.
    pub looks: usize,
    /// Finds.
    pub found: usize,
    /// The sum of the chances.
    pub expected: f64,
    /// From how many finds on they are no fewer than right chances explain.
    pub at_least: usize,
    /// Up to how many finds they are no more than right chances explain.
    pub at_most: usize,
    /// Mean squared difference between chance and outcome, 0 to 1.
    pub brier: f64,
    /// Mean minus log-likelihood per look, natural logarithm.
    pub log_loss: f64,
}

/// Chances nearer to 0 or 1 than this count as this near: nobody knows more, and one outcome must not weigh infinitely.
const NEAREST: f64 = 1e-6;

/// Counts finds against chances; `level` is the share of cases in which right chances stay inside the interval, such as
/// 0.95. `None` without a look.
pub fn tally(marks: &[Mark], level: f64) -> Option<Tally> {
    if marks.is_empty() {
        return None;
    }
    let chances: Vec<f64> = marks.iter().map(|mark| mark.chance).collect();
    let ways = counts(&chances);
    let tail = 0.5 * (1.0 - level);
    let quantile = |share: f64| {
        let mut below = 0.0;
        let passed = ways.iter().position(|way| {
            below += way;
            // Sums of many parts are right to some digits only.
            below >= share - 1e-12
        });
        passed.unwrap_or(ways.len() - 1)
    };
    let n = marks.len() as f64;
    let loss = |mark: &Mark| {
        let chance = mark.chance.clamp(NEAREST, 1.0 - NEAREST);
        -(if mark.found { chance } else { 1.0 - chance }).ln()
    };
    Some(Tally {
        looks: marks.len(),
        found: marks.iter().filter(|mark| mark.found).count(),
        expected: chances.iter().sum(),
        at_least: quantile(tail),
        at_most: quantile(1.0 - tail),
        brier: marks.iter().map(|mark| (mark.chance - f64::from(u8::from(mark.found))).powi(2)).sum::<f64>() / n,
        log_loss: marks.iter().map(loss).sum::<f64>() / n,
    })
}

/// The probability of each number of finds, 0 up to all, for independent chances.
pub fn counts(chances: &[f64]) -> Vec<f64> {
    let mut ways = vec![1.0];
    for chance in chances {
        ways.push(0.0);
        for count in (0..ways.len()).rev() {
            let one_more = if count > 0 { ways[count - 1] * chance } else { 0.0 };
            ways[count] = ways[count] * (1.0 - chance) + one_more;
        }
    }
    ways
}

/// The exact interval of a share (Clopper & Pearson 1934): what `found` of `looks` says of the chance behind it, at a level
/// such as 0.95. The whole range without a look.
pub fn share_interval(found: usize, looks: usize, level: f64) -> (f64, f64) {
    let found = found.min(looks);
    let tail = 0.5 * (1.0 - level);
    // The chance of `from` finds or more rises with the chance behind it.
    let or_more = |from: usize, chance: f64| (from..=looks).map(|count| binomial(count, looks, chance)).sum::<f64>();
    let bisect = |from: usize, share: f64| {
        let (mut low, mut high) = (0.0_f64, 1.0_f64);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if or_more(from, middle) < share { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    };
    let lower = if found == 0 { 0.0 } else { bisect(found, tail) };
    let upper = if found == looks { 1.0 } else { bisect(found + 1, 1.0 - tail) };
    (lower, upper)
}

fn binomial(count: usize, of: usize, chance: f64) -> f64 {
    let choose: f64 = (1..=count).map(|k| ((of - count + k) as f64).ln() - (k as f64).ln()).sum();
    let log = |times: usize, part: f64| if times == 0 { 0.0 } else { times as f64 * part.ln() };
    (choose + log(count, chance) + log(of - count, 1.0 - chance)).exp()
}

/// Shifts and stretches of log odds that drift may bring.
const SHIFTS: [f64; 5] = [-1.2, -0.6, 0.0, 0.6, 1.2];
const STRETCHES: [f64; 3] = [0.5, 1.0, 1.5];
/// Log odds about which they are stretched: those of a chance of one in ten, a usual one (house choice).
const MIDDLE: f64 = -2.197_224_577_336_219_6;

/// Watches a sequence of marks for drift.
#[derive(Debug, Clone, PartialEq)]
pub struct DriftWatch {
    sums: Vec<f64>,
    looks: usize,
}

impl Default for DriftWatch {
    fn default() -> Self {
        Self { sums: vec![0.0; alternatives().count()], looks: 0 }
    }
}

/// Every shift with every stretch but the one that changes nothing.
fn alternatives() -> impl Iterator<Item = (f64, f64)> {
    let all = SHIFTS.into_iter().flat_map(|shift| STRETCHES.into_iter().map(move |stretch| (shift, stretch)));
    all.filter(|(shift, stretch)| *shift != 0.0 || *stretch != 1.0)
}

impl DriftWatch {
    /// Takes the next mark, in order of time, and says how much speaks for drift now: while the chances are right, the mean
    /// number of looks until this first passes a number is at least that number.
    pub fn next(&mut self, mark: Mark) -> f64 {
        let chance = mark.chance.clamp(NEAREST, 1.0 - NEAREST);
        let odds = (chance / (1.0 - chance)).ln();
        let said = if mark.found { chance } else { 1.0 - chance };
        for (sum, (shift, stretch)) in self.sums.iter_mut().zip(alternatives()) {
            let other = 1.0 / (1.0 + (-(MIDDLE + shift + stretch * (odds - MIDDLE))).exp());
            let ratio = (if mark.found { other } else { 1.0 - other }) / said;
            *sum = (*sum + 1.0) * ratio;
        }
        self.looks += 1;
        self.evidence()
    }

    /// How much speaks for drift now; 0 before the first mark.
    pub fn evidence(&self) -> f64 {
        self.sums.iter().sum::<f64>() / self.sums.len() as f64
    }

    /// Marks that it has seen.
    pub fn looks(&self) -> usize {
        self.looks
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "all of this is tests")]
mod tests {
    use super::*;
    use rand_distr::{Distribution, StandardUniform};
    use rand_pcg::Pcg64Mcg;

    /// Found and expected by scipy, see below.
    const CLOPPER_PEARSON: [(usize, usize, f64, f64); 5] = [
        (0, 10, 0.0, 0.308_497_107_818_762_94),
        (1, 10, 0.002_528_578_544_462_572_8, 0.445_016_117_028_195_43),
        (5, 10, 0.187_086_028_447_404_5, 0.812_913_971_552_595_5),
        (7, 48, 0.060_704_469_366_613_95, 0.277_638_340_022_028_1),
        (48, 48, 0.926_027_214_652_719_8, 1.0),
    ];
    const POISSON_BINOMIAL: [f64; 4] =
        [0.190_270_778_880_000_02, 0.402_179_145_920_000_04, 0.293_741_106_32, 0.096_425_046_48];

    fn draw(random: &mut Pcg64Mcg) -> f64 {
        StandardUniform.sample(random)
    }

    #[test]
    fn the_interval_of_a_share_is_that_of_scipy() {
        // scipy 1.17.1, binomtest(found, looks).proportion_ci(0.95, "exact").
        for (found, looks, lower, upper) in CLOPPER_PEARSON {
            let told = share_interval(found, looks, 0.95);
            assert!((told.0 - lower).abs() < 1e-9 && (told.1 - upper).abs() < 1e-9, "{found} of {looks}: {told:?}");
        }
        assert_eq!(share_interval(0, 0, 0.95), (0.0, 1.0));
    }

    #[test]
    fn counts_of_unequal_chances_are_those_of_scipy() {
        // scipy 1.17.1, poisson_binom.pmf, .ppf.
        let chances = [0.02, 0.05, 0.11, 0.2, 0.35, 0.5, 0.04, 0.08];
        let ways = counts(&chances);
        for (told, right) in ways.iter().zip(POISSON_BINOMIAL) {
            assert!((told - right).abs() < 1e-14, "{told} {right}");
        }
        assert!((ways.iter().sum::<f64>() - 1.0).abs() < 1e-14);
        let marks: Vec<Mark> =
            (0..60).map(|i| Mark { chance: f64::from(i % 17 + 1) / 40.0, found: i % 5 == 0 }).collect();
        let tally = tally(&marks, 0.95).unwrap();
        assert_eq!((tally.looks, tally.found, tally.at_least, tally.at_most), (60, 12, 7, 19));
        assert!((tally.expected - 12.6).abs() < 1e-12);
    }

    fn watched(random: &mut Pcg64Mcg, shift: f64, limit: f64, most: usize) -> usize {
        let mut watch = DriftWatch::default();
        for look in 1..=most {
            // Chances as a plant has them: most low, some high.
            let chance = 0.02 + 0.6 * draw(random).powi(3);
            let odds = (chance / (1.0 - chance)).ln() + shift;
            let found = draw(random) < 1.0 / (1.0 + (-odds).exp());
            if watch.next(Mark { chance, found }) > limit {
                return look;
            }
        }
        most
    }

    #[test]
    fn right_chances_rarely_look_like_drift() {
        // Shin, Ramdas & Rinaldo 2024: the mean number of looks until a false alarm is at least the limit.
        let mut random = Pcg64Mcg::new(11);
        let runs: Vec<usize> = (0..200).map(|_| watched(&mut random, 0.0, 100.0, 5000)).collect();
        let mean = runs.iter().sum::<usize>() as f64 / 200.0;
        assert!(mean > 100.0, "a right model sets it off after {mean} looks");
    }

    #[test]
    fn chances_at_half_their_size_are_told_within_a_season() {
        // Log odds 0.9 too low are odds 2.5 times as high as said. At some 15 % a plant of 20 tubes makes 60 looks a season.
        let mut random = Pcg64Mcg::new(12);
        let mut runs: Vec<usize> = (0..200).map(|_| watched(&mut random, 0.9, 100.0, 5000)).collect();
        runs.sort_unstable();
        assert!(runs[100] < 60, "half of the drifts are told after {} looks", runs[100]);
    }

    #[test]
    fn right_chances_leave_the_interval_as_rarely_as_stated() {
        let mut random = Pcg64Mcg::new(13);
        let outside = (0..2000).filter(|_| {
            let marks: Vec<Mark> = (0..40)
                .map(|_| {
                    let chance = 0.5 * draw(&mut random);
                    Mark { chance, found: draw(&mut random) < chance }
                })
                .collect();
            let tally = tally(&marks, 0.9).unwrap();
            tally.found < tally.at_least || tally.found > tally.at_most
        });
        // Counts are whole: the interval holds at least nine in ten; three standard errors of 2000 draws are 0.02.
        assert!((outside.count() as f64) < 0.12 * 2000.0);
    }
}
