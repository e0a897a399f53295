//! `fit --table` on published data, against results of independent libraries.

use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::service::{done, run};

fn reference(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference").join(name)
}

const TERMS: &str = "fin,age,race_black,wexp,mar,paro,prio,employed_frac";

fn fit(more: &[&str]) -> Value {
    let table = reference("rossi_grouped.csv");
    let mut arguments = vec!["fit", "--table", table.to_str().unwrap(), "--group", "unit", "--start", "start_week"];
    arguments.extend(["--end", "end_week", "--event", "event", "--terms", TERMS]);
    arguments.extend(more);
    serde_json::from_str(&done(&arguments)).unwrap()
}

fn term<'v>(model: &'v Value, name: &str) -> &'v Value {
    model["terms"].as_array().unwrap().iter().find(|term| term["name"] == name).unwrap()
}

fn close(what: &str, found: &Value, expected: &Value, relative: f64) {
    let (found, expected) = (found.as_f64().unwrap(), expected.as_f64().unwrap());
    assert!((found - expected).abs() <= relative * expected.abs(), "{what}: {found} is not {expected}");
}

/// Rossi, Berk and Lenihan (1980), grouped by weeks; coefficients, likelihoods and standard errors from statsmodels
/// and a direct optimisation (rossi_grouped.json says how).
#[test]
fn the_rossi_data_fit_as_independent_libraries_fit_them() {
    let expected: Value =
        serde_json::from_str(&std::fs::read_to_string(reference("rossi_grouped.json")).unwrap()).unwrap();
    let plain = &expected["A_constant_baseline"];
    for (se, key) in [("observed", "se_observed_information"), ("expected", "se_expected_information")] {
        let model = fit(&["--se", se]);
        for name in TERMS.split(',') {
            close(name, &term(&model, name)["coefficient"], &plain["coef"][name], 1e-6);
            close(name, &term(&model, name)["std_error"], &plain[key][name], 1e-4);
        }
        close("intercept", &model["intercepts"][0]["value"], &plain["coef"]["(intercept)"], 1e-6);
        close("log-likelihood", &model["log_likelihood"], &plain["loglik"], 1e-6);
        assert_eq!(
            (&model["n_rows"], &model["n_events"], &model["converged"]),
            (&2813.into(), &114.into(), &true.into())
        );
    }
    for ridge in expected["A_ridge"].as_array().unwrap() {
        let lambda = ridge["lam"].to_string();
        let (scale, coefficients, field) = match ridge["standardised"].as_bool().unwrap() {
            true => ("sd", "coef_standardised", "coefficient_sd"),
            false => ("raw", "coef", "coefficient"),
        };
        let model = fit(&["--ridge", &lambda, "--ridge-scale", scale]);
        for name in TERMS.split(',') {
            close(
                &format!("{name} at ridge {lambda} {scale}"),
                &term(&model, name)[field],
                &ridge[coefficients][name],
                1e-6,
            );
        }
        close("log-likelihood", &model["log_likelihood"], &ridge["loglik"], 1e-6);
    }
}

/// A site's offset is what an indicator of it would be: here the two values of a column stand for sites, and the figure for
/// that column is the one of the independent libraries.
#[test]
fn the_offset_of_a_site_is_the_coefficient_of_its_indicator() {
    let expected: Value =
        serde_json::from_str(&std::fs::read_to_string(reference("rossi_grouped.json")).unwrap()).unwrap();
    let table = reference("rossi_grouped.csv");
    let others = TERMS.replace("race_black,", "");
    let common =
        ["--group", "unit", "--start", "start_week", "--end", "end_week", "--event", "event", "--terms", &others];
    let pooled = |tables: &[&str], more: &[&str]| -> Value {
        let mut arguments = vec!["fit"];
        tables.iter().for_each(|table| arguments.extend(["--table", table]));
        arguments.extend(common.iter().chain(more));
        serde_json::from_str(&done(&arguments)).unwrap()
    };
    let plain = &expected["A_constant_baseline"];
    let by_column = pooled(&[table.to_str().unwrap()], &["--site", "race_black"]);
    // The same in two files, one for each site.
    let text = std::fs::read_to_string(&table).unwrap();
    let (head, rows) = text.split_once('\n').unwrap();
    let column = head.split(',').position(|name| name == "race_black").unwrap();
    let folder = tempfile::tempdir().unwrap();
    let paths = ["0", "1"].map(|site| {
        let own = rows.lines().filter(|row| row.split(',').nth(column) == Some(site)).collect::<Vec<_>>();
        assert!(own.len() > 100, "no rows of {site}");
        let path = folder.path().join(format!("works_{site}.csv"));
        std::fs::write(&path, format!("{head}\n{}\n", own.join("\n"))).unwrap();
        path
    });
    let by_file = pooled(&[paths[0].to_str().unwrap(), paths[1].to_str().unwrap()], &[]);
    for (model, offset) in [(by_column, "site_1"), (by_file, "site_works_1")] {
        close(offset, &term(&model, offset)["coefficient"], &plain["coef"]["race_black"], 1e-6);
        close("its error", &term(&model, offset)["std_error"], &plain["se_observed_information"]["race_black"], 1e-4);
        close("prio", &term(&model, "prio")["coefficient"], &plain["coef"]["prio"], 1e-6);
        close("log-likelihood", &model["log_likelihood"], &plain["loglik"], 1e-6);
    }
}

/// 432 men, 114 of them arrested within the year: 318 are censored (Rossi, Berk and Lenihan 1980).
#[test]
fn a_report_on_anybodys_table_says_how_much_stands_behind_it() {
    let folder = tempfile::tempdir().unwrap();
    let html = folder.path().join("report.html");
    let table = reference("rossi_grouped.csv");
    let mut arguments =
        vec!["validate", "--table", table.to_str().unwrap(), "--group", "unit", "--start", "start_week"];
    arguments.extend(["--end", "end_week", "--event", "event", "--terms", TERMS, "--ridge", "1"]);
    arguments.extend(["--html", html.to_str().unwrap()]);
    let result: Value = serde_json::from_str(&done(&arguments)).unwrap();
    let counts = &result["report"]["counts"];
    assert_eq!(
        (&counts["tubes"], &counts["events"], &counts["censored_lives"]),
        (&432.into(), &114.into(), &318.into())
    );
    let html = std::fs::read_to_string(html).unwrap();
    for part in ["2\u{202f}813 intervals of 432 tubes", "318 lives are censored", "1 in the column event", "<svg"] {
        assert!(html.contains(part), "{part:?} is not in the report");
    }
    assert!(html.contains(result["report"]["sentence"].as_str().unwrap()));
    assert!(!html.contains("NaN") && !html.contains("<script"));
}

#[test]
fn a_table_that_is_wrong_names_line_and_column() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("table.csv");
    std::fs::write(
        &path,
        "tube,start_h,end_h,grade_start,grade_end,x\nT1,0,100,0,1,1\nT1,100,90,1,2,2\nT2,0,50,0,7,n\n",
    )
    .unwrap();
    let output = run(&["fit", "--table", path.to_str().unwrap(), "--limit", "2", "--terms", "x"]);
    assert_eq!(output.status.code(), Some(65));
    let errors = String::from_utf8(output.stderr).unwrap();
    for part in ["line 3", "line 4, column x", "a grade from 0 to 4"] {
        assert!(errors.contains(part), "{part:?} is not in {errors}");
    }
    let output = run(&["fit", "--table", path.to_str().unwrap(), "--limit", "2", "--terms", "y"]);
    assert!(String::from_utf8(output.stderr).unwrap().contains("column y: this column is missing"));
}
