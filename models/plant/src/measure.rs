//! Units of measure: what a topic or a file speaks, and its way into the house unit.
//!
//! Exact factors follow from the international pound, inch and foot and from standard gravity
//! (NIST SP 811, appendix B; ISO 80000): lbf = 4.4482216152605 N, in = 0.0254 m, ft = 0.3048 m,
//! kgf = 9.80665 N, US gallon = 231 in³.

use std::f64::consts::PI;

use serde::{Deserialize, Serialize};

/// A kind of quantity, with one house unit each.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Quantity {
    /// N·m
    Torque,
    /// °C
    Temperature,
    /// h
    Duration,
    /// 1/min
    Speed,
    /// m³/h
    Flow,
    /// bar
    Pressure,
    /// mm
    Length,
    /// µm, of what is thin: depths and plating
    Depth,
}

impl Quantity {
    /// The unit of measure in which the house keeps this quantity.
    pub const fn house_unit(self) -> &'static str {
        match self {
            Quantity::Torque => "N·m",
            Quantity::Temperature => "°C",
            Quantity::Duration => "h",
            Quantity::Speed => "1/min",
            Quantity::Flow => "m³/h",
            Quantity::Pressure => "bar",
            Quantity::Length => "mm",
            Quantity::Depth => "µm",
        }
    }

    fn known(self) -> String {
        let names: Vec<_> = TABLE.iter().filter(|row| row.quantity == self).map(|row| row.names[0]).collect();
        names.join(", ")
    }
}

/// A unit of measure: `house = value * factor + offset`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Measure {
    name: &'static str,
    #[serde(skip)]
    quantity: Quantity,
    factor: f64,
    offset: f64,
}

/// A text that names no unit of measure of the wanted quantity.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, Deserialize)]
#[error("{text:?} is no unit of measure for {wanted}; known are {known}")]
pub struct BadMeasure {
    text: String,
    wanted: String,
    known: String,
}

struct Row {
    quantity: Quantity,
    names: &'static [&'static str],
    factor: f64,
    offset: f64,
}

const fn row(quantity: Quantity, names: &'static [&'static str], factor: f64) -> Row {
    Row { quantity, names, factor, offset: 0.0 }
}

const LBF_N: f64 = 4.448_221_615_260_5;
const KGF_N: f64 = 9.806_65;
const INCH_M: f64 = 0.0254;
const FOOT_M: f64 = 0.3048;

static TABLE: &[Row] = &[
    row(Quantity::Torque, &["N·m", "Nm", "N.m", "N m"], 1.0),
    row(Quantity::Torque, &["kN·m", "kNm"], 1000.0),
    row(Quantity::Torque, &["lbf·in", "lbf.in", "lbf in", "in·lbf", "in.lbf"], LBF_N * INCH_M),
    row(Quantity::Torque, &["lbf·ft", "lbf.ft", "lbf ft", "ft·lbf", "ft.lbf"], LBF_N * FOOT_M),
    row(Quantity::Torque, &["ozf·in", "ozf.in"], LBF_N * INCH_M / 16.0),
    row(Quantity::Torque, &["kgf·m", "kgf.m"], KGF_N),
    row(Quantity::Temperature, &["°C", "degC", "C"], 1.0),
    Row { quantity: Quantity::Temperature, names: &["°F", "degF", "F"], factor: 5.0 / 9.0, offset: -160.0 / 9.0 },
    Row { quantity: Quantity::Temperature, names: &["K"], factor: 1.0, offset: -273.15 },
    row(Quantity::Duration, &["h"], 1.0),
    row(Quantity::Duration, &["0.1 h", "0.1h"], 0.1),
    row(Quantity::Duration, &["min"], 1.0 / 60.0),
    row(Quantity::Duration, &["s"], 1.0 / 3600.0),
    row(Quantity::Speed, &["1/min", "r/min", "rpm", "rev/min"], 1.0),
    row(Quantity::Speed, &["1/s", "r/s", "rev/s", "Hz"], 60.0),
    row(Quantity::Speed, &["rad/s"], 30.0 / PI),
    row(Quantity::Flow, &["m³/h", "m3/h"], 1.0),
    row(Quantity::Flow, &["L/h", "l/h"], 0.001),
    row(Quantity::Flow, &["L/min", "l/min"], 0.06),
    row(Quantity::Flow, &["gal/min"], 231.0 * INCH_M * INCH_M * INCH_M * 60.0),
    row(Quantity::Pressure, &["bar"], 1.0),
    row(Quantity::Pressure, &["Pa"], 1e-5),
    row(Quantity::Pressure, &["kPa"], 0.01),
    row(Quantity::Pressure, &["MPa"], 10.0),
    row(Quantity::Pressure, &["psi", "lbf/in²", "lbf/in2"], LBF_N / (INCH_M * INCH_M) * 1e-5),
    row(Quantity::Length, &["mm"], 1.0),
    row(Quantity::Length, &["in"], INCH_M * 1e3),
    row(Quantity::Depth, &["µm", "um"], 1.0),
    row(Quantity::Depth, &["mil"], INCH_M * 1e3),
];

