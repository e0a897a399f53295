use linfa::traits::Fit;
use wear::{HazardParams, Row, Shape};

use crate::{close, table};

/// Twenty made-up rows: unit, thousand run hours, x, event. Estimates by an independent optimiser.
const TOY: [(&str, f64, f64, bool); 20] = [
    ("1", 0.5, -1.0, false),
    ("1", 0.8, -0.8, false),
    ("1", 1.0, -0.5, false),
    ("1", 0.6, 0.2, true),
    ("2", 0.7, 0.5, false),
    ("2", 0.7, 0.9, true),
    ("3", 1.2, -1.2, false),
    ("3", 1.1, -0.9, false),
    ("3", 0.9, -1.1, false),
    ("4", 0.4, 1.4, true),
    ("5", 1.0, 0.1, false),
    ("5", 0.9, 0.3, false),
    ("5", 1.0, 0.6, true),
    ("6", 0.8, -0.4, false),
    ("6", 0.8, -0.2, false),
    ("6", 0.8, 1.1, false),
    ("6", 0.5, 1.3, true),
    ("7", 1.5, -0.6, false),
    ("7", 1.2, -0.7, false),
    ("8", 0.6, 0.8, false),
];

#[test]
fn twenty_rows_with_and_without_a_ridge() {
    let rows = table(&["x"], TOY.iter().map(|(unit, h, x, event)| (*unit, 0.0, *h, vec![*x], *event)));
    let fit = |ridge: f64| HazardParams::new().ridge(ridge).fit(&rows.dataset(2)).unwrap();
    let free = fit(0.0);
    close(free.intercepts[0].value, -2.046010, 1e-6);
    close(free.terms[0].coefficient, 2.473048, 1e-6);
    close(free.log_likelihood, -7.075872, 1e-6);
    for (ridge, gamma, beta) in [(0.25, -1.722215, 2.066161), (1.0, -1.362459, 1.517505), (4.0, -1.094359, 0.827074)] {
        let held = fit(ridge);
        close(held.intercepts[0].value, gamma, 1e-6);
        close(held.terms[0].coefficient, beta, 1e-6);
        close(held.penalty, 0.5 * ridge * beta * beta, 3e-6);
    }
    close(fit(1.0).log_likelihood, -7.715649, 1e-6);
    // The next 500 h at x = 0.7.
    let next = table(&["x"], [("9", 0.0, 0.5, vec![0.7], false)]);
    close(fit(1.0).probabilities(&next).unwrap()[0], 0.309496, 2e-6);
    // Standard errors of the free fit, from the expected information.
    let expected = HazardParams::new().se(wear::Se::Expected).fit(&rows.dataset(2)).unwrap();
    close(expected.intercepts[0].std_error, 0.919296, 1e-4);
    close(expected.terms[0].std_error, 0.934712, 1e-4);
}

/// Meeker & Escobar (1998), heat-exchanger tubes of three plants: years, tubes looked at, cracked.
const TUBES: [(f64, f64, usize, usize); 3] = [(0.0, 1.0, 300, 4), (1.0, 2.0, 197, 5), (2.0, 3.0, 97, 2)];

fn tubes(years: &[(f64, f64, usize, usize)]) -> wear::Intervals {
    let rows = years
        .iter()
        .flat_map(|(from, to, looks, cracked)| (0..*looks).map(move |i| ("tube", *from, *to, vec![], i < *cracked)));
    table(&[], rows)
}

#[test]
fn the_offset_of_a_weibull_shape_gives_the_interval_weibull() {
    // Same tubes, same likelihood, two roads: eta = exp(-gamma / k) = 23.6199 years.
    let shape = 1.345515;
    let fit = HazardParams::new().shape(Shape::Fixed(shape)).fit(&tubes(&TUBES).dataset(2)).unwrap();
    close(fit.intercepts[0].value, -4.254640, 1e-6);
    close((-fit.intercepts[0].value / shape).exp(), 23.6199, 1e-5);
    close(fit.log_likelihood, -54.414705, 1e-8);
    let fourth = table(&[], [("tube", 3.0, 4.0, vec![], false)]);
    close(fit.probabilities(&fourth).unwrap()[0], 0.029000, 1e-4);
}

#[test]
fn one_intercept_per_year_is_the_complementary_log_log_of_its_rate() {
    for (year, expected) in TUBES.iter().zip([-4.310784, -3.660939, -3.871165]) {
        let fit = HazardParams::new().fit(&tubes(std::slice::from_ref(year)).dataset(2)).unwrap();
        close(fit.intercepts[0].value, expected, 1e-6);
    }
    let constant = HazardParams::new().fit(&tubes(&TUBES).dataset(2)).unwrap();
    close(constant.intercepts[0].value, -3.979653, 1e-6);
    close(constant.intercepts[0].std_error, 0.301516, 1e-4);
}

