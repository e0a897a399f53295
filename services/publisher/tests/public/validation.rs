//! The report of a validation, as a page and as a file.

use insta::assert_snapshot;
use publisher::{
    Concordance, DecisionCost, Estimate, FoldCounts, Forecast, ForecastScores, Honesty, ReliabilityBin, ReportCounts,
    ReportSubject, Skill, ValidationReport, validation_file,
};

use crate::{ask, body, fleet};

/// Of the model of the invented plant: 168 intervals, the limit reached in 21 lives. Every number is made up.
pub fn report() -> ValidationReport {
    let scores = |forecast, log_loss: f64, brier, auc, above_best_se| ForecastScores {
        forecast,
        log_loss,
        brier,
        auc,
        above_best: log_loss - 0.301,
        above_best_se,
        stand_ins: vec![],
    };
    let estimate = |value: f64, half: f64| Estimate { value, lower: value - half, upper: value + half };
    let honesty = |forecast, slope, level, events: [usize; 8], error| Honesty {
        forecast,
        slope_and_level: Some((slope, level)),
        bins: [0.01, 0.02, 0.04, 0.07, 0.1, 0.16, 0.25, 0.49]
            .into_iter()
            .zip(events)
            .map(|(mean, n_events): (f64, usize)| {
                let half = 1.64 * (mean * (1.0 - mean) / 21.0f64).sqrt();
                ReliabilityBin { n: 21, n_events, mean, band: ((mean - half).max(0.0), (mean + half).min(1.0)) }
            })
            .collect(),
        error,
        null_mean: 0.041,
        null_upper: 0.068,
        draws: 2000,
    };
    let cost = |step: u32| {
        let ratio = 0.01 * f64::from(step);
        let saved = 0.03 * (1.0 - (ratio - 0.14).abs() / 0.4);
        let hours_only = ratio.min(0.143).min(0.03 + 0.6 * ratio);
        DecisionCost {
            ratio,
            always: ratio,
            never: 24.0 / 168.0,
            hours_only,
            model: (hours_only - saved).max(0.3 * ratio),
        }
    };
    ValidationReport {
        counts: ReportCounts { rows: 168, events: 24, tubes: 31, lives: 58, event_lives: 21, censored_lives: 37 },
        folds: [(7, 35, 5), (6, 34, 6), (6, 33, 4), (6, 33, 5), (6, 33, 4)]
            .map(|(tubes, rows, events)| FoldCounts { tubes, rows, events })
            .to_vec(),
        forecasts: vec![
            scores(Forecast::BaseRate, 0.371, 0.108, Some(0.5), 0.024),
            scores(Forecast::ConstantRate, 0.352, 0.104, Some(0.61), 0.022),
            ForecastScores {
                stand_ins: vec!["fold 3: 4 events are too few".to_owned()],
                ..scores(Forecast::HoursOnly, 0.342, 0.101, Some(0.66), 0.019)
            },
            scores(Forecast::Model, 0.301, 0.089, Some(0.81), 0.0),
        ],
        skills: vec![
            Skill {
                against: Forecast::BaseRate,
                log_loss: Some(0.189),
                brier: Some(0.176),
                saved: Some(estimate(0.07, 0.04)),
            },
            Skill { against: Forecast::HoursOnly, log_loss: Some(0.12), brier: Some(0.119), saved: None },
        ],
        honesty: vec![
            honesty(Forecast::HoursOnly, estimate(0.71, 0.4), estimate(-0.02, 0.33), [0, 1, 1, 2, 8, 3, 4, 5], 0.062),
            honesty(Forecast::Model, estimate(0.93, 0.32), estimate(0.01, 0.31), [0, 0, 1, 2, 2, 3, 6, 10], 0.033),
        ],
        concordance: Some(Concordance { pairs: 212, won: 158.5 }),
        decision: (1..=50).map(cost).collect(),
        publish: true,
        sentence:
            "Publish the model: on 31 tubes that it had not seen it foretold best, log loss 0.3010 against 0.3420 \
                   of run hours alone."
                .to_owned(),
    }
}

