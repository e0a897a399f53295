//! Weibull lifetimes known only to lie in intervals.

use ndarray::{Array2, array};
use serde::{Deserialize, Serialize};

use crate::WearError;
use crate::newton::{Failure, Objective, Point, maximise};

/// What is known of a number of lifetimes: each lies in `(left_h, right_h]`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// Last age at which it was known to be sound, run hours; 0 if it never was looked at before.
    pub left_h: f64,
    /// First age at which it was known to have reached the limit; infinite if it never did. Equal to `left_h`: exact.
    pub right_h: f64,
    /// How many lifetimes this stands for.
    pub count: f64,
}

/// A Weibull distribution fitted by maximum likelihood: `S(t) = exp(-(t / eta)^beta)`.
///
/// Any unit of time does; hours are meant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct IntervalWeibull {
    /// Characteristic life: the age that 36.8 % survive, h.
    pub eta_h: f64,
    /// Shape.
    pub beta: f64,
    /// Standard error of `eta_h`.
    pub eta_std_error_h: f64,
    /// Standard error of `beta`.
    pub beta_std_error: f64,
    /// Log-likelihood; exact times enter with their density per hour.
    pub log_likelihood: f64,
    /// Covariance of (ln eta, ln beta), from the observed information.
    pub covariance: [[f64; 2]; 2],
}

impl IntervalWeibull {
    /// Fits the intervals.
    ///
    /// # Errors
    /// [`WearError::Setting`] for an interval that is none, [`WearError::NoRows`], [`WearError::ShapeRunsAway`] if the
    /// data do not bound the shape, [`WearError::Unbounded`], [`WearError::NotConverged`].
    pub fn fit(intervals: &[Interval]) -> Result<IntervalWeibull, WearError> {
        check(intervals)?;
        let known = intervals.iter().filter(|i| i.count > 0.0 && i.right_h.is_finite());
        if known.clone().next().is_none() {
            return Err(WearError::NoRows);
        }
        let longest = |i: &Interval| if i.right_h.is_finite() { i.right_h } else { i.left_h };
        let clock_h = intervals.iter().map(longest).fold(0.0, f64::max);
        let likelihood = Likelihood { intervals, clock_h };
        let events: f64 = known.map(|i| i.count).sum();
        let exposure: f64 = intervals.iter().map(|i| i.count * (i.left_h + longest(i)) / (2.0 * clock_h)).sum();
        let maximum =
            maximise(&likelihood, vec![(exposure / events).ln(), 0.0], 200).map_err(|failure| match failure {
                Failure::NotConverged { iterations, max_gradient } => {
                    WearError::NotConverged { iterations, max_gradient }
                }
                Failure::OutOfRange { at } => WearError::ShapeRunsAway { shape: at[1].exp() },
                Failure::Flat { .. } => WearError::Unbounded,
            })?;
        let (eta_h, beta) = (maximum.at[0].exp() * clock_h, maximum.at[1].exp());
        let [a, b, d] = [maximum.information[[0, 0]], maximum.information[[0, 1]], maximum.information[[1, 1]]];
        let determinant = a * d - b * b;
        let covariance = [[d / determinant, -b / determinant], [-b / determinant, a / determinant]];
        let exact: f64 = intervals.iter().filter(|i| i.left_h == i.right_h).map(|i| i.count).sum();
        Ok(IntervalWeibull {
            eta_h,
            beta,
            eta_std_error_h: eta_h * covariance[0][0].sqrt(),
            beta_std_error: beta * covariance[1][1].sqrt(),
            log_likelihood: likelihood.value(&maximum.at) - exact * clock_h.ln(),
            covariance,
        })
    }

    /// Chance to reach the limit within `horizon_h` more hours, given that it was not reached by `age_h`.
    pub fn conditional_risk(&self, age_h: f64, horizon_h: f64) -> f64 {
        conditional_risk(self.eta_h, self.beta, age_h, horizon_h)
    }
}

