//! From rows to a fitted hazard.

use linfa::DatasetBase;
use linfa::traits::Fit;
use ndarray::{Array1, Array2};

use crate::likelihood::Likelihood;
use crate::newton::{Failure, Maximum, maximise};
use crate::params::HazardValid;
use crate::symmetric::Cholesky;
use crate::{FittedTerm, Hazard, Intercept, Intervals, RidgeScale, Se, Shape, WearError};

impl Fit<Intervals, Array1<bool>, WearError> for HazardValid {
    type Object = Hazard;

    /// Fits the rows of the data set; see [`crate::HazardParams`].
    ///
    /// # Errors
    /// Whatever would make the fit meaningless: no rows or no contrast between them, a term that is constant or
    /// follows from others, data that separate, a fit that does not settle. Each says what to do.
    fn fit(&self, dataset: &DatasetBase<Intervals, Array1<bool>>) -> Result<Hazard, WearError> {
        if dataset.weights().is_some() {
            return Err(WearError::Weights);
        }
        let (rows, events) = (&dataset.records, dataset.targets.to_vec());
        let strata = Strata::of(rows, &events, self)?;
        let terms = Terms::of(rows, &strata, self)?;
        let clock_h = (0..rows.len()).map(|row| rows.end_h(row)).fold(0.0, f64::max);
        let likelihood = Likelihood {
            rows,
            events: &events,
            strata: strata.of_row.clone(),
            n_strata: strata.grades.len(),
            columns: terms.columns.clone(),
            centre: terms.mean.clone(),
            scale: terms.sd.clone(),
            reach: terms.reach.clone(),
            ridge: terms.inner_ridge(self),
            stratum_ridge: self.stratum_ridge,
            clock_h,
            shape: self.shape,
        };
        let start = start(&likelihood, &strata);
        let maximum = maximise(&likelihood, start, self.max_iterations)
            .map_err(|failure| explain(failure, &likelihood, &strata, &terms))?;
        self.report(&likelihood, maximum, &strata, &terms)
    }
}

/// Starting grades among the rows, each with an intercept of its own.
struct Strata {
    grades: Vec<u8>,
    of_row: Vec<usize>,
    rows: Vec<usize>,
    events: Vec<usize>,
}

impl Strata {
    fn of(rows: &Intervals, events: &[bool], params: &HazardValid) -> Result<Strata, WearError> {
        let n = rows.len();
        if n == 0 {
            return Err(WearError::NoRows);
        }
        if events.len() != n {
            return Err(WearError::Lengths { rows: n, outcomes: events.len() });
        }
        let start_of = |row: usize| rows.row(row).grade_start;
        if let Some(row) = (0..n).find(|row| start_of(*row) >= params.limit) {
            return Err(WearError::NotAtRisk { row: row + 1, grade_start: start_of(row), limit: params.limit });
        }
        match events.iter().filter(|event| **event).count() {
            0 => return Err(WearError::NoEvents { rows: n, limit: params.limit }),
            all if all == n => return Err(WearError::AllEvents { rows: n, limit: params.limit }),
            _ => {}
        }
        let mut grades: Vec<u8> = (0..n).map(start_of).collect();
        grades.sort_unstable();
        grades.dedup();
        let mut strata = Strata {
            rows: vec![0; grades.len()],
            events: vec![0; grades.len()],
            of_row: Vec::with_capacity(n),
            grades,
        };
        for (row, event) in events.iter().enumerate() {
            let stratum = strata.grades.partition_point(|grade| *grade < start_of(row));
            strata.of_row.push(stratum);
            strata.rows[stratum] += 1;
            strata.events[stratum] += usize::from(*event);
        }
        if params.stratum_ridge == 0.0 {
            for (g, grade_start) in strata.grades.iter().enumerate() {
                let (rows, events) = (strata.rows[g], strata.events[g]);
                if events == 0 || events == rows {
                    return Err(WearError::StratumWithoutContrast { grade_start: *grade_start, rows, events });
                }
            }
        }
        Ok(strata)
    }
}

/// The terms of the fit and how they spread over its rows.
struct Terms {
    names: Vec<String>,
    columns: Vec<usize>,
    penalised: Vec<bool>,
    mean: Vec<f64>,
    sd: Vec<f64>,
    /// Greatest distance from the mean over the rows, in standard deviations.
    reach: Vec<f64>,
}

