//! What a plant does to a service: brokers that die or are not there yet, disks that are full, databases that others hold.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use crate::broker::{Broker, Kind, free_port, wait_for, wait_within};
use crate::databases::Holder;
use crate::load::{self, Instants, Key, Load, UNITS, key_of, stored, times, topic};
use crate::sender::Sender;
use crate::service::Service;
use crate::wire::Wire;

/// Readings per unit that the time of a load is spread over; more than any run publishes.
const ROOM: i64 = 1_000_000;

fn wire(to: u16) -> (tokio::runtime::Runtime, Wire) {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let wire = runtime.block_on(Wire::to(to));
    (runtime, wire)
}

/// What the collector has acknowledged, by what passed on the wire; and that it did so in order.
fn acknowledged(wire: &Wire) -> BTreeSet<Key> {
    let mut keys = BTreeSet::new();
    for connection in wire.passed() {
        let number = connection.acknowledged.len();
        assert_eq!(connection.acknowledged, connection.sent[..number], "acknowledged in another order than sent");
        keys.extend(connection.payloads[..number].iter().filter_map(|payload| key_of(payload)));
    }
    keys
}

/// A broker may lose what it has taken when it is killed: mosquitto saves after it has acknowledged. Those are counted apart.
/// What we have acknowledged to it must be stored, since it will not send that again.
#[test]
fn what_was_acknowledged_outlives_every_kill_of_the_broker() {
    let kills = times("FAULTS_BROKER_KILLS", 8);
    let mut broker = Broker::that_saves_each_change();
    let (_runtime, wire) = wire(broker.port);
    let folder = tempfile::tempdir().unwrap();
    let service = Service::start(&load::config(folder.path(), wire.port));
    let load = Load::new(ROOM);
    let enough = Arc::new(AtomicBool::new(false));
    let publishers: Vec<_> = (0..UNITS.len())
        .map(|unit| {
            let (enough, mut sender) = (enough.clone(), Sender::new(broker.port));
            std::thread::spawn(move || {
                let mut next = 0;
                while !enough.load(Ordering::SeqCst) {
                    let group: Vec<_> = (next..next + 20).map(|index| load.payload(unit, index)).collect();
                    sender.publish(&topic(unit), &group);
                    next += 20;
                    std::thread::sleep(Duration::from_millis(50));
                }
                next
            })
        })
        .collect();

    let mut instants = Instants(20_261_125);
    for _ in 0..kills {
        let before = wire.passed().len();
        wait_for("acknowledgements", || wire.passed().last().filter(|last| !last.acknowledged.is_empty()).map(|_| ()));
        std::thread::sleep(instants.next(2200));
        broker.kill();
        broker.again();
        wait_for("a new connection", || (wire.passed().len() > before).then_some(()));
    }
    enough.store(true, Ordering::SeqCst);
    let published: Vec<i64> = publishers.into_iter().map(|publisher| publisher.join().unwrap()).collect();
    wait_for("a connection that stands", || (service.get("/health/ready").0 == 200).then_some(()));
    for (unit, next) in published.iter().enumerate() {
        Sender::new(broker.port).publish(&topic(unit), &[load.payload(unit, *next)]);
    }
    wait_for("the last readings", || {
        let shown = service.get("/api/v1/signals").1;
        (0..UNITS.len()).all(|unit| shown.contains(&load.at(unit, published[unit]))).then_some(())
    });
    std::thread::sleep(Duration::from_secs(1));
    service.stop();

    let taken: BTreeSet<Key> = (0..UNITS.len()).flat_map(|unit| load.keys(unit, published[unit] + 1)).collect();
    let (stored, _) = stored(&folder.path().join("data"));
    let distinct: BTreeSet<Key> = stored.iter().copied().collect();
    let acknowledged = acknowledged(&wire);
    let lost_by_broker = taken.difference(&distinct).count();
    println!(
        "{kills} kills of the broker, {} connections: {} readings taken by it, {} acknowledged to it, {} stored; \
         {lost_by_broker} lost by the broker, which never sent them or never got an acknowledgement",
        wire.passed().len(),
        taken.len(),
        acknowledged.len(),
        distinct.len(),
    );
    let unkept: Vec<_> = acknowledged.difference(&distinct).take(5).collect();
    let invented: Vec<_> = distinct.difference(&taken).take(5).collect();
    assert!(unkept.is_empty(), "acknowledged and not stored: {unkept:?}");
    assert!(invented.is_empty(), "stored and never published: {invented:?}");
    assert_eq!(stored.len(), distinct.len(), "some readings exist twice");
    assert!(acknowledged.len() > kills * 20, "too little came through: {}", acknowledged.len());
}