impl Measure {
    /// The house unit itself.
    pub fn house(quantity: Quantity) -> Self {
        Self { name: quantity.house_unit(), quantity, factor: 1.0, offset: 0.0 }
    }

    /// Percent of a drive's rated torque, as torque at the shaft behind the gear.
    ///
    /// `rated_nm` is the motor's rated torque, N·m; `gear_ratio` how many turns of the motor make one of the shaft;
    /// `efficiency` of the gear, 0 to 1. A drive's estimate is poor near standstill and above its base speed.
    pub fn percent_of_rated(rated_nm: f64, gear_ratio: f64, efficiency: f64) -> Self {
        let factor = rated_nm * gear_ratio * efficiency / 100.0;
        Self { name: "%", quantity: Quantity::Torque, factor, offset: 0.0 }
    }

    /// Looks a unit of measure up by its name, for a quantity.
    ///
    /// A middle dot may be written as `·` (U+00B7), `⋅` (U+22C5) or `.`.
    ///
    /// # Errors
    /// [`BadMeasure`] if the name is not known for this quantity; it lists those that are.
    pub fn parse(text: &str, quantity: Quantity) -> Result<Self, BadMeasure> {
        let plain = text.trim().replace('\u{22c5}', "·");
        TABLE
            .iter()
            .find(|row| row.quantity == quantity && row.names.contains(&plain.as_str()))
            .map(|row| Self { name: row.names[0], quantity, factor: row.factor, offset: row.offset })
            .ok_or_else(|| BadMeasure {
                text: text.to_owned(),
                wanted: format!("{quantity:?}").to_lowercase(),
                known: quantity.known(),
            })
    }

    /// Its usual name.
    pub fn name(&self) -> &'static str {
        self.name
    }

    /// A value in this unit, in the house unit of its quantity.
    pub fn to_house(&self, value: f64) -> f64 {
        value * self.factor + self.offset
    }

    /// A value in the house unit, in this unit.
    pub fn from_house(&self, value: f64) -> f64 {
        (value - self.offset) / self.factor
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn house(value: f64, unit: &str, quantity: Quantity) -> f64 {
        Measure::parse(unit, quantity).unwrap().to_house(value)
    }

    /// Factors of NIST SP 811 appendix B, exact by definition of the pound-force, inch, foot and degree.
    #[test]
    fn exact_factors_of_nist_sp_811() {
        let cases = [
            (1.0, "lbf·in", Quantity::Torque, 0.112_984_829_027_616_7),
            (1.0, "lbf·ft", Quantity::Torque, 1.355_817_948_331_400_4),
            (1.0, "ozf·in", Quantity::Torque, 0.007_061_551_814_226_04),
            (100.0, "lbf·in", Quantity::Torque, 11.298_482_90),
            (50.0, "lbf·ft", Quantity::Torque, 67.790_897_42),
            (1.0, "kgf·m", Quantity::Torque, 9.806_65),
            (41.0, "°F", Quantity::Temperature, 5.0),
            (-40.0, "°F", Quantity::Temperature, -40.0),
            (273.15, "K", Quantity::Temperature, 0.0),
            (3600.0, "s", Quantity::Duration, 1.0),
            (125.0, "0.1 h", Quantity::Duration, 12.5),
            (5.0, "1/s", Quantity::Speed, 300.0),
            (2.0 * PI, "rad/s", Quantity::Speed, 60.0),
            (1.0, "psi", Quantity::Pressure, 0.068_947_572_931_683_6),
            (1.0, "gal/min", Quantity::Flow, 0.227_124_707_04),
            (1.0, "in", Quantity::Length, 25.4),
            (1.0, "mil", Quantity::Depth, 25.4),
        ];
        for (value, unit, quantity, expected) in cases {
            let got = house(value, unit, quantity);
            assert!(
                (got - expected).abs() <= 1e-9 * expected.abs().max(1.0),
                "{value} {unit} became {got}, not {expected}"
            );
        }
    }

    /// A motor of 7.5 kW at 1450 1/min gives P / (2π n) = 49.39 N·m; by a gear of 5 and 95 % that is 234.6 N·m at the shaft,
    /// and 62 % of it 145.46 N·m (worked by hand from P = T ω).
    #[test]
    fn percent_of_rated_torque_is_torque_at_the_shaft() {
        let rated_nm = 7500.0 / (2.0 * PI * 1450.0 / 60.0);
        let percent = Measure::percent_of_rated(rated_nm, 5.0, 0.95);
        assert!((percent.to_house(62.0) - 145.46).abs() < 0.01, "{}", percent.to_house(62.0));
        assert!((percent.to_house(100.0) - 234.62).abs() < 0.01);
        assert!((percent.from_house(145.46) - 62.0).abs() < 0.01);
    }

    #[test]
    fn there_and_back_is_the_same() {
        for row in TABLE {
            let measure = Measure::parse(row.names[0], row.quantity).unwrap();
            let back = measure.from_house(measure.to_house(37.5));
            assert!((back - 37.5).abs() < 1e-9, "{} came back as {back}", measure.name());
        }
    }

    #[test]
    fn a_torque_is_no_temperature() {
        let error = Measure::parse("°C", Quantity::Torque).unwrap_err();
        assert!(error.to_string().contains("lbf·in"), "{error}");
    }
}
