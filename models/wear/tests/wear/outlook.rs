use proptest::prelude::*;
use wear::{BlindPace, Course, FittedTerm, Hazard, Intercept, Intervals, Pace, RidgeScale, Row, Se, WearError};

/// A model made up by hand: two starting grades, two terms, and a covariance of nothing.
fn hazard(gamma: [f64; 2], beta: [f64; 2], shape: f64) -> Hazard {
    let term = |name: &str, coefficient: f64| FittedTerm {
        name: name.to_owned(),
        coefficient,
        std_error: 0.0,
        coefficient_sd: coefficient,
        std_error_sd: 0.0,
        mean: 0.0,
        sd: 1.0,
        penalised: true,
    };
    let intercept = |grade_start: u8, value: f64| Intercept {
        grade_start,
        value,
        std_error: 0.0,
        value_at_mean: value,
        n_rows: 10,
        n_events: 5,
    };
    Hazard {
        terms: vec![term("starts", beta[0]), term("dry_h", beta[1])],
        intercepts: vec![intercept(0, gamma[0]), intercept(1, gamma[1])],
        shape,
        shape_std_error: Some(0.1),
        log_likelihood: -1.0,
        penalty: 0.0,
        n_rows: 20,
        n_events: 10,
        n_event_lives: 10,
        converged: true,
        iterations: 5,
        limit: 2,
        ridge: 1.0,
        ridge_scale: RidgeScale::Sd,
        stratum_ridge: 0.0,
        se: Se::Observed,
        parameters: ["intercept_0", "intercept_1", "starts", "dry_h", "ln_shape"].map(str::to_owned).into(),
        covariance: vec![vec![0.0; 5]; 5],
    }
}

#[derive(Debug, Clone)]
struct Piece {
    run_h: f64,
    x: Option<[f64; 2]>,
}

fn course(grade_start: u8, age_h: f64, pieces: &[Piece]) -> Course {
    let mut course = Course::new(grade_start, age_h, 2).unwrap();
    for piece in pieces {
        match &piece.x {
            Some(x) => course.seen(piece.run_h, x).unwrap(),
            None => course.blind(piece.run_h).unwrap(),
        }
    }
    course
}

const FLEET: [(f64, [f64; 2]); 3] = [(10.0, [0.1, 0.0]), (10.0, [0.5, 0.2]), (10.0, [1.5, 0.9])];
const BEFORE: [(f64, [f64; 2]); 2] = [(50.0, [0.4, 0.1]), (20.0, [0.9, 0.6])];

fn pieces_of(cells: &[(f64, [f64; 2])]) -> impl Iterator<Item = (f64, &[f64])> {
    cells.iter().map(|(h, x)| (*h, &x[..]))
}

fn blind(hazard: &Hazard, before: bool) -> BlindPace {
    BlindPace {
        fleet_median: hazard.median_pace(pieces_of(&FLEET)).unwrap(),
        unit_before: before.then(|| hazard.mean_pace(pieces_of(&BEFORE)).unwrap()),
    }
}

fn risk(hazard: &Hazard, course: &Course, before: bool, horizon_h: f64) -> f64 {
    let pace = hazard.mean_pace(pieces_of(&BEFORE)).unwrap();
    hazard.outlook(course, &blind(hazard, before)).unwrap().risk(horizon_h, &pace).unwrap().risk
}

fn driver(drivers: &[(String, f64)], name: &str) -> f64 {
    drivers.iter().find(|(driver, _)| driver == name).unwrap().1
}

#[test]
fn a_small_course_by_hand() {
    // 100 h at x = (1, 0) with coefficient 0.7: multiplier e^0.7 = 2.01375. The fleet's median hour has
    // e^(0.35) = 1.419, so 50 blind hours take the unit's own mean, 2.01375. 200 h to come at a multiplier of 3.
    let hazard = hazard([1e-4f64.ln(), 2e-4f64.ln()], [0.7, 0.0], 1.0);
    let course = course(1, 300.0, &[Piece { run_h: 100.0, x: Some([1.0, 0.0]) }, Piece { run_h: 50.0, x: None }]);
    let outlook = hazard.outlook(&course, &blind(&hazard, false)).unwrap();
    let ahead = Pace { run_h: 1.0, multiplier: 3.0, x: vec![0.0, 0.0] };
    let found = outlook.risk(200.0, &ahead).unwrap();
    let equivalent = 150.0 * 0.7f64.exp();
    let expected = 1.0 - (-2e-4 * (equivalent + 600.0)).exp();
    assert!((found.risk - expected).abs() < 1e-12, "{found:?}");
    assert!((outlook.equivalent_h() - equivalent).abs() < 1e-9);
    let drivers = outlook.drivers();
    assert!((driver(&drivers, "run_h") - 100.0).abs() < 1e-9);
    assert!((driver(&drivers, "starts") - 100.0 * (0.7f64.exp() - 1.0)).abs() < 1e-9);
    assert!((driver(&drivers, "blind_h") - 50.0 * 0.7f64.exp()).abs() < 1e-9);
    // Nothing is known but the blind hours: a third of 302 of 902 equivalent hours, a factor of two either way.
    let off = 1.6448536269514722 * 2f64.ln() * (50.0 * 0.7f64.exp()) / (equivalent + 600.0);
    let upper = 1.0 - (-2e-4 * (equivalent + 600.0) * off.exp()).exp();
    assert!((found.upper - upper).abs() < 1e-12, "{found:?} {upper}");
}

