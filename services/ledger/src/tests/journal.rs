//! Readings, day files and scores.

use jiff::civil::Date;
use plant::{
    DayFile, Horizon, HourExposure, Quality, Reading, Score, Signal, State, TimeSource, TubeId, UnitId, Value,
};

use super::{at, on_both};
use crate::{Appended, CollectorNote, Evaluation, KeptScore, Ledger, Place, SeenDay};

fn torque(second: i64, value: f64) -> Reading {
    Reading {
        unit: UnitId::new("C1").unwrap(),
        signal: Signal::Torque,
        at: at(second),
        value: Value::Number(value),
        quality: Quality::Good,
        time_source: TimeSource::Own,
    }
}

/// A score with numbers that have no short form.
pub(super) fn score() -> Score {
    Score {
        at: "2026-03-01T06:00:00Z".parse().unwrap(),
        tube: Some(TubeId::new("T1").unwrap()),
        unit: None,
        state: State::NotFitted,
        reason: "on the shelf".into(),
        risks: vec![Horizon { horizon_h: 0.0, risk: 0.1 + 0.2, lower: 1.0 / 3.0, upper: 0.5 }],
        last_look_at: None,
        last_grade: None,
        run_h: 12.5,
        blind_h: 0.0,
        assumed_h: 0.0,
        coverage: None,
        equivalent_h: 12.5,
        drivers: Vec::new(),
        hold_and_assess: false,
        model: "model 1".into(),
        data_from: None,
        data_to: None,
    }
}

/// An evaluation with something of everything.
pub(super) fn evaluation() -> Evaluation {
    let hour = HourExposure { hour: 5, exposure: plant::Exposure::default() };
    Evaluation {
        scores: vec![KeptScore { score: score(), grounds: Some("{\"record\":\"ab\"}".into()) }],
        trials: vec![Score { model: "model 2".into(), ..score() }],
        days: vec![SeenDay {
            unit: UnitId::new("C1").unwrap(),
            day: 0,
            baseline: Some(1),
            at: at(100),
            sha256: "ab".into(),
            hours: Some(vec![hour]),
        }],
    }
}

/// The first day file of a day.
pub(super) fn day_file() -> DayFile {
    DayFile {
        day: jiff::civil::date(2026, 3, 1),
        generation: 1,
        path: "readings/2026-03-01/1.parquet".into(),
        rows: 10,
        conflicts: 0,
        first_at: at(0),
        last_at: at(9),
        bytes: 100,
        signals: Some([Signal::Torque].into()),
    }
}