impl Terms {
    fn of(rows: &Intervals, strata: &Strata, params: &HazardValid) -> Result<Terms, WearError> {
        let names = params.terms.clone().unwrap_or_else(|| rows.terms().to_vec());
        if let Some(at) = (1..names.len()).find(|i| names[..*i].contains(&names[*i])) {
            return Err(WearError::TermTwice { name: names[at].clone() });
        }
        if let Some(name) = params.unpenalised.iter().find(|name| !names.contains(name)) {
            return Err(WearError::UnknownTerm { name: name.clone(), known: names.join(", ") });
        }
        let columns = rows.columns(names.iter().map(String::as_str))?;
        let penalised = names.iter().map(|name| params.ridge > 0.0 && !params.unpenalised.contains(name)).collect();
        let means: Vec<Vec<f64>> = (0..rows.len()).map(|row| rows.means(row)).collect();
        let n = means.len() as f64;
        let mut terms = Terms { names, penalised, mean: Vec::new(), sd: Vec::new(), reach: Vec::new(), columns };
        for (j, column) in terms.columns.iter().enumerate() {
            let values = || means.iter().map(|row| row[*column]);
            let mean = values().sum::<f64>() / n;
            let sd = (values().map(|x| (x - mean).powi(2)).sum::<f64>() / n).sqrt();
            if sd <= 1e-10 * values().fold(0.0, |most: f64, x| most.max(x.abs())) {
                return Err(WearError::Constant { name: terms.names[j].clone(), value: mean });
            }
            terms.mean.push(mean);
            terms.sd.push(sd);
            terms.reach.push(values().fold(0.0, |most: f64, x| most.max((x - mean).abs() / sd)));
        }
        terms.refuse_collinear(&means, strata)?;
        Ok(terms)
    }

    /// Only terms without a penalty need to be told apart; the ridge shares between the others.
    fn refuse_collinear(&self, means: &[Vec<f64>], strata: &Strata) -> Result<(), WearError> {
        let mut columns: Vec<Vec<f64>> = Vec::new();
        let mut names: Vec<&str> = Vec::new();
        for j in (0..self.names.len()).filter(|j| !self.penalised[*j]) {
            let raw: Vec<f64> = means.iter().map(|row| (row[self.columns[j]] - self.mean[j]) / self.sd[j]).collect();
            let mut within = raw.clone();
            centre_within(&mut within, strata);
            let shares = least_squares(&columns, &within);
            let rest = |of: &[f64]| -> Vec<f64> {
                let given =
                    |i: usize| columns.iter().zip(&shares).map(|(column, share)| share * column[i]).sum::<f64>();
                of.iter().enumerate().map(|(i, value)| value - given(i)).collect()
            };
            if norm(&rest(&within)) < 1e-7 * norm(&raw) {
                let used = shares.iter().zip(&names).filter(|(share, _)| share.abs() > 1e-6).map(|(_, name)| *name);
                let mut with: Vec<&str> = used.collect();
                if with.is_empty() {
                    with.push("grade_start");
                }
                return Err(WearError::Collinear { name: self.names[j].clone(), with: with.join(", ") });
            }
            columns.push(within);
            names.push(&self.names[j]);
        }
        Ok(())
    }

    /// The ridge as it falls on coefficients per standard deviation.
    fn inner_ridge(&self, params: &HazardValid) -> Vec<f64> {
        let scale = |sd: f64| match params.ridge_scale {
            RidgeScale::Raw => 1.0 / (sd * sd),
            RidgeScale::Sd => 1.0,
        };
        self.penalised
            .iter()
            .zip(&self.sd)
            .map(|(held, sd)| if *held { params.ridge * scale(*sd) } else { 0.0 })
            .collect()
    }
}

fn norm(values: &[f64]) -> f64 {
    values.iter().map(|v| v * v).sum::<f64>().sqrt()
}

/// Shares of the columns that come nearest to the target; the columns are known to be independent.
fn least_squares(columns: &[Vec<f64>], target: &[f64]) -> Vec<f64> {
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let n = columns.len();
    let gram = Array2::from_shape_fn((n, n), |(i, j)| dot(&columns[i], &columns[j]));
    let against: Vec<f64> = columns.iter().map(|column| dot(column, target)).collect();
    Cholesky::of(&gram).expect("dependent columns were refused before").solve(&against)
}

fn centre_within(values: &mut [f64], strata: &Strata) {
    let mut sums = vec![0.0; strata.grades.len()];
    for (value, stratum) in values.iter().zip(&strata.of_row) {
        sums[*stratum] += value;
    }
    for (value, stratum) in values.iter_mut().zip(&strata.of_row) {
        *value -= sums[*stratum] / strata.rows[*stratum] as f64;
    }
}

/// Each stratum's own events per run hour, no effect of terms, shape 1.
fn start(likelihood: &Likelihood<'_>, strata: &Strata) -> Vec<f64> {
    let k = match likelihood.shape {
        Shape::Fixed(k) => k,
        Shape::Fitted => 1.0,
    };
    let mut width = vec![0.0; strata.grades.len()];
    for (row, stratum) in strata.of_row.iter().enumerate() {
        let power = |age_h: f64| (age_h / likelihood.clock_h).powf(k);
        width[*stratum] += power(likelihood.rows.end_h(row)) - power(likelihood.rows.start_h(row));
    }
    let mut at = vec![0.0; likelihood.n_parameters()];
    for g in 0..strata.grades.len() {
        at[g] = ((strata.events[g] as f64 + 0.5) / width[g]).ln();
    }
    at
}

