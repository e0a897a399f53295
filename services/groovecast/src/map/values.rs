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
    /// The least, the median and the greatest.
    pub span: (f64, f64, f64),
    /// The median of what is clearly not nothing.
    pub running: f64,
    /// The share that is about nothing.
    pub idle: f64,
    /// It never falls, but for a few times, and rises in all.
    pub rises: bool,
    /// The fastest rise between two readings at least two hours apart, less a step, per hour.
    pub per_hour: f64,
}

const HOUR_US: f64 = 3.6e9;

impl Series {
    /// What its numbers look like; `None` if there are too few.
    pub fn look(&self) -> Option<Look> {
        if self.numbers.len() < 8 {
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
        let mut per_hour: f64 = 0.0;
        let mut from = self.numbers[0];
        for (at_us, number) in self.numbers.iter().copied() {
            let hours = (at_us - from.0) as f64 / HOUR_US;
            if hours >= 2.0 {
                per_hour = per_hour.max((number - from.1 - step) / hours);
                from = (at_us, number);
            }
        }
        Some(Look {
            span: (least, median, greatest),
            running: active.get(active.len() / 2).copied().unwrap_or(0.0),
            idle: (sorted.len() - active.len()) as f64 / sorted.len() as f64,
            rises: falls <= self.numbers.len() / 200 && (last > first || falls > 0) && greatest > least,
            per_hour,
        })
    }
}

impl Look {
    /// The unit in which a meter counts hours, by what it rises by in an hour: no shaft turns for more than an hour in one.
    pub fn meter_measure(&self) -> Option<&'static str> {
        match self.per_hour {
            f if !self.rises || f <= 0.0 => None,
            f if f <= 1.02 => Some("h"),
            f if f > 5.0 && f <= 10.2 => Some("0.1 h"),
            f if f > 30.0 && f <= 61.2 => Some("min"),
            f if f > 1800.0 && f <= 3672.0 => Some("s"),
            _ => None,
        }
    }

    /// Whether it can be the signal in a unit of measure: all of it lies within what is believable.
    pub fn fits(&self, signal: Signal, measure: &str) -> bool {
        let Some(measure) = signal.quantity().and_then(|quantity| Measure::parse(measure, quantity).ok()) else {
            return false;
        };
        let (least, greatest) = signal.believable();
        let inside = |number: f64| (least..=greatest).contains(&measure.to_house(number));
        inside(self.span.0)
            && inside(self.span.2)
            && (signal != Signal::RunHours || self.meter_measure() == Some(measure.name()))
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
                right,
                "{per_hour} an hour in steps of {step}"
            );
        }
    }
}
