//! A unit, minute by minute: what it does, how warm its product is, what its shaft takes, and what that does to the wall.

use crate::products::Product;
use crate::random::Chance;
use crate::schedule::{Plan, Run};
use crate::trouble::{Now, Trouble};
use crate::units::Unit;
use crate::wear::{Contact, drive_h};

/// Torque of seals and bearings, N·m.
const SEAL_NM: f64 = 4.0;
/// The product warms or cools towards its set point with this time constant while the unit runs, min.
const RUN_TAU_MIN: f64 = 12.0;
/// The same while it stands, min.
const STAND_TAU_MIN: f64 = 30.0;
/// Cleaning solution, °C, and how fast it takes the unit along, min.
const CLEANING_DEGC: f64 = 70.0;
const CLEANING_TAU_MIN: f64 = 6.0;
/// Unplanned short stops per running hour.
const SHORT_STOPS_PER_H: f64 = 0.1;

/// What a unit does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Mode {
    Production,
    Cleaning,
    Stopped,
}

impl Mode {
    /// The word in readings.
    pub(crate) const fn as_str(self) -> &'static str {
        match self {
            Mode::Production => "production",
            Mode::Cleaning => "cip",
            Mode::Stopped => "stopped",
        }
    }

    /// Whether the shaft turns.
    pub(crate) fn turns(self) -> bool {
        self != Mode::Stopped
    }
}

/// A minute of a unit; what it says holds from its first to its last second.
#[derive(Debug, Clone)]
pub(crate) struct Sample {
    /// Minutes since 1970.
    pub(crate) minute: i64,
    pub(crate) mode: Mode,
    pub(crate) product: &'static str,
    pub(crate) torque_nm: f64,
    pub(crate) temp_degc: f64,
    pub(crate) speed_rpm: f64,
    /// The shaft began to turn with this minute.
    pub(crate) started: bool,
    /// It did so on product below the unit's cold limit.
    pub(crate) cold: bool,
    pub(crate) dry: bool,
    /// The part of the torque that a layer on the wall makes, N·m.
    pub(crate) excess_nm: f64,
    /// Plain hours' worth of wear. Hidden.
    pub(crate) drive_h: f64,
}

/// A unit and everything that it remembers.
#[derive(Debug, Clone)]
pub(crate) struct Process {
    unit: Unit,
    plan: Plan,
    run: Run,
    chance: Chance,
    trouble: Trouble,
    mode: Mode,
    short_stop_until: i64,
    goes_cold: bool,
    temp_degc: f64,
    wander_k: f64,
    ripple: f64,
    fill: f64,
    drift: f64,
    contact_log: f64,
}

impl Process {
    pub(crate) fn new(seed: u64, unit: Unit, start_h: i64) -> Self {
        let mut plan = Plan::new(seed, &unit, start_h);
        let run = plan.next();
        let temp_degc = unit.products[run.product].set_degc;
        let chance = Chance::new(seed, "process", unit.number);
        Self {
            unit,
            plan,
            run,
            chance,
            trouble: Trouble::default(),
            mode: Mode::Stopped,
            short_stop_until: 0,
            goes_cold: false,
            temp_degc,
            wander_k: 0.0,
            ripple: 0.0,
            fill: 0.0,
            drift: 0.0,
            contact_log: 0.0,
        }
    }

    /// Lives through one minute. Minutes must come one after the other.
    pub(crate) fn minute(&mut self, minute: i64) -> Sample {
        while minute >= self.run.next_h * 60 {
            self.run = self.plan.next();
        }
        if minute % 1440 == 0 {
            self.drift = slow(&mut self.chance, self.drift, 60.0, 0.03);
            self.contact_log = slow(&mut self.chance, self.contact_log, 20.0, 0.15);
        }
        let before = self.mode;
        self.mode = self.next_mode(minute);
        if before.turns() && !self.mode.turns() {
            self.stop(minute);
        }
        let product = &self.unit.products[self.run.product];
        let started = self.mode.turns() && !before.turns();
        let cold = started && self.temp_degc < self.unit.facts.cold_start_below_degc;
        let mut now = Now::default();
        if self.mode == Mode::Production {
            let below = (product.set_degc - self.temp_degc) / product.family.soak_k;
            if started && self.chance.happens(0.8 * (below - 0.2)) {
                self.trouble.freeze(&mut self.chance, minute);
            }
            now = self.trouble.minute(&self.unit, &mut self.chance, minute);
        }
        self.warm(product, now);
        self.sample(minute, product, started, cold, now)
    }

    fn next_mode(&mut self, minute: i64) -> Mode {
        if self.run.cleans(minute) {
            return Mode::Cleaning;
        }
        let hour = minute.div_euclid(60);
        let in_campaign = (self.run.from_h..self.run.to_h).contains(&hour);
        if !in_campaign || self.unit.shifts.stands(hour) || minute < self.short_stop_until {
            return Mode::Stopped;
        }
        if self.mode == Mode::Production && self.chance.happens(SHORT_STOPS_PER_H / 60.0) {
            self.short_stop_until = minute + self.chance.lognormal(6.0, 0.8).clamp(2.0, 50.0) as i64;
            return Mode::Stopped;
        }
        Mode::Production
    }

