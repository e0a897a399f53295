//! What wore tubes in the last year: the wear of every covered hour, given to the torque band and temperature band in which
//! it ran, and to the product that ran.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use plant::{HourExposure, Term, UnitId, hour_of, hour_start};
use publisher::{ProductPaces, WearCell, WearMap};
use wear::WearError;

use crate::dose::doses;
use crate::fleet::Fleet;
use crate::model::Model;
use crate::product_pace;

/// The map speaks of so many hours of the calendar: what has changed since is no longer how the plant runs (house choice).
const OVER_H: i64 = 365 * 24;

/// A stretch of running: which clock hour ended it, how many hours, how much wear, and where.
pub struct Worn {
    /// Whole hours since 1970-01-01T00:00Z.
    pub hour: i64,
    /// Covered run hours, h.
    pub covered_h: f64,
    /// Run hours at the model's plain rate that would have worn as much, h.
    pub equivalent_h: f64,
    band_h: Vec<f64>,
}

/// What wore tubes in the last year.
#[derive(Clone, Default)]
pub struct WearOfYear {
    /// By torque band and temperature band; `None` if the model reads no exposures or nothing ran.
    pub map: Option<Arc<WearMap>>,
    /// By product.
    pub paces: Arc<ProductPaces>,
}

/// The wear of the last year under a model. A unit's pace of late is that of its last `recent_h` covered hours, h.
///
/// # Errors
/// [`WearError`] for exposures that cannot be.
pub fn last_year(fleet: &Fleet, model: &Model, cells: usize, recent_h: f64) -> Result<WearOfYear, WearError> {
    let from = hour_of(fleet.until) - OVER_H;
    let mut worn: BTreeMap<&UnitId, Vec<Worn>> = BTreeMap::new();
    let outlook = model.stations.as_ref().map(|stations| (stations.latent.outlook(), stations.terms()));
    for (unit, hours) in &*fleet.hours {
        let worn = worn.entry(unit).or_default();
        let hours = &hours[hours.partition_point(|hour| hour.hour < from)..];
        match (&outlook, &model.hazard) {
            (Some((outlook, terms)), _) => {
                stretches(hours, terms, worn, |covered_h, amounts| Ok(outlook.dose(covered_h, amounts)))?;
            }
            (None, Some(hazard)) if !hazard.terms.is_empty() => {
                let mut x = Vec::new();
                stretches(hours, &model.terms(), worn, |covered_h, amounts| {
                    let rates: Vec<f64> = amounts.iter().map(|amount| (amount / covered_h).max(0.0)).collect();
                    model.design.covariates(&rates, &mut x)?;
                    Ok(covered_h * hazard.multiplier(&x))
                })?;
            }
            _ => return Ok(WearOfYear::default()),
        }
    }
    let map = drawn(worn.values().flatten(), cells, hour_start(from), fleet.until).map(Arc::new);
    // Latent wear takes only a part of the pace of late into the time to come.
    let ahead = |pace| model.stations.as_ref().map_or(pace, |stations| stations.latent.coming(1.0, pace));
    let paces = product_pace::paces(&worn, &fleet.record.campaigns, recent_h, ahead);
    Ok(WearOfYear { map, paces: Arc::new(paces) })
}

/// Gathers hours until there is a rate to speak of, as scores do, and keeps where they ran.
fn stretches(
    hours: &[HourExposure],
    terms: &[Term],
    worn: &mut Vec<Worn>,
    mut wear: impl FnMut(f64, &[f64]) -> Result<f64, WearError>,
) -> Result<(), WearError> {
    let mut rest = hours;
    for dose in doses(hours.iter().map(|hour| (hour.hour, &hour.exposure, 1.0)), terms) {
        let (own, after) = rest.split_at(rest.partition_point(|hour| hour.hour <= dose.hour));
        rest = after;
        if dose.covered_h <= 0.0 {
            continue;
        }
        let mut band_h: Vec<f64> = Vec::new();
        for hour in own {
            band_h.resize(band_h.len().max(hour.exposure.band_h.len()), 0.0);
            band_h.iter_mut().zip(&hour.exposure.band_h).for_each(|(sum, h)| *sum += h);
        }
        let equivalent_h = wear(dose.covered_h, &dose.amounts)?;
        worn.push(Worn { hour: dose.hour, covered_h: dose.covered_h, equivalent_h, band_h });
    }
    Ok(())
}

