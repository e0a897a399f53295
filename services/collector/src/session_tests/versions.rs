//! Which version of MQTT is spoken, and what a broker of version 5 says.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio::time::timeout;

use super::broker::{Broker, Kind};
use super::{Journal, Service, subscribed, timed, until};
use crate::settings::tests::settings;
use crate::{LinkState, Protocol, Settings};

fn version(service: &Service) -> Option<String> {
    service.arrivals.link().version
}

fn offline(service: &Service) -> Option<String> {
    match service.arrivals.link().state {
        LinkState::Offline { error } => Some(error),
        _ => None,
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_newer_version_is_spoken_where_the_broker_has_it() {
    let journal = Arc::new(Journal::default());
    let broker = Broker::start(Kind::Mosquitto5).await;
    let service = Service::start(Settings { protocol: Protocol::Auto, ..broker.settings() }, &journal);
    service.is_online().await;
    assert_eq!(version(&service).as_deref(), Some("5"));
    service.leave().await;
    // Mosquitto's own word for it: p5 is version 5, p2 is 3.1.1.
    assert!(broker.log().unwrap().contains("as collector-test (p5,"), "{}", broker.log().unwrap());

    let broker = Broker::start(Kind::Embedded).await;
    let service = Service::start(Settings { protocol: Protocol::Auto, ..broker.settings() }, &journal);
    service.is_online().await;
    assert_eq!(
        version(&service).as_deref(),
        Some("3.1.1"),
        "its listener closes connections in version 5 without a word"
    );
    service.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_session_of_the_older_version_goes_on_in_the_newer_one_and_back() {
    let broker = Broker::start(Kind::Mosquitto5).await;
    let journal = Arc::new(Journal::default());
    let older = || Settings { protocol: Protocol::V311, ..broker.settings() };
    let service = Service::start(older(), &journal);
    until("it has subscribed", subscribed(&broker)).await;
    service.leave().await;
    let mut end = 0;
    for settings in [broker.settings(), older()] {
        broker.publish("timed/C1", &timed(end..end + 100));
        end += 100;
        let service = Service::start(settings, &journal);
        service.is_online().await;
        assert!(service.arrivals.link().session_present);
        until("all are there", || journal.distinct() == Vec::from_iter(0..end)).await;
        service.leave().await;
    }
    assert_eq!(journal.values().len(), 200, "each once: {}", broker.log().unwrap());
}

/// A broker that reads the first packet, answers with these bytes and closes; which versions it was asked in (the level: MQTT
/// 3.1.1, 3.1.2.2, and MQTT 5, 3.1.2.2: byte 7 of the variable header, after a fixed header of two or three bytes).
async fn answering(answer: &'static [u8]) -> (u16, Arc<std::sync::Mutex<Vec<u8>>>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let (port, levels) = (listener.local_addr().unwrap().port(), Arc::new(std::sync::Mutex::new(Vec::new())));
    let asked = levels.clone();
    tokio::spawn(async move {
        while let Ok((mut caller, _)) = listener.accept().await {
            let mut heard = vec![0; 4096];
            let length = caller.read(&mut heard).await.unwrap_or(0);
            let name = heard[..length].windows(4).position(|four| four == b"MQTT").expect("no CONNECT");
            asked.lock().unwrap().push(heard[name + 4]);
            // It may be gone already.
            let _ = caller.write_all(answer).await;
            // Closed at once, the other side might write into the closed connection before it reads the answer.
            let _ = timeout(Duration::from_millis(200), caller.read_to_end(&mut heard)).await;
        }
    });
    (port, levels)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_refuses_the_newer_version_is_asked_in_the_older_one() {
    // CONNACK with reason 0x84 (MQTT 5, 3.2.2.2), and as a broker of 3.1.1 may say it: return code 1 (3.1.1, 3.2.2.3).
    for answer in [&[0x20, 3, 0, 0x84, 0][..], &[0x20, 2, 0, 1][..], &[][..]] {
        let (port, levels) = answering(answer).await;
        let service = Service::start(settings(port), &Arc::new(Journal::default()));
        until("it has tried both", || levels.lock().unwrap().len() >= 2).await;
        service.die().await;
        assert_eq!(levels.lock().unwrap()[..2], [5, 4], "after {answer:?}");
    }
    // A refused login says nothing against the version: 0x86 and 0x87.
    for (answer, says) in [
        (&[0x20, 3, 0, 0x86, 0][..], "check user name and password"),
        (&[0x20, 3, 0, 0x8a, 0][..], "shut this client out"),
    ] {
        let (port, levels) = answering(answer).await;
        let service = Service::start(settings(port), &Arc::new(Journal::default()));
        until("it has tried twice", || levels.lock().unwrap().len() >= 2).await;
        let said = offline(&service).unwrap();
        service.die().await;
        assert!(said.contains(says), "{said}");
        assert_eq!(levels.lock().unwrap()[..2], [5, 5], "after {answer:?}");
    }
}

/// Mosquitto logs what we ask for; with a window of our own below its limit it keeps to ours (MQTT 5, 3.1.2.11.3).
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_broker_keeps_to_our_window() {
    let broker = Broker::start(Kind::Mosquitto5).await;
    let journal = Arc::new(Journal::default());
    journal.failures.store(u32::MAX, Ordering::SeqCst);
    let service = Service::start(Settings { window: 7, ..broker.settings() }, &journal);
    until("it has subscribed", subscribed(&broker)).await;
    broker.publish("timed/C1", &timed(0..150));
    until("a commit hangs", || journal.calls.load(Ordering::SeqCst) > 0).await;
    until("the window is full", || broker.passed()[0].sent.len() >= 7).await;
    tokio::time::sleep(Duration::from_millis(300)).await;
    assert_eq!(broker.passed()[0].sent.len(), 7, "it sent more than we take");
    service.die().await;
}

/// DISCONNECT with a reason (MQTT 5, 3.14.2.1), behind a CONNACK that is well. Mosquitto 2.0.11 sends none.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_broker_says_at_its_good_bye_is_told() {
    for (answer, says) in [
        (&[0x20, 3, 0, 0, 0, 0xe0, 2, 0x8e, 0][..], "another client has come under our client id"),
        (&[0x20, 3, 0, 0, 0, 0xe0, 2, 0x8b, 0][..], "is shutting down"),
    ] {
        let (port, levels) = answering(answer).await;
        let service = Service::start(settings(port), &Arc::new(Journal::default()));
        until("it is told", || offline(&service).is_some()).await;
        assert!(offline(&service).unwrap().contains(says), "{:?}", offline(&service));
        until("it has come again", || levels.lock().unwrap().len() >= 2).await;
        service.die().await;
        assert_eq!(levels.lock().unwrap()[..2], [5, 5]);
    }
}

/// MQTT 5, 3.1.2.11.4: the broker leaves out what is larger than we take, and the rest comes.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_packet_beyond_the_limit_does_not_hold_up_the_rest() {
    let broker = Broker::start(Kind::Mosquitto5).await;
    let journal = Arc::new(Journal::default());
    let mut small = broker.settings();
    (small.max_packet_bytes, small.limits.max_payload_bytes) = (2048, 1024);
    let service = Service::start(small, &journal);
    until("it has subscribed", subscribed(&broker)).await;
    broker.publish("timed/C1", &["x".repeat(4000)]);
    broker.publish("timed/C1", &timed(0..10));
    until("the rest is there", || journal.values() == Vec::from_iter(0..10)).await;
    assert_eq!(service.arrivals.link().connections, 1);
    service.leave().await;
}

/// What the broker does not let us do, in words; mosquitto's list of rights (acl_file) is the judge.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn rights_that_lack_are_told() {
    let rights = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(rights.path(), "topic readwrite gc/status/#\ntopic readwrite timed/#\n").unwrap();
    let broker = Broker::with(&format!("acl_file {}", rights.path().display())).await;
    let journal = Arc::new(Journal::default());
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    let risk = crate::Outgoing { topic: "gc/risk/C1".into(), payload: b"0.2".to_vec(), retain: true };
    service.outbox.send(risk).await.unwrap();
    let said = || {
        let report = service.arrivals.snapshot("2026-01-01T00:00:00Z".parse().unwrap());
        report.faults.into_iter().find(|fault| fault.reason == "publish_refused").map(|fault| fault.sample)
    };
    until("the refusal is told", || said().is_some()).await;
    assert!(said().unwrap().contains("right to write"), "{:?}", said());
    // Without a limit of what waits, mosquitto 2.0.11 ends a connection that wrote what it may not.
    service.is_online().await;
    broker.publish("timed/C1", &timed(0..10));
    until("what it may read it goes on reading", || journal.distinct() == Vec::from_iter(0..10)).await;
    service.leave().await;
}
