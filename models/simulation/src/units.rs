//! The twelve units of Harrow Mill: what everybody may know of them, and what only the simulation knows.

use plant::UnitId;

use crate::products::{PRODUCTS, Product};
use crate::random::Chance;

/// How a line works through the week (UTC).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shifts {
    /// Stops at night and from Saturday afternoon to Monday morning.
    Two,
    /// Stops from Saturday afternoon to Sunday night.
    Three,
    /// Stops only between campaigns.
    Continuous,
}

impl Shifts {
    /// Whether the line stands by plan in this hour since 1970 (a Thursday).
    pub(crate) fn stands(self, hour: i64) -> bool {
        let of_day = hour.rem_euclid(24);
        let weekday = (hour.div_euclid(24) + 3).rem_euclid(7); // 0 is Monday
        match self {
            Shifts::Two => {
                let night = !(5..22).contains(&of_day);
                night || weekday == 6 || (weekday == 5 && of_day >= 14)
            }
            Shifts::Three => (weekday == 5 && of_day >= 14) || (weekday == 6 && of_day < 22),
            Shifts::Continuous => false,
        }
    }
}

/// What a plant knows of a unit and writes into its configuration.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitFacts {
    /// Its tag.
    pub unit: UnitId,
    /// The line that it stands in.
    pub line: &'static str,
    /// The products that it can make.
    pub products: Vec<&'static str>,
    /// Nominal shaft speed, 1/min.
    pub nominal_speed_rpm: f64,
    /// Bore of its tube, mm.
    pub bore_mm: f64,
    /// Scraped length of its tube, mm.
    pub length_mm: f64,
    /// The unit runs while the shaft turns faster than this, 1/min.
    pub running_above_rpm: f64,
    /// Lowest and highest outlet temperature aimed at, °C.
    pub window_degc: (f64, f64),
    /// A start below this product temperature is a cold start, °C.
    pub cold_start_below_degc: f64,
    /// Torque above this is an excursion, N·m.
    pub excursion_above_nm: f64,
    /// Below this share of the torque to be expected, the blades run dry.
    pub dry_below_share: f64,
    /// The plant's own longest interval between looks, weeks.
    pub longest_interval_weeks: u32,
}

/// A unit with what stays hidden from the telemetry.
#[derive(Debug, Clone)]
pub(crate) struct Unit {
    pub(crate) number: usize,
    pub(crate) facts: UnitFacts,
    pub(crate) shifts: Shifts,
    pub(crate) products: &'static [Product],
    /// Its torque for the same product, 1 is usual.
    pub(crate) torque_factor: f64,
    /// How carelessly it is run: freeze-ups and cold starts, 1 is usual.
    pub(crate) sloppiness: f64,
    /// How often its feed fails, 1 is usual.
    pub(crate) starves: f64,
    /// Contact load of its blades, 1 is usual. Nothing in the telemetry shows it.
    pub(crate) contact: f64,
}

struct Line {
    name: &'static str,
    products: std::ops::Range<usize>,
    speed_rpm: f64,
    bore_mm: f64,
    length_mm: f64,
    shifts: &'static [Shifts],
}

static LINES: [Line; 4] = [
    Line {
        name: "fondant",
        products: 0..3,
        speed_rpm: 220.0,
        bore_mm: 152.4,
        length_mm: 3048.0,
        shifts: &[Shifts::Two, Shifts::Two, Shifts::Three],
    },
    Line {
        name: "margarine",
        products: 3..6,
        speed_rpm: 420.0,
        bore_mm: 152.4,
        length_mm: 1829.0,
        shifts: &[Shifts::Three, Shifts::Three, Shifts::Three, Shifts::Two],
    },
    Line {
        name: "sauce",
        products: 6..9,
        speed_rpm: 160.0,
        bore_mm: 152.4,
        length_mm: 3048.0,
        shifts: &[Shifts::Two, Shifts::Two, Shifts::Three],
    },
    Line {
        name: "ice mix",
        products: 9..12,
        speed_rpm: 260.0,
        bore_mm: 152.4,
        length_mm: 1829.0,
        shifts: &[Shifts::Continuous, Shifts::Three],
    },
];

/// The units K1 to K12; their hidden traits come from the seed.
pub(crate) fn units(seed: u64) -> Vec<Unit> {
    let stands = LINES.iter().flat_map(|line| line.shifts.iter().map(move |shifts| (line, *shifts)));
    stands.enumerate().map(|(number, (line, shifts))| unit(seed, number, line, shifts)).collect()
}

fn unit(seed: u64, number: usize, line: &Line, shifts: Shifts) -> Unit {
    let mut chance = Chance::new(seed, "unit", number);
    let products = &PRODUCTS[line.products.clone()];
    let torque_factor = chance.lognormal(1.0, 0.1);
    let lowest = products.iter().map(|p| p.set_degc).fold(f64::INFINITY, f64::min);
    let highest = products.iter().map(|p| p.set_degc).fold(f64::NEG_INFINITY, f64::max);
    let stiffest = products.iter().map(|p| p.torque_nm).fold(0.0, f64::max);
    let facts = UnitFacts {
        unit: UnitId::new(&format!("K{}", number + 1)).expect("K and a number is an id"),
        line: line.name,
        products: products.iter().map(|p| p.name).collect(),
        nominal_speed_rpm: line.speed_rpm,
        bore_mm: line.bore_mm,
        length_mm: line.length_mm,
        running_above_rpm: 5.0,
        window_degc: (lowest, highest),
        cold_start_below_degc: lowest - 0.4 * products[0].family.soak_k,
        excursion_above_nm: (1.4 * stiffest * torque_factor / 5.0).round() * 5.0,
        dry_below_share: 0.6,
        longest_interval_weeks: 12,
    };
    Unit {
        number,
        facts,
        shifts,
        products,
        torque_factor,
        sloppiness: chance.lognormal(0.8, 0.75),
        starves: chance.lognormal(0.8, 0.75),
        contact: chance.lognormal(1.0, 0.15),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-01-05 was a Monday (ISO 8601 week 2 of 2026).
    #[test]
    fn nights_and_weekends_stand_where_they_should() {
        let monday = plant::hour_of("2026-01-05T00:00:00Z".parse().unwrap());
        assert!(Shifts::Two.stands(monday + 4) && !Shifts::Two.stands(monday + 5));
        assert!(!Shifts::Two.stands(monday + 21) && Shifts::Two.stands(monday + 22));
        assert!(!Shifts::Three.stands(monday + 2));
        assert!(!Shifts::Three.stands(monday + 5 * 24 + 13) && Shifts::Three.stands(monday + 5 * 24 + 14));
        assert!(Shifts::Three.stands(monday - 24 + 21) && !Shifts::Three.stands(monday - 24 + 22));
    }

    #[test]
    fn twelve_units_and_the_traits_of_the_seed() {
        let units_7 = units(7);
        assert_eq!(units_7.len(), 12);
        assert_ne!(units_7[0].sloppiness, units(8)[0].sloppiness);
        assert_ne!(units_7[0].sloppiness, units_7[1].sloppiness);
    }
}
