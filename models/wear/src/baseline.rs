//! What a model has to beat: how often it happens at all, and hours alone.

use linfa::traits::Fit;
use serde::{Deserialize, Serialize};

use crate::{Hazard, HazardParams, Intervals, Shape, WearError};

/// Below so many events a shape is not fitted but taken as 1 (house rule, no source).
const EVENTS_FOR_SHAPE: usize = 5;

/// How often a look finds the limit reached, whatever came before.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BaseRate {
    /// Rows at risk.
    pub n_rows: usize,
    /// How many of these end in an event.
    pub n_events: usize,
    /// Run hours in these rows, h.
    pub run_h: f64,
    /// Events per row: what a forecast that looks at nothing says, however long the row.
    pub probability: f64,
    /// A constant rate by maximum likelihood for events known only to lie in their row, 1/h.
    pub rate_per_h: f64,
}

impl BaseRate {
    /// Counts the rows at risk.
    ///
    /// With no event, or nothing but events, half an event and half a miss are added (Jeffreys), so that neither the
    /// probability nor the rate is ever 0, 1 or infinite.
    ///
    /// # Errors
    /// [`WearError::NoRows`], or what a fit of one rate can return.
    pub fn fit(rows: &Intervals, limit: u8) -> Result<BaseRate, WearError> {
        let at_risk = rows.at_risk(limit);
        let n_rows = at_risk.len();
        if n_rows == 0 {
            return Err(WearError::NoRows);
        }
        let n_events = (0..n_rows).filter(|row| at_risk.event(*row, limit)).count();
        let run_h: f64 = (0..n_rows).map(|row| at_risk.run_h(row)).sum();
        let (probability, rate_per_h) = if n_events > 0 && n_events < n_rows {
            let constant = by_age(&at_risk, limit, Shape::Fixed(1.0))?;
            (n_events as f64 / n_rows as f64, constant.intercepts[0].value.exp())
        } else {
            let probability = (n_events as f64 + 0.5) / (n_rows as f64 + 1.0);
            (probability, -(-probability).ln_1p() * n_rows as f64 / run_h)
        };
        Ok(BaseRate { n_rows, n_events, run_h, probability, rate_per_h })
    }

    /// Chance of an event within so many run hours at the constant rate.
    pub fn probability_within(&self, run_h: f64) -> f64 {
        -(-self.rate_per_h * run_h).exp_m1()
    }
}

/// A Weibull distribution of run hours on the life, and nothing else, conditional on the age at the earlier look.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HoursOnly {
    /// The hazard: no terms, one intercept for all starting grades. A [`crate::Course`] without terms runs on it.
    pub hazard: Hazard,
    /// Why the shape is 1 instead of fitted, if it is.
    pub shape_fixed_because: Option<String>,
}

impl HoursOnly {
    /// Fits rate and shape; the shape only if there are 5 events or more and they bound it.
    ///
    /// # Errors
    /// [`WearError::NoRows`], [`WearError::NoEvents`], [`WearError::AllEvents`], or what a fit of one rate can return.
    pub fn fit(rows: &Intervals, limit: u8) -> Result<HoursOnly, WearError> {
        let at_risk = rows.at_risk(limit);
        let n_events = (0..at_risk.len()).filter(|row| at_risk.event(*row, limit)).count();
        let because = if n_events >= EVENTS_FOR_SHAPE {
            match by_age(&at_risk, limit, Shape::Fitted) {
                Ok(hazard) => return Ok(HoursOnly { hazard, shape_fixed_because: None }),
                Err(error) => error.to_string(),
            }
        } else {
            format!("{n_events} events are too few to fit a shape; it takes {EVENTS_FOR_SHAPE}")
        };
        let hazard = by_age(&at_risk, limit, Shape::Fixed(1.0))?;
        Ok(HoursOnly { hazard, shape_fixed_because: Some(because) })
    }

    /// For each row, the probability that its later look finds the limit reached.
    pub fn probabilities(&self, rows: &Intervals) -> Vec<f64> {
        self.hazard.probabilities(&rows.ages_only()).expect("a hazard without terms lacks none")
    }
}

fn by_age(at_risk: &Intervals, limit: u8, shape: Shape) -> Result<Hazard, WearError> {
    HazardParams::new().limit(limit).shape(shape).fit(&at_risk.ages_only().dataset(limit))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Row;

    /// (from, to, looks, found) of tubes by the year; Meeker & Escobar (1998), heat-exchanger tubes, three plants.
    pub(crate) fn heat_exchanger() -> Intervals {
        let mut builder = Intervals::builder(Vec::<String>::new());
        let mut tube = 0;
        for (from, to, at_risk, cracked) in [(0.0, 1.0, 300, 4), (1.0, 2.0, 197, 5), (2.0, 3.0, 97, 2)] {
            for i in 0..at_risk {
                let (group, grade_end) = (tube.to_string(), if i < cracked { 2 } else { 0 });
                builder.row(Row { group: &group, life: 1, grade_start: 0, grade_end }).unwrap();
                builder.cell(from, to, &[]).unwrap();
                tube += 1;
            }
        }
        builder.build().unwrap()
    }

    fn close(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "{found} is not {expected}");
    }

    #[test]
    fn hours_only_is_the_interval_weibull() {
        // The same tubes as lifetimes in intervals: eta 23.6199 years, shape 1.345515 (independent optimiser).
        let fit = HoursOnly::fit(&heat_exchanger(), 2).unwrap();
        assert_eq!(fit.shape_fixed_because, None);
        close(fit.hazard.shape, 1.345515, 1e-6);
        close((-fit.hazard.intercepts[0].value / fit.hazard.shape).exp(), 23.6199, 1e-4);
        close(fit.hazard.log_likelihood, -54.414705, 1e-6);
    }

    #[test]
    fn the_constant_rate_of_the_same_tubes() {
        // -3.979653 on the log scale, 0.018692 per year (independent optimiser).
        let base = BaseRate::fit(&heat_exchanger(), 2).unwrap();
        close(base.rate_per_h.ln(), -3.979653, 1e-6);
        close(base.rate_per_h, 0.018692, 1e-6);
        close(base.probability, 11.0 / 594.0, 1e-15);
        assert_eq!((base.n_rows, base.n_events, base.run_h), (594, 11, 594.0));
    }

    #[test]
    fn too_few_events_leave_the_shape_at_one() {
        let table = heat_exchanger();
        let few = table.select(&(0..300).collect::<Vec<_>>());
        let fit = HoursOnly::fit(&few, 2).unwrap();
        assert_eq!(fit.hazard.shape, 1.0);
        assert!(fit.shape_fixed_because.unwrap().starts_with("4 events"));
    }

    #[test]
    fn without_an_event_the_rate_is_small_but_not_zero() {
        let table = heat_exchanger();
        let sound = table.select(&(4..300).collect::<Vec<_>>());
        let base = BaseRate::fit(&sound, 2).unwrap();
        close(base.probability, 0.5 / 297.0, 1e-15);
        assert!(base.rate_per_h > 0.0 && base.rate_per_h < 0.01);
        assert!(matches!(HoursOnly::fit(&sound, 2), Err(WearError::NoEvents { rows: 296, limit: 2 })));
    }
}
