//! A Sparkplug node at a real broker: asked for its births where that is allowed, and blind after its death.

use std::process::Command;
use std::sync::Arc;

use super::broker::{Broker, Kind};
use super::{Journal, Service, map, terms, until};
use crate::Terms;

/// Fields of a payload by their numbers (sparkplug_b.proto): a metric is 2, in it name 1, alias 2, data type 4 and
/// double 13; the number of the message is 3.
fn payload(seq: u8, name: Option<&str>, value: f64) -> Vec<u8> {
    let mut metric = Vec::new();
    if let Some(name) = name {
        metric.extend([1 << 3 | 2, name.len() as u8]);
        metric.extend(name.as_bytes());
        metric.extend([4 << 3, 10]);
    }
    metric.extend([2 << 3, 7, 13 << 3 | 1]);
    metric.extend(value.to_le_bytes());
    let mut payload = vec![2 << 3 | 2, metric.len() as u8];
    payload.extend(metric);
    payload.extend([3 << 3, seq]);
    payload
}

fn send(broker: &Broker, topic: &str, payload: &[u8]) {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), payload).unwrap();
    let topic = format!("spBv1.0/mill/{topic}");
    broker.publish_with(&["-q", "1", "-t", &topic, "-f", file.path().to_str().unwrap()]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_node_whose_birth_was_missed_is_asked_for_it_and_read_until_it_dies() {
    let broker = Broker::start(Kind::Mosquitto5).await;
    let journal = Arc::new(Journal::default());
    let asking = Arc::new(Terms { ask_rebirth: true, ..(*terms(map())).clone() });
    let service = Service::reading(asking, broker.settings(), &journal);
    service.is_online().await;
    until("it has subscribed", || broker.log().unwrap().contains("Received SUBSCRIBE from collector-test")).await;
    let port = broker.plain_port().to_string();
    let node = Command::new("mosquitto_sub")
        .args([
            "-h",
            "127.0.0.1",
            "-p",
            &port,
            "-C",
            "1",
            "-W",
            "20",
            "-F",
            "%q %r %x",
            "-t",
            "spBv1.0/mill/NCMD/line1",
        ])
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    until("the node listens", || broker.log().unwrap().matches("Received SUBSCRIBE from").count() >= 2).await;

    send(&broker, "DDATA/line1/C1", &payload(5, None, 100.0));
    let asked = tokio::task::spawn_blocking(|| node.wait_with_output()).await.unwrap().unwrap();
    let asked = String::from_utf8(asked.stdout).unwrap();
    let name: String = b"Node Control/Rebirth".iter().map(|byte| format!("{byte:02x}")).collect();
    assert!(asked.starts_with("0 0 ") && asked.contains(&name), "asked with QoS 0, not retained: {asked}");

    send(&broker, "NBIRTH/line1", &[3 << 3, 0]);
    send(&broker, "DBIRTH/line1/C1", &payload(1, Some("Run Hours"), 100.0));
    send(&broker, "DDATA/line1/C1", &payload(2, None, 101.0));
    until("both are there", || journal.readings.lock().unwrap().len() == 2).await;
    assert_eq!(journal.values(), [100, 101]);
    send(&broker, "NDEATH/line1", &[]);
    // A death says little, but not nothing: an empty payload is none.
    send(&broker, "NDEATH/line1", &[3 << 3, 0]);
    until("the death is there", || journal.readings.lock().unwrap().len() == 3).await;
    assert_eq!(journal.readings.lock().unwrap()[2].value, plant::Value::Missing);
    let faults = service.arrivals.snapshot("2026-01-01T00:00:00Z".parse().unwrap());
    let reasons: Vec<_> = faults.faults.iter().map(|fault| fault.reason.as_str()).collect();
    assert_eq!(reasons, ["empty", "not_born"]);
    service.leave().await;
}
