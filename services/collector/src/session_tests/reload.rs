//! Other mappings while messages flow: the session stays, nothing is lost and nothing doubled.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use plant::{Signal, UnitId, Value};
use tokio::time::sleep;

use super::broker::{Broker, Kind};
use super::{Journal, Service, map, subscribed, terms, timed, until};
use crate::{Mapping, Pattern, Payload, Pointer, Settings, TimeField, TimeFormat, TopicMap};

/// Timed messages under these patterns.
fn reading(patterns: &[(&str, Signal)]) -> TopicMap {
    let payload = || Payload::Json {
        value: Pointer::parse("v").unwrap(),
        time: Some(TimeField { pointer: Pointer::parse("t").unwrap(), format: TimeFormat::Us }),
        quality: None,
    };
    let mapping =
        |(pattern, signal): &(&str, Signal)| Mapping::new(Pattern::parse(pattern).unwrap(), *signal, payload());
    TopicMap::new(patterns.iter().map(mapping).collect(), [UnitId::new("C1").unwrap()]).unwrap()
}

/// What the journal holds of one signal, as whole numbers, in order, each once as a database's key would keep it.
fn values(journal: &Journal, signal: Signal) -> Vec<i64> {
    let readings = journal.readings.lock().unwrap();
    let of = readings.iter().filter(|reading| reading.signal == signal);
    let mut values: Vec<i64> = of.map(|reading| reading.value.number().unwrap() as i64).collect();
    values.sort_unstable();
    values.dedup();
    values
}

async fn changed_under_load(kind: Kind) {
    let broker = Arc::new(Broker::start(kind).await);
    let journal = Arc::new(Journal { commit_takes: Duration::from_millis(1), ..Journal::default() });
    let hours = ("timed/{unit}", Signal::RunHours);
    let settings = Settings { window: kind.window(), ..broker.settings() };
    let service = Service::reading(terms(reading(&[hours])), settings, &journal);
    until("it has subscribed", subscribed(&broker)).await;
    let load = tokio::task::spawn_blocking({
        let broker = broker.clone();
        move || broker.publish("timed/C1", &timed(0..3000))
    });
    // Topics come and go beside the one on which messages flow; then that one is taken by another filter.
    let speed = ("fast/{unit}", Signal::Speed);
    for round in 0..20 {
        until("messages flow", || journal.distinct().len() >= (round + 1) * 100).await;
        let map = if round % 2 == 0 { reading(&[hours, speed]) } else { reading(&[hours]) };
        service.terms.send_replace(terms(map));
    }
    let came = journal.values();
    let once = came.iter().collect::<BTreeSet<_>>().len() == came.len();
    assert!(once, "a message came twice though no filter was changed that brings it");
    // While the old filter and the new one stand, a broker may bring a message by both (MQTT 3.1.1, 3.3.5).
    service.terms.send_replace(terms(reading(&[("{line}/{unit}", Signal::RunHours)])));
    load.await.unwrap();
    until("all are there", || values(&journal, Signal::RunHours).len() >= 3000).await;
    until("all are acknowledged", || service.arrivals.link().unacknowledged == 0).await;
    assert!(values(&journal, Signal::RunHours) == Vec::from_iter(0..3000));
    assert_eq!((service.arrivals.link().connections, broker.passed().len()), (1, 1), "one connection for all of it");
    service.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn mappings_that_change_under_load_lose_and_double_nothing() {
    // Not at the embedded broker, which the demo alone uses and whose mappings never change: it throws away what it holds for a
    // filter that is left, and when it is overrun some of that may not have come yet.
    tokio::join!(changed_under_load(Kind::Mosquitto5), changed_under_load(Kind::Mosquitto));
}

/// Mosquitto's log tells what we subscribed to and left.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn new_topics_are_subscribed_to_and_others_left() {
    let broker = Broker::start(Kind::Mosquitto5).await;
    let journal = Arc::new(Journal::default());
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    broker.publish("fast/C1", &timed(0..1));
    service.terms.send_replace(terms(reading(&[("fast/{unit}", Signal::Speed)])));
    let log = || broker.log().unwrap();
    until("the new one is asked for", || log().contains("fast/+ (QoS 1)")).await;
    until("the old ones are left", || log().matches("Received UNSUBSCRIBE").count() == 3).await;
    broker.publish("timed/C1", &timed(7..8));
    broker.publish("fast/C1", &timed(8..9));
    until("it is there", || values(&journal, Signal::Speed) == [8]).await;
    assert_eq!(service.arrivals.totals().messages, 1, "what is left brings nothing");

    // Back again, over a broken connection: who was told what is not left to chance.
    broker.wire.cut();
    service.terms.send_replace(terms(map()));
    until("it is back", || service.arrivals.link().connections == 2).await;
    until("the other is left", || log().matches("Received UNSUBSCRIBE").count() >= 4).await;
    broker.publish("fast/C1", &timed(9..10));
    broker.publish("timed/C1", &timed(10..11));
    until("it is there", || values(&journal, Signal::RunHours) == [10]).await;
    sleep(Duration::from_millis(100)).await;
    assert_eq!(service.arrivals.totals().messages, 2);
    service.leave().await;
}

/// A message is read by what is in force when it is read, not by what was when it was subscribed to.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_same_topic_can_come_to_mean_something_else() {
    let broker = Broker::start(Kind::Mosquitto5).await;
    let journal = Arc::new(Journal::default());
    let service = Service::reading(terms(reading(&[("timed/{unit}", Signal::Torque)])), broker.settings(), &journal);
    until("it has subscribed", subscribed(&broker)).await;
    broker.publish("timed/C1", &timed(1..2));
    broker.publish("other/C1", &timed(1..2));
    until("it is there", || values(&journal, Signal::Torque) == [1]).await;
    service.terms.send_replace(terms(reading(&[("timed/{unit}", Signal::Flow)])));
    let gone = || service.arrivals.snapshot("2026-01-01T00:00:00Z".parse().unwrap()).signals.is_empty();
    until("the old signal is no longer shown", gone).await;
    broker.publish("timed/C1", &timed(2..3));
    until("the new one is there", || values(&journal, Signal::Flow) == [2]).await;
    assert!(journal.readings.lock().unwrap().iter().all(|reading| matches!(reading.value, Value::Number(_))));
    assert_eq!(service.arrivals.link().connections, 1);
    service.leave().await;
}
