//! The settings of a fit, unchecked and checked.

use linfa::ParamGuard;
use serde::{Deserialize, Serialize};

use crate::WearError;

/// The scale on which coefficients are penalised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RidgeScale {
    /// In the unit of the term's column.
    Raw,
    /// Per population standard deviation of the term over the rows of the fit.
    Sd,
}

/// How age shapes the hazard: it grows with age to the power `k - 1`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Shape {
    /// A given Weibull shape k; 1 is a rate that does not depend on age.
    Fixed(f64),
    /// k is fitted along with the rest (on the log scale).
    Fitted,
}

/// Which information standard errors come from; the two differ because the link is not the canonical one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Se {
    /// Minus the Hessian of the penalised log-likelihood.
    Observed,
    /// Its expectation, as iteratively reweighted least squares prints it.
    Expected,
}

/// Checked settings of a fit; see [`HazardParams`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HazardValid {
    pub(crate) limit: u8,
    pub(crate) terms: Option<Vec<String>>,
    pub(crate) unpenalised: Vec<String>,
    pub(crate) ridge: f64,
    pub(crate) ridge_scale: RidgeScale,
    pub(crate) stratum_ridge: f64,
    pub(crate) shape: Shape,
    pub(crate) se: Se,
    pub(crate) max_iterations: usize,
}

/// Settings of a grouped proportional hazards fit (Prentice & Gloeckler 1978).
///
/// A row that starts at grade g and runs through cells (from, to, x) has the cumulative hazard
/// `H = exp(gamma_g) * sum (to^k - from^k) * exp(x . beta)` and ends in an event with probability `1 - exp(-H)`: the
/// complementary log-log model with the offset `ln(to^k - from^k)`, with conditions integrated inside a row. The fit
/// maximises the log-likelihood minus `ridge/2 * sum (s_j beta_j)^2` over penalised terms (s = 1 or the term's standard
/// deviation) and minus `stratum_ridge/2 * sum (gamma_g - gamma_g')^2` over successive starting grades.
///
/// ```
/// use linfa::prelude::*;
/// use wear::{HazardParams, Intervals, RidgeScale, Row};
///
/// let mut table = Intervals::builder(["torque_nm"]);
/// for (tube, grade_end, torque_nm) in [("a", 0, 80.0), ("b", 2, 130.0), ("c", 0, 90.0), ("d", 2, 85.0)] {
///     table.row(Row { group: tube, life: 1, grade_start: 0, grade_end })?;
///     table.cell(0.0, 1000.0, &[torque_nm])?;
/// }
/// let hazard = HazardParams::new().ridge(1.0).ridge_scale(RidgeScale::Sd).fit(&table.build()?.dataset(2))?;
/// assert!(hazard.terms[0].coefficient > 0.0);
/// # Ok::<(), wear::WearError>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct HazardParams(HazardValid);

impl HazardParams {
    /// Limit 2, all terms, no ridge, shape 1, observed information.
    pub fn new() -> Self {
        Self(HazardValid {
            limit: 2,
            terms: None,
            unpenalised: Vec::new(),
            ridge: 0.0,
            ridge_scale: RidgeScale::Raw,
            stratum_ridge: 0.0,
            shape: Shape::Fixed(1.0),
            se: Se::Observed,
            max_iterations: 100,
        })
    }

    /// The grade that is an event, 1 to 4.
    pub fn limit(mut self, limit: u8) -> Self {
        self.0.limit = limit;
        self
    }

    /// Uses only these terms of the table, in this order.
    pub fn terms<T: Into<String>>(mut self, terms: impl IntoIterator<Item = T>) -> Self {
        self.0.terms = Some(terms.into_iter().map(Into::into).collect());
        self
    }

    /// Terms that the ridge leaves alone.
    pub fn unpenalised<T: Into<String>>(mut self, terms: impl IntoIterator<Item = T>) -> Self {
        self.0.unpenalised = terms.into_iter().map(Into::into).collect();
        self
    }

    /// The ridge, 0 or more.
    pub fn ridge(mut self, ridge: f64) -> Self {
        self.0.ridge = ridge;
        self
    }

    /// The scale of the ridge.
    pub fn ridge_scale(mut self, scale: RidgeScale) -> Self {
        self.0.ridge_scale = scale;
        self
    }

    /// Ties the intercepts of successive starting grades together, 0 or more; above 0 a grade without an event stays
    /// finite.
    pub fn stratum_ridge(mut self, ridge: f64) -> Self {
        self.0.stratum_ridge = ridge;
        self
    }

    /// The Weibull shape.
    pub fn shape(mut self, shape: Shape) -> Self {
        self.0.shape = shape;
        self
    }

    /// Where standard errors come from.
    pub fn se(mut self, se: Se) -> Self {
        self.0.se = se;
        self
    }

    /// After how many Newton steps to give up.
    pub fn max_iterations(mut self, iterations: usize) -> Self {
        self.0.max_iterations = iterations;
        self
    }
}

impl Default for HazardParams {
    fn default() -> Self {
        Self::new()
    }
}

impl ParamGuard for HazardParams {
    type Checked = HazardValid;
    type Error = WearError;

    fn check_ref(&self) -> Result<&HazardValid, WearError> {
        let valid = &self.0;
        let ridges = [("ridge", valid.ridge), ("stratum ridge", valid.stratum_ridge)];
        if let Some((name, value)) = ridges.into_iter().find(|(_, value)| !(value.is_finite() && *value >= 0.0)) {
            return Err(WearError::Setting { name, value, right: "0 or more" });
        }
        if let Shape::Fixed(value) = valid.shape
            && !(value.is_finite() && value > 0.0)
        {
            return Err(WearError::Setting { name: "shape", value, right: "a number above 0" });
        }
        if valid.limit == 0 {
            return Err(WearError::Setting { name: "limit", value: 0.0, right: "a grade from 1 to 4" });
        }
        Ok(valid)
    }

    fn check(self) -> Result<HazardValid, WearError> {
        self.check_ref()?;
        Ok(self.0)
    }
}

impl HazardValid {
    /// The grade that is an event.
    pub fn limit(&self) -> u8 {
        self.limit
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_negative_ridge_is_refused_with_its_value() {
        let error = HazardParams::new().ridge(-1.0).check().unwrap_err();
        assert_eq!(error.to_string(), "ridge is -1; right would be 0 or more");
    }

    #[test]
    fn a_shape_of_zero_is_refused() {
        assert!(HazardParams::new().shape(Shape::Fixed(0.0)).check_ref().is_err());
    }
}