/// Hewlett (1974), flour beetles: deaths on days 1 to 13 (columns) by sex and dose in mg/cm2, then survivors.
const BEETLES: [(f64, f64, [usize; 14]); 8] = [
    (1.0, 0.20, [3, 11, 10, 7, 4, 3, 2, 1, 0, 0, 0, 1, 1, 101]),
    (2.0, 0.20, [0, 2, 4, 8, 9, 3, 0, 0, 0, 0, 0, 0, 0, 126]),
    (1.0, 0.32, [7, 10, 11, 16, 3, 2, 1, 0, 1, 0, 0, 0, 0, 19]),
    (2.0, 0.32, [1, 5, 11, 10, 5, 1, 0, 1, 1, 0, 0, 0, 0, 47]),
    (1.0, 0.50, [5, 8, 11, 15, 4, 2, 1, 1, 0, 0, 1, 0, 0, 7]),
    (2.0, 0.50, [0, 4, 6, 6, 3, 1, 1, 4, 0, 0, 1, 1, 1, 17]),
    (1.0, 0.80, [4, 10, 8, 14, 8, 2, 1, 0, 0, 1, 0, 0, 0, 2]),
    (2.0, 0.80, [2, 7, 15, 9, 3, 4, 1, 1, 0, 1, 0, 0, 0, 4]),
];

#[test]
fn flour_beetles_day_by_day() {
    // Published for one dummy per day, sex 1 or 2 and dose: sex -0.5651 (0.1142), dose 3.0918 (0.2312), -2 log-likelihood
    // 1948.1935. Here day 1 is the intercept and the other days are differences from it.
    let names: Vec<String> = (2..=13).map(|day| format!("day_{day}")).chain(["sex".into(), "dose".into()]).collect();
    let mut builder = wear::Intervals::builder(names);
    let mut add = |group: &str, day: usize, sex: f64, dose: f64, dies: bool| {
        let mut x: Vec<f64> = (2..=13).map(|d| f64::from(u8::from(d == day))).collect();
        x.extend([sex, dose]);
        builder.row(Row { group, life: 1, grade_start: 0, grade_end: if dies { 2 } else { 0 } }).unwrap();
        builder.cell(day as f64 - 1.0, day as f64, &x).unwrap();
    };
    let mut beetle = 0;
    for (sex, dose, deaths) in BEETLES {
        for (last, count) in deaths.iter().enumerate() {
            for _ in 0..*count {
                let group = beetle.to_string();
                let days = (last + 1).min(13);
                (1..=days).for_each(|day| add(&group, day, sex, dose, day == days && last < 13));
                beetle += 1;
            }
        }
    }
    let rows = builder.build().unwrap();
    assert_eq!((beetle, rows.len()), (645, 5429));
    let fit = HazardParams::new().fit(&rows.dataset(2)).unwrap();
    assert_eq!((fit.n_events, fit.n_event_lives), (322, 322));
    let near = |found: f64, expected: f64| assert!((found - expected).abs() < 6e-5, "{found} is not {expected}");
    let term = |name: &str| fit.terms.iter().find(|term| term.name == name).unwrap();
    near(term("sex").coefficient, -0.5651);
    near(term("dose").coefficient, 3.0918);
    // Published standard errors come from the expected information.
    let expected = HazardParams::new().se(wear::Se::Expected).fit(&rows.dataset(2)).unwrap();
    let se = |name: &str| expected.terms.iter().find(|term| term.name == name).unwrap().std_error;
    near(se("sex"), 0.1142);
    near(se("dose"), 0.2312);
    near(-2.0 * fit.log_likelihood, 1948.1935);
    let first = fit.intercepts[0].value;
    near(first, -3.9314);
    let others =
        [-2.8751, -2.3985, -1.9953, -2.4920, -3.1060, -3.9704, -3.7917, -5.1540, -5.1350, -5.1132, -5.1030, -5.0951];
    for (term, expected) in fit.terms.iter().zip(others) {
        near(first + term.coefficient, expected);
    }
    // Survival of males at dose 0.20 and 0.80 to days 1, 5 and 13.
    for (dose, expected) in [(0.20, [0.97952, 0.66584, 0.58910]), (0.80, [0.87611, 0.07429, 0.03396])] {
        let hazard = |day: usize| {
            let day_effect = if day == 1 { 0.0 } else { fit.terms[day - 2].coefficient };
            (first + day_effect + term("sex").coefficient + term("dose").coefficient * dose).exp()
        };
        for (day, expected) in [1, 5, 13].into_iter().zip(expected) {
            near((-(1..=day).map(hazard).sum::<f64>()).exp(), expected);
        }
    }
}
