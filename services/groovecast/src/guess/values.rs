//! What a signal's values look like, whatever it is called.

use plant::{Measure, Signal};

/// Numbers of a column or tag with their instants, µs since 1970-01-01T00:00Z, in order of time, and words.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Series {
    /// Numbers.
    pub numbers: Vec<(i64, f64)>,
    /// Different words, a few of them.
    pub words: Vec<String>,
    /// Cells that hold a word.
    pub word_cells: usize,
}

/// What numbers look like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// How many there are.
    pub count: usize,
    /// From the first to the last, h.
    pub hours: f64,
    /// The least, the median and the greatest.
    pub span: (f64, f64, f64),
    /// The median of what is clearly not nothing.
    pub running: f64,
    /// It never falls, but for a few times, and rises in all.
    pub rises: bool,
    /// The fastest rise between two readings at least two hours apart, less a step, per hour.
    pub per_hour: f64,
    /// The same with that step.
    pub per_hour_shown: f64,
}

/// So many numbers over so many hours show what they are; fewer may be anything.
const ENOUGH: (usize, f64) = (8, 6.0);
const HOUR_US: f64 = 3.6e9;

impl Series {
    /// The series without numbers by which devices say that they have none, and one of these.
    pub fn measured(&self) -> (Series, Option<f64>) {
        let is_none = |number: f64| plant::is_sentinel(number);
        let one = self.numbers.iter().map(|(_, number)| *number).find(|number| is_none(*number));
        let numbers = self.numbers.iter().copied().filter(|(_, number)| !is_none(*number)).collect();
        (Series { numbers, ..self.clone() }, one)
    }

    /// What its numbers look like; `None` if there are none.
    pub fn look(&self) -> Option<Look> {
        if self.numbers.is_empty() {
            return None;
        }
        let mut sorted: Vec<f64> = self.numbers.iter().map(|(_, number)| *number).collect();
        sorted.sort_by(f64::total_cmp);
        let (least, median, greatest) = (sorted[0], sorted[sorted.len() / 2], sorted[sorted.len() - 1]);
        let nothing = 0.02 * greatest.abs().max(least.abs());
        let active: Vec<f64> = sorted.iter().copied().filter(|number| number.abs() > nothing).collect();
        let pairs = || self.numbers.windows(2).map(|pair| (pair[1].0 - pair[0].0, pair[1].1 - pair[0].1));
        let falls = pairs().filter(|(_, step)| *step < 0.0).count();
        let (first, last) = (self.numbers[0].1, self.numbers[self.numbers.len() - 1].1);
        // What it surely rose by: of what it shows, the last step may have been due before.
        let step = pairs().map(|(_, step)| step).filter(|step| *step > 0.0).fold(f64::INFINITY, f64::min);
        let (mut per_hour, mut per_hour_shown): (f64, f64) = (0.0, 0.0);
        let mut from = self.numbers[0];
        for (at_us, number) in self.numbers.iter().copied() {
            let hours = (at_us - from.0) as f64 / HOUR_US;
            if hours >= 2.0 {
                per_hour = per_hour.max((number - from.1 - step) / hours);
                per_hour_shown = per_hour_shown.max((number - from.1) / hours);
                from = (at_us, number);
            }
        }
        Some(Look {
            count: self.numbers.len(),
            hours: (self.numbers[self.numbers.len() - 1].0 - self.numbers[0].0) as f64 / HOUR_US,
            span: (least, median, greatest),
            running: active.get(active.len() / 2).copied().unwrap_or(0.0),
            rises: falls <= self.numbers.len() / 200 && (last > first || falls > 0) && greatest > least,
            per_hour,
            per_hour_shown,
        })
    }
}

impl Look {
    /// Whether there are enough to tell what they are.
    pub fn is_enough(&self) -> bool {
        self.count >= ENOUGH.0 && self.hours >= ENOUGH.1
    }

    /// The unit in which a meter counts hours, by what it rises by in an hour: no shaft turns for more than an hour in one.
    /// Beside it, whether it ran long enough at a time for that to be clear.
    pub fn meter_measure(&self) -> Option<(&'static str, bool)> {
        if !self.rises || self.per_hour <= 0.0 {
            return None;
        }
        let hour = [("h", 0.0, 1.0), ("0.1 h", 5.0, 10.0), ("min", 30.0, 60.0), ("s", 1800.0, 3600.0)];
        let fits = |(_, least, full): &(_, f64, f64)| (*least..=full * 1.02).contains(&self.per_hour);
        hour.into_iter().find(fits).map(|(measure, _, full)| (measure, self.per_hour_shown >= 0.8 * full))
    }

    /// Whether it can be the signal in a unit of measure: all of it lies within what is believable.
    pub fn fits(&self, signal: Signal, measure: &str) -> bool {
        let Some(measure) = signal.quantity().and_then(|quantity| Measure::parse(measure, quantity).ok()) else {
            return false;
        };
        let (least, greatest) = signal.believable();
        let inside = |number: f64| (least..=greatest).contains(&measure.to_house(number));
        let counts = || self.meter_measure().is_some_and(|(counted, _)| counted == measure.name());
        inside(self.span.0) && inside(self.span.2) && (signal != Signal::RunHours || !self.is_enough() || counts())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A meter that shows whole steps and runs 16 h of each day.
    fn meter(per_hour: f64, step: f64) -> Series {
        let reading = |tick: i64| {
            let hour = tick as f64 / 6.0;
            let run = 4000.0 + (hour / 24.0).floor() * 16.0 + hour.rem_euclid(24.0).min(16.0);
            (tick * 600_000_000, (run * per_hour / step).floor() * step)
        };
        Series { numbers: (0..1000).map(reading).collect(), ..Series::default() }
    }

    #[test]
    fn an_hour_meter_is_known_by_how_fast_it_rises() {
        for (per_hour, step, right) in [
            (1.0, 0.1, Some("h")),
            (1.0, 1.0, Some("h")),
            (10.0, 1.0, Some("0.1 h")),
            (60.0, 1.0, Some("min")),
            (3600.0, 1.0, Some("s")),
            (250.0, 1.0, None),
        ] {
            assert_eq!(
                meter(per_hour, step).look().unwrap().meter_measure(),
                right.map(|measure| (measure, true)),
                "{per_hour} an hour in steps of {step}"
            );
        }
    }
}
