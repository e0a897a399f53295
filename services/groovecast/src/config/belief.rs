//! When readings are doubted.

use std::collections::BTreeMap;

use collector::{Belief, Limit, Turning, UnitBelief};
use history::{ExposureSettings, Running};
use plant::Signal;

use super::check::Checker;
use super::place::Place;
use super::raw::Doubt;

/// The limits of the signals, and what exposures know of shafts and hour meters.
pub fn belief(
    checker: &mut Checker,
    raw: &BTreeMap<String, Doubt>,
    exposure: &ExposureSettings,
    place: &Place,
) -> Belief {
    let mut limits = BTreeMap::new();
    for (name, doubt) in raw {
        let place = place.key(name);
        let Some(signal) = checker.take(&place, name.parse::<Signal>()) else { continue };
        let house = Limit::house(signal);
        let is_word = signal.quantity().is_none();
        let measured = [("stuck_min", doubt.stuck_min.is_some()), ("spike", doubt.spike.is_some())];
        for (key, _) in measured.iter().filter(|(_, given)| *given && is_word) {
            checker.refuse(
                &place.key(key),
                format!("{signal} is a word, which is neither stuck nor a spike; leave it out"),
            );
        }
        let mut between = |key: &str, value: Option<f64>, range: (f64, f64), unit: &str| {
            checker.maybe_within(&place.key(key), value, range, unit)
        };
        // Beyond it a reading is refused, so it is never switched off, and no clock is right to the millisecond.
        let ahead_s = between("ahead_s", doubt.ahead_s, (1.0, 1e6), "s");
        // Beyond it a reading enters no exposure: never switched off either.
        let behind_days = between("behind_days", doubt.behind_days, (1.0, 36_500.0), "days");
        let mut within = |key: &str, value: Option<f64>, most: f64, unit: &str| between(key, value, (0.0, most), unit);
        let stuck_min = within("stuck_min", doubt.stuck_min, 1e5, "min");
        let spike = within("spike", doubt.spike, 1e6, signal.house_unit());
        let late_min = within("late_min", doubt.late_min, 1e6, "min");
        let skew_s = within("skew_s", doubt.skew_s, 1e6, "s");
        // 0 switches a doubt off.
        let given =
            |value: Option<f64>, house: Option<f64>| value.map_or(house, |value| (value > 0.0).then_some(value));
        let limit = Limit {
            stuck_s: given(stuck_min.map(|minutes| minutes * 60.0), house.stuck_s),
            spike: given(spike, house.spike),
            late_s: given(late_min.map(|minutes| minutes * 60.0), Some(house.late_s)).unwrap_or(f64::INFINITY),
            skew_s: given(skew_s, Some(house.skew_s)).unwrap_or(f64::INFINITY),
            ahead_s: ahead_s.unwrap_or(house.ahead_s),
            behind_s: behind_days.map_or(house.behind_s, |days| days * 86_400.0),
        };
        limits.insert(signal, limit);
    }
    let units = exposure.units.iter().map(|(unit, settings)| {
        let turning = match settings.running {
            Running::SpeedAboveRpm(rpm) => Turning::SpeedAboveRpm(rpm),
            Running::TorqueAboveNm(nm) => Turning::TorqueAboveNm(nm),
        };
        (unit.clone(), UnitBelief { turning, meter_resolution_h: settings.meter_resolution_h })
    });
    Belief { limits, units: units.collect() }
}
