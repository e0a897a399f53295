//! What the hour meters of a plant showed at an instant.

use std::collections::BTreeMap;

use jiff::Timestamp;
use plant::{Quality, Signal, TimeSource, UnitId};

use crate::DayReadings;

/// The last value of every unit's hour meter at or before an instant, h, from the readings of that day. Units whose meter
/// sent nothing usable by then are left out.
pub fn hour_meters(readings: &DayReadings, at: Timestamp) -> BTreeMap<UnitId, f64> {
    let at_us = at.as_microsecond();
    let mut shown = BTreeMap::new();
    for (unit, signals) in readings.units() {
        let Some(columns) = signals.get(&Signal::RunHours) else { continue };
        let usable = |row: &usize| {
            columns.at_us[*row] <= at_us
                && columns.quality[*row] != Quality::Bad as u8
                && columns.time_source[*row] != TimeSource::Unknown as u8
        };
        let values = (0..columns.len()).filter(usable).map(|row| (columns.at_us[row], columns.value[row]));
        // Of one instant the first row counts: they stand best quality first.
        let last = values.filter(|(_, value)| value.is_finite()).rev().max_by_key(|(at_us, _)| *at_us);
        shown.extend(last.map(|(_, value)| (unit.clone(), value)));
    }
    shown
}

#[cfg(test)]
mod tests {
    use plant::{Reading, Value};

    use super::*;

    #[test]
    fn the_last_usable_value_at_or_before_the_instant_is_shown() {
        let reading = |unit: &str, second: i64, value: f64, quality: Quality| Reading {
            unit: UnitId::new(unit).unwrap(),
            signal: Signal::RunHours,
            at: Timestamp::from_second(second).unwrap(),
            value: Value::Number(value),
            quality,
            time_source: TimeSource::Own,
        };
        let readings = DayReadings::from_readings([
            reading("K1", 100, 4000.0, Quality::Good),
            reading("K1", 200, 4000.1, Quality::Good),
            reading("K1", 250, 9.0, Quality::Bad),
            reading("K1", 300, 4000.2, Quality::Good),
            reading("K1", 300, 12.0, Quality::Uncertain),
            reading("K2", 400, 17.0, Quality::Good),
            Reading { time_source: TimeSource::Unknown, ..reading("K2", 450, 3.0, Quality::Good) },
        ]);
        let shown = |second| hour_meters(&readings, Timestamp::from_second(second).unwrap());
        assert_eq!(shown(260), [(UnitId::new("K1").unwrap(), 4000.1)].into());
        assert_eq!(shown(300)[&UnitId::new("K1").unwrap()], 4000.2);
        assert_eq!(shown(500)[&UnitId::new("K2").unwrap()], 17.0, "nobody knows when the later value was shown");
        assert_eq!(shown(50), BTreeMap::new());
    }
}