#[test]
fn what_is_foretold_is_what_a_validation_judges() {
    // One row of 300 h at x = (0.4, 0): the chance of a validation, and that of a score which comes to the same hours.
    let hazard = hazard([-9.0, -8.0], [0.5, 0.5], 1.4);
    let mut rows = Intervals::builder(vec!["starts".to_owned(), "dry_h".to_owned()]);
    rows.row(Row { group: "T1", life: 1, grade_start: 0, grade_end: 2 }).unwrap();
    rows.cell(800.0, 1100.0, &[0.4, 0.0]).unwrap();
    let judged = hazard.probabilities(&rows.build().unwrap()).unwrap()[0];
    let course = course(0, 800.0, &[Piece { run_h: 300.0, x: Some([0.4, 0.0]) }]);
    assert!((risk(&hazard, &course, true, 0.0) - judged).abs() < 1e-12, "{judged}");
}

#[test]
fn a_tube_that_has_reached_the_limit_has_no_risk_left() {
    let hazard = hazard([-9.0, -8.0], [0.5, 0.5], 1.4);
    let error = hazard.outlook(&course(2, 0.0, &[]), &blind(&hazard, true)).err();
    assert!(matches!(error, Some(WearError::Reached { grade_start: 2, limit: 2 })));
}

#[test]
fn the_median_hour_is_weighed_by_hours() {
    let hazard = hazard([-9.0, -8.0], [1.0, 0.0], 1.0);
    let hours: [(f64, [f64; 2]); 3] = [(1.0, [0.0, 0.0]), (1.0, [0.1, 0.0]), (9.0, [2.0, 0.0])];
    let median = hazard.median_pace(pieces_of(&hours)).unwrap();
    assert!((median.multiplier - 2f64.exp()).abs() < 1e-12);
    assert!(hazard.median_pace(pieces_of(&[])).is_none() && hazard.mean_pace(pieces_of(&[])).is_none());
}

#[test]
fn the_interval_follows_from_the_slopes_of_ln_hazard() {
    // With a variance on one parameter alone, the interval shows |d ln H / d parameter|; hold it against a difference
    // quotient in which every pace is taken anew under the shifted model.
    let pieces = [
        Piece { run_h: 30.0, x: Some([0.3, 0.1]) },
        Piece { run_h: 25.0, x: None },
        Piece { run_h: 60.0, x: Some([1.4, 0.8]) },
        Piece { run_h: 10.0, x: Some([0.0, 0.0]) },
        Piece { run_h: 15.0, x: None },
    ];
    let course = course(1, 120.0, &pieces);
    for beta in [[0.8, 0.5], [-0.8, -0.6]] {
        let base = [-9.0, -8.0, beta[0], beta[1], 1.3f64.ln()];
        let model = |at: [f64; 5]| hazard([at[0], at[1]], [at[2], at[3]], at[4].exp());
        let read = |hazard: &Hazard| {
            let pace = hazard.mean_pace(pieces_of(&BEFORE)).unwrap();
            let found = hazard.outlook(&course, &blind(hazard, true)).unwrap().risk(90.0, &pace).unwrap();
            [found.risk, found.upper].map(|risk| (-(-risk).ln_1p()).ln())
        };
        let [ln_hazard, upper] = read(&model(base));
        let blind_variance = ((upper - ln_hazard) / 1.6448536269514722).powi(2);
        assert!(blind_variance > 0.0);
        for parameter in 0..5 {
            let shifted = |by: f64| {
                let mut at = base;
                at[parameter] += by;
                read(&model(at))[0]
            };
            let slope = (shifted(1e-5) - shifted(-1e-5)) / 2e-5;
            let mut with_variance = model(base);
            with_variance.covariance[parameter][parameter] = 0.04;
            let [ln_hazard, upper] = read(&with_variance);
            let variance = ((upper - ln_hazard) / 1.6448536269514722).powi(2) - blind_variance;
            assert!((variance - 0.04 * slope * slope).abs() < 1e-8, "{parameter}: {variance} {slope}");
        }
    }
}