/// `1 - S(age + horizon) / S(age)`.
pub(crate) fn conditional_risk(eta_h: f64, beta: f64, age_h: f64, horizon_h: f64) -> f64 {
    let hazard = |h: f64| (h / eta_h).powf(beta);
    -(hazard(age_h) - hazard(age_h + horizon_h)).exp_m1()
}

fn check(intervals: &[Interval]) -> Result<(), WearError> {
    for interval in intervals {
        let Interval { left_h, right_h, count } = *interval;
        if !(left_h >= 0.0 && left_h.is_finite()) {
            return Err(WearError::Setting { name: "left_h", value: left_h, right: "0 h or more, and finite" });
        }
        if !(right_h > 0.0 && right_h >= left_h) {
            return Err(WearError::Setting {
                name: "right_h",
                value: right_h,
                right: "above 0 h and not before left_h",
            });
        }
        if !(count >= 0.0 && count.is_finite()) {
            return Err(WearError::Setting { name: "count", value: count, right: "0 or more" });
        }
    }
    Ok(())
}

/// Parameters are ln(eta / clock) and ln(beta).
struct Likelihood<'a> {
    intervals: &'a [Interval],
    clock_h: f64,
}

/// Cumulative hazard at an age with its first and second derivatives (mu mu, mu omega, omega omega).
struct Cumulative {
    value: f64,
    first: [f64; 2],
    second: [f64; 3],
}

impl Cumulative {
    fn at(age: f64, mu: f64, omega: f64) -> Cumulative {
        if age == 0.0 {
            return Cumulative { value: 0.0, first: [0.0; 2], second: [0.0; 3] };
        }
        let beta = omega.exp();
        let z = beta * (age.ln() - mu);
        let value = z.exp();
        // dz = (-beta, z), d2z = (0, -beta, z).
        Cumulative {
            value,
            first: [-beta * value, z * value],
            second: [beta * beta * value, -beta * (1.0 + z) * value, (z * z + z) * value],
        }
    }
}

impl Likelihood<'_> {
    /// Adds one interval's log-likelihood and derivatives to the point.
    fn add(&self, interval: &Interval, mu: f64, omega: f64, point: &mut Point) {
        let left = Cumulative::at(interval.left_h / self.clock_h, mu, omega);
        let mut value = -left.value;
        let mut first = left.first.map(|d| -d);
        let mut second = left.second.map(|d| -d);
        if interval.left_h == interval.right_h {
            // ln f = omega + z - ln t - H.
            let (beta, log_age) = (omega.exp(), (interval.left_h / self.clock_h).ln());
            let z = beta * (log_age - mu);
            value += omega + z - log_age;
            first = [first[0] - beta, first[1] + 1.0 + z];
            second = [second[0], second[1] - beta, second[2] + z];
        } else if interval.right_h.is_finite() {
            let right = Cumulative::at(interval.right_h / self.clock_h, mu, omega);
            let within = right.value - left.value;
            value += (-(-within).exp_m1()).ln();
            // l = ln(1 - exp(-D)): l' = 1 / (e^D - 1), l'' = -l' (1 + l').
            let slope = 1.0 / within.exp_m1();
            let bend = -slope * (1.0 + slope);
            let d = [right.first[0] - left.first[0], right.first[1] - left.first[1]];
            first = [first[0] + slope * d[0], first[1] + slope * d[1]];
            for (i, pair) in [(0, 0), (0, 1), (1, 1)].into_iter().enumerate() {
                second[i] += slope * (right.second[i] - left.second[i]) + bend * d[pair.0] * d[pair.1];
            }
        }
        let count = interval.count;
        point.value += count * value;
        point.gradient.iter_mut().zip(first).for_each(|(sum, d)| *sum += count * d);
        point.information -= &(array![[second[0], second[1]], [second[1], second[2]]] * count);
    }
}

