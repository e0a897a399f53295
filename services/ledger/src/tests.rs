//! The same tests on every kind of database.
//!
//! A fact is an `async fn(Place)` in one of the modules; `on_both!` makes a test of it for each place.

mod advice;
mod backups;
mod days;
mod durability;
mod findings;
mod hostile;
mod imports;
mod journal;
mod look;
mod migrations;
mod models;
mod notices;
mod people;
#[path = "../../../tests/postgres.rs"]
mod postgres;
mod writers;

use jiff::Timestamp;
use plant::{Finding, Grade, TubeId};

use crate::{By, CollectorNote, DaysRight, Ledger, Place};

/// Makes of each fact a test on SQLite and one on PostgreSQL.
macro_rules! on_both {
    ($($(#[$doc:meta])* async fn $fact:ident($place:ident: Place) $body:block)+) => {
        mod facts {
            use super::*;
            $($(#[$doc])* pub(super) async fn $fact($place: Place) $body)+
        }
        mod sqlite {
            $(#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $fact() {
                let folder = tempfile::tempdir().unwrap();
                super::facts::$fact(crate::Place::Sqlite(folder.path().join("record.db"))).await;
            })+
        }
        mod postgres {
            $(#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $fact() {
                let place = crate::Place::Postgres(crate::tests::postgres::new_database());
                super::facts::$fact(place).await;
            })+
        }
    };
}
pub(crate) use on_both;

/// An instant of so many seconds.
fn at(second: i64) -> Timestamp {
    Timestamp::from_second(second).unwrap()
}

/// Somebody who writes at an instant.
fn by(who: &str, second: i64) -> By {
    By { who: who.to_owned(), at: at(second) }
}

/// A finding of a whole tube.
fn finding(tube: &str, second: i64, grade: u8) -> Finding {
    Finding {
        at: at(second),
        tube: TubeId::new(tube).unwrap(),
        grade: Grade::try_from(grade).unwrap(),
        zone: None,
        clock: None,
        method: None,
        kind: None,
        depth_um: None,
        reason: None,
        inspector: None,
        run_h: None,
        recorded_at: None,
        note: None,
    }
}

/// A ledger whose register knows the tubes T1 and T2.
async fn with_tubes(place: &Place) -> Ledger {
    let ledger = Ledger::open(place).await.unwrap();
    let tubes = imports::table("tubes.csv", "tube,surface\nT1,hard_chrome\nT2,stainless");
    ledger.import_register(&[tubes], &imports::rules(), &by("setup", 0)).await.unwrap();
    ledger
}

/// Every answer can be waited for in a task of its own, as a service does. This holds when it compiles.
#[test]
fn every_answer_can_wait_in_any_task() {
    fn send<T: Send>(_: T) {}
    fn all(
        ledger: &Ledger,
        by: &By,
        one: Finding,
        place: &Place,
        path: &std::path::Path,
        right: &mut DaysRight,
        note: &CollectorNote,
    ) {
        let (role, lasts) = (plant::Role::Reader, jiff::SignedDuration::ZERO);
        send(Ledger::open(place));
        send(Ledger::restore(path, place));
        send((ledger.note_collector(note), ledger.collectors()));
        send((ledger.backup(path, by.at), ledger.compare(path), ledger.close()));
        send((ledger.record(&[]), ledger.tubes(), ledger.revision(), ledger.findings(None), ledger.finding(1)));
        send((ledger.add_findings(&[], None, by), ledger.withdraw_finding(1, 1, "", by)));
        send(ledger.correct_finding(1, 1, one.clone(), "", by));
        send((ledger.open_advice(), ledger.cleared_advice(1), ledger.keep_advice(&[], &[], by)));
        send((ledger.due_notices("", by.at, 1), ledger.notice_told(1, by.at), ledger.notice_failed(1, "", by.at)));
        send((ledger.notice_given_up(1, "", by.at), ledger.give_up_notices("", "", by.at), ledger.notice_counts()));
        send((ledger.see_advice(1, by), ledger.put_off_advice(1, by.at, "", by)));
        send(ledger.audit(&crate::AuditFilter::default(), 1));
        send((ledger.photos(1), ledger.photo(1)));
        send((ledger.add_person("", role, "", by), ledger.set_password("", "", by), ledger.set_role("", role, by)));
        send((ledger.disable_person("", by), ledger.people(), ledger.check_password("", "")));
        send((ledger.open_session("", by.at, lasts), ledger.session("", by.at), ledger.close_session("")));
        send((ledger.add_token("", role, by), ledger.token(""), ledger.revoke_token("", by), ledger.tokens()));
        send((ledger.append(&[]), ledger.journal_from(by.at), ledger.journal_counts(by.at), ledger.claim(by.at, 1)));
        send((ledger.claimed(1, jiff::civil::Date::MIN), ledger.drop_claimed(1, &[]), ledger.next_generation()));
        send((ledger.day_files(), ledger.days_right(), ledger.closed_until()));
        send(ledger.commit_days(right, &[], None));
        send(ledger.forget_days(right, &[]));
        send((ledger.add_baseline("", by), ledger.baseline(None), ledger.add_model("", by), ledger.models()));
        send((ledger.approved_model(), ledger.approve(1, "", by), ledger.scores_of("")));
        send((Ledger::look(place), ledger.condition(), ledger.journal_by_signal(), ledger.names()));
        send((ledger.scores_span(), ledger.scores_between(by.at, by.at)));
        send((
            ledger.retire(1, "", by),
            ledger.score_at("", by.at),
            ledger.days_seen(by.at, None, true),
            ledger.asides(),
        ));
        send((ledger.set_look_aside(&one.tube, by.at, "", by), ledger.lift_aside(1, "", by)));
        send((
            ledger.import_register(&[], &imports::rules(), by),
            ledger.import_findings(&[], &imports::rules(), by),
            ledger.import_campaigns(&[], &imports::rules(), by),
        ));
    }
    let _ = all;
}
