//! What the mill plans to run: campaigns of two to eight days, and the changeovers between them.
//!
//! A plan is an endless row of runs that depends on the seed and the unit alone, so the future is as fixed as the past.

use crate::random::Chance;
use crate::units::Unit;

/// A campaign and the changeover after it; hours since 1970.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Run {
    /// Its first hour.
    pub(crate) from_h: i64,
    /// The hour in which its changeover begins.
    pub(crate) to_h: i64,
    /// The first hour of the next campaign.
    pub(crate) next_h: i64,
    /// Which of the unit's products.
    pub(crate) product: usize,
    /// How far this batch is run off the usual set point, in shares of the family's soak.
    pub(crate) off_set: f64,
    /// Share of the product's usual speed.
    pub(crate) speed_share: f64,
    /// How long the cleaning after it takes, minutes.
    pub(crate) cleaning_min: i64,
    /// The changeover is long enough to open the unit.
    pub(crate) can_open: bool,
}

impl Run {
    /// Whether the unit is being cleaned in this minute since 1970.
    pub(crate) fn cleans(&self, minute: i64) -> bool {
        let begin = self.to_h * 60 + 15;
        (begin..begin + self.cleaning_min).contains(&minute)
    }
}

/// The endless row of runs of a unit.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    chance: Chance,
    next_h: i64,
    products: usize,
    last: usize,
}

impl Plan {
    /// The plan of a unit; the first run is under way at `start_h`.
    pub(crate) fn new(seed: u64, unit: &Unit, start_h: i64) -> Self {
        let mut chance = Chance::new(seed, "plan", unit.number);
        let products = unit.products.len();
        let next_h = start_h - chance.whole(0, 40);
        let last = chance.whole(0, products as i64 - 1) as usize;
        Self { chance, next_h, products, last }
    }

    /// The next run.
    pub(crate) fn next(&mut self) -> Run {
        let chance = &mut self.chance;
        let others = self.products - 1;
        let product = (self.last + 1 + chance.whole(0, others as i64 - 1) as usize) % self.products;
        let from_h = self.next_h;
        let to_h = from_h + chance.whole(48, 192);
        let can_open = chance.happens(0.55);
        let changeover_h = if can_open { chance.whole(9, 14) } else { chance.whole(3, 6) };
        let idle_h = if chance.happens(0.08) { chance.whole(24, 96) } else { 0 };
        let next_h = to_h + changeover_h + idle_h;
        self.next_h = next_h;
        self.last = product;
        Run {
            from_h,
            to_h,
            next_h,
            product,
            off_set: 0.06 * chance.normal(),
            speed_share: chance.between(0.88, 1.1),
            cleaning_min: chance.whole(50, 110),
            can_open,
        }
    }

    /// Every run that begins before this hour.
    pub(crate) fn until(mut self, hour: i64) -> Vec<Run> {
        let mut runs = Vec::new();
        while self.next_h < hour {
            runs.push(self.next());
        }
        runs
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::units;

    #[test]
    fn runs_follow_each_other_and_products_alternate() {
        for unit in units(5) {
            let runs = Plan::new(5, &unit, 500_000).until(500_000 + 9_000);
            assert!(runs[0].from_h <= 500_000 && runs[0].to_h > 500_000);
            for pair in runs.windows(2) {
                assert!(pair[0].from_h < pair[0].to_h && pair[0].to_h < pair[0].next_h);
                assert_eq!(pair[0].next_h, pair[1].from_h);
                assert_ne!(pair[0].product, pair[1].product);
                let cleaned = pair[0].to_h * 60 + 15 + pair[0].cleaning_min;
                assert!(cleaned < (pair[0].to_h + 3) * 60, "cleaning is over when the heads are pulled");
            }
        }
    }
}
