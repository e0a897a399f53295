//! The session against two real brokers, each test at both, and at mosquitto in both versions of MQTT. What the brokers do (what passes between them and us, what
//! they send again, what others see, mosquitto's own log) is the witness.

mod authority;
mod broker;
// The very broker of the demo, by its file: the crate that has it stands above this one.
#[path = "../../groovecast/src/demo/broker.rs"]
mod embedded;
mod reload;
mod room;
mod sparkplug;
mod tls;
mod versions;
mod waiting;
mod wire;

use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use broker::{Broker, Kind};
use plant::{Reading, Signal, SystemClock, TimeSource, UnitId, Value};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep, timeout};
use wire::Passed;

use crate::settings::tests::settings;
use crate::{
    Arrivals, Belief, Committed, LinkState, Mapping, Outgoing, Pattern, Payload, Pointer, SessionError, Settings,
    Terms, TimeField, TimeFormat, TopicMap, run,
};

fn map() -> TopicMap {
    let mapping = |pattern: &str, payload| Mapping::new(Pattern::parse(pattern).unwrap(), Signal::RunHours, payload);
    let timed = Payload::Json {
        value: Pointer::parse("v").unwrap(),
        time: Some(TimeField { pointer: Pointer::parse("t").unwrap(), format: TimeFormat::Us }),
        quality: None,
    };
    let metric = Payload::Sparkplug { metric: Pattern::parse("Run Hours").unwrap() };
    let mappings = vec![
        mapping("timed/{unit}", timed),
        mapping("bare/{unit}", Payload::Number),
        mapping("spBv1.0/mill/{type}/line1/{unit}", metric),
    ];
    TopicMap::new(mappings, [UnitId::new("C1").unwrap()]).unwrap()
}

