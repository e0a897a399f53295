//! For how much of a day each signal was known: while a usable reading speaks, and not beyond its hold.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use plant::Signal;

use crate::columns::SignalColumns;
use crate::settings::Hold;
use crate::step::Step;

const HOUR_US: i64 = 3_600_000_000;

/// For how long the signals of a unit were known in a UTC day.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DayKnown {
    /// Seconds of each hour of the day, UTC, in which a signal was known.
    pub known_s: BTreeMap<Signal, [f64; 24]>,
    /// The last reading of each signal: its instant, and whether it can be used.
    last: BTreeMap<Signal, (i64, bool)>,
}

/// For how long each signal of a unit was known in a UTC day, up to an instant. `before` is the day before it: readings of
/// then may speak into this day.
pub fn day_known(
    signals: Option<&BTreeMap<Signal, SignalColumns>>,
    day_start: Timestamp,
    until: Timestamp,
    hold: &Hold,
    before: Option<&DayKnown>,
) -> DayKnown {
    let begin_us = day_start.as_microsecond();
    let end_us = (begin_us + 24 * HOUR_US).min(until.as_microsecond());
    let mut known = DayKnown { known_s: BTreeMap::new(), last: before.map_or_else(BTreeMap::new, |b| b.last.clone()) };
    let nothing = SignalColumns::default();
    let sent = signals.into_iter().flat_map(|signals| signals.keys());
    let all: BTreeSet<Signal> = known.last.keys().chain(sent).copied().collect();
    for signal in all {
        let columns = signals.and_then(|signals| signals.get(&signal)).unwrap_or(&nothing);
        // What a word says does not matter here, only that there is one.
        let words: Vec<f64> =
            (0..columns.word.len()).map(|row| columns.word_at(row).map_or(f64::NAN, |_| 0.0)).collect();
        let values = if signal.quantity().is_none() { &words } else { &columns.value };
        let carried = known.last.get(&signal).map(|(at_us, usable)| (*at_us, if *usable { 0.0 } else { f64::NAN }));
        let mut step = Step::new(columns, values, (hold_s(signal, hold) * 1e6) as i64, carried, begin_us);
        let mut seconds = [0.0; 24];
        let mut at_us = begin_us;
        while at_us < end_us {
            step.advance(at_us);
            let hour = ((at_us - begin_us) / HOUR_US) as usize;
            let next_us = step.change_us.min(begin_us + (hour as i64 + 1) * HOUR_US).clamp(at_us + 1, end_us);
            if !step.now.is_nan() {
                seconds[hour] += (next_us - at_us) as f64 / 1e6;
            }
            at_us = next_us;
        }
        if let Some((at_us, value)) = step.last {
            known.last.insert(signal, (at_us, !value.is_nan()));
        }
        known.known_s.insert(signal, seconds);
    }
    known
}

/// How long a reading speaks, s. An hour meter is believed where it moves and has no hold; heard of within the hold of
/// the speed counts as known here.
fn hold_s(signal: Signal, hold: &Hold) -> f64 {
    match signal {
        Signal::Mode | Signal::Product => hold.words_s,
        Signal::Speed | Signal::RunHours => hold.speed_s,
        Signal::ProductTemp => hold.product_temp_s,
        Signal::Flow => hold.flow_s,
        _ => hold.torque_s,
    }
}

#[cfg(test)]
mod tests {
    use plant::{Quality, Reading, TimeSource, UnitId, Value};

    use super::*;
    use crate::DayReadings;

    fn at(hour: f64) -> Timestamp {
        Timestamp::from_microsecond((hour * HOUR_US as f64) as i64).unwrap()
    }

    fn reading(signal: Signal, hour: f64, value: Value, quality: Quality) -> Reading {
        Reading { unit: UnitId::new("K1").unwrap(), signal, at: at(hour), value, quality, time_source: TimeSource::Own }
    }

    fn day(readings: Vec<Reading>, start: f64, until: f64, before: Option<&DayKnown>) -> DayKnown {
        let readings = DayReadings::from_readings(readings);
        day_known(readings.unit(&UnitId::new("K1").unwrap()), at(start), at(until), &Hold::HOUSE, before)
    }

    fn torque(hour: f64) -> Reading {
        reading(Signal::Torque, hour, Value::Number(90.0), Quality::Good)
    }

    fn hours(known: &DayKnown, signal: Signal) -> Vec<f64> {
        known.known_s[&signal].iter().map(|seconds| seconds / 3600.0).collect()
    }

    /// House hold of torque: 10 min.
    #[test]
    fn a_reading_is_known_as_long_as_it_speaks_and_a_bad_one_ends_it() {
        let mut readings: Vec<Reading> = (0..7).map(|tenth| torque(1.0 + f64::from(tenth) / 10.0)).collect();
        readings.push(torque(5.0));
        readings.push(reading(Signal::Torque, 5.05, Value::Missing, Quality::Bad));
        let known = day(readings, 0.0, 24.0, None);
        let by_hour = hours(&known, Signal::Torque);
        assert!((by_hour[1] - (0.6 + 1.0 / 6.0)).abs() < 1e-6, "{by_hour:?}");
        assert!((by_hour[5] - 0.05).abs() < 1e-6 && by_hour[0] == 0.0, "{by_hour:?}");
    }

    #[test]
    fn the_last_word_speaks_into_the_next_day_and_no_further_than_its_hold() {
        let word = |hour| reading(Signal::Mode, hour, Value::Text("production".into()), Quality::Good);
        let first = day(vec![word(12.0)], 0.0, 24.0, None);
        assert_eq!(hours(&first, Signal::Mode).iter().sum::<f64>(), 12.0);
        let mut before = first;
        let mut days = Vec::new();
        for number in 1..9 {
            before = day(Vec::new(), f64::from(number) * 24.0, 1e4, Some(&before));
            days.push(hours(&before, Signal::Mode).iter().sum::<f64>());
        }
        assert_eq!(days, [24.0, 24.0, 24.0, 24.0, 24.0, 24.0, 12.0, 0.0]);
    }

    #[test]
    fn what_lies_ahead_is_not_known() {
        let known = day(vec![torque(1.0)], 0.0, 1.05, None);
        assert!((hours(&known, Signal::Torque)[1] - 0.05).abs() < 1e-6);
    }
}