    /// The unit stops; whether somebody keeps it tempered until it starts again depends on how it is run.
    fn stop(&mut self, minute: i64) {
        self.trouble.stop();
        let hour = minute.div_euclid(60);
        let likely = if minute < self.short_stop_until {
            0.25
        } else if hour >= self.run.to_h {
            0.06
        } else {
            0.14
        };
        self.goes_cold = self.chance.happens((likely * self.unit.sloppiness).min(0.6));
    }

    fn warm(&mut self, product: &Product, now: Now) {
        let soak_k = product.family.soak_k;
        self.wander_k = slow(&mut self.chance, self.wander_k, 90.0, 0.05 * soak_k);
        let (aim, tau) = match self.mode {
            Mode::Production => {
                let layer_k = if now.excess > 0.0 { product.family.layer_k } else { 0.0 };
                (product.set_degc + self.run.off_set * soak_k + self.wander_k + layer_k, RUN_TAU_MIN)
            }
            Mode::Cleaning => (CLEANING_DEGC, CLEANING_TAU_MIN),
            Mode::Stopped if self.goes_cold => (product.set_degc - soak_k, STAND_TAU_MIN),
            Mode::Stopped => (product.set_degc - 0.15 * soak_k, STAND_TAU_MIN),
        };
        self.temp_degc += (aim - self.temp_degc) / tau;
    }

    fn sample(&mut self, minute: i64, product: &'static Product, started: bool, cold: bool, now: Now) -> Sample {
        let unit = &self.unit;
        let speed_share = match self.mode {
            Mode::Production => product.speed_share * self.run.speed_share,
            Mode::Cleaning => 0.6,
            Mode::Stopped => 0.0,
        };
        let (mut torque_nm, mut excess_nm, mut drive) = (0.0, 0.0, 0.0);
        let usual_nm = product.torque_nm * unit.torque_factor * (1.0 + self.drift);
        match self.mode {
            Mode::Production => {
                self.ripple = slow(&mut self.chance, self.ripple, 4.5, 0.025);
                self.fill = slow(&mut self.chance, self.fill, 120.0, 0.02);
                let stiffening = product.stiffening(self.temp_degc);
                let share = product.viscous_torque_nm(self.temp_degc, speed_share) / product.torque_nm;
                let carried = if now.dry { 0.25 + 0.12 * self.chance.unit() } else { 1.0 };
                let viscous_nm = usual_nm * share * (1.0 + self.ripple + self.fill) * carried;
                excess_nm = viscous_nm * now.excess;
                torque_nm = SEAL_NM + viscous_nm + excess_nm;
                drive = drive_h(&Contact {
                    load: unit.contact * self.contact_log.exp(),
                    abrasion: product.abrasion,
                    speed_share,
                    excess: now.excess,
                    stiffening,
                    dry: now.dry,
                    started,
                });
            }
            Mode::Cleaning => {
                self.ripple = slow(&mut self.chance, self.ripple, 4.5, 0.025);
                torque_nm = SEAL_NM + 0.08 * usual_nm * (1.0 + self.ripple);
                drive = 0.4 * unit.contact / 60.0;
            }
            Mode::Stopped => {}
        }
        Sample {
            minute,
            mode: self.mode,
            product: product.name,
            torque_nm,
            temp_degc: self.temp_degc,
            speed_rpm: speed_share * unit.facts.nominal_speed_rpm,
            started,
            cold,
            dry: now.dry,
            excess_nm,
            drive_h: drive,
        }
    }
}

/// One step of an AR(1) process about 0 with this time constant (in steps) and standard deviation.
fn slow(chance: &mut Chance, value: f64, tau_steps: f64, sd: f64) -> f64 {
    let keep = (-1.0 / tau_steps).exp();
    keep * value + sd * (1.0 - keep * keep).sqrt() * chance.normal()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::units;

    const START_H: i64 = 490_896; // 2026-01-01

    /// Mean 0 and the stated standard deviation: the stationary law of an AR(1) process (Box & Jenkins 1970).
    #[test]
    fn slow_noise_keeps_its_standard_deviation() {
        let mut chance = Chance::new(4, "test", 0);
        let mut value = 0.0;
        let n = 200_000;
        let mut sum_of_squares = 0.0;
        for _ in 0..n {
            value = slow(&mut chance, value, 4.5, 0.025);
            sum_of_squares += value * value;
        }
        let sd = (sum_of_squares / f64::from(n)).sqrt();
        assert!((sd - 0.025).abs() < 0.0006, "{sd}");
    }

    #[test]
    fn a_standing_shaft_takes_no_torque_and_wears_nothing() {
        let mut process = Process::new(9, units(9)[0].clone(), START_H);
        let mut modes = [0; 3];
        for minute in START_H * 60..(START_H + 24 * 30) * 60 {
            let sample = process.minute(minute);
            modes[sample.mode as usize] += 1;
            if sample.mode.turns() {
                assert!(sample.torque_nm > SEAL_NM && sample.speed_rpm > 0.0 && sample.drive_h > 0.0);
            } else {
                assert_eq!((sample.torque_nm, sample.speed_rpm, sample.drive_h), (0.0, 0.0, 0.0));
            }
        }
        assert!(modes.iter().all(|minutes| *minutes > 60), "production, cleaning, stopped: {modes:?} min");
    }
}