impl Objective for Likelihood<'_> {
    fn value(&self, at: &[f64]) -> f64 {
        self.point(at).value
    }

    fn point(&self, at: &[f64]) -> Point {
        let mut point = Point { value: 0.0, gradient: vec![0.0; 2], information: Array2::zeros((2, 2)) };
        for interval in self.intervals.iter().filter(|interval| interval.count > 0.0) {
            self.add(interval, at[0], at[1], &mut point);
        }
        point
    }

    fn out_of_range(&self, at: &[f64]) -> bool {
        !(-4.0..=4.0).contains(&at[1])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, relative: f64) {
        assert!((found - expected).abs() <= relative * expected.abs(), "{found} is not {expected}");
    }

    fn intervals(rows: &[(f64, f64, f64)]) -> Vec<Interval> {
        rows.iter()
            .map(|(left_h, right_h, count)| Interval { left_h: *left_h, right_h: *right_h, count: *count })
            .collect()
    }

    const NEVER: f64 = f64::INFINITY;

    #[test]
    fn heat_exchanger_tube_cracks() {
        // Counts from Meeker & Escobar (1998), heat-exchanger tubes of three plants, years. Estimates computed once
        // more by an independent optimiser; mu = ln eta, sigma = 1 / beta.
        let fit = IntervalWeibull::fit(&intervals(&[
            (0.0, 1.0, 4.0),
            (1.0, 2.0, 5.0),
            (2.0, 3.0, 2.0),
            (3.0, NEVER, 95.0),
            (2.0, NEVER, 95.0),
            (1.0, NEVER, 99.0),
        ]))
        .unwrap();
        close(fit.eta_h, 23.6199, 1e-5);
        close(fit.beta, 1.345515, 1e-6);
        close(fit.log_likelihood, -54.414705, 1e-8);
        close(fit.covariance[0][0].sqrt(), 0.798339, 1e-5);
        close(fit.covariance[1][1].sqrt() / fit.beta, 0.243237, 1e-5);
        close(fit.conditional_risk(3.0, 1.0), 0.029000, 1e-4);
    }

    #[test]
    fn turbine_wheels_looked_at_once() {
        // Nelson (1982), p. 409; ages in 100 h: cracked, not cracked.
        let wheels = [
            (4.0, 0.0, 39.0),
            (10.0, 4.0, 49.0),
            (14.0, 2.0, 31.0),
            (18.0, 7.0, 66.0),
            (22.0, 5.0, 25.0),
            (26.0, 9.0, 30.0),
            (30.0, 9.0, 33.0),
            (34.0, 6.0, 7.0),
            (38.0, 22.0, 12.0),
            (42.0, 21.0, 19.0),
            (46.0, 21.0, 15.0),
        ];
        let rows: Vec<_> =
            wheels.iter().flat_map(|(age, hit, sound)| [(0.0, *age, *hit), (*age, NEVER, *sound)]).collect();
        let fit = IntervalWeibull::fit(&intervals(&rows)).unwrap();
        close(fit.eta_h.ln(), 3.845397, 1e-6);
        close(1.0 / fit.beta, 0.459605, 2e-6);
        close(fit.covariance[0][0].sqrt(), 0.063937, 1e-4);
        close(fit.covariance[1][1].sqrt() / fit.beta, 0.057207, 1e-4);
        close(fit.log_likelihood, -189.287193, 1e-8);
    }

    #[test]
    fn turbine_parts_read_out_in_months() {
        // Nelson (1982), p. 415.
        let ages = [0.0, 6.12, 19.92, 29.64, 35.40, 39.72, 45.24, 52.32, 63.48, NEVER];
        let counts = [5.0, 16.0, 12.0, 18.0, 18.0, 2.0, 6.0, 17.0, 73.0];
        let rows: Vec<_> = ages.windows(2).zip(counts).map(|(age, count)| (age[0], age[1], count)).collect();
        let fit = IntervalWeibull::fit(&intervals(&rows)).unwrap();
        close(fit.eta_h.ln(), 4.272357, 1e-6);
        close(1.0 / fit.beta, 0.673234, 1e-6);
        close(fit.covariance[0][0].sqrt(), 0.074396, 1e-4);
        close(fit.covariance[1][1].sqrt() / fit.beta, 0.066419, 1e-4);
        close(fit.log_likelihood, -309.668409, 1e-8);
    }

    #[test]
    fn turbine_parts_read_out_in_days() {
        // The same parts in days as listed by Meeker & Escobar (1998); estimates by lifelines 0.30.3, surpyval 0.25 and
        // a direct optimisation, which agree to 3e-7.
        let ages = [0.0, 186.0, 606.0, 902.0, 1077.0, 1209.0, 1377.0, 1592.0, 1932.0, NEVER];
        let counts = [5.0, 16.0, 12.0, 18.0, 18.0, 2.0, 6.0, 17.0, 73.0];
        let rows: Vec<_> = ages.windows(2).zip(counts).map(|(age, count)| (age[0], age[1], count)).collect();
        let fit = IntervalWeibull::fit(&intervals(&rows)).unwrap();
        close(fit.eta_h, 2182.004139964847, 1e-6);
        close(fit.beta, 1.4847675443957056, 1e-6);
        close(fit.log_likelihood, -309.63118088412114, 1e-9);
        close(fit.eta_std_error_h, 162.3994032012847, 1e-4);
        close(fit.beta_std_error, 0.14648581133986166, 1e-4);
        close(fit.covariance[0][1], -0.0026241281798672733, 1e-4);
        close(fit.conditional_risk(1000.0, 500.0), 0.2283871453453249, 1e-6);
    }

    #[test]
    fn exact_times_with_suspensions() {
        // NIST/SEMATECH e-Handbook 8.4.1.3: ten failures, ten suspended at 500 h. Published: eta 606.5280,
        // beta 1.7208, log-likelihood -75.135.
        let times = [54.0, 187.0, 216.0, 240.0, 244.0, 335.0, 361.0, 373.0, 375.0, 386.0];
        let mut rows: Vec<_> = times.iter().map(|t| (*t, *t, 1.0)).collect();
        rows.push((500.0, NEVER, 10.0));
        let fit = IntervalWeibull::fit(&intervals(&rows)).unwrap();
        close(fit.eta_h, 606.5280, 1e-5);
        close(fit.beta, 1.7208, 1e-5);
        close(fit.log_likelihood, -75.135, 1e-5);
    }

    #[test]
    fn the_next_hours_of_a_fleet_of_bearing_cages() {
        // Meeker & Escobar (1998), bearing cages: with eta 11792.18 h and beta 2.035319, ages 50, 1050 and 2050 h have
        // 0.00076292, 0.00484934 and 0.00906300 for the next 300 h.
        for (age_h, expected) in [(50.0, 0.00076292), (1050.0, 0.00484934), (2050.0, 0.00906300)] {
            close(conditional_risk(11792.18, 2.035319, age_h, 300.0), expected, 1e-5);
        }
        // By hand: 1 - exp(0.6^2 - 0.7^2).
        close(conditional_risk(5000.0, 2.0, 3000.0, 500.0), 0.121905, 5e-6);
    }

    #[test]
    fn one_age_does_not_bound_a_weibull() {
        let error = IntervalWeibull::fit(&intervals(&[(0.0, 5.0, 3.0), (5.0, NEVER, 3.0)])).unwrap_err();
        assert!(matches!(error, WearError::Unbounded | WearError::ShapeRunsAway { .. }), "{error}");
    }

    #[test]
    fn an_interval_that_ends_before_it_begins_is_refused() {
        let error = IntervalWeibull::fit(&intervals(&[(5.0, 4.0, 1.0)])).unwrap_err();
        assert_eq!(error.to_string(), "right_h is 4; right would be above 0 h and not before left_h");
    }
}
