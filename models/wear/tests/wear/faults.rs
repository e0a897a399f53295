use linfa::traits::Fit;
use wear::{Hazard, HazardParams, Intervals, Row, Shape, WearError};

use crate::{Dice, table};

/// Forty rows with two honest terms, one constant and one that is their sum.
fn rows() -> Intervals {
    let mut dice = Dice(7);
    let rows: Vec<_> = (0..40)
        .map(|_| {
            let (a, b) = (dice.uniform(), dice.uniform());
            ("t", 0.0, 100.0, vec![a, b, 5.0, a + 2.0 * b], dice.uniform() < 0.4)
        })
        .collect();
    table(&["a", "b", "flat", "both"], rows)
}

fn fit(params: HazardParams, rows: &Intervals) -> Result<Hazard, WearError> {
    params.fit(&rows.dataset(2))
}

fn complaint(params: HazardParams, rows: &Intervals) -> String {
    fit(params, rows).map(|fit| format!("{fit:?}")).unwrap_err().to_string()
}

#[test]
fn a_constant_term_is_named() {
    let told = complaint(HazardParams::new().terms(["a", "flat"]), &rows());
    assert!(told.starts_with("term flat is 5 in every row"), "{told}");
}

#[test]
fn a_collinear_term_is_named_with_those_it_follows_from() {
    let told = complaint(HazardParams::new().terms(["a", "b", "both"]), &rows());
    assert!(told.starts_with("term both is a linear combination of a, b;"), "{told}");
    // The ridge shares between them.
    assert!(fit(HazardParams::new().terms(["a", "b", "both"]).ridge(1.0), &rows()).is_ok());
}

#[test]
fn a_term_that_copies_the_starting_grade_is_collinear_with_it() {
    let mut builder = Intervals::builder(["grade_again"]);
    for i in 0..20u8 {
        let grade_start = i % 2;
        builder
            .row(Row { group: "t", life: 1, grade_start, grade_end: if i % 3 == 0 { 2 } else { grade_start } })
            .unwrap();
        builder.cell(0.0, 10.0, &[f64::from(grade_start)]).unwrap();
    }
    let told = complaint(HazardParams::new(), &builder.build().unwrap());
    assert!(told.starts_with("term grade_again is a linear combination of grade_start"), "{told}");
}

#[test]
fn no_events_and_nothing_but_events_are_told_apart() {
    let all = |event: bool| table(&[], (0..5).map(|_| ("t", 0.0, 1.0, vec![], event)));
    assert!(matches!(fit(HazardParams::new(), &all(false)), Err(WearError::NoEvents { rows: 5, limit: 2 })));
    assert!(matches!(fit(HazardParams::new(), &all(true)), Err(WearError::AllEvents { rows: 5, limit: 2 })));
    assert!(matches!(fit(HazardParams::new(), &all(true).select(&[])), Err(WearError::NoRows)));
}

#[test]
fn separation_is_an_error_and_a_ridge_cures_it() {
    // Every event lies above x = 0, every other row below.
    let complete = table(&["x"], (-10..10).map(|i| ("t", 0.0, 10.0, vec![f64::from(i) + 0.5], i >= 0)));
    // No event where a rare flag is set: its coefficient runs to minus infinity.
    let quasi = table(&["x"], (0..60).map(|i| ("t", 0.0, 10.0, vec![f64::from(u8::from(i < 3))], i > 40)));
    // An event wherever the flag is set.
    let sure =
        table(&["x"], (0..60).map(|i| ("t", 0.0, 10.0, vec![f64::from(u8::from(i < 3))], !(3..=40).contains(&i))));
    for rows in [complete, quasi, sure] {
        let error = fit(HazardParams::new(), &rows).map(|fit| format!("{fit:?}")).unwrap_err();
        assert!(matches!(error, WearError::Separation { .. }), "{error}");
        assert!(error.to_string().contains('x'), "{error}");
        let held = fit(HazardParams::new().ridge(1.0), &rows).unwrap();
        assert!(held.terms[0].coefficient.abs() < 5.0);
    }
}

