//! What we have to say when there is no room to say it, and after a long silence.

use std::sync::Arc;
use std::time::Duration;

use plant::{Signal, UnitId};
use tokio::time::{sleep, timeout};

use super::broker::{Broker, Kind};
use super::{Journal, Service, subscribed, terms, timed, until};
use crate::{LinkState, Mapping, Outgoing, Pattern, Payload, Pointer, TimeField, TimeFormat, TopicMap};

const UNITS: usize = 600;

fn risk(unit: usize, value: usize) -> Outgoing {
    Outgoing { topic: format!("gc/risk/C{unit}"), payload: value.to_string().into_bytes(), retain: true }
}

/// One message for each of more units than the client keeps unconfirmed (100) and in line (296, `mqtt::room`) together.
async fn say_all(service: &Service, value: usize) {
    let said = async {
        for unit in 0..UNITS {
            service.outbox.send(risk(unit, value)).await.unwrap();
        }
    };
    timeout(Duration::from_secs(10), said).await.expect("what is to be published is not taken");
}

fn other_topics() -> TopicMap {
    let time = Some(TimeField { pointer: Pointer::parse("t").unwrap(), format: TimeFormat::Us });
    let payload = Payload::Json { value: Pointer::parse("v").unwrap(), time, quality: None };
    let mapping = Mapping::new(Pattern::parse("other/{unit}").unwrap(), Signal::RunHours, payload);
    TopicMap::new(vec![mapping], [UnitId::new("C1").unwrap()]).unwrap()
}

async fn asked_again(kind: Kind) {
    let broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    broker.wire.hold(true);
    say_all(&service, 0).await;
    service.terms.send_replace(terms(other_topics()));
    sleep(Duration::from_millis(300)).await;
    broker.wire.hold(false);
    until("the new topic is asked for", || broker.log().unwrap().contains("other/+ (QoS 1)")).await;
    broker.publish("other/C1", &timed(7..8));
    until("it comes", || journal.values() == [7]).await;
    assert_eq!(service.arrivals.link().connections, 1, "in the same connection");
    service.leave().await;
}

/// The line of requests is full, a reload asks for another topic, and room comes later.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_subscription_that_finds_no_room_goes_out_when_there_is_some() {
    tokio::join!(asked_again(Kind::Mosquitto5), asked_again(Kind::Mosquitto));
}

async fn subscribed_after_a_break(kind: Kind) {
    let mut broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    broker.wire.hold(true);
    say_all(&service, 0).await;
    broker.leave();
    broker.wire.hold(false);
    until("it sees that", || matches!(service.arrivals.link().state, LinkState::Offline { .. })).await;
    // Meanwhile evaluations go on.
    for value in 1..=3 {
        say_all(&service, value).await;
    }
    broker.come_back_empty().await;
    let watch = broker.watch("gc/#");
    service.is_online().await;
    broker.publish("timed/C1", &timed(7..8));
    until("it is subscribed again", || journal.values() == [7]).await;
    let (mut last, mut stale) = (vec![0; UNITS], 0);
    let mut online = false;
    while last.iter().any(|value| *value != 3) || !online {
        let said = watch.next();
        online |= said == "gc/status online";
        let Some((unit, value)) = said.strip_prefix("gc/risk/C").and_then(|said| said.split_once(' ')) else {
            continue;
        };
        let (unit, value): (usize, usize) = (unit.parse().unwrap(), value.parse().unwrap());
        assert!(value >= last[unit], "an older value after a newer one");
        stale += usize::from(value < 3);
        last[unit] = value;
    }
    // Those that had gone out and were not confirmed must go out again (MQTT 3.1.1, 4.4); no others.
    assert!(stale <= 100, "{stale} messages of before the break");
    service.leave().await;
}

/// The line of requests is full when the connection breaks, and the broker forgets us.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn after_a_break_subscriptions_come_first_and_of_what_waited_the_newest() {
    tokio::join!(subscribed_after_a_break(Kind::Mosquitto5), subscribed_after_a_break(Kind::Mosquitto));
}