/// Timed messages with the values `numbers`.
fn timed(numbers: std::ops::Range<i64>) -> Vec<String> {
    numbers.map(|n| format!(r#"{{"v":{n},"t":{}}}"#, 1_700_000_000_000_000 + n)).collect()
}

/// A journal in memory that does as it is told.
#[derive(Default)]
struct Journal {
    readings: Mutex<Vec<Reading>>,
    calls: AtomicU32,
    /// So many calls fail before one works; `u32::MAX` hangs for ever.
    failures: AtomicU32,
    commit_takes: Duration,
}

impl Journal {
    async fn append(&self, readings: &[Reading]) -> Result<Committed, String> {
        self.calls.fetch_add(1, Ordering::SeqCst);
        match self.failures.load(Ordering::SeqCst) {
            u32::MAX => std::future::pending().await,
            0 => {
                sleep(self.commit_takes).await;
                self.readings.lock().unwrap().extend_from_slice(readings);
                Ok(Committed { new: readings.len() as u64, duplicates: 0 })
            }
            left => {
                self.failures.store(left - 1, Ordering::SeqCst);
                Err("database or disk is full".into())
            }
        }
    }

    fn values(&self) -> Vec<i64> {
        let number = |reading: &Reading| reading.value.number().expect("the tests send numbers") as i64;
        self.readings.lock().unwrap().iter().map(number).collect()
    }

    fn distinct(&self) -> Vec<i64> {
        let mut values = self.values();
        values.sort_unstable();
        values.dedup();
        values
    }
}

struct Service {
    arrivals: Arc<Arrivals>,
    outbox: mpsc::Sender<Outgoing>,
    shutdown: watch::Sender<bool>,
    terms: watch::Sender<Arc<Terms>>,
    task: JoinHandle<Result<(), SessionError>>,
}

fn terms(map: TopicMap) -> Arc<Terms> {
    Arc::new(Terms { map, belief: Belief::default(), ask_rebirth: false })
}

impl Service {
    fn start(settings: Settings, journal: &Arc<Journal>) -> Self {
        Self::reading(terms(map()), settings, journal)
    }

    fn reading(terms: Arc<Terms>, settings: Settings, journal: &Arc<Journal>) -> Self {
        let arrivals = Arc::new(Arrivals::new());
        let (outbox, outgoing) = mpsc::channel(16);
        let (shutdown, told) = watch::channel(false);
        let journal = journal.clone();
        let commit = move |readings: Arc<[Reading]>| {
            let journal = journal.clone();
            async move { journal.append(&readings).await }
        };
        let (terms, by) = watch::channel(terms);
        let task = tokio::spawn(run(settings, by, commit, arrivals.clone(), outgoing, Arc::new(SystemClock), told));
        Self { arrivals, outbox, shutdown, terms, task }
    }

    async fn online(broker: &Broker, journal: &Arc<Journal>) -> Self {
        let service = Self::start(broker.settings(), journal);
        service.is_online().await;
        service
    }

    async fn is_online(&self) {
        until("the service is online", || self.arrivals.link().state == LinkState::Online).await;
    }

    async fn leave(self) {
        self.shutdown.send_replace(true);
        timeout(Duration::from_secs(5), self.task).await.expect("it did not leave in time").unwrap().unwrap();
        assert_eq!(self.arrivals.link().state, LinkState::Closed);
    }

    /// Dies on the spot, like a process that is killed.
    async fn die(self) {
        self.task.abort();
        let _ = self.task.await;
    }
}

async fn until(what: &str, mut done: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !done() {
        assert!(begun.elapsed() < Duration::from_secs(20), "waited in vain until {what}");
        sleep(Duration::from_millis(5)).await;
    }
}

fn subscribed(broker: &Broker) -> impl FnMut() -> bool {
    || broker.passed().iter().any(|connection| connection.subscribed)
}

/// Each test once per broker and version of MQTT, except what only some can do.
macro_rules! at_each_broker {
    (all { $($test:ident)+ } mosquitto { $($alone:ident)+ } old { $($old:ident)+ }) => {
        mod at_mosquitto_with_mqtt_5 {
            $(at_each_broker!(one Mosquitto5 $test);)+
            $(at_each_broker!(one Mosquitto5 $alone);)+
        }
        mod at_mosquitto {
            $(at_each_broker!(one Mosquitto $test);)+
            $(at_each_broker!(one Mosquitto $alone);)+
            $(at_each_broker!(one Mosquitto $old);)+
        }
        mod at_the_embedded_broker {
            $(at_each_broker!(one Embedded $test);)+
            $(at_each_broker!(one Embedded $old);)+
        }
    };
    (one $kind:ident $test:ident) => {
        #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
        async fn $test() {
            super::$test(super::Kind::$kind).await;
        }
    };
}

at_each_broker! {
    all {
        what_was_not_committed_comes_again_and_what_was_does_not
        however_often_the_wire_is_cut_acks_stay_in_order_and_nothing_is_lost
        a_commit_that_fails_is_tried_again_when_the_broker_has_gone_and_come_back
        a_broker_that_forgot_the_session_gets_subscriptions_and_retained_messages_again
        messages_without_a_time_that_waited_are_told_from_live_ones
        others_see_whether_the_service_is_there
        a_refused_message_is_counted_and_does_not_come_again
        a_half_open_connection_is_found_and_nothing_is_lost
        a_slow_wire_loses_nothing
        a_journal_that_hangs_does_not_keep_the_service_from_leaving
    }
    // The embedded broker sends everything with the QoS of the subscription; MQTT 3.1.1, 3.8.4, asks for the lesser of
    // that and the publisher's.
    mosquitto {
        what_comes_with_qos_0_is_taken_and_shown_as_unprotected
    }
    // With MQTT 5 the broker knows our limit and leaves such a packet out by itself (3.1.2.11.4).
    old {
        a_packet_beyond_the_limit_is_shown_and_does_not_storm_the_broker
    }
}

async fn what_was_not_committed_comes_again_and_what_was_does_not(kind: Kind) {
    let broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    journal.failures.store(u32::MAX, Ordering::SeqCst);
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    // More than either broker sends unacknowledged.
    broker.publish("timed/C1", &timed(0..150));
    until("a commit hangs", || journal.calls.load(Ordering::SeqCst) > 0).await;
    until("the window is full", || broker.passed()[0].sent.len() >= kind.window()).await;
    service.die().await;
    let passed = broker.passed().remove(0);
    assert!(passed.acknowledged.is_empty(), "acknowledged before the commit");
    assert_eq!(passed.sent.len(), kind.window(), "the broker sends its window unacknowledged and no more");

    journal.failures.store(0, Ordering::SeqCst);
    // The embedded broker ends the new connection of a client too, when it sees only then that the old one has ended.
    sleep(Duration::from_millis(500)).await;
    let service = Service::online(&broker, &journal).await;
    until("all are there", || journal.distinct() == Vec::from_iter(0..150)).await;
    service.leave().await;
    assert_eq!(journal.values().len(), 150, "each once: the first life committed nothing");

    let service = Service::online(&broker, &journal).await;
    broker.publish("timed/C1", &timed(150..151));
    until("the last is there", || journal.values().contains(&150)).await;
    assert_eq!(journal.values().len(), 151, "what was acknowledged must not come again");
    service.leave().await;
}

/// Mosquitto's log tells what it sent to us and what we acknowledged, in order, connection by connection.
fn logged(log: &str) -> Vec<Passed> {
    let number = |text: &str| text.chars().take_while(char::is_ascii_digit).collect::<String>().parse().unwrap();
    let mut connections = Vec::new();
    for line in log.lines() {
        if line.contains("New client connected") && line.contains("as collector-test") {
            connections.push(Passed::default());
        } else if let Some((_, rest)) = line.split_once("Sending PUBLISH to collector-test (")
            && rest.contains("q1")
            && let Some((_, id)) = rest.split_once(", m")
        {
            connections.last_mut().unwrap().sent.push(number(id));
        } else if let Some((_, id)) = line.split_once("Received PUBACK from collector-test (Mid: ") {
            connections.last_mut().unwrap().acknowledged.push(number(id));
        }
    }
    connections
}

/// Cuts the wire five times while messages flow and a part of them is committed, and returns what passed, and what the
/// broker logged of it.
async fn cut_in_full_flow(kind: Kind) -> (Vec<Passed>, Option<String>) {
    let broker = Arc::new(Broker::start(kind).await);
    let journal = Arc::new(Journal { commit_takes: Duration::from_millis(2), ..Journal::default() });
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    let publisher = tokio::task::spawn_blocking({
        let broker = broker.clone();
        move || broker.publish("timed/C1", &timed(0..3000))
    });
    for cut in 0..5 {
        until("messages flow", || journal.distinct().len() >= 100 + cut * 500).await;
        broker.wire.cut();
        until("it is back", || service.arrivals.link().connections >= cut as u64 + 2).await;
    }
    publisher.await.unwrap();
    until("all are there", || journal.distinct() == Vec::from_iter(0..3000)).await;
    assert_eq!(service.arrivals.link().sessions_lost, 0);
    service.leave().await;
    (broker.passed(), broker.log())
}

async fn however_often_the_wire_is_cut_acks_stay_in_order_and_nothing_is_lost(kind: Kind) {
    let (a, b, c) = tokio::join!(cut_in_full_flow(kind), cut_in_full_flow(kind), cut_in_full_flow(kind));
    for (connections, log) in [a, b, c] {
        assert_eq!(connections.len(), 6);
        in_order(&connections);
        if let Some(log) = log {
            in_order(&logged(&log));
        }
    }
}

fn in_order(connections: &[Passed]) {
    assert!(connections.iter().map(|connection| connection.sent.len()).sum::<usize>() >= 3000);
    for Passed { sent, acknowledged, .. } in connections {
        assert!(acknowledged.len() <= sent.len());
        assert_eq!(*acknowledged, sent[..acknowledged.len()], "acknowledged in another order than sent");
    }
}

async fn a_commit_that_fails_is_tried_again_when_the_broker_has_gone_and_come_back(kind: Kind) {
    let mut broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    journal.failures.store(u32::MAX - 1, Ordering::SeqCst);
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    broker.publish("timed/C1", &timed(0..10));
    until("commits fail", || service.arrivals.link().commit_error.is_some()).await;
    let link = service.arrivals.link();
    assert!(!link.is_ready() && link.state == LinkState::Online);
    assert_eq!(link.commit_error.unwrap().error, "database or disk is full");

    broker.leave();
    until("it sees that", || matches!(service.arrivals.link().state, LinkState::Offline { .. })).await;
    broker.come_back();
    service.is_online().await;
    assert!(service.arrivals.link().session_present, "the broker had kept the session");
    journal.failures.store(0, Ordering::SeqCst);
    until("all are there", || journal.distinct() == Vec::from_iter(0..10)).await;
    until("all are acknowledged", || service.arrivals.link().unacknowledged == 0).await;
    assert!(service.arrivals.link().is_ready());
    service.leave().await;
}

async fn a_broker_that_forgot_the_session_gets_subscriptions_and_retained_messages_again(kind: Kind) {
    let mut broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    let service = Service::online(&broker, &journal).await;
    let risk = Outgoing { topic: "gc/risk/C1".into(), payload: b"0.2".to_vec(), retain: true };
    service.outbox.send(risk).await.unwrap();
    assert_eq!(broker.watch("gc/risk/#").next(), "gc/risk/C1 0.2");

    broker.leave();
    broker.come_back_empty().await;
    until("it has found out", || service.arrivals.link().sessions_lost == 1).await;
    assert_eq!(broker.watch("gc/risk/#").next(), "gc/risk/C1 0.2");
    broker.publish("timed/C1", &timed(0..1));
    until("it is subscribed again", || journal.values() == [0]).await;
    service.leave().await;
}

async fn messages_without_a_time_that_waited_are_told_from_live_ones(kind: Kind) {
    let broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    broker.publish_with(&["-q", "1", "-r", "-t", "bare/C1", "-m", "1"]);
    let service = Service::online(&broker, &journal).await;
    until("the retained one is there", || journal.values() == [1]).await;
    broker.publish("bare/C1", &["2".into()]);
    until("the live one is there", || journal.values() == [1, 2]).await;
    service.leave().await;

    let waited: Vec<String> = (3..303).map(|n: i64| n.to_string()).collect();
    broker.publish("bare/C1", &waited);
    let service = Service::online(&broker, &journal).await;
    until("the backlog is over", || !service.arrivals.link().backlog).await;
    broker.publish("bare/C1", &["999".into()]);
    until("the live one is there", || journal.values().contains(&999)).await;
    service.leave().await;
    let mut waited = 0;
    for reading in journal.readings.lock().unwrap().iter() {
        let expected = match reading.value {
            // 1 comes once more: subscribing again brings what is retained.
            Value::Number(n) if n == 2.0 || n == 999.0 => TimeSource::Arrival,
            _ => TimeSource::Unknown,
        };
        waited += u32::from(expected == TimeSource::Unknown);
        assert_eq!(reading.time_source, expected, "{reading:?}");
    }
    assert!(waited >= 301, "{waited}");
}

async fn others_see_whether_the_service_is_there(kind: Kind) {
    let broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    let status = broker.watch("gc/status");
    let service = Service::online(&broker, &journal).await;
    assert_eq!(status.next(), "gc/status online");
    service.leave().await;
    assert_eq!(status.next(), "gc/status offline");
    let service = Service::online(&broker, &journal).await;
    assert_eq!(status.next(), "gc/status online");
    service.die().await;
    assert_eq!(status.next(), "gc/status offline", "the will");
    assert_eq!(broker.watch("gc/status").next(), "gc/status offline", "retained");
}

async fn a_refused_message_is_counted_and_does_not_come_again(kind: Kind) {
    let broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    let huge = format!(r#"{{"v":1,"x":"{}"}}"#, "x".repeat(100_000));
    broker.publish("timed/C1", &["12,5".into(), huge, r#"{"v":1}"#.into()]);
    broker.publish("timed/C9", &["1".into()]);
    broker.publish("timed/C1", &timed(7..8));
    until("the good one is there", || journal.values() == [7]).await;
    until("all are acknowledged", || service.arrivals.link().unacknowledged == 0).await;
    let report = service.arrivals.snapshot("2026-01-01T00:00:00Z".parse().unwrap());
    let reasons: Vec<_> = report.signals[0].faults.iter().map(|fault| fault.reason.as_str()).collect();
    // What was taken has a time of 2023.
    assert_eq!(reasons, ["too_large", "not_json", "missing_field", "too_old"]);
    assert_eq!(report.unmapped[0].topic, "timed/C9");
    service.leave().await;
    let service = Service::online(&broker, &journal).await;
    until("no backlog is left", || !service.arrivals.link().backlog).await;
    assert_eq!(service.arrivals.totals().messages, 0, "a refused message came again");
    service.leave().await;
}

async fn what_comes_with_qos_0_is_taken_and_shown_as_unprotected(kind: Kind) {
    let broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    let unprotected = || {
        let report = service.arrivals.snapshot("2026-01-01T00:00:00Z".parse().unwrap());
        report.signals.first().is_some_and(|signal| signal.unprotected)
    };
    broker.publish_with(&["-q", "0", "-t", "bare/C1", "-m", "1"]);
    until("it is there", || journal.values() == [1]).await;
    assert!(unprotected());
    broker.publish_with(&["-q", "1", "-t", "bare/C1", "-m", "2"]);
    until("it is there", || journal.values() == [1, 2]).await;
    assert!(!unprotected());
    service.leave().await;
}

async fn a_packet_beyond_the_limit_is_shown_and_does_not_storm_the_broker(kind: Kind) {
    let broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    let mut small = broker.settings();
    (small.max_packet_bytes, small.limits.max_payload_bytes) = (2048, 1024);
    let service = Service::start(small, &journal);
    until("it has subscribed", subscribed(&broker)).await;
    broker.publish("timed/C1", &["x".repeat(4000)]);
    until("it is shown", || {
        matches!(service.arrivals.link().state, LinkState::Offline { error } if error.contains("max_packet_bytes (2048 bytes)"))
    })
    .await;
    sleep(Duration::from_secs(2)).await;
    let report = service.arrivals.snapshot("2026-01-01T00:00:00Z".parse().unwrap());
    assert_eq!(report.faults[0].reason, "too_large");
    // Waits of at least 0.1, 0.2, 0.4 and 0.8 s fit into two seconds, and a fifth of 1.6 s does not.
    assert!(report.link.connections <= 6, "{} connections in two seconds", report.link.connections);
    service.die().await;
}

async fn a_journal_that_hangs_does_not_keep_the_service_from_leaving(kind: Kind) {
    let broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    journal.failures.store(u32::MAX, Ordering::SeqCst);
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    broker.publish("timed/C1", &timed(0..3));
    until("a commit hangs", || journal.calls.load(Ordering::SeqCst) > 0).await;
    let begun = Instant::now();
    service.leave().await;
    assert!(begun.elapsed() < Duration::from_millis(3500), "it took {:?} to leave", begun.elapsed());

    journal.failures.store(0, Ordering::SeqCst);
    let service = Service::online(&broker, &journal).await;
    until("all are there", || journal.distinct() == [0, 1, 2]).await;
    service.leave().await;
}

/// MQTT 3.1.1, 3.1.2.10: without an answer to its ping a client should close the connection.
async fn a_half_open_connection_is_found_and_nothing_is_lost(kind: Kind) {
    let broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    broker.publish("timed/C1", &timed(0..10));
    until("they are there", || journal.distinct().len() == 10).await;
    broker.wire.hold(true);
    broker.publish("timed/C1", &timed(10..200));
    let began = Instant::now();
    until("it is found", || matches!(service.arrivals.link().state, LinkState::Offline { .. })).await;
    // Two keep-alives of 5 s, and a little for a busy machine.
    assert!(began.elapsed() < Duration::from_secs(14), "it took {:?}", began.elapsed());
    broker.wire.cut();
    broker.wire.hold(false);
    until("all are there", || journal.distinct() == Vec::from_iter(0..200)).await;
    assert_eq!(service.arrivals.link().sessions_lost, 0);
    service.leave().await;
}

async fn a_slow_wire_loses_nothing(kind: Kind) {
    let broker = Broker::start(kind).await;
    let journal = Arc::new(Journal::default());
    broker.wire.slow(Duration::from_millis(100));
    let service = Service::online(&broker, &journal).await;
    until("it has subscribed", subscribed(&broker)).await;
    broker.publish("timed/C1", &timed(0..300));
    until("all are there", || journal.distinct() == Vec::from_iter(0..300)).await;
    until("all are acknowledged", || service.arrivals.link().unacknowledged == 0).await;
    assert_eq!(journal.values().len(), 300, "a slow wire is no broken one");
    service.leave().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_a_broker_it_keeps_trying_and_leaves_when_told() {
    let journal = Arc::new(Journal::default());
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let service = Service::start(settings(port), &journal);
    until("it says so", || matches!(service.arrivals.link().state, LinkState::Offline { .. })).await;
    let LinkState::Offline { error } = service.arrivals.link().state else { unreachable!() };
    assert!(error.contains(&format!("127.0.0.1:{port}")), "{error}");
    let begun = Instant::now();
    service.leave().await;
    assert!(begun.elapsed() < Duration::from_secs(1));
}
