//! How fast a unit wears with each product, against its pace of late.

use std::collections::BTreeMap;

use plant::{Campaign, UnitId, hour_start};
use publisher::{ProductPace, ProductPaces};

use crate::wear_map::Worn;

/// From fewer covered hours with a product nothing is said (house choice: some days of running).
const LEAST_H: f64 = 100.0;

/// Hours and their wear.
#[derive(Clone, Copy, Default)]
struct Sum {
    covered_h: f64,
    equivalent_h: f64,
}

impl Sum {
    fn add(&mut self, worn: &Worn) {
        self.covered_h += worn.covered_h;
        self.equivalent_h += worn.equivalent_h;
    }

    /// Wear per hour, from enough hours.
    fn rate(&self) -> Option<f64> {
        (self.covered_h >= LEAST_H).then(|| self.equivalent_h / self.covered_h)
    }
}

/// The paces of all units that ran, hours in order: from a unit's own hours with a product, or else from those of all units.
/// `ahead` gives the pace at which an hour ahead is reckoned of a unit with such a pace of late.
pub fn paces(
    worn: &BTreeMap<&UnitId, Vec<Worn>>,
    campaigns: &[Campaign],
    recent_h: f64,
    ahead: impl Fn(f64) -> f64,
) -> ProductPaces {
    let mut own: BTreeMap<&UnitId, BTreeMap<&str, Sum>> = BTreeMap::new();
    let mut of_all: BTreeMap<&str, Sum> = BTreeMap::new();
    for (unit, worn) in worn {
        let mut campaigns: Vec<&Campaign> = campaigns.iter().filter(|campaign| campaign.unit == **unit).collect();
        campaigns.sort_by_key(|campaign| campaign.from);
        for one in worn {
            // Of overlapping campaigns the one that began last is running.
            let end = hour_start(one.hour + 1);
            let begun = campaigns.partition_point(|campaign| campaign.from < end);
            let running = campaigns[..begun].iter().rev().find(|campaign| campaign.to >= end);
            let Some(campaign) = running else { continue };
            own.entry(unit).or_default().entry(&campaign.product).or_default().add(one);
            of_all.entry(&campaign.product).or_default().add(one);
        }
    }
    let mut paces = ProductPaces::new();
    for (unit, worn) in worn {
        let Some(of_late) = of_late(worn, recent_h) else { continue };
        for (product, all) in &of_all {
            let here = own.get(unit).and_then(|products| products.get(product)).filter(|sum| sum.rate().is_some());
            let sum = here.unwrap_or(all);
            if let Some(rate) = sum.rate() {
                let pace = ProductPace { times: rate / ahead(of_late), covered_h: sum.covered_h, own: here.is_some() };
                paces.entry((*unit).clone()).or_default().insert((*product).to_owned(), pace);
            }
        }
    }
    paces
}

/// Wear per hour over the last covered hours, as chances ahead are reckoned with.
fn of_late(worn: &[Worn], recent_h: f64) -> Option<f64> {
    let mut sum = Sum::default();
    for one in worn.iter().rev() {
        if sum.covered_h >= recent_h {
            break;
        }
        sum.add(one);
    }
    (sum.equivalent_h > 0.0).then(|| sum.equivalent_h / sum.covered_h)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wear_map::worn_hours;

    fn campaign(unit: &UnitId, (from, to): (i64, i64), product: &str) -> Campaign {
        let (from, to) = (hour_start(from), hour_start(to));
        Campaign { unit: unit.clone(), from, to, product: product.to_owned(), planned: false, run_h: None }
    }

    /// By hand. A ran 200 h of ice at 2 and then 300 h of oil at 1, its pace of late; B 50 h of ice at 3 and 500 h at 4 of
    /// which nobody wrote down the product; C did not run.
    #[test]
    fn a_product_is_held_against_the_pace_of_late() {
        let [a, b, c] = ["A", "B", "C"].map(|name| UnitId::new(name).unwrap());
        let worn = BTreeMap::from([
            (&a, worn_hours(&[(200, 2.0), (300, 1.0)])),
            (&b, worn_hours(&[(50, 3.0), (500, 4.0)])),
            (&c, Vec::new()),
        ]);
        let campaigns = [
            campaign(&a, (0, 200), "ice"),
            campaign(&a, (200, 500), "oil"),
            campaign(&b, (0, 50), "ice"),
            campaign(&b, (900, 950), "fat"),
        ];
        let paces = paces(&worn, &campaigns, 300.0, f64::sqrt);
        let pace = |times, covered_h, own| ProductPace { times, covered_h, own };
        let of_a = [("ice".to_owned(), pace(2.0, 200.0, true)), ("oil".to_owned(), pace(1.0, 300.0, true))];
        // 250 h of ice in all, at 2.2 on average; B's pace of late is 4, and hours ahead are reckoned at 2.
        let of_b = [("ice".to_owned(), pace(1.1, 250.0, false)), ("oil".to_owned(), pace(0.5, 300.0, false))];
        assert_eq!(paces, ProductPaces::from([(a.clone(), of_a.into()), (b.clone(), of_b.into())]));
    }
}