fn two_grades(late_events: u8) -> Intervals {
    let mut builder = Intervals::builder(Vec::<String>::new());
    for i in 0..20u8 {
        let grade_start = u8::from(i >= 12);
        let event = if i < 12 { i < 4 } else { i < 12 + late_events };
        builder
            .row(Row { group: "t", life: i.into(), grade_start, grade_end: if event { 2 } else { grade_start } })
            .unwrap();
        builder.cell(0.0, 10.0, &[]).unwrap();
    }
    builder.build().unwrap()
}

#[test]
fn a_grade_without_events_is_named_and_a_stratum_ridge_keeps_it_finite() {
    let error = fit(HazardParams::new(), &two_grades(0)).map(|fit| format!("{fit:?}")).unwrap_err();
    assert!(matches!(error, WearError::StratumWithoutContrast { grade_start: 1, rows: 8, events: 0 }), "{error}");
    let tied = fit(HazardParams::new().stratum_ridge(1.0), &two_grades(0)).unwrap();
    assert!(tied.intercepts[1].value < tied.intercepts[0].value && tied.intercepts[1].value.is_finite());
    // A very strong tie makes both one.
    let one = fit(HazardParams::new().stratum_ridge(1e9), &two_grades(3)).unwrap();
    assert!((one.intercepts[1].value - one.intercepts[0].value).abs() < 1e-6);
    // Without it, each grade has its own rate: 4 of 12 and 3 of 8, by hand.
    let free = fit(HazardParams::new(), &two_grades(3)).unwrap();
    for (intercept, share) in free.intercepts.iter().zip([4.0f64 / 12.0, 3.0 / 8.0]) {
        assert!((intercept.value - (-(1.0 - share).ln() / 10.0).ln()).abs() < 1e-9);
    }
}

#[test]
fn a_shape_that_the_data_do_not_bound_is_refused() {
    // Every event happens at the greatest age: the steeper the better.
    let rows = table(&[], (1..=20).map(|i| ("t", 0.0, if i > 15 { 100.0 } else { 10.0 }, vec![], i > 15)));
    let error = fit(HazardParams::new().shape(Shape::Fitted), &rows).map(|fit| format!("{fit:?}")).unwrap_err();
    assert!(matches!(error, WearError::ShapeRunsAway { .. } | WearError::Separation { .. }), "{error}");
}

#[test]
fn an_unknown_term_lists_what_there_is() {
    let told = complaint(HazardParams::new().terms(["torque"]), &rows());
    assert_eq!(told, "term \"torque\" is not in the table; it has: a, b, flat, both");
    let told = complaint(HazardParams::new().terms(["a"]).unpenalised(["b"]), &rows());
    assert!(told.contains("\"b\""), "{told}");
}

#[test]
fn weights_are_refused_and_not_ignored() {
    let dataset = rows().dataset(2).with_weights(ndarray::Array1::ones(40));
    assert!(matches!(HazardParams::new().terms(["a"]).fit(&dataset), Err(WearError::Weights)));
}

#[test]
fn the_unit_of_a_term_and_of_time_do_not_matter() {
    // Kelvin instead of Celsius and seconds instead of hours: same probabilities, coefficients in the new unit.
    let mut dice = Dice(11);
    let base: Vec<(f64, f64, bool)> =
        (0..80).map(|_| (100.0 * dice.uniform(), 40.0 * dice.uniform(), dice.uniform() < 0.3)).collect();
    let one = table(&["temp"], base.iter().map(|(age, temp, event)| ("t", *age, age + 50.0, vec![*temp], *event)));
    let other = table(
        &["temp"],
        base.iter().map(|(age, temp, event)| {
            ("t", age * 3600.0, (age + 50.0) * 3600.0, vec![(temp + 273.15) * 1000.0], *event)
        }),
    );
    let fit = |rows: &Intervals| HazardParams::new().shape(Shape::Fixed(1.6)).fit(&rows.dataset(2)).unwrap();
    let (a, b) = (fit(&one), fit(&other));
    assert!((a.terms[0].coefficient - 1000.0 * b.terms[0].coefficient).abs() < 1e-9);
    assert!((a.terms[0].std_error_sd - b.terms[0].std_error_sd).abs() < 1e-9);
    for (p, q) in a.probabilities(&one).unwrap().iter().zip(b.probabilities(&other).unwrap()) {
        assert!((p - q).abs() < 1e-9);
    }
}

