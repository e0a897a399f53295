//! What the mill makes: four families of thick products, each with its temperature window and its stiffness.
//!
//! Viscosity follows Arrhenius, and torque follows viscosity to the power 0.7 and speed to the power 0.75: the middle of
//! the exponents that Skelland & Leung 1962, Trommelen & Beek 1971 and Leuliet et al. 1986 report for power (N^1.7-1.8,
//! µ^0.66-0.8; from memory). All other numbers are invented.

/// Torque grows with viscosity to this power.
const VISCOSITY_POWER: f64 = 0.7;
/// Torque grows with speed to this power.
const SPEED_POWER: f64 = 0.75;
/// Gas constant, J/(mol·K) (CODATA 2018, exact).
const GAS_J_PER_MOL_K: f64 = 8.314_462_618;
/// 0 °C in kelvin.
const ZERO_DEGC_K: f64 = 273.15;

/// Products that behave alike on the wall.
#[derive(Debug)]
pub(crate) struct Family {
    /// Activation energy of the viscosity, crystals included, J/mol.
    pub(crate) activation_j_per_mol: f64,
    /// How far product cools below its set point in a long cold stop, K.
    pub(crate) soak_k: f64,
    /// How readily a layer freezes or crusts on the wall, 1 is usual.
    pub(crate) freezes: f64,
    /// The outlet warms (+) or cools (-) while a layer sits on the wall, K.
    pub(crate) layer_k: f64,
}

/// Sugar mass, crystallising: cold means hard.
const FONDANT: Family = Family { activation_j_per_mol: 45e3, soak_k: 13.0, freezes: 0.7, layer_k: -0.6 };
/// Fat emulsion, chilled.
const MARGARINE: Family = Family { activation_j_per_mol: 60e3, soak_k: 7.0, freezes: 1.0, layer_k: 0.7 };
/// Cooked sauces: they crust rather than freeze.
const SAUCE: Family = Family { activation_j_per_mol: 25e3, soak_k: 30.0, freezes: 0.7, layer_k: -1.2 };
/// Part-frozen mix: stiffness by ice.
const ICE: Family = Family { activation_j_per_mol: 130e3, soak_k: 3.0, freezes: 1.5, layer_k: 0.4 };

/// One product.
#[derive(Debug)]
pub(crate) struct Product {
    /// Its name in campaigns and readings.
    pub(crate) name: &'static str,
    /// What it is like.
    pub(crate) family: &'static Family,
    /// Outlet temperature aimed at, °C.
    pub(crate) set_degc: f64,
    /// Torque of its viscosity at that temperature and at the unit's nominal speed, N·m.
    pub(crate) torque_nm: f64,
    /// Share of the nominal speed at which it is usually run.
    pub(crate) speed_share: f64,
    /// How it abrades, 1 is usual.
    pub(crate) abrasion: f64,
}

const fn product(
    name: &'static str,
    family: &'static Family,
    set_degc: f64,
    torque_nm: f64,
    speed_share: f64,
    abrasion: f64,
) -> Product {
    Product { name, family, set_degc, torque_nm, speed_share, abrasion }
}

/// Every product of the mill.
pub(crate) static PRODUCTS: [Product; 12] = [
    product("fondant_white", &FONDANT, 45.0, 165.0, 1.0, 1.1),
    product("fondant_cocoa", &FONDANT, 48.0, 185.0, 0.92, 1.35),
    product("fondant_mint", &FONDANT, 43.0, 150.0, 1.0, 1.05),
    product("margarine_soft", &MARGARINE, 11.0, 85.0, 1.05, 0.75),
    product("margarine_table", &MARGARINE, 9.5, 105.0, 1.0, 0.8),
    product("puff_fat", &MARGARINE, 15.0, 140.0, 0.85, 0.85),
    product("sauce_tomato", &SAUCE, 94.0, 48.0, 1.0, 0.95),
    product("sauce_pepper", &SAUCE, 90.0, 62.0, 0.95, 1.3),
    product("custard", &SAUCE, 88.0, 55.0, 1.05, 0.85),
    product("mix_vanilla", &ICE, -5.5, 120.0, 1.0, 0.85),
    product("mix_chocolate", &ICE, -5.0, 135.0, 0.95, 1.1),
    product("sorbet_lemon", &ICE, -4.0, 105.0, 1.05, 1.0),
];

impl Product {
    /// How many times stiffer the shaft feels it at a temperature than at its set point.
    pub(crate) fn stiffening(&self, temp_degc: f64) -> f64 {
        let inverse = 1.0 / (temp_degc + ZERO_DEGC_K) - 1.0 / (self.set_degc + ZERO_DEGC_K);
        (VISCOSITY_POWER * self.family.activation_j_per_mol / GAS_J_PER_MOL_K * inverse).exp()
    }

    /// Torque of its viscosity at a temperature and a share of the nominal speed, N·m.
    pub(crate) fn viscous_torque_nm(&self, temp_degc: f64, speed_share: f64) -> f64 {
        self.torque_nm * speed_share.powf(SPEED_POWER) * self.stiffening(temp_degc)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Arrhenius by hand: 50 kJ/mol multiply viscosity by 7.65 from 40 to 10 °C; here to the power 0.7.
    #[test]
    fn stiffening_follows_arrhenius() {
        static SYRUP: Family = Family { activation_j_per_mol: 50e3, soak_k: 0.0, freezes: 0.0, layer_k: 0.0 };
        let syrup = product("syrup", &SYRUP, 40.0, 100.0, 1.0, 1.0);
        assert!((syrup.stiffening(10.0) - 7.65_f64.powf(0.7)).abs() < 0.01, "{}", syrup.stiffening(10.0));
        assert_eq!(syrup.viscous_torque_nm(40.0, 1.0), 100.0);
    }
}
