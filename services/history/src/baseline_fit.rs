//! Fits the torque baseline from slots of the past.

use std::collections::BTreeMap;

use jiff::Timestamp;
use plant::{DayFile, Reading, UnitId};

use crate::HistoryError;
use crate::baseline::{Baseline, INVERSE_REF_K, Level, SPEED_REF_RPM, Slope, Spread};
use crate::columns::instant;
use crate::exposures::{Exposures, days};
use crate::hour::Carry;
use crate::robust::{self, Belief, Point};
use crate::slot::{SLOT_US, Slot};
use crate::store::{Store, day_span_us};

/// Slots kept per unit: four months of running without a break, or every so many-th of more.
const MOST_SLOTS: usize = 16_384;
/// A unit and product with fewer slots (6 h) has no level (house choice, no source).
const LEAST_SLOTS: usize = 36;
/// Torque grows with speed to the power 0.7 to 0.8 (power with 1.7 to 1.8: Skelland & Leung 1962; Trommelen & Beek
/// 1971; Leuliet et al. 1986, from memory): a weak belief, for plants that never change their speed.
const SPEED: Belief = Belief { mean: 0.75, sd: 1.0, product_sd: 0.25 };
/// Slope over 1000/K. An activation energy of 20 to 60 kJ/mol makes 2.4 to 7.2 (common practice, no source); crystals
/// add to it and freezing turns it round: next to no belief.
const TEMPERATURE: Belief = Belief { mean: 0.0, sd: 20.0, product_sd: 5.0 };

/// Periods per unit that teach nothing: with a groove in the tube that was already known.
pub type Excluded = BTreeMap<UnitId, Vec<(Timestamp, Timestamp)>>;

/// Every so many-th slot of a unit; so many that they fit, whatever comes.
#[derive(Debug)]
struct Sample {
    stride: usize,
    seen: usize,
    slots: Vec<Slot>,
}

impl Default for Sample {
    fn default() -> Self {
        Self { stride: 1, seen: 0, slots: Vec::new() }
    }
}

impl Sample {
    fn push(&mut self, slot: Slot) {
        if self.seen.is_multiple_of(self.stride) {
            self.slots.push(slot);
        }
        self.seen += 1;
        if self.slots.len() > MOST_SLOTS {
            let mut keep = false;
            self.slots.retain(|_| {
                keep = !keep;
                keep
            });
            self.stride *= 2;
        }
    }
}

impl Exposures {
    /// Fits a baseline on the whole slots up to `until` in which a unit ran in production: not within 30 min of a
    /// start, not in excluded modes, not in `excluded` periods. `None` if no unit has enough of them with any product.
    /// A baseline has finite numbers throughout.
    ///
    /// Takes readings as [`Exposures::fleet_hours`] does. Blocking; some units of a day are held at a time.
    ///
    /// # Errors
    /// If a file cannot be read, or the fit runs away.
    pub fn fit_baseline(
        &self,
        store: &Store,
        files: &[DayFile],
        tail: &[Reading],
        until: Timestamp,
        excluded: &Excluded,
    ) -> Result<Option<Baseline>, HistoryError> {
        let until_us = until.as_microsecond();
        let mut samples: BTreeMap<UnitId, Sample> = BTreeMap::new();
        let mut carry = Carry::default();
        let days = days(files, tail, until_us);
        for (number, (day, ..)) in days.iter().enumerate() {
            let (from_us, to_us) = day_span_us(*day);
            let span_us = (from_us, to_us.min(until_us), until_us);
            let (_, slots) = self.walk(self.readings(store, &days, number), span_us, &mut carry, true)?;
            for (unit, slots) in slots {
                let barred: &[_] = excluded.get(&unit).map_or(&[], Vec::as_slice);
                let free = |slot: &Slot| {
                    let (from, to) = (instant(slot.start_us), instant(slot.start_us + SLOT_US));
                    !barred.iter().any(|(begin, end)| from < *end && to > *begin)
                };
                let sample = samples.entry(unit).or_default();
                slots.into_iter().filter(free).for_each(|slot| sample.push(slot));
            }
        }
        let samples: Vec<(UnitId, Vec<Slot>)> =
            samples.into_iter().map(|(unit, sample)| (unit, sample.slots)).collect();
        fit(&samples)
    }
}

/// Torque, speed and temperature of a slot as the fit takes them; `None` if one of them is not finite.
fn numbers(slot: &Slot) -> Option<[f64; 3]> {
    let y = slot.torque_nm.ln();
    let x = (slot.speed_rpm / SPEED_REF_RPM).ln();
    let z = slot.inverse_k.map_or(0.0, |inverse_k| 1000.0 * (inverse_k - INVERSE_REF_K));
    [y, x, z].iter().all(|number| number.is_finite()).then_some([y, x, z])
}