fn explain(failure: Failure, likelihood: &Likelihood<'_>, strata: &Strata, terms: &Terms) -> WearError {
    match failure {
        Failure::Flat { parameters } => {
            let names: Vec<String> = parameter_names(likelihood, strata, terms);
            let flat: Vec<&str> = parameters.iter().map(|j| names[*j].as_str()).collect();
            WearError::Separation { names: flat.join(", ") }
        }
        Failure::OutOfRange { at } if likelihood.shape_runs_away(&at) => {
            WearError::ShapeRunsAway { shape: likelihood.shape_at(&at) }
        }
        Failure::OutOfRange { at } => {
            let away = likelihood.terms_run_away(&at);
            let names: Vec<&str> = away.iter().map(|j| terms.names[*j].as_str()).collect();
            WearError::Separation { names: names.join(", ") }
        }
        Failure::NotConverged { iterations, max_gradient } => WearError::NotConverged { iterations, max_gradient },
    }
}

fn parameter_names(likelihood: &Likelihood<'_>, strata: &Strata, terms: &Terms) -> Vec<String> {
    let intercepts = strata.grades.iter().map(|grade| format!("intercept_{grade}"));
    let shape = likelihood.fits_shape().then(|| "ln_shape".to_owned());
    intercepts.chain(terms.names.iter().cloned()).chain(shape).collect()
}

impl HazardValid {
    fn report(
        &self,
        likelihood: &Likelihood<'_>,
        maximum: Maximum,
        strata: &Strata,
        terms: &Terms,
    ) -> Result<Hazard, WearError> {
        let (s, at) = (strata.grades.len(), &maximum.at);
        let shape = likelihood.shape_at(at);
        let information = match self.se {
            Se::Observed => maximum.information,
            Se::Expected => likelihood.expected_information(at),
        };
        let names = parameter_names(likelihood, strata, terms);
        let inner = Cholesky::of(&information)
            .map_err(|parameter| WearError::Separation { names: names[parameter].clone() })?
            .inverse();
        // Back to raw units: beta = b / sd, gamma = g - sum beta mean - k ln(clock). The covariance follows exactly,
        // for at the maximum the gradient is zero.
        let mut back = Array2::<f64>::eye(at.len());
        for j in 0..terms.names.len() {
            back[[s + j, s + j]] = 1.0 / terms.sd[j];
            for g in 0..s {
                back[[g, s + j]] = -terms.mean[j] / terms.sd[j];
            }
        }
        if likelihood.fits_shape() {
            for g in 0..s {
                back[[g, at.len() - 1]] = -shape * likelihood.clock_h.ln();
            }
        }
        let covariance = back.dot(&inner).dot(&back.t());
        let std_error = |j: usize| covariance[[j, j]].max(0.0).sqrt();
        let fitted = |j: usize| FittedTerm {
            name: terms.names[j].clone(),
            coefficient: at[s + j] / terms.sd[j],
            std_error: std_error(s + j),
            coefficient_sd: at[s + j],
            std_error_sd: inner[[s + j, s + j]].sqrt(),
            mean: terms.mean[j],
            sd: terms.sd[j],
            penalised: terms.penalised[j],
        };
        let fitted: Vec<FittedTerm> = (0..terms.names.len()).map(fitted).collect();
        let shift: f64 = fitted.iter().map(|term| term.coefficient * term.mean).sum();
        let intercept = |g: usize| {
            let value_at_mean = at[g] - shape * likelihood.clock_h.ln();
            Intercept {
                grade_start: strata.grades[g],
                value: value_at_mean - shift,
                std_error: std_error(g),
                value_at_mean,
                n_rows: strata.rows[g],
                n_events: strata.events[g],
            }
        };
        Ok(Hazard {
            intercepts: (0..s).map(intercept).collect(),
            terms: fitted,
            shape,
            shape_std_error: likelihood.fits_shape().then(|| shape * std_error(at.len() - 1)),
            log_likelihood: likelihood.log_likelihood(at),
            penalty: likelihood.penalty(at),
            n_rows: likelihood.rows.len(),
            n_events: strata.events.iter().sum(),
            n_event_lives: likelihood.rows.lives_of(likelihood.events),
            converged: true,
            iterations: maximum.iterations,
            limit: self.limit,
            ridge: self.ridge,
            ridge_scale: self.ridge_scale,
            stratum_ridge: self.stratum_ridge,
            se: self.se,
            parameters: names,
            covariance: covariance.outer_iter().map(|row| row.to_vec()).collect(),
        })
    }
}
