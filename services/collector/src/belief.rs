//! By what a reading that can be is still doubted: it does not fit what came before it.
//!
//! Nothing is repaired and nothing kept out here: a doubt is counted at the signal, with its first and last time and a
//! sample, and asks a person. All of it is kept per unit and signal in a few hundred numbers, whatever comes.

mod meter;
mod recent;
mod shaft;
mod signal;
mod slip;
#[cfg(test)]
mod tests;
mod times;

use std::collections::{BTreeMap, HashMap};

use jiff::Timestamp;
use plant::{Quality, Signal, TimeSource, UnitId, Value};

use self::meter::MeterWatch;
use self::shaft::Shaft;
pub use self::shaft::Turning;
use self::signal::SignalWatch;
pub(crate) use self::times::in_words;
use crate::decode::{Message, Outcome};

/// What a plant says about when to doubt.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Belief {
    /// Limits of single signals; others have [`Limit::house`].
    pub limits: BTreeMap<Signal, Limit>,
    /// What is known of the units' shafts and hour meters. Of others nothing is doubted that needs a turning shaft.
    pub units: BTreeMap<UnitId, UnitBelief>,
}

/// A unit's shaft and hour meter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UnitBelief {
    /// When the shaft counts as turning.
    pub turning: Turning,
    /// The smallest step of the hour meter, h.
    pub meter_resolution_h: f64,
}

/// When a signal is doubted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// The same value for so long while the shaft turned is a stuck one, s; `None`: never. At least ten times as long
    /// as the value usually stays, too.
    pub stuck_s: Option<f64>,
    /// One reading that stands off by so much from both beside it is a spike, house unit; `None`: never. At least eight
    /// times the usual step, too.
    pub spike: Option<f64>,
    /// A reading that arrives so long after its own time is late, s.
    pub late_s: f64,
    /// Times that run off the time of arrival by so much, steadily, are those of a wrong clock or time zone, s.
    pub skew_s: f64,
    /// A time that lies further than this ahead of its arrival is refused, s.
    pub ahead_s: f64,
    /// A reading whose own time lies further than this behind its arrival is kept, but that time is not believed, s.
    pub behind_s: f64,
}

impl Limit {
    /// House defaults (no source): stuck after 10 min (torque), 1 h (flow, pressure) or 4 h (temperatures), never for
    /// speed, which stands at its set point, and words; a spike of 200 N·m, 15 K, 300 1/min, 5 m³/h or 10 bar; late
    /// after 1 h; a clock off by 1 min; 5 min ahead and 400 days behind at most.
    pub const fn house(signal: Signal) -> Self {
        let (stuck_s, spike) = match signal {
            Signal::Torque => (Some(600.0), Some(200.0)),
            Signal::ProductTemp | Signal::MediaTemp => (Some(14_400.0), Some(15.0)),
            Signal::Flow => (Some(3600.0), Some(5.0)),
            Signal::Pressure => (Some(3600.0), Some(10.0)),
            Signal::Speed => (None, Some(300.0)),
            Signal::RunHours | Signal::Mode | Signal::Product => (None, None),
        };
        Self { stuck_s, spike, late_s: 3600.0, skew_s: 60.0, ahead_s: 300.0, behind_s: 400.0 * 86_400.0 }
    }
}

impl Belief {
    /// The limit of a signal.
    pub fn limit(&self, signal: Signal) -> Limit {
        self.limits.get(&signal).copied().unwrap_or(Limit::house(signal))
    }
}

/// What is remembered of every unit and signal.
#[derive(Debug)]
pub(crate) struct Watches {
    pub(crate) belief: Belief,
    units: HashMap<UnitId, UnitWatch>,
}

#[derive(Debug, Default)]
struct UnitWatch {
    shaft: Option<Shaft>,
    meter: MeterWatch,
    /// Product and mode, and when either last changed.
    words: BTreeMap<Signal, Value>,
    reworded: Option<Timestamp>,
    signals: BTreeMap<Signal, SignalWatch>,
}

impl Watches {
    pub(crate) fn new(belief: Belief) -> Self {
        Self { belief, units: HashMap::new() }
    }

    /// Doubts by something else from now on. What was seen stays; a shaft that is judged by another rule begins anew.
    pub(crate) fn believe(&mut self, belief: Belief) {
        let turning = |belief: &Belief, unit: &UnitId| belief.units.get(unit).map(|known| known.turning);
        for (unit, watch) in &mut self.units {
            let rule = turning(&belief, unit);
            if rule != turning(&self.belief, unit) {
                watch.shaft = rule.map(Shaft::new);
            }
        }
        self.belief = belief;
    }

    /// Adds to the readings of a message what is to be doubted of them.
    pub(crate) fn look(&mut self, message: &Message<'_>, outcomes: &mut [Outcome]) {
        for outcome in outcomes {
            let Outcome::Taken(taken) = outcome else { continue };
            let reading = &taken.reading;
            let known = self.belief.units.get(&reading.unit);
            if !self.units.contains_key(&reading.unit) {
                let shaft = known.map(|unit| Shaft::new(unit.turning));
                self.units.insert(reading.unit.clone(), UnitWatch { shaft, ..UnitWatch::default() });
            }
            let Some(unit) = self.units.get_mut(&reading.unit) else { continue };
            // What has no time of its own and was old when it came follows nothing.
            if reading.time_source == TimeSource::Unknown {
                continue;
            }
            let limit = self.belief.limit(reading.signal);
            let known_to_be_ahead =
                |watch: &SignalWatch| watch.times.were_ahead(reading.at, message.arrived_at, limit.ahead_s);
            if unit.signals.get(&reading.signal).is_some_and(known_to_be_ahead) {
                // A clock was ahead and is so no longer: nothing that is remembered has happened yet.
                *unit = UnitWatch { shaft: known.map(|unit| Shaft::new(unit.turning)), ..UnitWatch::default() };
            }
            let watch = unit.signals.entry(reading.signal).or_default();
            if !watch.times.look(reading, message, &limit, &mut taken.doubts) {
                continue;
            }
            if let Some(shaft) = &mut unit.shaft {
                shaft.read(reading);
            }
            if reading.signal.quantity().is_none()
                && unit.words.insert(reading.signal, reading.value.clone()).is_none_or(|before| before != reading.value)
            {
                unit.reworded = Some(reading.at);
            }
            watch.look(reading, &limit, (unit.shaft.as_ref(), unit.reworded), &mut taken.doubts);
            let usable = reading.value.number().filter(|_| reading.quality != Quality::Bad);
            if let (Signal::RunHours, Some(number), Some(known)) = (reading.signal, usable, known) {
                unit.meter.look(reading.at, number, known.meter_resolution_h, unit.shaft.as_ref(), &mut taken.doubts);
            }
        }
    }
}
