//! A level that steps by the factor between two units of measure, or turns its sign.

use jiff::Timestamp;
use plant::Signal;

use super::recent::{Recent, median};
use crate::reason::{Doubt, Reason};

/// So many readings of a turning shaft are compared, half of them older.
const READINGS: usize = 62;
/// They are compared at every so-many-th one.
const EVERY: u32 = 4;
/// How far the step may be from the factor, as a share of it.
const TOLERANCE: f64 = 0.03;
/// Within either half, half of the readings stay this close to its middle, as a share of it: else there is no level.
const SPREAD: f64 = 0.12;
/// How far a temperature may be from what the other scale would show, K.
const TOLERANCE_K: f64 = 0.75;
/// A factor below this may also be that between two products, or that of a wall that freezes...
const SMALL: f64 = 2.0;
/// ...so the old and the new level must last, s: what freezes on breaks loose within hours (house default, no source).
const LASTS_S: f64 = 6.0 * 3600.0;
/// A temperature moves at least so far, K: near -40 ° the scales meet.
const LEAST_STEP_K: f64 = 8.0;

/// A unit in which a number is so many times larger, and what the units are.
type Factor = (f64, &'static str);

/// Factors of NIST SP 811, appendix B.
fn factors(signal: Signal) -> &'static [Factor] {
    match signal {
        Signal::Torque => &[
            (8.850_745_79, "N·m and lbf·in"),
            (12.0, "lbf·ft and lbf·in"),
            (1.355_817_95, "lbf·ft and N·m"),
            (1000.0, "kN·m and N·m"),
            (9.806_65, "kgf·m and N·m"),
        ],
        Signal::Speed => &[(60.0, "1/s and 1/min"), (9.549_296_59, "rad/s and 1/min")],
        Signal::Flow => &[(16.666_667, "m³/h and L/min"), (1000.0, "m³/h and L/h"), (4.402_867_54, "m³/h and gal/min")],
        Signal::Pressure => &[(14.503_773_8, "bar and psi"), (100.0, "bar and kPa"), (10.0, "MPa and bar")],
        _ => &[],
    }
}

/// What would explain a step by itself: when it was last so.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Breaks {
    /// Another product, or another mode.
    pub(super) reworded: Option<Timestamp>,
    /// A shaft that stood, or changed its speed.
    pub(super) unsteady: Option<Timestamp>,
}

#[derive(Debug, Default)]
pub(super) struct SlipWatch {
    recent: Recent<READINGS>,
    /// When they were, s since 1970.
    times_s: Recent<READINGS>,
    /// A small step that is to last: since when, s since 1970, at which level, and what is to be said.
    waiting: Option<(f64, f64, Doubt)>,
    /// The present level, and since when, s since 1970.
    level: (f64, f64),
    /// The last level that lasted.
    usual: Option<f64>,
    count: u32,
}

impl SlipWatch {
    /// Notes a number of a turning shaft's unit.
    pub(super) fn look(&mut self, signal: Signal, at: Timestamp, number: f64, breaks: Breaks) -> Option<Doubt> {
        self.recent.push(number);
        self.times_s.push(at.as_second() as f64);
        self.count = (self.count + 1) % EVERY;
        if self.count != 0 {
            return None;
        }
        let oldest_s = self.times_s.oldest()?;
        let during = |at: Option<Timestamp>| at.is_some_and(|at| at.as_second() as f64 >= oldest_s);
        let (mut ordered, half) = self.recent.halves();
        let (older, newer) = ordered.split_at_mut(half);
        let is_temp = matches!(signal, Signal::ProductTemp | Signal::MediaTemp);
        let (before, after) = (level(older, is_temp)?, level(newer, is_temp)?);
        let broken = during(breaks.reworded) || during(breaks.unsteady);
        let now_s = at.as_second() as f64;
        let near = |level: f64, other: f64| (level / other - 1.0).abs() <= SPREAD;
        let usual = self.usual;
        if !near(after, self.level.0) {
            self.level = (after, now_s);
        } else if now_s - self.level.1 >= LASTS_S {
            self.usual = Some(after);
        }
        if let Some((since_s, lasting, _)) = &self.waiting {
            if broken || !near(after, *lasting) {
                self.waiting = None;
            } else if now_s - since_s >= LASTS_S {
                return self.waiting.take().map(|(.., doubt)| doubt);
            }
        }
        let doubt = if is_temp {
            if during(breaks.reworded) { None } else { of_temperature(before, after) }
        } else {
            match of_factor(signal, before, after) {
                Some((factor, doubt)) if factor < SMALL => {
                    // From the usual level, not back to it.
                    if !broken && self.waiting.is_none() && usual.is_some_and(|usual| near(before, usual)) {
                        self.waiting = Some((now_s, after, doubt));
                    }
                    None
                }
                found => found.map(|(_, doubt)| doubt),
            }
        };
        if doubt.is_some() {
            // What follows is the new level.
            self.recent.clear();
            self.times_s.clear();
        }
        doubt
    }
}

/// The middle of a stretch that keeps to a level.
fn level(numbers: &mut [f64], is_temp: bool) -> Option<f64> {
    let middle = median(numbers)?;
    let mut off: Vec<f64> = numbers.iter().map(|number| (number - middle).abs()).collect();
    let allowed = if is_temp { TOLERANCE_K } else { middle.abs() * SPREAD };
    (median(&mut off)? <= allowed).then_some(middle)
}

/// The factor by which it stepped, if units differ by it, and what is to be said; a turned sign is one of any size.
fn of_factor(signal: Signal, before: f64, after: f64) -> Option<(f64, Doubt)> {
    let step = after / before;
    if !step.is_finite() || step == 0.0 {
        return None;
    }
    if (step + 1.0).abs() <= TOLERANCE {
        let text = format!(
            "{signal} turned from about {before:.4} to {after:.4}: does the drive count the other way round now?"
        );
        return Some((f64::INFINITY, Doubt { reason: Reason::SignFlip, text }));
    }
    let close = |factor: f64| (step / factor - 1.0).abs() <= TOLERANCE;
    let known = |(factor, _): &&Factor| close(*factor) || close(1.0 / factor);
    let (factor, units) = factors(signal).iter().find(known)?;
    let text = format!(
        "{signal} stepped from about {before:.4} to {after:.4}, by the factor {factor:.4} between {units}: did the source change its unit?"
    );
    Some((*factor, Doubt { reason: Reason::UnitSlip, text }))
}

fn of_temperature(before: f64, after: f64) -> Option<Doubt> {
    if (after - before).abs() < LEAST_STEP_K {
        return None;
    }
    let scales = [
        (before * 1.8 + 32.0, "°C, then °F"),
        ((before - 32.0) / 1.8, "°F, then °C"),
        (before + 273.15, "°C, then K"),
        (before - 273.15, "K, then °C"),
    ];
    let (_, units) = scales.iter().find(|(expected, _)| (after - expected).abs() <= TOLERANCE_K)?;
    let text = format!(
        "temperature stepped from about {before:.1} to {after:.1}, as if it were sent in {units}: did the source change its unit?"
    );
    Some(Doubt { reason: Reason::UnitSlip, text })
}
