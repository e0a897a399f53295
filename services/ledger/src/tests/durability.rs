//! What is committed is on disk, and a connection that was lost is made again.

use plant::{Quality, Reading, Signal, TimeSource, UnitId, Value};
use sqlx::AssertSqlSafe;

use super::postgres::{LOCKED, new_database};
use super::{at, by, finding, with_tubes};
use crate::open::Turn;
use crate::{Ledger, Place};

fn reading(second: i64) -> Reading {
    Reading {
        unit: UnitId::new("C1").unwrap(),
        signal: Signal::Torque,
        at: at(second),
        value: Value::Number(80.0),
        quality: Quality::Good,
        time_source: TimeSource::Own,
    }
}

#[tokio::test]
async fn sqlite_syncs_each_commit_and_holds_references() {
    let folder = tempfile::tempdir().unwrap();
    // A name with everything that means something in a URL.
    let path = folder.path().join("a plant #1?mode=memory&50%20.db");
    let ledger = Ledger::open(&Place::Sqlite(path.clone())).await.unwrap();
    let mode: String = sqlx::query_scalar("PRAGMA journal_mode").fetch_one(&ledger.writer).await.unwrap();
    assert_eq!(mode, "wal");
    // SQLite's documentation of `PRAGMA synchronous`: 2 is FULL.
    let synchronous: i64 = sqlx::query_scalar("PRAGMA synchronous").fetch_one(&ledger.writer).await.unwrap();
    assert_eq!(synchronous, 2);
    let stray = sqlx::query("INSERT INTO findings (id, at_us, tube, body) VALUES (1, 1, 'T9', '{}')");
    assert!(stray.execute(&ledger.writer).await.is_err(), "a finding of a tube that is not there");
    let read_only = sqlx::query("DELETE FROM tubes").execute(&ledger.readers).await;
    assert!(read_only.is_err(), "a reader wrote");
    ledger.close().await;
    assert!(path.exists(), "the file has another name");
}

/// SQLite does so by itself when a disk is full or fails (its documentation, "Automatic rollback"); `tests/faults.rs` has the disk.
#[tokio::test]
async fn a_transaction_that_sqlite_ended_by_itself_leaves_no_connection_unusable() {
    let folder = tempfile::tempdir().unwrap();
    let ledger = Ledger::open(&Place::Sqlite(folder.path().join("ended.db"))).await.unwrap();
    let mut tx = ledger.write(Turn::Readings).await.unwrap();
    sqlx::query("ROLLBACK").execute(&mut *tx).await.unwrap();
    assert!(tx.commit().await.is_err());
    ledger.append(&[reading(1)]).await.unwrap();
    assert_eq!(ledger.journal_counts(at(0)).await.unwrap(), (0, 1));
}

#[tokio::test]
async fn postgresql_syncs_each_commit_even_where_its_server_does_not() {
    let url = new_database();
    let place = Place::Postgres(url);
    let ledger = Ledger::open(&place).await.unwrap();
    let name: String = sqlx::query_scalar("SELECT current_database()::text").fetch_one(&ledger.writer).await.unwrap();
    let lazy = format!("ALTER DATABASE {name} SET synchronous_commit = off");
    sqlx::query(AssertSqlSafe(lazy)).execute(&ledger.writer).await.unwrap();
    ledger.close().await;
    let ledger = Ledger::open(&place).await.unwrap();
    let synced: String = sqlx::query_scalar("SHOW synchronous_commit").fetch_one(&ledger.writer).await.unwrap();
    assert_eq!(synced, "on");
}

#[tokio::test]
async fn what_postgresql_drops_is_connected_again() {
    let place = Place::Postgres(new_database());
    let ledger = with_tubes(&place).await;
    ledger.append(&[reading(1)]).await.unwrap();
    let other = Ledger::open(&place).await.unwrap();
    let others = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity
                  WHERE datname = current_database() AND pid <> pg_backend_pid()";
    sqlx::query(others).execute(&other.writer).await.unwrap();
    ledger.append(&[reading(2)]).await.unwrap();
    assert_eq!(ledger.journal_counts(at(0)).await.unwrap(), (0, 2));
    ledger.add_findings(&[finding("T1", 100, 1)], None, &by("Ines", 110)).await.unwrap();
    assert_eq!(ledger.record(&[]).await.unwrap().findings.len(), 1);
}

#[tokio::test]
async fn postgresql_takes_a_password_that_the_address_does_not_hold() {
    let url = new_database();
    let owner = Ledger::open(&Place::Postgres(url.clone())).await.unwrap();
    let password = "p@ss/w:rd %3F#?&='";
    for statement in [
        format!("CREATE ROLE {LOCKED} LOGIN PASSWORD '{}'", password.replace('\'', "''")),
        format!("GRANT ALL ON ALL TABLES IN SCHEMA public TO {LOCKED}"),
        format!("GRANT ALL ON SCHEMA public TO {LOCKED}"),
    ] {
        sqlx::query(AssertSqlSafe(statement)).execute(&owner.writer).await.unwrap();
    }
    let place = Place::Postgres(url.replace("//postgres@", &format!("//{LOCKED}@")));
    for wrong in [place.clone(), place.clone().with_password("p@ss").unwrap()] {
        let refused = Ledger::open(&wrong).await.unwrap_err();
        let told = format!("{refused} {refused:?}");
        assert!(told.contains("password") && !told.contains("p@ss"), "{told}");
    }
    let ledger = Ledger::open(&place.with_password(password).unwrap()).await.unwrap();
    ledger.append(&[reading(1)]).await.unwrap();
}