fn fit(samples: &[(UnitId, Vec<Slot>)]) -> Result<Option<Baseline>, HistoryError> {
    let mut counts: BTreeMap<(usize, &str), usize> = BTreeMap::new();
    for (unit, (_, slots)) in samples.iter().enumerate() {
        let usable = slots.iter().filter(|slot| numbers(slot).is_some());
        usable.for_each(|slot| *counts.entry((unit, &slot.product)).or_default() += 1);
    }
    counts.retain(|_, count| *count >= LEAST_SLOTS);
    let groups: BTreeMap<(usize, &str), usize> = counts.keys().copied().zip(0..).collect();
    let mut products: BTreeMap<&str, usize> = counts.keys().map(|(_, product)| (*product, 0)).collect();
    products.values_mut().zip(0..).for_each(|(place, next)| *place = next);
    let mut points = Vec::new();
    let mut units = Vec::new();
    let mut span: Option<(i64, i64)> = None;
    for (unit, (_, slots)) in samples.iter().enumerate() {
        for slot in slots {
            let group = groups.get(&(unit, &*slot.product)).copied();
            let Some((group, [y, x, z])) = group.zip(numbers(slot)) else { continue };
            let end_us = slot.start_us + SLOT_US;
            span = Some(span.map_or((slot.start_us, end_us), |(from, to)| (from.min(slot.start_us), to.max(end_us))));
            units.push(unit);
            points.push(Point { group, product: products[&*slot.product], y, x, z });
        }
    }
    let Some((from_us, to_us)) = span else { return Ok(None) };
    let fitted = robust::fit(&points, groups.len(), products.len(), &SPEED, &TEMPERATURE);
    let level = |((unit, product), group): (&(usize, &str), &usize)| Level {
        unit: samples[*unit].0.clone(),
        product: (*product).to_owned(),
        ln_nm: fitted.levels[*group],
        slots: counts[&(*unit, *product)] as u64,
    };
    let slope = |(product, place): (&&str, &usize)| Slope {
        product: (*product).to_owned(),
        speed_exponent: fitted.slopes[*place].0,
        inverse_temp_k: 1000.0 * fitted.slopes[*place].1,
    };
    let mut residuals: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for (unit, point) in units.iter().zip(&points) {
        residuals.entry(*unit).or_default().push(robust::residual(point, &fitted.levels, &fitted.slopes));
    }
    let spread = |(unit, residuals): (usize, Vec<f64>)| Spread {
        unit: samples[unit].0.clone(),
        ln_sd: robust::lower_sd(residuals.into_iter()),
    };
    let baseline = Baseline {
        fitted_from: instant(from_us),
        fitted_to: instant(to_us),
        slots: points.len() as u64,
        converged: fitted.converged,
        levels: groups.iter().map(level).collect(),
        slopes: products.iter().map(slope).collect(),
        spreads: residuals.into_iter().map(spread).collect(),
    };
    runaway(&baseline).map_or(Ok(Some(baseline)), Err)
}

/// What is not finite in a baseline.
fn runaway(baseline: &Baseline) -> Option<HistoryError> {
    baseline.levels.iter().find_map(|level| {
        let slope = baseline.slopes.iter().find(|slope| slope.product == level.product)?;
        let spread = baseline.spreads.iter().find(|spread| spread.unit == level.unit)?;
        let numbers = [level.ln_nm, slope.speed_exponent, slope.inverse_temp_k, spread.ln_sd];
        let finite = numbers.iter().all(|number| number.is_finite());
        (!finite).then(|| HistoryError::Runaway { unit: level.unit.clone(), product: level.product.clone(), numbers })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn past(slot: impl Fn(i64) -> Slot) -> Vec<(UnitId, Vec<Slot>)> {
        vec![(UnitId::new("C1").unwrap(), (0..100).map(slot).collect())]
    }

    fn usual(number: i64) -> Slot {
        let torque_nm = 95.0 + (number % 7) as f64;
        let start_us = number * SLOT_US;
        Slot { start_us, product: "".into(), torque_nm, speed_rpm: 300.0, inverse_k: Some(INVERSE_REF_K) }
    }

    /// The level stays what it is without them: the mean of 95 to 101 N·m, within the robust fit's pull.
    #[test]
    fn slots_without_finite_numbers_teach_nothing() {
        let odd = |number| match number % 20 {
            0 => Slot { torque_nm: f64::INFINITY, ..usual(number) },
            7 => Slot { speed_rpm: f64::NAN, ..usual(number) },
            14 => Slot { inverse_k: Some(f64::INFINITY), ..usual(number) },
            _ => usual(number),
        };
        let baseline = fit(&past(odd)).unwrap().unwrap();
        assert_eq!((baseline.slots, baseline.levels[0].slots), (85, 85));
        assert!((baseline.levels[0].ln_nm - 98f64.ln()).abs() < 0.01, "{:?}", baseline.levels);
    }

    #[test]
    fn a_fit_that_runs_away_is_an_error_and_no_baseline() {
        let mad = |number| Slot { inverse_k: Some(number as f64 * 1e200), ..usual(number) };
        let error = fit(&past(mad)).unwrap_err().to_string();
        assert!(error.contains("C1"), "{error}");
    }

    #[test]
    fn a_long_past_is_thinned_evenly_and_stays_small() {
        let mut sample = Sample::default();
        let slot = |start_us| Slot { start_us, product: "".into(), torque_nm: 1.0, speed_rpm: 1.0, inverse_k: None };
        (0..100_000).for_each(|start_us| sample.push(slot(start_us)));
        assert!((MOST_SLOTS / 2..=MOST_SLOTS).contains(&sample.slots.len()), "{}", sample.slots.len());
        let stride = sample.slots[1].start_us - sample.slots[0].start_us;
        assert!(sample.slots.windows(2).all(|pair| pair[1].start_us - pair[0].start_us == stride));
    }
}