fn drawn<'w>(worn: impl Iterator<Item = &'w Worn>, cells: usize, from: Timestamp, to: Timestamp) -> Option<WearMap> {
    let mut map: BTreeMap<usize, WearCell> = BTreeMap::new();
    let (mut covered_h, mut equivalent_h) = (0.0, 0.0);
    for one in worn {
        covered_h += one.covered_h;
        equivalent_h += one.equivalent_h;
        let placed: f64 = one.band_h.iter().sum();
        // Where a temperature was not known, the rest of the hour has no band.
        let whole = placed.max(one.covered_h);
        let nowhere = (cells, whole - placed);
        for (cell, h) in one.band_h.iter().copied().enumerate().chain([nowhere]).filter(|(_, h)| *h > 0.0) {
            let cell = map.entry(cell.min(cells)).or_default();
            cell.hours += one.covered_h * h / whole;
            cell.equivalent_h += one.equivalent_h * h / whole;
        }
    }
    let nowhere = map.remove(&cells).unwrap_or_default();
    let cells = (0..cells).map(|cell| map.remove(&cell).unwrap_or_default()).collect();
    (covered_h > 0.0).then_some(WearMap { from, to, covered_h, equivalent_h, cells, nowhere })
}

/// Stretches of an hour each from hour 0 on: so many at such a rate.
#[cfg(test)]
pub fn worn_hours(parts: &[(usize, f64)]) -> Vec<Worn> {
    let rates = parts.iter().flat_map(|(hours, rate)| std::iter::repeat_n(*rate, *hours));
    (0..).zip(rates).map(|(hour, equivalent_h)| Worn { hour, covered_h: 1.0, equivalent_h, band_h: vec![] }).collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "all of this is tests")]
mod tests {
    use super::*;

    fn hour(at: i64, band_h: [f64; 4], starts: f64) -> HourExposure {
        let mut exposure = plant::Exposure::default();
        exposure.band_h = band_h.to_vec();
        exposure.add(Term::RunH, 1.0);
        exposure.add(Term::Starts, starts);
        HourExposure { hour: at, exposure }
    }

    #[test]
    fn the_cells_add_up_to_all_the_wear_and_all_the_hours() {
        let hours = [
            hour(1, [1.0, 0.0, 0.0, 0.0], 0.0),
            hour(2, [0.25, 0.0, 0.75, 0.0], 3.0),
            hour(3, [0.0, 0.0, 0.3, 0.0], 1.0),
            hour(4, [0.0; 4], 2.0),
        ];
        let mut worn = Vec::new();
        stretches(&hours, &[Term::Starts], &mut worn, |h, amounts| Ok(h + 2.0 * amounts[0])).unwrap();
        let map = drawn(worn.iter(), 4, hour_start(0), hour_start(5)).unwrap();
        // By hand: wear 1, 7, 3 and 5.
        assert_eq!((map.covered_h, map.equivalent_h), (4.0, 16.0));
        let told: Vec<_> = map.cells.iter().chain([&map.nowhere]).map(|cell| (cell.hours, cell.equivalent_h)).collect();
        let right =
            [(1.25, 1.0 + 0.25 * 7.0), (0.0, 0.0), (1.05, 0.75 * 7.0 + 0.9), (0.0, 0.0), (1.7, 0.7 * 3.0 + 5.0)];
        for ((hours, wear), (right_hours, right_wear)) in told.iter().zip(right) {
            assert!((hours - right_hours).abs() < 1e-12 && (wear - right_wear).abs() < 1e-12, "{told:?}");
        }
        let sums = told.iter().fold((0.0, 0.0), |(h, e), (hours, wear)| (h + hours, e + wear));
        assert!((sums.0 - map.covered_h).abs() < 1e-12 && (sums.1 - map.equivalent_h).abs() < 1e-12);
        assert!(drawn([].iter(), 4, hour_start(0), hour_start(5)).is_none());
    }
}
