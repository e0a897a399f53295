//! Messages without a time that waited at the broker though the connection stood, and filters that an earlier life has left
//! behind.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use plant::{TimeSource, Value};
use tokio::time::sleep;

use super::broker::{Broker, Kind};
use super::{Journal, Service, subscribed, timed, until};
use crate::Settings;

/// What the journal holds: value and where its time is from.
fn stamped(journal: &Journal) -> Vec<(i64, TimeSource)> {
    let readings = journal.readings.lock().unwrap();
    let number = |value: &Value| value.number().unwrap() as i64;
    readings.iter().map(|reading| (number(&reading.value), reading.time_source)).collect()
}

async fn held_up(kind: Kind) {
    let broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    journal.failures.store(u32::MAX - 1, Ordering::SeqCst);
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    let numbers: Vec<String> = (0..200).map(|n: i64| n.to_string()).collect();
    broker.publish("bare/C1", &numbers);
    until("commits fail", || service.arrivals.link().commit_error.is_some()).await;
    sleep(Duration::from_secs(6)).await;
    assert!(!service.arrivals.link().backlog);
    journal.failures.store(0, Ordering::SeqCst);
    until("all are there", || journal.distinct().len() == 200).await;
    until("the backlog is over", || !service.arrivals.link().backlog).await;
    broker.publish("bare/C1", &["999".into()]);
    until("the live one is there", || journal.values().contains(&999)).await;
    service.leave().await;
    let stamped = stamped(&journal);
    for number in (0..200).chain([999]) {
        // What the broker had sent before commits failed came when it came, and once more if the connection broke meanwhile.
        let live = number < kind.window() as i64 || number == 999;
        let as_live = stamped.contains(&(number, TimeSource::Arrival));
        assert_eq!(as_live, live, "{number} of {stamped:?} at {kind:?}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_waited_while_commits_failed_is_no_live_message() {
    tokio::join!(held_up(Kind::Mosquitto5), held_up(Kind::Mosquitto), held_up(Kind::Embedded));
}

async fn unshared_before(kind: Kind) {
    let broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    service.leave().await;
    let shared = Settings { share: Some("mill".into()), ..broker.settings() };
    let service = Service::start(shared, &journal);
    let left = || broker.log().unwrap().matches("Received UNSUBSCRIBE").count();
    until("what it had is left", || left() >= 3).await;
    sleep(Duration::from_millis(100)).await;
    broker.publish("timed/C1", &timed(7..8));
    until("it comes", || journal.values().contains(&7)).await;
    sleep(Duration::from_millis(300)).await;
    assert_eq!(service.arrivals.totals().messages, 1, "once by the share, and not once more by itself");
    service.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_shares_from_now_on_leaves_what_it_had_alone() {
    tokio::join!(unshared_before(Kind::Mosquitto5), unshared_before(Kind::Mosquitto));
}
