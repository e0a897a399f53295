//! What a reading is about.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::finding::BadWord;
use crate::measure::Quantity;

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
