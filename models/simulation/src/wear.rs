//! The wall: how fast conditions wear it, and how deep the grooves of a tube are.
//!
//! A feelable groove within some thousand hours means local wear coefficients 10 to 1000 times the lubricated value
//! (Archard's law with handbook coefficients: Archard 1953; Rabinowicz, Friction and Wear of Materials; from memory), so
//! short bad episodes weigh far more than their hours. The weights themselves are invented.

use crate::random::Chance;

/// How many times as fast a layer wears per unit of excess torque share.
const EXCESS_WEIGHT: f64 = 200.0;
/// The same for a start on stiff product, per unit of stiffening above 1.
const STIFF_WEIGHT: f64 = 25.0;
/// The same for dry running.
const DRY_WEIGHT: f64 = 250.0;
/// A start wears like so many plain hours.
const START_H: f64 = 0.4;

/// Mean growth at a usual station of a usual tube, µm per plain hour.
const UM_PER_H: f64 = 0.00155;
/// Size of the jumps in which a groove grows, µm.
const JUMP_UM: f64 = 0.6;

/// Zones along a tube times clock positions around it.
pub(crate) const STATIONS: usize = 12;
/// Depth from which a groove catches a fingernail, µm (10 to 50 µm by operator; from memory).
pub const CATCH_UM: f64 = 25.0;

/// What a blade edge meets in a minute of production.
#[derive(Debug, Clone)]
pub(crate) struct Contact {
    /// Hidden contact load, 1 is usual.
    pub(crate) load: f64,
    pub(crate) abrasion: f64,
    pub(crate) speed_share: f64,
    /// Torque of a layer as a share of the viscous torque.
    pub(crate) excess: f64,
    /// How many times stiffer the product is than at its set point.
    pub(crate) stiffening: f64,
    pub(crate) dry: bool,
    pub(crate) started: bool,
}

/// Plain hours' worth of wear of one minute.
pub(crate) fn drive_h(contact: &Contact) -> f64 {
    let stiff = (contact.stiffening - 1.15).max(0.0);
    let dry = if contact.dry { DRY_WEIGHT } else { 0.0 };
    let film = 1.0 + EXCESS_WEIGHT * contact.excess + STIFF_WEIGHT * stiff + dry;
    let start_h = if contact.started { START_H } else { 0.0 };
    contact.load * contact.abrasion * (contact.speed_share * film / 60.0 + start_h)
}

/// Where blades press hardest in a unit: a factor per station, zone by zone from the drive end, in each 12, 3, 6, 9 o'clock.
pub(crate) fn pattern(chance: &mut Chance) -> [f64; STATIONS] {
    let sag = chance.between(1.0, 1.6); // 6 o'clock, worst in the middle
    let ends = [chance.between(0.8, 1.1), chance.between(0.9, 1.2), chance.between(0.8, 1.3)];
    let top = chance.between(0.8, 1.1);
    std::array::from_fn(|station| {
        let zone = station / 4;
        ends[zone]
            * match station % 4 {
                0 => top,
                2 if zone == 1 => sag,
                2 => 1.0 + 0.6 * (sag - 1.0),
                _ => 0.9,
            }
    })
}

/// The wall of one tube.
#[derive(Debug, Clone)]
pub(crate) struct Wall {
    /// Groove depth per station, µm.
    pub(crate) depth_um: [f64; STATIONS],
    /// How readily this tube wears, 1 is usual. Hidden.
    frailty: f64,
    /// The surface's own factor.
    surface: f64,
    /// How this tube lies in its unit, per station.
    lie: [f64; STATIONS],
    /// Plating left, µm; infinite for a surface without plating.
    pub(crate) plating_um: f64,
}

impl Wall {
    pub(crate) fn new(chance: &mut Chance, surface: f64, plating_um: Option<f64>) -> Self {
        let frailty = chance.lognormal(1.0, 0.4);
        let mut wall = Self {
            depth_um: [0.0; STATIONS],
            frailty,
            surface,
            lie: [1.0; STATIONS],
            plating_um: plating_um.unwrap_or(f64::INFINITY),
        };
        wall.fit(chance);
        wall
    }

