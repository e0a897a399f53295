//! The hour meter against the clock and against the turning shaft.

use jiff::Timestamp;

use super::shaft::{Shaft, Spent};
use super::times::in_words;
use crate::reason::{Doubt, Reason};

/// Counters run over at a power of ten or of two, in hours, tenths of an hour or seconds (common practice, no source).
const MODULI_H: [f64; 6] = [6553.6, 10_000.0, 65_536.0, 100_000.0, 4_294_967_296.0 / 3600.0, 1_000_000.0];
/// A meter is judged over so many hours of a known shaft, and so many of its steps.
const LEAST_H: f64 = 4.0;
const LEAST_STEPS: f64 = 20.0;
/// What a meter may differ from the shaft, as a share.
const TOLERANCE: f64 = 0.05;
/// The shaft may be unknown for this share of the time.
const UNKNOWN: f64 = 0.05;

/// A 32 bit float to which 1/3600 h is added every second counts so many hours per hour between these readings: the
/// second is rounded to the number's last place (IEEE 754; the test counts it).
const FLOAT32: [(f64, f64, f64); 3] = [(512.0, 1024.0, 1.0986), (1024.0, 4096.0, 0.8789), (4096.0, 8192.0, 1.7578)];
/// From here on it stands still.
const FLOAT32_STOPS_H: f64 = 8192.0;

#[derive(Debug, Default)]
pub(super) struct MeterWatch {
    last: Option<(Timestamp, f64)>,
    /// Where the present comparison began.
    begun: Option<Begun>,
}

#[derive(Debug, Clone, Copy)]
struct Begun {
    at: Timestamp,
    value_h: f64,
    spent: Spent,
}

impl MeterWatch {
    /// Doubts a reading that is newer than those before it.
    pub(super) fn look(
        &mut self,
        at: Timestamp,
        value_h: f64,
        resolution_h: f64,
        shaft: Option<&Shaft>,
        doubts: &mut Vec<Doubt>,
    ) {
        let spent = shaft.map(|shaft| shaft.spent_at(at)).unwrap_or_default();
        let begin = Some(Begun { at, value_h, spent });
        if let Some((last_at, last_h)) = self.last.replace((at, value_h)) {
            let passed_h = at.duration_since(last_at).as_secs_f64() / 3600.0;
            if let Some(doubt) = stepped(last_h, value_h, passed_h, resolution_h) {
                doubts.push(doubt);
                self.begun = begin;
                return;
            }
        }
        let Some(begun) = self.begun else {
            self.begun = begin;
            return;
        };
        let spent = spent.since(begun.spent);
        let passed_h = at.duration_since(begun.at).as_secs_f64() / 3600.0;
        let known_h = (spent.turned_s + spent.stood_s) / 3600.0;
        if known_h < LEAST_H.max(LEAST_STEPS * resolution_h) {
            return;
        }
        self.begun = begin;
        if known_h >= passed_h * (1.0 - UNKNOWN) {
            doubts.extend(compared(value_h - begun.value_h, value_h, spent, resolution_h));
        }
    }
}

/// From one reading to the next: a fall, or a rise that no clock allows.
fn stepped(last_h: f64, value_h: f64, passed_h: f64, resolution_h: f64) -> Option<Doubt> {
    let step_h = value_h - last_h;
    // A meter that only runs fast is judged over hours.
    let possible_h = passed_h * 2.0 + resolution_h * 1.01 + 1e-6;
    if step_h > possible_h {
        let text = format!(
            "the meter rose from {last_h} to {value_h} h in {}: another meter, or another unit?",
            in_words(passed_h * 3600.0)
        );
        return Some(Doubt { reason: Reason::MeterFast, text });
    }
    if step_h >= 0.0 {
        return None;
    }
    let over = MODULI_H.iter().find(|modulus| (0.0..=possible_h).contains(&(step_h + **modulus)));
    Some(match over {
        Some(modulus) => Doubt {
            reason: Reason::MeterRollover,
            text: format!("the meter ran over at {modulus:.1} h: from {last_h} to {value_h} h"),
        },
        None => Doubt {
            reason: Reason::MeterReset,
            text: format!("the meter fell from {last_h} to {value_h} h: set back, or replaced?"),
        },
    })
}

/// Over hours: what it counted against what the shaft did.
fn compared(counted_h: f64, value_h: f64, spent: Spent, resolution_h: f64) -> Option<Doubt> {
    let (turned_h, stood_h) = (spent.turned_s / 3600.0, spent.stood_s / 3600.0);
    let slack_h = resolution_h + TOLERANCE * turned_h;
    let said = format!("{counted_h:.2} h while the shaft turned for {turned_h:.2} h and stood for {stood_h:.2} h");
    if (counted_h - turned_h).abs() <= slack_h {
        return None;
    }
    let rate = counted_h / turned_h;
    let float32 = FLOAT32.iter().find(|(from, to, times)| {
        (*from..*to).contains(&value_h)
            && (*from..*to).contains(&(value_h - counted_h))
            && (rate / times - 1.0).abs() < 0.03
    });
    let (reason, why) = if let Some((from, to, times)) = float32 {
        let why = format!(
            "a 32 bit float that adds seconds counts {times} times too much between {from} and {to} h: count with 64 bits or whole seconds"
        );
        (Reason::MeterRate, why)
    } else if counted_h <= resolution_h && value_h >= FLOAT32_STOPS_H {
        (Reason::MeterStopped, "does it add seconds to a 32 bit float? That stands still from 8192 h on".to_owned())
    } else if counted_h <= resolution_h {
        (Reason::MeterStopped, "is it wired to this drive?".to_owned())
    } else if counted_h > turned_h && (counted_h - turned_h - stood_h).abs() <= slack_h {
        (Reason::MeterIdle, "it counts while the shaft stands: power-on hours?".to_owned())
    } else if counted_h > turned_h + stood_h {
        (Reason::MeterFast, "it counts faster than the clock".to_owned())
    } else {
        (Reason::MeterRate, "it counts something else than the turning shaft".to_owned())
    };
    Some(Doubt { reason, text: format!("the meter counted {said}: {why}") })
}
