//! Many writers at once: each over connections of its own process's, so to say, and none loses what another wrote.

use std::collections::BTreeSet;
use std::future::Future;

use plant::{Finding, Quality, Reading, Role, Signal, TimeSource, UnitId, Value};

use super::{at, by, finding, imports, on_both, with_tubes};
use crate::{AuditFilter, ImportError, Ledger, LedgerError, Place, Status};

const WRITERS: i64 = 50;

/// Runs one writer per number at once, over two ledgers of the same place, as two processes would, and gives what came of
/// each.
async fn at_once<F>(place: &Place, writers: i64, write: impl Fn(Ledger, i64) -> F) -> Vec<F::Output>
where
    F: Future<Output: Send + 'static> + Send + 'static,
{
    let two = [Ledger::open(place).await.unwrap(), Ledger::open(place).await.unwrap()];
    let tasks: Vec<_> = (0..writers).map(|n| tokio::spawn(write(two[(n % 2) as usize].clone(), n))).collect();
    let mut all = Vec::new();
    for task in tasks {
        all.push(task.await.unwrap());
    }
    all
}

fn won<T, E>(results: &[Result<T, E>]) -> usize {
    results.iter().filter(|result| result.is_ok()).count()
}

on_both! {
    async fn the_same_request_from_fifty_is_answered_once(place: Place) {
        let ledger = with_tubes(&place).await;
        let answers = at_once(&place, WRITERS, |ledger, n| async move {
            ledger.add_findings(&[finding("T1", 100, 2)], Some("the same key"), &by("Ines", n)).await.unwrap()
        })
        .await;
        assert!(answers.iter().all(|answer| answer.ids == [1]));
        assert_eq!(answers.iter().filter(|answer| !answer.repeated).count(), 1);
        assert_eq!(ledger.findings(None).await.unwrap().len(), 1);
        let trail = AuditFilter { action: Some("add finding".into()), ..AuditFilter::default() };
        assert_eq!(ledger.audit(&trail, 100).await.unwrap().len(), 1);
    }

    async fn of_fifty_corrections_of_one_version_one_wins(place: Place) {
        let ledger = with_tubes(&place).await;
        ledger.add_findings(&[finding("T1", 100, 2)], None, &by("Ines", 1)).await.unwrap();
        let results = at_once(&place, WRITERS, |ledger, n| async move {
            let mine = Finding { note: Some(format!("by {n}")), ..finding("T1", 100, 1) };
            ledger.correct_finding(1, 1, mine, "mine is right", &by("Ines", n)).await
        })
        .await;
        assert_eq!(won(&results), 1);
        for lost in results.iter().filter_map(|result| result.as_ref().err()) {
            assert!(matches!(lost, LedgerError::Changed { id: 1, expected: 1, found: 2 }), "{lost}");
        }
        assert_eq!(ledger.finding(1).await.unwrap().unwrap().changed.len(), 2);
    }

    async fn fifty_who_add_a_word_to_one_note_lose_none(place: Place) {
        let ledger = with_tubes(&place).await;
        ledger.add_findings(&[finding("T1", 100, 2)], None, &by("Ines", 1)).await.unwrap();
        at_once(&place, WRITERS, |ledger, n| async move {
            loop {
                let seen = ledger.finding(1).await.unwrap().unwrap();
                let old = seen.finding.unwrap();
                let note = format!("{}{n};", old.note.clone().unwrap_or_default());
                let new = Finding { note: Some(note), ..old };
                match ledger.correct_finding(1, seen.version, new, "another word", &by("Ines", n)).await {
                    Err(LedgerError::Changed { .. }) => {}
                    done => return done.unwrap(),
                }
            }
        })
        .await;
        let stored = ledger.finding(1).await.unwrap().unwrap();
        assert_eq!(stored.version, WRITERS + 1);
        let note = stored.finding.unwrap().note.unwrap();
        let words: BTreeSet<i64> = note.trim_end_matches(';').split(';').map(|word| word.parse().unwrap()).collect();
        assert_eq!(words, (0..WRITERS).collect());
    }

    async fn fifty_different_findings_get_fifty_numbers(place: Place) {
        let ledger = with_tubes(&place).await;
        let before = ledger.revision().await.unwrap();
        let added = at_once(&place, WRITERS, |ledger, n| async move {
            ledger.add_findings(&[finding("T1", n, 0)], Some(&format!("key {n}")), &by("Ines", n)).await.unwrap()
        })
        .await;
        let ids: BTreeSet<i64> = added.into_iter().flat_map(|added| added.ids).collect();
        assert_eq!(ids, (1..=WRITERS).collect());
        assert_eq!(ledger.revision().await.unwrap(), before + WRITERS);
        let trail = ledger.audit(&AuditFilter::default(), 1000).await.unwrap();
        assert_eq!(trail.first().unwrap().id, trail.len() as i64, "a row of the trail is missing");
    }

    async fn of_tubes_fitted_into_one_unit_at_once_one_gets_in(place: Place) {
        let tubes: String = (0..20).map(|n| format!("\nN{n},stainless")).collect();
        let ledger = Ledger::open(&place).await.unwrap();
        let tubes = imports::table("tubes.csv", &format!("tube,surface{tubes}"));
        ledger.import_register(&[tubes], &imports::rules(), &by("importer", 1)).await.unwrap();
        let results = at_once(&place, 20, |ledger, n| async move {
            let fitting = imports::table("fittings.csv", &format!("tube,unit,from\nN{n},C1,2025-01-{:02}", 1 + n));
            ledger.import_register(&[fitting], &imports::rules(), &by("importer", n)).await
        })
        .await;
        assert_eq!(won(&results), 1);
        for lost in results.iter().filter_map(|result| result.as_ref().err()) {
            assert!(matches!(lost, ImportError::BadRows(_)), "{lost:?}");
        }
        assert_eq!(ledger.record(&[]).await.unwrap().fittings.len(), 1);
    }

    async fn a_tube_fitted_into_two_units_at_once_gets_into_one(place: Place) {
        let ledger = with_tubes(&place).await;
        let results = at_once(&place, 20, |ledger, n| async move {
            let fitting =
                imports::table("fittings.csv", &format!("tube,unit,from\nT1,C{},2025-01-{:02}", 1 + n % 2, 1 + n));
            ledger.import_register(&[fitting], &imports::rules(), &by("importer", n)).await
        })
        .await;
        assert_eq!(won(&results), 1);
        assert_eq!(ledger.record(&[]).await.unwrap().fittings.len(), 1);
    }

    async fn a_name_is_given_once_whoever_asks(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let tokens = at_once(&place, WRITERS, |ledger, n| async move {
            let name = if n % 3 == 0 { "TABLET" } else { "tablet" };
            ledger.add_token(name, Role::Inspector, &by("admin", n)).await
        })
        .await;
        assert_eq!(won(&tokens), 1);
        assert_eq!(ledger.tokens().await.unwrap().len(), 1);
        let people = at_once(&place, 8, |ledger, n| async move {
            let name = if n % 3 == 0 { "INES" } else { "Ines" };
            ledger.add_person(name, Role::Inspector, "fondant at dawn", &by("admin", n)).await
        })
        .await;
        assert_eq!(won(&people), 1);
        assert!(people.iter().all(|result| matches!(result, Ok(_) | Err(LedgerError::NameTaken(_)))));
    }

    async fn of_models_approved_at_once_one_is_approved_in_the_end(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        for _ in 0..5 {
            ledger.add_model("{}", &by("groovecast", 1)).await.unwrap();
        }
        at_once(&place, WRITERS, |ledger, n| async move {
            match ledger.approve(1 + n % 5, "now this one", &by("Ada", n)).await {
                Ok(()) | Err(LedgerError::AlreadyApproved { .. }) => {}
                Err(error) => panic!("{error}"),
            }
        })
        .await;
        let models = ledger.models().await.unwrap();
        assert_eq!(models.iter().filter(|model| model.status == Status::Approved).count(), 1);
    }

    async fn readings_that_two_bring_in_opposite_order_hold_nobody_up(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        at_once(&place, 8, |ledger, n| async move {
            let mut readings: Vec<Reading> = (0..2000)
                .map(|second| Reading {
                    unit: UnitId::new("C1").unwrap(),
                    signal: Signal::Torque,
                    at: at(second),
                    value: Value::Number(80.0),
                    quality: Quality::Good,
                    time_source: TimeSource::Own,
                })
                .collect();
            if n % 2 == 0 {
                readings.reverse();
            }
            ledger.append(&readings).await.unwrap();
        })
        .await;
        assert_eq!(ledger.journal_counts(at(0)).await.unwrap(), (0, 2000));
    }
}
