//! What a unit's edge device sends: by exception, with a sign of life now and then.
//!
//! A reading is sent when its value has left the deadband around the last one sent, and otherwise after the heartbeat:
//! torque and temperature within 10 minutes while the shaft turns, speed and run hours within 30, words within the hour;
//! within 30 minutes while it stands. Deadbands and heartbeats of this size are common practice, no source.

use jiff::Timestamp;
use plant::{Quality, Reading, Signal, TimeSource, UnitId, Value, hour_start};

use crate::process::Sample;
use crate::random::Chance;
use crate::truth::UnitTruth;

/// Signals in the order in which a minute sends them.
const SIGNALS: [Signal; 6] =
    [Signal::Mode, Signal::Product, Signal::Speed, Signal::Torque, Signal::ProductTemp, Signal::RunHours];

/// Longest silence while the shaft turns, minutes; a reading may come up to 50 s late within its minute.
const fn heartbeat_min(signal: Signal) -> i64 {
    match signal {
        Signal::Torque | Signal::ProductTemp => 9,
        Signal::Mode | Signal::Product => 59,
        _ => 29,
    }
}

/// Longest silence of a number while the shaft stands, minutes.
const STANDING_MIN: i64 = 29;

/// The hour meter of a unit, counted in minutes of turning.
#[derive(Debug, Clone)]
pub(crate) struct Meter {
    minutes: i64,
    /// The hour since 1970 in which it is replaced by one that stands at zero.
    replaced_h: Option<i64>,
}

impl Meter {
    /// A meter that shows so many minutes at the start.
    pub(crate) fn new(minutes: i64, replaced_h: Option<i64>) -> Self {
        Self { minutes, replaced_h }
    }

    /// When it is replaced.
    pub(crate) fn replaced_at(&self) -> Option<Timestamp> {
        self.replaced_h.map(hour_start)
    }

    /// What this meter, as it was at the start, shows at the beginning of an hour since 1970 if the unit ran so, h.
    pub(crate) fn after(&self, unit: &UnitTruth, hour: i64) -> f64 {
        let run_h = match self.replaced_h {
            Some(replaced_h) if hour >= replaced_h => unit.sum(replaced_h, hour).run_h,
            _ => self.minutes as f64 / 60.0 + unit.sum(unit.first_hour, hour).run_h,
        };
        (run_h * 10.0 + 1e-6).floor() / 10.0
    }

    /// What it shows at the beginning of a minute, h, in steps of 0.1 h.
    pub(crate) fn shows_h(&mut self, minute: i64) -> f64 {
        if self.replaced_h.is_some_and(|hour| minute >= hour * 60) {
            self.minutes = 0;
            self.replaced_h = None;
        }
        (self.minutes / 6) as f64 / 10.0
    }

    /// A minute of turning is over.
    pub(crate) fn count(&mut self) {
        self.minutes += 1;
    }
}

#[derive(Debug, Clone)]
struct Sent {
    value: Value,
    minute: i64,
}

/// The edge device of a unit.
#[derive(Debug, Clone)]
pub(crate) struct Reporter {
    unit: UnitId,
    torque_band_nm: f64,
    chance: Chance,
    meter: Meter,
    sent: [Option<Sent>; SIGNALS.len()],
    turned: bool,
}

impl Reporter {
    /// `torque_band_nm` is the deadband of torque.
    pub(crate) fn new(seed: u64, number: usize, unit: UnitId, torque_band_nm: f64, meter: Meter) -> Self {
        let chance = Chance::new(seed, "sensors", number);
        Self { unit, torque_band_nm, chance, meter, sent: Default::default(), turned: false }
    }

    /// What is sent of a minute, in order of time.
    pub(crate) fn minute(&mut self, sample: &Sample, mut send: impl FnMut(Reading)) {
        let turns = sample.mode.turns();
        let meter_h = self.meter.shows_h(sample.minute);
        let switched = turns != self.turned;
        self.turned = turns;
        let late_ms = if switched { 40 } else { self.chance.whole(0, 49_000) };
        for (place, signal) in SIGNALS.into_iter().enumerate() {
            let value = match signal {
                Signal::Mode => Value::Text(sample.mode.as_str().into()),
                Signal::Product => Value::Text(sample.product.into()),
                Signal::Speed => Value::Number(self.sensed(sample.speed_rpm, 0.3, 10.0, turns)),
                Signal::Torque => Value::Number(self.sensed(sample.torque_nm, 0.2, 10.0, turns)),
                Signal::ProductTemp => Value::Number(self.sensed(sample.temp_degc, 0.04, 20.0, true)),
                _ => Value::Number(meter_h),
            };
            if self.is_due(place, signal, &value, sample.minute, turns, switched) {
                self.sent[place] = Some(Sent { value: value.clone(), minute: sample.minute });
                send(Reading {
                    unit: self.unit.clone(),
                    signal,
                    at: instant(sample.minute, late_ms + 7 * place as i64),
                    value,
                    quality: Quality::Good,
                    time_source: TimeSource::Own,
                });
            }
        }
        if turns {
            self.meter.count();
        }
    }