fn piece() -> impl Strategy<Value = Piece> {
    let x = prop::option::weighted(0.7, [0.0..4.0f64, 0.0..4.0f64]);
    (0.0..500.0f64, x).prop_map(|(run_h, x)| Piece { run_h, x })
}

fn model() -> impl Strategy<Value = Hazard> {
    ([-2.0..2.0f64, -2.0..2.0f64], 0.4..3.0f64, -20.0..-6.0f64)
        .prop_map(|(beta, shape, gamma)| hazard([gamma, gamma + 1.0], beta, shape))
}

proptest! {
    #[test]
    fn appended_hours_never_lower_a_risk(
        hazard in model(), age_h in 0.0..5000.0f64, pieces in prop::collection::vec(piece(), 0..30), before: bool,
    ) {
        let mut last = 0.0;
        for n in 0..=pieces.len() {
            let now = risk(&hazard, &course(0, age_h, &pieces[..n]), before, 0.0);
            prop_assert!(now >= last, "{n}: {last} then {now}");
            last = now;
        }
    }

    #[test]
    fn a_longer_horizon_never_lowers_a_risk(
        hazard in model(), pieces in prop::collection::vec(piece(), 0..10), near in 0.0..1000.0f64, more in 0.0..1000.0f64,
    ) {
        let course = course(1, 100.0, &pieces);
        prop_assert!(risk(&hazard, &course, true, near + more) >= risk(&hazard, &course, true, near));
    }

    #[test]
    fn cuts_of_a_piece_do_not_matter(
        hazard in model(), pieces in prop::collection::vec(piece(), 1..12), share in 0.0..1.0f64, before: bool,
    ) {
        let cut: Vec<Piece> = pieces
            .iter()
            .flat_map(|piece| [share, 1.0 - share].map(|share| Piece { run_h: piece.run_h * share, ..piece.clone() }))
            .collect();
        let whole = risk(&hazard, &course(0, 200.0, &pieces), before, 50.0);
        let parts = risk(&hazard, &course(0, 200.0, &cut), before, 50.0);
        prop_assert!((whole - parts).abs() <= 1e-9 * whole, "{whole} {parts}");
    }

    #[test]
    fn drivers_add_up_to_the_equivalent_hours(hazard in model(), pieces in prop::collection::vec(piece(), 0..12)) {
        let course = course(0, 700.0, &pieces);
        let outlook = hazard.outlook(&course, &blind(&hazard, true)).unwrap();
        let drivers = outlook.drivers();
        let sum: f64 = drivers.iter().map(|(_, h)| h).sum();
        let size: f64 = drivers.iter().map(|(_, h)| h.abs()).sum();
        prop_assert!((sum - outlook.equivalent_h()).abs() <= 1e-9 * (1.0 + size), "{drivers:?} {}", outlook.equivalent_h());
    }

    #[test]
    fn a_blind_hour_weighs_at_least_fleet_and_unit(
        beta in [-2.0..2.0f64, -2.0..2.0f64], pieces in prop::collection::vec(piece(), 0..20), before: bool,
    ) {
        let hazard = hazard([-9.0, -8.0], beta, 1.0);
        let course = course(0, 0.0, &pieces);
        let paces = blind(&hazard, before);
        let outlook = hazard.outlook(&course, &paces).unwrap();
        let all = before.then_some(pieces_of(&BEFORE)).into_iter().flatten().chain(course.seen_pieces());
        let unit = hazard.mean_pace(all).map_or(0.0, |pace| pace.multiplier);
        let least = course.blind_h() * unit.max(paces.fleet_median.multiplier);
        let found = driver(&outlook.drivers(), "blind_h");
        prop_assert!(found >= least * (1.0 - 1e-12), "{found} {least}");
    }

    #[test]
    fn the_same_question_has_the_same_answer(hazard in model(), pieces in prop::collection::vec(piece(), 0..12)) {
        let course = course(0, 10.0, &pieces);
        prop_assert_eq!(risk(&hazard, &course, true, 5.0).to_bits(), risk(&hazard, &course, true, 5.0).to_bits());
    }
}
