//! The hour meter, and what it says about time that no reading covers.
//!
//! A meter is believed at the instants at which it moves: between two moves it has counted exactly its step, whatever
//! its resolution. Stage one notes per clock hour how much known running and unknown time lies before the first move,
//! between the first and the last, and after the last; stage two ([`crate::Settler`]) joins the hours and settles.

use serde::{Deserialize, Serialize};

const HOUR_US: f64 = 3.6e9;

/// Known running and unknown time in a stretch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Stretch {
    /// Running, seen or not, µs.
    pub running_us: i64,
    /// Neither known to run nor to stand, µs.
    pub unknown_us: i64,
}

impl Stretch {
    pub(crate) fn add(&mut self, other: Stretch) {
        self.running_us += other.running_us;
        self.unknown_us += other.unknown_us;
    }

    pub(crate) fn running_h(self) -> f64 {
        self.running_us as f64 / HOUR_US
    }

    pub(crate) fn unknown_h(self) -> f64 {
        self.unknown_us as f64 / HOUR_US
    }
}

/// How far the meter moved.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Move {
    /// By so many hours.
    By(f64),
    /// Nobody knows: its first reading, a reset, a new meter.
    Lost,
}

impl Move {
    fn and(self, other: Move) -> Move {
        match (self, other) {
            (Move::By(a), Move::By(b)) => Move::By(a + b),
            _ => Move::Lost,
        }
    }

    /// Blind hours in a stretch over which the meter moved so far.
    ///
    /// A meter that counted clearly less than the shaft is known to have run (a step and 5 %) does not count: then,
    /// as after a reset, all unknown time is taken as running.
    pub(crate) fn blind_h(self, stretch: Stretch, resolution_h: f64) -> f64 {
        match self {
            Move::By(step_h) if stretch.running_h() * 0.95 <= step_h + resolution_h => {
                (step_h - stretch.running_h()).clamp(0.0, stretch.unknown_h())
            }
            _ => stretch.unknown_h(),
        }
    }
}

/// The meter within one clock hour.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct HourMeter {
    /// Up to the first move; the whole hour if there was none.
    pub before: Stretch,
    /// The first move, counted from the last one of earlier hours.
    pub first: Option<Move>,
    /// Between the first and the last move.
    pub inside: Stretch,
    /// How far it moved in between; `None` if it moved once or not at all.
    pub inside_move: Option<Move>,
    /// After the last move.
    pub after: Stretch,
    /// The part of the open end (`after`, or `before` if it did not move) up to the last reading that showed no move.
    pub still: Option<Stretch>,
}

/// What the meter last showed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct MeterHeld {
    pub(crate) value_h: f64,
    pub(crate) moved_us: i64,
}

/// Counters run over at a power of ten or of two, in hours, tenths of an hour, or seconds (common practice, no source).
const MODULI_H: [f64; 6] = [6553.6, 10_000.0, 65_536.0, 100_000.0, 4_294_967_296.0 / 3600.0, 1_000_000.0];

impl MeterHeld {
    /// The move to a new reading; `None` if it stands. A drop is a run over if the time since the last move allows it,
    /// else a reset.
    fn move_to(self, value_h: f64, at_us: i64, resolution_h: f64) -> Option<Move> {
        let step_h = value_h - self.value_h;
        if step_h == 0.0 {
            return None;
        }
        if step_h > 0.0 {
            return Some(Move::By(step_h));
        }
        let possible_h = (at_us - self.moved_us) as f64 / HOUR_US + resolution_h;
        let over = MODULI_H.iter().map(|modulus| step_h + modulus).find(|step| (0.0..=possible_h).contains(step));
        Some(over.map_or(Move::Lost, Move::By))
    }
}

/// Notes an hour's meter while the walk goes along it.
#[derive(Debug, Default)]
pub(crate) struct MeterNotes {
    hour: HourMeter,
    open: Stretch,
}

impl MeterNotes {
    pub(crate) fn pass(&mut self, time: Stretch) {
        self.open.add(time);
    }