#[test]
fn cutting_a_cell_changes_nothing() {
    let mut dice = Dice(13);
    let mut base: Vec<(f64, f64, bool)> = Vec::new();
    for _ in 0..60 {
        let age = 50.0 + 100.0 * dice.uniform();
        base.push((age, dice.uniform(), dice.uniform() < age / 250.0));
    }
    let whole = table(&["x"], base.iter().map(|(age, x, event)| ("t", *age, age + 50.0, vec![*x], *event)));
    let mut builder = Intervals::builder(["x"]);
    for (age, x, event) in &base {
        builder.row(Row { group: "t", life: 1, grade_start: 0, grade_end: if *event { 2 } else { 0 } }).unwrap();
        for (from, to) in [(0.0, 7.0), (7.0, 7.0), (7.0, 31.0), (31.0, 50.0)] {
            builder.cell(age + from, age + to, &[*x]).unwrap();
        }
    }
    let cut = builder.build().unwrap();
    for shape in [Shape::Fixed(1.0), Shape::Fixed(2.2), Shape::Fitted] {
        let fit = |rows: &Intervals| HazardParams::new().shape(shape).ridge(0.5).fit(&rows.dataset(2)).unwrap();
        let (a, b) = (fit(&whole), fit(&cut));
        assert!((a.terms[0].coefficient - b.terms[0].coefficient).abs() < 1e-8);
        assert!((a.shape - b.shape).abs() < 1e-8 && (a.log_likelihood - b.log_likelihood).abs() < 1e-9);
    }
}

/// A small plant: a few tubes, few events, two grades, cells of changing conditions, pure noise.
fn small_plant(seed: u64) -> Intervals {
    let mut dice = Dice(seed);
    let mut builder = Intervals::builder(["a", "b", "c"]);
    for i in 0..20u32 {
        let grade_start = u8::from(dice.uniform() < 0.3);
        let event = dice.uniform() < 0.25;
        let group = (i % 5).to_string();
        builder
            .row(Row { group: &group, life: i, grade_start, grade_end: if event { 3 } else { grade_start } })
            .unwrap();
        let mut age_h = 3000.0 * dice.uniform();
        for _ in 0..3 {
            let to_h = age_h + 10.0 + 400.0 * dice.uniform();
            let x = [1e6 * dice.uniform(), dice.uniform().powi(4), f64::from(u8::from(dice.uniform() < 0.1))];
            builder.cell(age_h, to_h, &x).unwrap();
            age_h = to_h;
        }
    }
    builder.build().unwrap()
}

#[test]
fn small_plants_end_in_a_fit_or_in_a_reason() {
    let (mut fits, mut held_fits) = (0, 0);
    for seed in 0..400 {
        let rows = small_plant(seed);
        for shape in [Shape::Fixed(1.0), Shape::Fitted] {
            match fit(HazardParams::new().shape(shape), &rows) {
                Ok(fit) => {
                    fits += 1;
                    assert!(fit.terms.iter().all(|term| term.std_error.is_finite() && term.std_error > 0.0));
                }
                Err(WearError::NotConverged { iterations, max_gradient }) => {
                    panic!("plant {seed} {shape:?}: {iterations} steps, gradient {max_gradient}")
                }
                Err(_) => {}
            }
        }
        let held = HazardParams::new().ridge(1.0).ridge_scale(wear::RidgeScale::Sd).stratum_ridge(1.0);
        match fit(held, &rows) {
            Ok(fit) => held_fits += u32::from(fit.terms.iter().all(|term| term.coefficient_sd.abs() < 3.0)),
            Err(error) => assert!(matches!(error, WearError::NoEvents { .. } | WearError::Constant { .. }), "{error}"),
        }
    }
    // Nearly every plant has an event; with the ridge all of these can be fitted.
    assert!(fits > 200 && held_fits > 380, "{fits} {held_fits}");
}