/// A limit on the size of files is a disk without room for one process; nobody needs to be root for it.
#[test]
fn on_a_full_disk_nothing_is_acknowledged_until_there_is_room() {
    let broker = Broker::start(Kind::Mosquitto);
    let (_runtime, wire) = wire(broker.port);
    let folder = tempfile::tempdir().unwrap();
    let service = Service::start_with_files_that_may_stop_growing(&load::config(folder.path(), wire.port));
    let load = Load::new(ROOM);
    let mut sender = Sender::new(broker.port);
    let mut publish = |indexes: std::ops::Range<i64>| {
        sender.publish(&topic(0), &indexes.map(|index| load.payload(0, index)).collect::<Vec<_>>());
    };
    publish(0..100);
    wait_for("the first readings", || (acknowledged(&wire).len() == 100).then_some(()));

    service.limit_files("4096");
    publish(100..3000);
    let said = wait_for("an unready service", || {
        let (status, body) = service.get("/health/ready");
        (status == 503 && body.contains("commits_failing")).then_some(body)
    });
    assert!(!said.contains("broker_away"), "the broker is there: {said}");
    assert_eq!(service.get("/health/live").0, 200, "starting it again would not help");
    let before = acknowledged(&wire).len();
    std::thread::sleep(Duration::from_secs(2));
    let sent: usize = wire.passed().iter().map(|connection| connection.sent.len()).sum();
    assert_eq!(acknowledged(&wire).len(), before, "acknowledged without room for it");
    // Its window is 20; mosquitto 2.0.11 may send another one on the acknowledgements that were under way.
    assert!(before < 3000 && sent <= before + 60, "the broker's window holds back what cannot be stored: {sent} sent");

    service.limit_files("unlimited");
    wait_for("a ready service", || (service.get("/health/ready").0 == 200).then_some(()));
    wait_for("all readings", || (acknowledged(&wire).len() == 3000).then_some(()));
    service.stop();
    load::same(&stored(&folder.path().join("data")).0, &load.keys(0, 3000).collect());
}

#[test]
fn who_reads_the_database_holds_nothing_up_and_who_writes_is_waited_for() {
    let broker = Broker::start(Kind::Mosquitto);
    let (_runtime, wire) = wire(broker.port);
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let service = Service::start(&load::config(folder.path(), wire.port));
    let load = Load::new(ROOM);
    let mut sender = Sender::new(broker.port);
    let mut publish = |indexes: std::ops::Range<i64>| {
        sender.publish(&topic(0), &indexes.map(|index| load.payload(0, index)).collect::<Vec<_>>());
    };
    publish(0..100);
    wait_for("the first readings", || (acknowledged(&wire).len() == 100).then_some(()));
    let reader = Holder::begin(&data, "BEGIN", "SELECT count(*) FROM journal");
    publish(100..1000);
    wait_for("all readings beside a reader", || (acknowledged(&wire).len() == 1000).then_some(()));

    let writer = Holder::begin(&data, "BEGIN IMMEDIATE", "SELECT 1");
    std::thread::sleep(Duration::from_millis(200));
    publish(1000..1500);
    std::thread::sleep(Duration::from_secs(2));
    assert_eq!(acknowledged(&wire).len(), 1000, "acknowledged while another writes");
    assert_eq!(service.get("/health/live").0, 200);
    drop(writer);
    wait_for("all readings after it", || (acknowledged(&wire).len() == 1500).then_some(()));
    drop(reader);
    service.stop();
    load::same(&stored(&data).0, &load.keys(0, 1500).collect());
}

#[test]
fn a_broker_that_comes_after_the_service_is_waited_for() {
    let port = free_port();
    let folder = tempfile::tempdir().unwrap();
    let service = Service::launch(&load::config(folder.path(), port));
    let said = wait_for("a service that answers", || {
        let (status, body) = service.get("/health/ready");
        // At the very first look nothing may have been tried yet.
        (status == 503 && body.contains("broker_away") && body.contains(&format!("127.0.0.1:{port}"))).then_some(body)
    });
    assert!(!said.contains("commits_failing"), "{said}");
    assert_eq!((service.get("/health/live").0, service.get("/").0), (200, 200), "the board is there without a broker");
    let broker = Broker::start_at(port);
    wait_within(Duration::from_secs(30), "a ready service", || (service.get("/health/ready").0 == 200).then_some(()));
    let load = Load::new(ROOM);
    Sender::new(broker.port).publish(&topic(0), &(0..50).map(|index| load.payload(0, index)).collect::<Vec<_>>());
    wait_for("the readings", || service.get("/api/v1/signals").1.contains(&load.at(0, 49)).then_some(()));
    service.stop();
    load::same(&stored(&folder.path().join("data")).0, &load.keys(0, 50).collect());
}