    /// A value with its sensor's noise, in steps of 1 / `steps`; a standing shaft reads exactly zero.
    fn sensed(&mut self, value: f64, noise: f64, steps: f64, alive: bool) -> f64 {
        if alive { ((value + noise * self.chance.normal()) * steps).round() / steps } else { 0.0 }
    }

    fn is_due(&self, place: usize, signal: Signal, value: &Value, minute: i64, turns: bool, switched: bool) -> bool {
        let Some(sent) = &self.sent[place] else { return true };
        let band = match signal {
            Signal::Torque => self.torque_band_nm,
            Signal::ProductTemp => 0.3,
            Signal::Speed => 1.5,
            _ => 0.05,
        };
        let moved = match (sent.value.number(), value.number()) {
            (Some(then), Some(now)) => (now - then).abs() > band,
            _ => sent.value != *value,
        };
        let is_word = signal.quantity().is_none();
        let silence_min = if turns || is_word { heartbeat_min(signal) } else { STANDING_MIN };
        let switch_shows = switched && matches!(signal, Signal::Torque | Signal::Speed | Signal::ProductTemp);
        moved || switch_shows || minute - sent.minute >= silence_min
    }
}

/// An instant, from a minute since 1970 and milliseconds into it.
pub(crate) fn instant(minute: i64, ms: i64) -> Timestamp {
    Timestamp::from_millisecond(minute * 60_000 + ms).expect("minutes come from instants")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::process::Mode;

    fn sample(minute: i64, mode: Mode, torque_nm: f64) -> Sample {
        let speed_rpm = if mode.turns() { 200.0 } else { 0.0 };
        Sample {
            minute,
            mode,
            product: "fondant_white",
            torque_nm,
            temp_degc: 45.0,
            speed_rpm,
            started: false,
            cold: false,
            dry: false,
            excess_nm: 0.0,
            drive_h: 0.0,
        }
    }

    fn reporter() -> Reporter {
        Reporter::new(1, 0, UnitId::new("K1").unwrap(), 5.0, Meter::new(6000, None))
    }

    #[test]
    fn a_still_signal_is_heard_within_ten_minutes_while_the_shaft_turns() {
        let mut reporter = reporter();
        let mut torque = Vec::new();
        for minute in 0..300 {
            reporter.minute(&sample(minute, Mode::Production, 100.0), |reading| {
                if reading.signal == Signal::Torque {
                    torque.push(reading.at);
                }
            });
        }
        assert!(torque.len() < 40, "{} readings of a still signal in 5 h", torque.len());
        for pair in torque.windows(2) {
            assert!(pair[1].duration_since(pair[0]).as_secs() <= 600);
        }
    }

    #[test]
    fn a_step_is_sent_at_once_and_a_stop_reads_zero() {
        let mut reporter = reporter();
        reporter.minute(&sample(0, Mode::Production, 100.0), |_| {});
        let mut sent = Vec::new();
        reporter.minute(&sample(1, Mode::Production, 120.0), |reading| sent.push(reading));
        assert_eq!(sent.len(), 1);
        assert_eq!(sent[0].signal, Signal::Torque);
        sent.clear();
        reporter.minute(&sample(2, Mode::Stopped, 0.0), |reading| sent.push(reading));
        let speed = sent.iter().find(|reading| reading.signal == Signal::Speed).unwrap();
        assert_eq!(speed.value, Value::Number(0.0));
        assert!(sent.iter().all(|reading| reading.at < instant(2, 1000)));
    }

    #[test]
    fn a_new_meter_starts_at_zero() {
        let mut meter = Meter::new(60_000, Some(2));
        assert_eq!(meter.shows_h(119), 1000.0);
        assert_eq!(meter.shows_h(120), 0.0);
        for _ in 0..13 {
            meter.count();
        }
        assert_eq!(meter.shows_h(133), 0.2, "13 min are 0.2 h on a meter of 0.1 h steps");
    }
}
