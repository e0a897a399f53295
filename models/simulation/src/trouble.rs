//! What goes wrong in a running unit: a layer freezes or crusts on the wall, or the feed fails and the blades run dry.

use crate::random::Chance;
use crate::units::Unit;

/// Layers per running hour of a usual unit out of a bad spell.
const LAYERS_PER_H: f64 = 0.016;
/// In a bad spell (a sticking valve, a tired refrigerant loop) layers come so many times as often.
const SPELL_FACTOR: f64 = 6.0;
/// Mean length of a bad spell and of the time between two, h of production.
const SPELL_H: f64 = 200.0;
const BETWEEN_SPELLS_H: f64 = 900.0;
/// Feed failures per running hour of a usual unit.
const FAILURES_PER_H: f64 = 0.012;

/// A layer on the wall, from its first to its last minute since 1970.
#[derive(Debug, Clone)]
struct Layer {
    from: i64,
    until: i64,
    strength: f64,
}

/// What troubles a unit in a minute.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Now {
    /// Torque above what this product takes, as a share of its viscous torque.
    pub(crate) excess: f64,
    /// The blades run with too little product.
    pub(crate) dry: bool,
}

/// The troubles of a unit.
#[derive(Debug, Clone, Default)]
pub(crate) struct Trouble {
    in_spell: bool,
    layer: Option<Layer>,
    dry_until: i64,
}

impl Trouble {
    /// A minute of production.
    pub(crate) fn minute(&mut self, unit: &Unit, chance: &mut Chance, minute: i64) -> Now {
        let spell_per_h = if self.in_spell { 1.0 / SPELL_H } else { 1.0 / BETWEEN_SPELLS_H };
        let spell = if self.in_spell { SPELL_FACTOR } else { 1.0 };
        let layers_per_h = LAYERS_PER_H * spell * unit.sloppiness * unit.products[0].family.freezes;
        let layer_edge = layers_per_h / 60.0;
        let dry_edge = layer_edge + FAILURES_PER_H * unit.starves / 60.0;
        let spell_edge = dry_edge + spell_per_h / 60.0;
        let draw = chance.unit();
        if draw < layer_edge {
            self.freeze(chance, minute);
        } else if draw < dry_edge {
            self.dry_until = minute + chance.lognormal(9.0, 0.6).clamp(3.0, 45.0) as i64;
        } else if draw < spell_edge {
            self.in_spell = !self.in_spell;
        }
        Now { excess: self.excess(minute), dry: minute < self.dry_until }
    }

    /// A layer begins to grow; one that is there already goes on.
    pub(crate) fn freeze(&mut self, chance: &mut Chance, minute: i64) {
        if self.layer.is_none() {
            let lasts_min = chance.lognormal(30.0, 0.5).clamp(10.0, 90.0) as i64;
            let strength = chance.lognormal(0.38, 0.4).clamp(0.15, 0.9);
            self.layer = Some(Layer { from: minute, until: minute + lasts_min, strength });
        }
    }

    /// The unit stops: what sat on the wall is gone when it starts again.
    pub(crate) fn stop(&mut self) {
        self.layer = None;
        self.dry_until = 0;
    }

    /// Grows over the first fifth of its time, then saws as the blades cut it and it grows again, then lets go at once.
    fn excess(&mut self, minute: i64) -> f64 {
        let Some(layer) = &self.layer else { return 0.0 };
        if minute >= layer.until {
            self.layer = None;
            return 0.0;
        }
        let age = (minute - layer.from) as f64;
        let grown = (5.0 * age / (layer.until - layer.from) as f64).min(1.0);
        let saw = (minute - layer.from).rem_euclid(7) as f64 / 7.0;
        layer.strength * grown * (0.85 + 0.3 * saw)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::units;

    #[test]
    fn a_layer_lasts_ten_to_ninety_minutes_and_lets_go() {
        let mut chance = Chance::new(1, "test", 0);
        for _ in 0..200 {
            let mut trouble = Trouble::default();
            trouble.freeze(&mut chance, 100);
            let minutes = (100..300).filter(|minute| trouble.excess(*minute) > 0.0).count();
            assert!((9..=90).contains(&minutes), "{minutes} min");
            assert!(trouble.layer.is_none());
        }
    }

    #[test]
    fn a_sloppy_unit_freezes_more_often() {
        let minutes_in_excess = |sloppiness: f64| {
            let unit = Unit { sloppiness, ..units(1)[3].clone() };
            let mut chance = Chance::new(2, "test", 0);
            let mut trouble = Trouble::default();
            (0..300_000).filter(|minute| trouble.minute(&unit, &mut chance, *minute).excess > 0.0).count()
        };
        assert!(minutes_in_excess(2.0) > 2 * minutes_in_excess(0.4));
    }
}