    /// The tube is fitted: it lies anew.
    pub(crate) fn fit(&mut self, chance: &mut Chance) {
        self.lie = std::array::from_fn(|_| chance.lognormal(1.0, 0.15));
    }

    /// Grows by so many plain hours in a unit of this pattern.
    pub(crate) fn grow(&mut self, chance: &mut Chance, drive_h: f64, pattern: &[f64; STATIONS]) {
        if drive_h <= 0.0 {
            return;
        }
        for ((depth_um, lie), place) in self.depth_um.iter_mut().zip(self.lie).zip(pattern) {
            let mean_um = UM_PER_H * drive_h * self.frailty * self.surface * lie * place;
            *depth_um += chance.gamma(mean_um, JUMP_UM);
        }
    }

    /// Honed and polished: the grooves go, and some plating with them.
    pub(crate) fn hone(&mut self) {
        self.plating_um -= self.worst_um() + 4.0;
        self.depth_um = [0.0; STATIONS];
    }

    /// Stripped and plated anew.
    pub(crate) fn replate(&mut self, plating_um: Option<f64>) {
        self.plating_um = plating_um.unwrap_or(f64::INFINITY);
        self.depth_um = [0.0; STATIONS];
    }

    /// The deepest groove, µm.
    pub(crate) fn worst_um(&self) -> f64 {
        self.depth_um.iter().fold(0.0, |worst, depth| worst.max(*depth))
    }

    /// The true grade of a depth in this wall.
    pub(crate) fn grade(&self, depth_um: f64) -> u8 {
        if depth_um >= self.plating_um {
            4
        } else if depth_um >= 60.0 {
            3
        } else if depth_um >= CATCH_UM {
            2
        } else {
            u8::from(depth_um >= 6.0)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAIN: Contact = Contact {
        load: 1.0,
        abrasion: 1.0,
        speed_share: 1.0,
        excess: 0.0,
        stiffening: 1.0,
        dry: false,
        started: false,
    };

    #[test]
    fn a_plain_hour_is_an_hour_and_everything_bad_is_more() {
        assert!((60.0 * drive_h(&PLAIN) - 1.0).abs() < 1e-12);
        for worse in [
            Contact { excess: 0.2, ..PLAIN },
            Contact { stiffening: 1.5, ..PLAIN },
            Contact { dry: true, ..PLAIN },
            Contact { started: true, ..PLAIN },
            Contact { abrasion: 1.3, ..PLAIN },
            Contact { load: 1.3, ..PLAIN },
        ] {
            assert!(drive_h(&worse) > drive_h(&PLAIN), "{worse:?}");
        }
    }

    #[test]
    fn a_wall_never_heals_until_it_is_honed_and_honing_costs_plating() {
        let mut chance = Chance::new(1, "test", 0);
        let mut wall = Wall::new(&mut chance, 1.0, Some(120.0));
        let pattern = pattern(&mut chance);
        for _ in 0..500 {
            let before = wall.depth_um;
            wall.grow(&mut chance, 24.0, &pattern);
            assert!(wall.depth_um.iter().zip(before).all(|(now, then)| *now >= then));
        }
        let worst_um = wall.worst_um();
        assert!(worst_um > 20.0, "{worst_um} µm after 12000 plain hours");
        wall.hone();
        assert_eq!(wall.worst_um(), 0.0);
        assert!((wall.plating_um - (116.0 - worst_um)).abs() < 1e-9);
    }

    #[test]
    fn grades_rise_with_depth_and_end_where_the_plating_does() {
        let mut chance = Chance::new(1, "test", 0);
        let mut wall = Wall::new(&mut chance, 1.0, Some(90.0));
        let grades = [0.0, 6.0, 24.9, 25.0, 60.0, 90.0].map(|depth| wall.grade(depth));
        assert_eq!(grades, [0, 1, 1, 2, 3, 4]);
        wall.replate(None);
        assert_eq!(wall.grade(500.0), 3, "a solid wall has no plating to lose");
    }
}
