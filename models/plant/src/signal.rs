//! What a reading is about.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::finding::BadWord;
use crate::measure::Quantity;

/// Exact numbers by which devices and drivers say "no value" (common practice; 850 and -200 °C are the ends of the
/// Pt100 tables of IEC 60751, 3276.7 and its like the ends of 16 bits scaled by ten).
const SENTINELS: [f64; 14] = [
    -9999.0, 9999.0, -999.9, 999.9, 3276.7, -3276.8, 6553.5, 32_767.0, -32_768.0, 65_535.0, 99_999.0, 850.0, -200.0,
    1372.0,
];
/// Any number as large as this is the mark of a float that was never set (1e38 and its like).
const NEVER_SET: f64 = 1e37;

/// Whether a number, as it was sent and in the sender's unit of measure, is one by which devices say "no value".
///
/// It only names the cause of a number that cannot be: inside [`Signal::believable`] each of them may be a true
/// reading, and an hour meter may well stand at 9999 h.
pub fn is_sentinel(raw: f64) -> bool {
    SENTINELS.contains(&raw) || raw.abs() >= NEVER_SET
}

/// A quantity that a plant reports of a unit.
///
/// `torque`, `product_temp` and `run_hours` are the core; the others are used where a plant has them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Signal {
    /// Torque at the shaft, N·m.
    Torque,
    /// Product temperature at the outlet, °C.
    ProductTemp,
    /// The unit's hour meter, h.
    RunHours,
    /// Shaft speed, 1/min.
    Speed,
    /// Temperature of the medium in the jacket, °C.
    MediaTemp,
    /// Product flow, m³/h.
    Flow,
    /// Product pressure, bar.
    Pressure,
    /// What the unit does (production, cleaning, ...): a word.
    Mode,
    /// What runs through the unit: a word.
    Product,
}

impl Signal {
    /// Every signal, in the order in which tables list them.
    pub const ALL: [Signal; 9] = [
        Signal::Torque,
        Signal::ProductTemp,
        Signal::RunHours,
        Signal::Speed,
        Signal::MediaTemp,
        Signal::Flow,
        Signal::Pressure,
        Signal::Mode,
        Signal::Product,
    ];

    /// The name used in config, files and JSON.
    pub const fn as_str(self) -> &'static str {
        match self {
            Signal::Torque => "torque",
            Signal::ProductTemp => "product_temp",
            Signal::RunHours => "run_hours",
            Signal::Speed => "speed",
            Signal::MediaTemp => "media_temp",
            Signal::Flow => "flow",
            Signal::Pressure => "pressure",
            Signal::Mode => "mode",
            Signal::Product => "product",
        }
    }

    /// The quantity it measures; `None` for signals that are words.
    pub const fn quantity(self) -> Option<Quantity> {
        match self {
            Signal::Torque => Some(Quantity::Torque),
            Signal::ProductTemp | Signal::MediaTemp => Some(Quantity::Temperature),
            Signal::RunHours => Some(Quantity::Duration),
            Signal::Speed => Some(Quantity::Speed),
            Signal::Flow => Some(Quantity::Flow),
            Signal::Pressure => Some(Quantity::Pressure),
            Signal::Mode | Signal::Product => None,
        }
    }

    /// Lowest and highest number that the signal can be, in the house unit (common practice, no source). What lies
    /// outside is no reading of the plant: kept as missing and bad, it ends what the last reading said.
    ///
    /// Wide enough for any such machine, narrow enough to keep out most numbers by which devices say "no value":
    /// torque -1000 to 3200 N·m, temperatures -60 to 300 °C, run hours 0 to 1,000,000 h, speed -3000 to 3000 1/min,
    /// flow -10 to 1000 m³/h, pressure -1.1 to 250 bar. Words have no bounds.
    pub const fn believable(self) -> (f64, f64) {
        match self {
            Signal::Torque => (-1000.0, 3200.0),
            Signal::ProductTemp | Signal::MediaTemp => (-60.0, 300.0),
            Signal::RunHours => (0.0, 1e6),
            Signal::Speed => (-3000.0, 3000.0),
            Signal::Flow => (-10.0, 1000.0),
            Signal::Pressure => (-1.1, 250.0),
            Signal::Mode | Signal::Product => (f64::NEG_INFINITY, f64::INFINITY),
        }
    }

    /// The unit of measure inside the house, empty for words.
    pub const fn house_unit(self) -> &'static str {
        match self.quantity() {
            Some(quantity) => quantity.house_unit(),
            None => "",
        }
    }
}

impl fmt::Display for Signal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl FromStr for Signal {
    type Err = BadWord;
    fn from_str(text: &str) -> Result<Self, BadWord> {
        Signal::ALL
            .into_iter()
            .find(|signal| signal.as_str() == text)
            .ok_or_else(|| BadWord::new("signal", text, &Signal::ALL.map(Signal::as_str)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Torque up to 3200 N·m and more is not built for such machines; ice cream is drawn at -10 °C, UHT plants heat to
    /// 150 °C (common practice, no source).
    #[test]
    fn what_plants_run_at_is_believable_and_what_devices_make_up_is_not() {
        let believed = |signal: Signal, number: f64| {
            let (low, high) = signal.believable();
            (low..=high).contains(&number)
        };
        for (signal, number) in [
            (Signal::Torque, 95.0),
            (Signal::ProductTemp, -10.0),
            (Signal::ProductTemp, 150.0),
            (Signal::RunHours, 9999.0),
        ] {
            assert!(believed(signal, number), "{signal} {number}");
        }
        for number in [850.0, -200.0, 9999.0, -3276.8, f64::MAX] {
            assert!(is_sentinel(number) && !believed(Signal::ProductTemp, number), "{number}");
        }
        assert!(!is_sentinel(95.0) && !is_sentinel(0.0));
    }
}
