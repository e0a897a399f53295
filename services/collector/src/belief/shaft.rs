//! How long a shaft has turned and stood, as far as its own signal tells.

use jiff::Timestamp;
use plant::{Quality, Reading, Signal};

/// When a shaft counts as turning.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Turning {
    /// While its speed is above this, either way round, 1/min.
    SpeedAboveRpm(f64),
    /// While its torque is above this, N·m: for units that send no speed.
    TorqueAboveNm(f64),
}

/// A speed or torque stands for so long if nothing newer comes, s: half an hour, so that plants that report by
/// exception are not blind (house default, no source).
const HOLD_S: f64 = 1800.0;

/// A speed that changes by more than this share changes the torque too.
const SPEED_CHANGE: f64 = 0.05;

/// Time by what the shaft did, s.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Spent {
    pub(super) turned_s: f64,
    pub(super) stood_s: f64,
    pub(super) unknown_s: f64,
}

impl Spent {
    pub(super) fn since(self, earlier: Spent) -> Spent {
        Spent {
            turned_s: self.turned_s - earlier.turned_s,
            stood_s: self.stood_s - earlier.stood_s,
            unknown_s: self.unknown_s - earlier.unknown_s,
        }
    }
}

#[derive(Debug)]
pub(super) struct Shaft {
    rule: Turning,
    /// The last reading: when, whether it turned, and whether it turned forward.
    last: Option<(Timestamp, Option<bool>)>,
    forward: bool,
    /// When it was last known not to turn steadily: it stood, or its speed changed.
    unsteady_at: Option<Timestamp>,
    /// The speed before which its changes are told, 1/min.
    steady_rpm: f64,
    spent: Spent,
}

impl Shaft {
    pub(super) fn new(rule: Turning) -> Self {
        Self { rule, last: None, forward: false, unsteady_at: None, steady_rpm: 0.0, spent: Spent::default() }
    }

    /// Notes a reading if it is one by which the shaft is judged. They come in order of their time.
    pub(super) fn read(&mut self, reading: &Reading) {
        let (signal, limit) = match self.rule {
            Turning::SpeedAboveRpm(rpm) => (Signal::Speed, rpm),
            Turning::TorqueAboveNm(nm) => (Signal::Torque, nm),
        };
        if reading.signal != signal {
            return;
        }
        self.spent = self.spent_at(reading.at);
        let number = reading.value.number().filter(|_| reading.quality != Quality::Bad);
        let turning = number.map(|number| number.abs() > limit);
        let steady = |number: f64| (number - self.steady_rpm).abs() <= SPEED_CHANGE * self.steady_rpm.abs();
        if turning != Some(true) || signal == Signal::Speed && !number.is_some_and(steady) {
            self.unsteady_at = Some(reading.at);
            self.steady_rpm = number.unwrap_or(0.0);
        }
        self.last = Some((reading.at, turning));
        self.forward = signal == Signal::Speed && number.is_some_and(|rpm| rpm > limit);
    }

    /// Time spent up to an instant; it stands still for instants before the last reading.
    pub(super) fn spent_at(&self, at: Timestamp) -> Spent {
        let mut spent = self.spent;
        let Some((last, turning)) = self.last else { return spent };
        let passed_s = at.duration_since(last).as_secs_f64().max(0.0);
        let known_s = passed_s.min(HOLD_S);
        match turning {
            Some(true) => spent.turned_s += known_s,
            Some(false) => spent.stood_s += known_s,
            None => spent.unknown_s += known_s,
        }
        spent.unknown_s += passed_s - known_s;
        spent
    }

    /// When it was last known to stand, or to change its speed.
    pub(super) fn unsteady_at(&self) -> Option<Timestamp> {
        self.unsteady_at
    }

    /// Whether it is known to turn at an instant.
    pub(super) fn turns(&self, at: Timestamp) -> bool {
        self.last
            .is_some_and(|(last, turning)| turning == Some(true) && at.duration_since(last).as_secs_f64() <= HOLD_S)
    }

    /// Whether it is known to turn forward.
    pub(super) fn turns_forward(&self, at: Timestamp) -> bool {
        self.forward && self.turns(at)
    }
}
