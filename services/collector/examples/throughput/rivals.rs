//! What the collector is held against: a receiver that does nothing else, commits with nothing else to do, and the script
//! that somebody would write instead.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use ledger::{Ledger, Place};
use plant::{Quality, Reading, Signal, TimeSource, UnitId, Value};
use rumqttc::{AsyncClient, Event, Incoming, MqttOptions, QoS};

use crate::Failure;
use crate::broker::{Broker, Running};
use crate::payloads::Kind;

/// Messages per second of a receiver that does nothing but acknowledge, from its first message to its last.
pub async fn bare(broker: &Broker, kind: Kind, messages: u64) -> Result<f64, Failure> {
    let mut options = MqttOptions::new("bare", "127.0.0.1", broker.port);
    options.set_clean_session(false).set_manual_acks(true).set_max_packet_size(1 << 20, 1 << 20);
    // Room for every acknowledgement, because the broker may send far more than its window.
    let (client, mut eventloop) = AsyncClient::new(options, messages as usize + 100);
    client.subscribe("#", QoS::AtLeastOnce).await?;
    let mut senders = None;
    let (mut count, mut begun) = (0, Instant::now());
    while count < messages {
        match eventloop.poll().await? {
            Event::Incoming(Incoming::SubAck(_)) => senders = Some(broker.publish(kind, messages)?),
            Event::Incoming(Incoming::Publish(publish)) => {
                if count == 0 {
                    begun = Instant::now();
                }
                count += 1;
                client.try_ack(&publish)?;
            }
            _ => {}
        }
    }
    let rate = messages as f64 / begun.elapsed().as_secs_f64();
    drop(senders);
    Ok(rate)
}

/// Commits per second of so many readings each, one after the other, to a journal with nothing else to do.
pub async fn commits(folder: &Path, readings: u64) -> Result<f64, Failure> {
    let commits = (200_000 / readings as i64).clamp(50, 1000);
    let journal = Ledger::open(&Place::Sqlite(folder.join("alone.db"))).await?;
    let unit = UnitId::new("C0")?;
    let group = |commit: i64| -> Result<Vec<Reading>, Failure> {
        (0..readings as i64)
            .map(|n| {
                Ok(Reading {
                    unit: unit.clone(),
                    signal: Signal::Torque,
                    at: Timestamp::from_microsecond(1_700_000_000_000_000 + commit * readings as i64 + n)?,
                    value: Value::Number(n as f64 + 0.5),
                    quality: Quality::Good,
                    time_source: TimeSource::Own,
                })
            })
            .collect()
    };
    let groups = (0..commits).map(group).collect::<Result<Vec<_>, _>>()?;
    let begun = Instant::now();
    for group in groups {
        journal.append(&group).await?;
    }
    Ok(commits as f64 / begun.elapsed().as_secs_f64())
}

/// Durable messages per second of `tests/bench/plain.py`, from its first message to its last; it prints them.
pub fn script(python: &Path, kind: Kind, window: u64, messages: u64) -> Result<f64, Failure> {
    let broker = Broker::start(window)?;
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/bench/plain.py");
    let (ready, table) = (broker.dir.path().join("ready"), broker.dir.path().join("plain.db"));
    let mut receiver = Command::new(python);
    receiver.arg(script).args([broker.port.to_string(), messages.to_string()]).arg(&table).arg(&ready);
    let receiver = receiver.stdin(Stdio::null()).stdout(Stdio::piped()).spawn()?;
    let begun = Instant::now();
    while !ready.exists() {
        if begun.elapsed() > Duration::from_secs(30) {
            drop(Running::new(receiver));
            return Err("plain.py does not subscribe".into());
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    let _senders = broker.publish(kind, messages)?;
    let said = receiver.wait_with_output()?;
    Ok(String::from_utf8_lossy(&said.stdout).trim().parse()?)
}
