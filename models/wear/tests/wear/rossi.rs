//! Rossi, Berk & Lenihan (1980), grouped by weeks; figures by statsmodels and scikit-learn, see tests/reference.

use std::collections::HashMap;
use std::path::PathBuf;

use linfa::traits::Fit;
use serde_json::Value;
use wear::validate::{Forecast, by_tube};
use wear::{Hazard, HazardParams, Intervals, RidgeScale, Row, Se};

use crate::close;

const TERMS: [&str; 8] = ["fin", "age", "race_black", "wexp", "mar", "paro", "prio", "employed_frac"];

fn reference(file: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference").join(file)
}

fn figures() -> Value {
    serde_json::from_reader(std::fs::File::open(reference("rossi_grouped.json")).unwrap()).unwrap()
}

fn csv_rows(file: &str) -> Vec<HashMap<String, String>> {
    csv::Reader::from_path(reference(file)).unwrap().deserialize().map(Result::unwrap).collect()
}

/// The table; with `by_interval`, one dummy per interval after the first stands before the terms.
fn rossi(by_interval: bool) -> Intervals {
    let dummies: Vec<String> =
        if by_interval { (2..=7).map(|i| format!("interval_{i}")).collect() } else { Vec::new() };
    let mut builder = Intervals::builder(dummies.iter().cloned().chain(TERMS.map(str::to_owned)));
    for row in csv_rows("rossi_grouped.csv") {
        let number = |column: &str| row[column].parse::<f64>().unwrap();
        let grade_end = if row["event"] == "1" { 2 } else { 0 };
        builder.row(Row { group: &row["unit"], life: 1, grade_start: 0, grade_end }).unwrap();
        let mut x: Vec<f64> =
            dummies.iter().map(|name| f64::from(u8::from(*name == format!("interval_{}", row["interval"])))).collect();
        x.extend(TERMS.map(number));
        builder.cell(number("start_week"), number("end_week"), &x).unwrap();
    }
    builder.build().unwrap()
}

fn figure(at: &Value, key: &str) -> f64 {
    at[key].as_f64().unwrap_or_else(|| panic!("{key} in {at}"))
}

fn hold_terms(fit: &Hazard, coefficients: &Value) {
    for name in TERMS {
        let term = fit.terms.iter().find(|term| term.name == name).unwrap();
        close(term.coefficient, figure(coefficients, name), 1e-6);
    }
}

fn hold_errors(fit: &Hazard, errors: &Value) {
    close(fit.intercepts[0].std_error, figure(errors, "(intercept)"), 1e-4);
    for term in &fit.terms {
        close(term.std_error, figure(errors, &term.name), 1e-4);
        close(term.std_error_sd, term.std_error * term.sd, 1e-9);
    }
}

#[test]
fn unpenalised_with_both_kinds_of_standard_errors() {
    let (rows, figures) = (rossi(false), figures());
    let expected = &figures["A_constant_baseline"];
    for (se, errors) in [(Se::Observed, "se_observed_information"), (Se::Expected, "se_expected_information")] {
        let fit = HazardParams::new().se(se).fit(&rows.dataset(2)).unwrap();
        hold_terms(&fit, &expected["coef"]);
        close(fit.intercepts[0].value, figure(&expected["coef"], "(intercept)"), 1e-6);
        close(fit.log_likelihood, figure(expected, "loglik"), 1e-9);
        hold_errors(&fit, &expected[errors]);
        assert_eq!((fit.n_rows, fit.n_events, fit.n_event_lives), (2813, 114, 114));
    }
}

#[test]
fn a_ridge_on_raw_and_on_standardised_terms() {
    let (rows, figures) = (rossi(false), figures());
    let cases = figures["A_ridge"].as_array().unwrap();
    assert_eq!(cases.len(), 8);
    for case in cases {
        let params = HazardParams::new().ridge(figure(case, "lam"));
        if case["standardised"] == true {
            let fit = params.ridge_scale(RidgeScale::Sd).fit(&rows.dataset(2)).unwrap();
            hold_terms(&fit, &case["coef_on_raw_scale_slopes"]);
            close(fit.intercepts[0].value, figure(case, "intercept_on_raw_scale"), 1e-6);
            close(fit.intercepts[0].value_at_mean, figure(&case["coef_standardised"], "(intercept)"), 1e-6);
            for term in &fit.terms {
                close(term.coefficient_sd, figure(&case["coef_standardised"], &term.name), 1e-6);
                close(term.mean, figure(&case["mean"], &term.name), 1e-12);
                close(term.sd, figure(&case["sd_pop"], &term.name), 1e-12);
            }
            close(fit.log_likelihood, figure(case, "loglik"), 1e-9);
            close(fit.log_likelihood - fit.penalty, figure(case, "penalised_objective"), 1e-9);
        } else {
            let fit = params.fit(&rows.dataset(2)).unwrap();
            hold_terms(&fit, &case["coef"]);
            close(fit.intercepts[0].value, figure(&case["coef"], "(intercept)"), 1e-6);
            hold_errors(&fit, &case["se_from_penalised_observed_hessian"]);
            close(fit.log_likelihood, figure(case, "loglik"), 1e-9);
            close(fit.log_likelihood - fit.penalty, figure(case, "penalised_objective"), 1e-9);
        }
    }
}

