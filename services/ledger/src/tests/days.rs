//! Who may change day files, on PostgreSQL, where several processes ask.

use std::time::Duration;

use plant::DayFile;

use super::{at, journal::day_file, postgres::new_database};
use crate::{Ledger, Place};

async fn two() -> (Ledger, Ledger) {
    let place = Place::Postgres(new_database());
    (Ledger::open(&place).await.unwrap(), Ledger::open(&place).await.unwrap())
}

#[tokio::test]
async fn one_process_at_a_time_has_the_right_and_gives_it_back_with_it() {
    let (one, other) = two().await;
    let right = one.days_right().await.unwrap();
    assert!(right.is_some());
    assert!(other.days_right().await.unwrap().is_none(), "two have the right at once");
    assert!(one.days_right().await.unwrap().is_none(), "one process has it twice");
    drop(right);
    for _ in 0..500 {
        if other.days_right().await.unwrap().is_some() {
            return;
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    panic!("the right did not come back");
}

#[tokio::test]
async fn who_has_lost_the_right_cannot_change_the_list_any_more() {
    let (one, other) = two().await;
    let mut lost = one.days_right().await.unwrap().unwrap();
    // The server ends the connection, as it does with one whose machine does not answer.
    let ended: bool = sqlx::query_scalar(
        "SELECT bool_and(pg_terminate_backend(pid, 5000)) FROM pg_locks WHERE locktype = 'advisory' AND database =
         (SELECT oid FROM pg_database WHERE datname = current_database())",
    )
    .fetch_one(&other.writer)
    .await
    .unwrap();
    assert!(ended);
    let mut next = other.days_right().await.unwrap().expect("the right is free again");
    let newer = DayFile { generation: 2, ..day_file() };
    other.commit_days(&mut next, std::slice::from_ref(&newer), Some(at(100))).await.unwrap();
    let late = DayFile { generation: 1, ..day_file() };
    one.commit_days(&mut lost, &[late], Some(at(200))).await.unwrap_err();
    assert_eq!(one.day_files().await.unwrap(), [newer]);
    assert_eq!(one.closed_until().await.unwrap(), Some(at(100)));
}