    pub(crate) fn read(&mut self, held: &mut Option<MeterHeld>, value_h: f64, at_us: i64, resolution_h: f64) {
        let moved = match held {
            None => Some(Move::Lost),
            Some(held) => held.move_to(value_h, at_us, resolution_h),
        };
        let Some(moved) = moved else {
            self.hour.still = Some(self.open);
            return;
        };
        *held = Some(MeterHeld { value_h, moved_us: at_us });
        if self.hour.first.is_none() {
            self.hour.first = Some(moved);
            self.hour.before = self.open;
        } else {
            self.hour.inside.add(self.open);
            self.hour.inside_move = Some(self.hour.inside_move.map_or(moved, |before| before.and(moved)));
        }
        self.hour.still = None;
        self.open = Stretch::default();
    }

    /// The hour is over.
    pub(crate) fn close(&mut self) -> HourMeter {
        let Self { mut hour, open } = std::mem::take(self);
        match hour.first {
            None => hour.before = open,
            Some(_) => hour.after = open,
        }
        hour
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn held(value_h: f64) -> MeterHeld {
        MeterHeld { value_h, moved_us: 0 }
    }

    /// 65535 -> 0, 6553.5 -> 0, 99999.9 -> 0 and a 32 bit counter of seconds are the usual ends (common practice, no source).
    #[test]
    fn a_counter_that_runs_over_is_told_from_a_reset() {
        let hour_us = 3_600_000_000;
        for (last, next, step) in [(6553.5, 0.1, 0.2), (65_535.0, 0.0, 1.0), (99_999.9, 0.2, 0.3)] {
            match held(last).move_to(next, hour_us, 0.1) {
                Some(Move::By(got)) => assert!((got - step).abs() < 1e-6, "{last} -> {next} gave {got}"),
                other => panic!("{last} -> {next} gave {other:?}"),
            }
        }
        assert_eq!(held(4711.0).move_to(0.0, hour_us, 0.1), Some(Move::Lost));
        assert_eq!(held(65_000.0).move_to(0.0, hour_us, 0.1), Some(Move::Lost));
    }

    #[test]
    fn a_meter_that_missed_known_running_is_not_believed() {
        let stretch = Stretch { running_us: 5 * 3_600_000_000, unknown_us: 3_600_000_000 };
        assert_eq!(Move::By(5.5).blind_h(stretch, 0.1), 0.5);
        assert_eq!(Move::By(1.0).blind_h(stretch, 0.1), 1.0);
        assert_eq!(Move::By(99.0).blind_h(stretch, 0.1), 1.0);
    }

    proptest! {
        /// Told by what the shaft did, not by the meter: hours turned and stood, on a counter that runs over.
        #[test]
        fn a_meter_that_runs_over_has_moved_as_far_as_its_shaft(
            modulus_h in prop::sample::select(MODULI_H.to_vec()),
            begin in 0.0..1.0_f64,
            hours in prop::collection::vec((0.01..48.0_f64, 0.0..48.0_f64), 1..60),
        ) {
            let mut at_us = 0;
            let mut held = held(begin * modulus_h);
            for (turned_h, stood_h) in hours {
                at_us += ((turned_h + stood_h) * HOUR_US) as i64;
                let value_h = (held.value_h + turned_h) % modulus_h;
                match held.move_to(value_h, at_us, 0.1) {
                    Some(Move::By(step_h)) => prop_assert!((step_h - turned_h).abs() < 1e-6, "{step_h} for {turned_h} h"),
                    other => prop_assert!(false, "{other:?} for {turned_h} h"),
                }
                held = MeterHeld { value_h, moved_us: at_us };
            }
        }

        #[test]
        fn no_reading_moves_a_meter_back(
            readings in prop::collection::vec((0.0..1e6_f64, 1_i64..1_000_000_000_000), 2..40),
            resolution_h in 0.01..1.0_f64,
        ) {
            let mut at_us = 0;
            let mut held = held(readings[0].0);
            for (value_h, passed_us) in readings {
                at_us += passed_us;
                if let Some(Move::By(step_h)) = held.move_to(value_h, at_us, resolution_h) {
                    prop_assert!(step_h >= 0.0, "moved by {step_h} h");
                }
                held = MeterHeld { value_h, moved_us: at_us };
            }
        }
    }
}