#[test]
fn interval_dummies_stay_unpenalised() {
    let (rows, figures) = (rossi(true), figures());
    let free = HazardParams::new();
    let dummies: Vec<String> = (2..=7).map(|i| format!("interval_{i}")).collect();
    let hold = |fit: &Hazard, case: &Value, coefficients: &Value| {
        hold_terms(fit, coefficients);
        close(fit.log_likelihood, figure(case, "loglik"), 1e-9);
    };
    let case = &figures["B_interval_dummies"];
    let fit = free.clone().fit(&rows.dataset(2)).unwrap();
    hold(&fit, case, &case["coef"]);
    close(fit.intercepts[0].std_error, figure(&case["se_observed_information"], "interval_1"), 1e-4);
    for case in figures["B_ridge"].as_array().unwrap() {
        let standardised = case["standardised"] == true;
        let scale = if standardised { RidgeScale::Sd } else { RidgeScale::Raw };
        let params = free.clone().ridge(figure(case, "lam")).ridge_scale(scale).unpenalised(dummies.clone());
        let fit = params.fit(&rows.dataset(2)).unwrap();
        hold(&fit, case, &case[if standardised { "coef_on_raw_scale_slopes" } else { "coef" }]);
        if !standardised {
            for (dummy, name) in fit.terms.iter().zip(&dummies) {
                let expected = figure(&case["coef"], name);
                close(fit.intercepts[0].value + dummy.coefficient, expected, 1e-6);
            }
        }
    }
}

#[test]
fn by_group_folds_and_what_they_foretell() {
    let figures = figures();
    let expected = &figures["A_groupcv5_ridge1_standardised"];
    let candidate = HazardParams::new().ridge(1.0).ridge_scale(RidgeScale::Sd);
    let found = by_tube(&rossi(false), 2, &[candidate], 5).unwrap();
    let out_of_fold = csv_rows("rossi_out_of_fold.csv");
    assert_eq!(found.predictions.len(), out_of_fold.len());
    let model = Forecast::Model as usize;
    for (found, expected) in found.predictions.iter().zip(&out_of_fold) {
        assert_eq!(found.group, expected["unit"]);
        assert_eq!(found.fold.to_string(), expected["fold"], "unit {}", found.group);
        assert!((found.probabilities[model] - expected["p_oof"].parse::<f64>().unwrap()).abs() < 1e-10);
    }
    for (fit, expected) in found.fits.iter().zip(expected["folds"].as_array().unwrap()) {
        assert_eq!(fit.n_rows, expected["n_test"]);
        assert_eq!(fit.n_events, expected["events_test"]);
        assert_eq!(fit.groups.len(), expected["groups_test"]);
        let hazard = fit.model.as_ref().unwrap();
        let coefficients: Vec<f64> = expected["coef"].as_array().unwrap().iter().map(|c| c.as_f64().unwrap()).collect();
        close(hazard.intercepts[0].value_at_mean, coefficients[0], 1e-6);
        for (term, expected) in hazard.terms.iter().zip(&coefficients[1..]) {
            close(term.coefficient_sd, *expected, 1e-6);
        }
    }
    let scored = &found.contenders[model];
    close(scored.brier, figure(expected, "brier"), 1e-9);
    close(scored.log_loss, figure(expected, "logloss"), 1e-9);
    close(scored.auc.unwrap(), figure(expected, "auc"), 1e-9);
    close(scored.ece_equal_count, figure(expected, "ece_10_equal_count"), 1e-8);
    let calibration = scored.calibration.unwrap();
    close(calibration.slope, figure(&expected["calibration"], "slope"), 1e-6);
    close(calibration.intercept, figure(&expected["calibration"], "intercept"), 1e-6);
    close(calibration.in_the_large, figure(&expected["calibration"], "in_the_large"), 1e-6);
    for (bin, expected) in scored.bins.iter().zip(expected["reliability_bins"].as_array().unwrap()) {
        assert_eq!(bin.n, expected["n"]);
        close(bin.mean_probability, figure(expected, "mean_pred"), 1e-8);
        close(bin.event_rate, figure(expected, "obs_rate"), 1e-12);
    }
    close(found.contenders[0].brier, figure(expected, "brier_of_training_rate"), 1e-9);
}

