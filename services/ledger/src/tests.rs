//! The same tests on every kind of database.
//!
//! A fact is an `async fn(Place)` in one of the modules; `on_both!` makes a test of it for each place.

mod backups;
mod findings;
mod hostile;
mod imports;
mod journal;
mod migrations;
mod models;
mod people;
#[path = "../../../tests/postgres.rs"]
mod postgres;
mod writers;

use jiff::Timestamp;
use plant::{Finding, Grade, TubeId};

use crate::{By, Ledger, Place};

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
