//! The validation of the invented plant's model.

use publisher::{
    Concordance, DecisionCost, Estimate, FoldCounts, Forecast, ForecastScores, Honesty, ReliabilityBin, ReportCounts,
    RollingScores, RollingYear, Skill, ValidationReport, YearCost,
};

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
            honesty(Forecast::HoursOnly, estimate(0.71, 0.4), estimate(-0.02, 0.33), [0, 0, 1, 2, 8, 2, 3, 8], 0.062),
            honesty(Forecast::Model, estimate(0.93, 0.32), estimate(0.01, 0.31), [0, 0, 1, 2, 2, 3, 6, 10], 0.033),
        ],
        concordance: Some(Concordance { pairs: 212, won: 158.5 }),
        decision: (1..=50).map(cost).collect(),
        rolling: Some(RollingYear {
            from: crate::fleet::at("2025-04-02T00:00:00Z"),
            to: crate::fleet::at("2026-04-02T00:00:00Z"),
            fits: 4,
            looks: 52,
            found: 9,
            base_rate: RollingScores { expected: 7.3, log_loss: 0.402, brier: 0.119 },
            hours_only: RollingScores { expected: 7.9, log_loss: 0.371, brier: 0.112 },
            model: RollingScores { expected: 8.4, log_loss: 0.324, brier: 0.097 },
            costs: [(0.02, 6, 0), (0.05, 17, 0), (0.1, 29, 1), (0.2, 36, 4)]
                .map(|(ratio, spared, late)| YearCost { ratio, spared, late })
                .to_vec(),
        }),
        publish: true,
        sentence:
            "Publish the model: on 31 tubes that it had not seen it foretold best, log loss 0.3010 against 0.3420 \
                   of run hours alone."
                .to_owned(),
    }
}