/// 432 men, 114 arrested within the year (Rossi, Berk and Lenihan 1980). The rest by numpy and statsmodels 0.15.0 from
/// rossi_out_of_fold.csv: intervals from `GLM(cov_type="cluster")` by man without its correction, times 432/431; pairs
/// counted one by one; the null from 20000 draws of numpy's generator.
#[test]
fn a_report_says_what_independent_libraries_say() {
    let candidate = HazardParams::new().ridge(1.0).ridge_scale(RidgeScale::Sd);
    let report = by_tube(&rossi(false), 2, &[candidate], 5).unwrap().report.unwrap();
    let counts = report.counts;
    assert_eq!((counts.rows, counts.events, counts.tubes), (2813, 114, 432));
    assert_eq!((counts.lives, counts.event_lives, counts.censored_lives), (432, 114, 318));

    let model = report.honesty.iter().find(|honesty| honesty.forecast == Forecast::Model).unwrap();
    let calibration = model.calibration.unwrap();
    for (found, value, std_error) in [
        (calibration.intercept, -0.35057695, 0.40631083),
        (calibration.slope, 0.88870425, 0.13706347),
        (calibration.in_the_large, -0.03219725, 0.09708798),
    ] {
        close(found.value, value, 1e-6);
        // 90 % of a normal distribution lie within 1.644854 standard errors.
        close((found.upper - found.value) / 1.644854, std_error, 1e-5);
        close((found.value - found.lower) / 1.644854, std_error, 1e-5);
    }

    let null = &model.reliability;
    close(null.error, 0.010770001, 1e-6);
    assert!((null.null_mean - 0.008749).abs() < 0.0002, "{}", null.null_mean);
    assert!((null.null_upper - 0.012614).abs() < 0.0005, "{}", null.null_upper);
    assert!((null.as_high - 0.179).abs() < 0.03, "{}", null.as_high);
    let bands: [(usize, f64, f64); 10] = [
        (6, 0.0, 0.0142),
        (5, 0.0035, 0.0248),
        (3, 0.0071, 0.0319),
        (5, 0.0107, 0.0391),
        (11, 0.0142, 0.0463),
        (7, 0.0178, 0.0534),
        (13, 0.0249, 0.0641),
        (7, 0.0320, 0.0783),
        (18, 0.0498, 0.0996),
        (39, 0.0925, 0.1601),
    ];
    for (bin, (n_events, lower, upper)) in null.bins.iter().zip(bands) {
        assert_eq!(bin.n_events, n_events);
        // Two generators may end one event of some 281 apart.
        assert!((bin.lower - lower).abs() < 0.0037 && (bin.upper - upper).abs() < 0.0037, "{bin:?}");
    }

    let concordance = report.concordance.unwrap();
    assert_eq!((concordance.pairs, concordance.won), (8253, 5130.0));
    let cost = |ratio: f64| report.decision.iter().find(|cost| (cost.ratio - ratio).abs() < 1e-9).unwrap().model;
    for (ratio, expected) in [(0.02, 0.0191112691), (0.1, 0.0357269820)] {
        close(cost(ratio), expected, 1e-8);
    }
}

#[test]
fn a_model_survives_json() {
    let fit = HazardParams::new().ridge(1.0).fit(&rossi(false).dataset(2)).unwrap();
    let text = serde_json::to_string(&fit).unwrap();
    let again: Hazard = serde_json::from_str(&text).unwrap();
    let rows = rossi(false);
    for (found, expected) in again.probabilities(&rows).unwrap().iter().zip(fit.probabilities(&rows).unwrap()) {
        close(*found, expected, 1e-12);
    }
    let value: Value = serde_json::from_str(&text).unwrap();
    // The names that others read.
    for name in ["terms", "intercepts", "shape", "log_likelihood", "penalty", "n_rows", "n_events", "converged"] {
        assert!(!value[name].is_null(), "{name}");
    }
    for name in ["name", "coefficient", "std_error", "coefficient_sd", "std_error_sd", "mean", "sd"] {
        assert!(!value["terms"][0][name].is_null(), "{name}");
    }
}