fn subject() -> ReportSubject {
    ReportSubject {
        name: "Lower works <3>".to_owned(),
        event: "grade 2 (catches a fingernail) or worse".to_owned(),
        facts: vec![("Terms".to_owned(), "excess_work_mj, cold_starts".to_owned())],
        notes: vec!["sliding_km is left out: no bore is entered for C-107".to_owned()],
        version: "0.1.0".to_owned(),
    }
}

fn file(report: &ValidationReport) -> String {
    validation_file(report, &subject()).expect("it can be drawn")
}

#[tokio::test]
async fn the_page_of_a_validation_as_published() {
    assert_snapshot!(body("/models/2/validation").await);
}

#[test]
fn the_file_asks_for_nothing_and_runs_nothing() {
    let file = file(&report());
    for asks in ["<script", "<link", "src=", "url(", "@import", "href=\"http", "/style.css"] {
        assert!(!file.contains(asks), "{asks} is in the file");
    }
    assert!(file.contains("default-src 'none'") && file.contains("Lower works &#60;3&#62;"), "{}", &file[..600]);
    assert!(file.trim_end().ends_with("</html>"));
}

#[test]
fn every_id_of_the_file_is_there_once() {
    let file = file(&report());
    let ids: Vec<&str> = file.split(" id=\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    let distinct: std::collections::BTreeSet<&&str> = ids.iter().collect();
    assert_eq!(ids.len(), distinct.len(), "{ids:?}");
    let named: Vec<&str> = file.split("aria-labelledby=\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    for name in named.iter().flat_map(|names| names.split(' ')) {
        assert!(ids.contains(&name), "{name} names nothing");
    }
}

#[test]
fn the_inks_of_the_pictures_follow_the_theme() {
    // What the sheet does not name would stay light on a dark page.
    let file = file(&report());
    let (_, drawn) = file.split_once("</style>").unwrap();
    for part in ["fill=\"#", "stroke=\"#"] {
        for rest in drawn.split(part).skip(1) {
            let rule = format!(".plot [{part}{}\"]", &rest[..6]);
            assert!(file.contains(&rule), "{rule} is not in the sheet");
        }
    }
}

#[test]
fn only_a_share_outside_its_band_is_crossed() {
    // By hand: foretold 0.1 for 21, the band reaches 0.207; 8 of 21 are 0.381. All others lie inside.
    let drawn = |report: &ValidationReport| {
        let file = file(report);
        file.matches("outside the band).").count()
    };
    let mut report = report();
    assert_eq!(drawn(&report), 1);
    report.honesty[0].bins[4].n_events = 2;
    assert_eq!(drawn(&report), 0);
}

#[test]
fn what_has_no_answer_is_a_dash_and_not_a_nought() {
    let mut report = report();
    report.honesty[1].slope_and_level = None;
    report.concordance = None;
    report.forecasts[0].log_loss = f64::NAN;
    report.forecasts[0].above_best = f64::NAN;
    report.decision.clear();
    (report.publish, report.sentence) = (false, "Do not publish a model: 3 events are too few.".to_owned());
    let file = file(&report);
    assert!(file.contains("<td>–</td>") && file.contains("No two lives can be put in order"));
    assert!(!file.contains("NaN"), "a number that is none is on the page");
    assert!(file.contains("<strong class=\"flag\">No</strong> Do not publish"));
}

#[tokio::test]
async fn a_model_without_a_validation_has_no_report() {
    let list = body("/models").await;
    assert!(list.contains("href=\"/models/2/validation\"") && !list.contains("/models/1/validation"));
    let answer = ask(fleet::snapshot(), "GET", "/models/1/validation").await;
    assert_eq!(answer.status.as_u16(), 404);
    assert!(answer.body.contains("no report"), "{}", answer.body);
}
