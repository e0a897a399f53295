//! The unit of measure of a topic or a column; percent of a drive's rated torque needs to know of what.

use plant::{Measure, Signal};

use super::check::Checker;
use super::place::Place;

/// What percent of a drive's torque are of.
#[derive(Debug, Clone, Copy)]
pub struct Drive {
    /// Rated torque of the motor, N·m.
    pub rated_nm: Option<f64>,
    /// Turns of the motor for one of the shaft.
    pub gear_ratio: Option<f64>,
    /// Of the gear, 0.2 to 1.
    pub efficiency: Option<f64>,
}

impl Drive {
    /// The unit of measure that a text names for a signal; `None` if there is none, or if it is wrong, which is noted.
    pub fn measure(self, checker: &mut Checker, signal: Signal, text: Option<&str>, place: &Place) -> Option<Measure> {
        let drive = [("rated_nm", self.rated_nm), ("gear_ratio", self.gear_ratio), ("efficiency", self.efficiency)];
        let percent = signal == Signal::Torque && text == Some("%");
        if !percent {
            for (key, _) in drive.iter().filter(|(_, given)| given.is_some()) {
                checker.refuse(
                    &place.key(key),
                    "it speaks of a drive's torque in percent; right would be signal = \"torque\" and measure = \"%\"",
                );
            }
            return checker.measure(&place.key("measure"), signal, text?);
        }
        let [Some(rated_nm), Some(gear_ratio), Some(efficiency)] = drive.map(|(_, given)| given) else {
            let lacking: Vec<_> = drive.iter().filter(|(_, given)| given.is_none()).map(|(key, _)| *key).collect();
            checker.refuse(
                &place.key("measure"),
                format!("percent of what? it needs {}: the motor's rated torque in N·m, turns of the motor for one of the shaft, and the gear's efficiency", lacking.join(", ")),
            );
            return None;
        };
        checker.within(&place.key("rated_nm"), rated_nm, 0.01, 1e5, "N·m");
        checker.within(&place.key("gear_ratio"), gear_ratio, 0.01, 1000.0, "");
        checker.within(&place.key("efficiency"), efficiency, 0.2, 1.0, "");
        Some(Measure::percent_of_rated(rated_nm, gear_ratio, efficiency))
    }
}
