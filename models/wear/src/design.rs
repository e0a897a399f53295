//! From hourly exposure rates to covariates.

use serde::{Deserialize, Serialize};

use crate::WearError;

/// A term and the rate that counts as usual.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DesignTerm {
    /// The exposure's name.
    pub name: String,
    /// Mean amount per covered run hour over the fleet, in the exposure's own unit per h, above 0.
    pub reference: f64,
}

/// How rates become covariates: `x = ln(1 + rate / reference)`.
///
/// With a coefficient c, running at a rate multiplies the hazard by `(1 + rate / reference)^c`: c = 1 says that dose
/// adds linearly to plain running, c = 0 that it does not matter, and x = 0 is an hour of running without any dose.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Design {
    /// The terms, in the order of the covariates.
    pub terms: Vec<DesignTerm>,
}

impl Design {
    /// Takes the fleet's mean rates as references.
    ///
    /// Each period is its covered run hours (h) and one amount per term. A term of which the fleet had nothing takes the
    /// reference 1 per h; its covariate is then 0 everywhere and a fit will call it constant.
    ///
    /// # Errors
    /// [`WearError::NoRows`] without covered hours, [`WearError::WrongWidth`] or [`WearError::NotFinite`] for a period
    /// (counted from 1) with too many or too few amounts, or a negative or infinite one.
    pub fn of_fleet<'a>(
        names: &[String],
        periods: impl IntoIterator<Item = (f64, &'a [f64])>,
    ) -> Result<Design, WearError> {
        let mut hours = 0.0;
        let mut sums = vec![0.0; names.len()];
        for (period, (covered_h, amounts)) in periods.into_iter().enumerate() {
            let row = period + 1;
            if amounts.len() != names.len() {
                return Err(WearError::WrongWidth { row, found: amounts.len(), expected: names.len() });
            }
            let named = names.iter().map(String::as_str).zip(amounts).chain([("covered_h", &covered_h)]);
            if let Some((term, value)) = named.into_iter().find(|(_, value)| !(**value >= 0.0 && value.is_finite())) {
                return Err(WearError::NotFinite { row, term: term.to_owned(), value: *value });
            }
            hours += covered_h;
            sums.iter_mut().zip(amounts).for_each(|(sum, amount)| *sum += amount);
        }
        if hours <= 0.0 {
            return Err(WearError::NoRows);
        }
        let term = |(name, sum): (&String, f64)| DesignTerm {
            name: name.clone(),
            reference: if sum > 0.0 { sum / hours } else { 1.0 },
        };
        Ok(Design { terms: names.iter().zip(sums).map(term).collect() })
    }

    /// Names of the terms.
    pub fn names(&self) -> Vec<String> {
        self.terms.iter().map(|term| term.name.clone()).collect()
    }

    /// Writes the covariates of rates (amount per covered run hour, one per term) into `x`.
    ///
    /// # Errors
    /// [`WearError::Setting`] for a rate that is negative or not finite, or a wrong number of them.
    pub fn covariates(&self, rates: &[f64], x: &mut Vec<f64>) -> Result<(), WearError> {
        if rates.len() != self.terms.len() {
            let value = rates.len() as f64;
            return Err(WearError::Setting { name: "number of rates", value, right: "one per term of the design" });
        }
        if let Some(value) = rates.iter().copied().find(|rate| !(*rate >= 0.0 && rate.is_finite())) {
            return Err(WearError::Setting { name: "rate", value, right: "0 or more per run hour, and finite" });
        }
        x.clear();
        x.extend(rates.iter().zip(&self.terms).map(|(rate, term)| (rate / term.reference).ln_1p()));
        Ok(())
    }
}

/// Median of each covariate over running: pieces of run hours and covariates. `None` without hours.
pub fn median_covariates<'a>(pieces: impl IntoIterator<Item = (f64, &'a [f64])>) -> Option<Vec<f64>> {
    let pieces: Vec<(f64, &[f64])> = pieces.into_iter().filter(|(h, _)| *h > 0.0).collect();
    let (_, first) = pieces.first()?;
    let half = 0.5 * pieces.iter().map(|(h, _)| h).sum::<f64>();
    let median = |j: usize| {
        let mut values: Vec<(f64, f64)> = pieces.iter().map(|(h, x)| (x[j], *h)).collect();
        values.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut below = 0.0;
        let at = values.iter().position(|(_, h)| {
            below += h;
            below >= half
        });
        values[at.unwrap_or(values.len() - 1)].0
    };
    Some((0..first.len()).map(median).collect())
}

/// Covariates to fit blind hours with, where no coefficient is known yet: term by term the greater of the fleet's median
/// hour and the unit's mean covered hour. (In a risk, blind hours weigh by [`crate::BlindPace`].)
pub fn blind_covariates<'a>(fleet_median: &[f64], unit: impl IntoIterator<Item = (f64, &'a [f64])>) -> Vec<f64> {
    let mut hours = 0.0;
    let mut sums = vec![0.0; fleet_median.len()];
    for (h, x) in unit {
        hours += h;
        sums.iter_mut().zip(x).for_each(|(sum, x)| *sum += h * x);
    }
    let mean = |sum: f64| if hours > 0.0 { sum / hours } else { f64::NEG_INFINITY };
    fleet_median.iter().zip(sums).map(|(median, sum)| median.max(mean(sum))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names() -> Vec<String> {
        vec!["starts".into(), "dry_h".into()]
    }

    #[test]
    fn references_are_fleet_means_per_covered_hour() {
        let periods: [(f64, &[f64]); 2] = [(10.0, &[4.0, 0.0]), (30.0, &[4.0, 0.0])];
        let design = Design::of_fleet(&names(), periods).unwrap();
        assert_eq!(design.terms[0].reference, 0.2);
        assert_eq!(design.terms[1].reference, 1.0);
        let mut x = vec![9.0];
        design.covariates(&[0.6, 0.0], &mut x).unwrap();
        assert!((x[0] - 4f64.ln()).abs() < 1e-15 && x[1] == 0.0 && x.len() == 2);
    }

    #[test]
    fn blind_hours_are_fitted_as_the_worse_of_fleet_and_unit() {
        let fleet: [(f64, &[f64]); 3] = [(1.0, &[0.0, 9.0]), (1.0, &[5.0, 1.0]), (3.0, &[1.0, 2.0])];
        let median = median_covariates(fleet).unwrap();
        assert_eq!(median, [1.0, 2.0]);
        assert_eq!(blind_covariates(&median, [(1.0, &[4.0, 0.0][..]), (3.0, &[0.0, 0.0][..])]), [1.0, 2.0]);
        assert_eq!(blind_covariates(&median, [(1.0, &[4.0, 0.0][..]), (1.0, &[0.0, 0.0][..])]), [2.0, 2.0]);
        assert_eq!(blind_covariates(&median, []), [1.0, 2.0]);
        assert_eq!(median_covariates([]), None);
    }

    #[test]
    fn a_negative_rate_is_refused() {
        let design = Design::of_fleet(&names(), [(1.0, &[1.0, 1.0][..])]).unwrap();
        assert!(design.covariates(&[-0.1, 0.0], &mut Vec::new()).is_err());
    }
}