on_both! {
    async fn a_reading_delivered_twice_exists_once_and_two_values_both_stay(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let word = Reading { signal: Signal::Product, value: Value::Text("fondant".into()), ..torque(3, 0.0) };
        let missing = Reading { value: Value::Missing, quality: Quality::Bad, ..torque(4, 0.0) };
        let all = vec![torque(1, 80.0), torque(1, 80.0), torque(1, 81.0), word, missing];
        assert_eq!(ledger.append(&all).await.unwrap(), Appended { new: 4, duplicates: 1 });
        assert_eq!(ledger.append(&all).await.unwrap(), Appended { new: 0, duplicates: 5 });
        let back = ledger.journal_from(at(0)).await.unwrap();
        assert_eq!(back.len(), 4);
        for reading in back {
            assert!(all.contains(&reading), "{reading:?} came back changed");
        }
    }

    async fn what_arrives_during_a_compaction_is_not_dropped_with_it(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let many: Vec<Reading> = (0..1000).map(|i| torque(i * 200, 80.0)).collect();
        ledger.append(&many).await.unwrap();
        for (after, instant) in [(0, Some(at(0))), (999, Some(at(999 * 200))), (1000, None)] {
            assert_eq!(ledger.journal_instant(after).await.unwrap(), instant, "after {after}");
        }
        let days = ledger.claim(at(100_000), 7).await.unwrap();
        assert_eq!(days.iter().map(Date::to_string).collect::<Vec<_>>(), ["1970-01-01", "1970-01-02"]);
        let moved: usize =
            ledger.claimed(7, days[0]).await.unwrap().len() + ledger.claimed(7, days[1]).await.unwrap().len();
        assert_eq!(moved, 500);
        ledger.append(&[torque(50, 99.0)]).await.unwrap();
        ledger.drop_claimed(7, &days).await.unwrap();
        assert_eq!(ledger.journal_counts(at(100_000)).await.unwrap(), (1, 501));
    }

    async fn what_was_appended_is_there_after_reopening(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        ledger.append(&[torque(1, 80.0)]).await.unwrap();
        ledger.close().await;
        let again = Ledger::open(&place).await.unwrap();
        assert_eq!(again.journal_from(at(0)).await.unwrap(), [torque(1, 80.0)]);
    }

    async fn the_manifest_changes_as_a_whole_and_the_mark_never_goes_back(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let generation = ledger.next_generation().await.unwrap();
        assert!(ledger.next_generation().await.unwrap() > generation);
        let file = DayFile { generation, ..day_file() };
        let mut right = ledger.days_right().await.unwrap().unwrap();
        ledger.commit_days(&mut right, std::slice::from_ref(&file), Some(at(100))).await.unwrap();
        let newer = DayFile { generation: 2, rows: 12, ..file };
        ledger.commit_days(&mut right, std::slice::from_ref(&newer), Some(at(50))).await.unwrap();
        assert_eq!(ledger.day_files().await.unwrap(), std::slice::from_ref(&newer));
        assert_eq!(ledger.closed_until().await.unwrap(), Some(at(100)));
        ledger.forget_days(&mut right, &[newer.day.tomorrow().unwrap()]).await.unwrap();
        assert_eq!(ledger.day_files().await.unwrap(), std::slice::from_ref(&newer));
        ledger.forget_days(&mut right, &[newer.day]).await.unwrap();
        assert_eq!(ledger.day_files().await.unwrap(), []);
    }

    async fn a_collector_is_known_by_what_it_said_last_and_forgotten_after_a_week(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let note = |name: &str, second, body: &str| CollectorNote { name: name.into(), at: at(second), body: body.into() };
        for said in [note("b", 100, "{}"), note("a", 90, "{}"), note("b", 110, "{\"x\":1}")] {
            ledger.note_collector(&said).await.unwrap();
        }
        assert_eq!(ledger.collectors().await.unwrap(), [note("a", 90, "{}"), note("b", 110, "{\"x\":1}")]);
        let later = note("b", 7 * 86_400 + 91, "{}");
        ledger.note_collector(&later).await.unwrap();
        assert_eq!(ledger.collectors().await.unwrap(), [later]);
    }

    async fn a_kept_score_reads_back_and_is_kept_once(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let score = score();
        ledger.keep_evaluation(&evaluation()).await.unwrap();
        ledger.keep_evaluation(&evaluation()).await.unwrap();
        assert_eq!(ledger.scores_of("T1").await.unwrap(), std::slice::from_ref(&score), "to the last bit of its numbers");
        assert!(ledger.scores_of("T2").await.unwrap().is_empty());
        assert_eq!(ledger.score_at("T1", at(0)).await.unwrap(), None, "it was published later");
        assert_eq!(ledger.score_at("T1", score.at).await.unwrap().as_ref(), evaluation().scores.first());
        assert_eq!(ledger.trials_of("T1", "model 2").await.unwrap(), evaluation().trials);
        assert!(ledger.trials_of("T1", "model 1").await.unwrap().is_empty(), "what was published is no trial");
    }

    async fn a_past_score_finds_the_hours_that_it_saw(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let first = evaluation().days.remove(0);
        let later = SeenDay { at: at(200), sha256: "cd".into(), hours: Some(Vec::new()), ..first.clone() };
        let other = SeenDay { baseline: None, hours: None, ..first.clone() };
        let days = vec![first.clone(), later.clone(), other.clone()];
        ledger.keep_evaluation(&Evaluation { days, ..Evaluation::default() }).await.unwrap();
        let seen = |second, baseline, whole| {
            let ledger = ledger.clone();
            async move { ledger.days_seen(at(second), baseline, whole).await.unwrap() }
        };
        assert_eq!(seen(99, Some(1), true).await, []);
        assert_eq!(seen(199, Some(1), true).await, std::slice::from_ref(&first));
        assert_eq!(seen(200, Some(1), true).await, [later]);
        assert_eq!(seen(150, Some(1), false).await, [SeenDay { hours: None, ..first }]);
        assert_eq!(seen(150, None, true).await, [other]);
    }
}
