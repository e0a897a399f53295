//! How many readings a second come through, and how many a bare MQTT receiver gets on the same machine.
//!
//! ```text
//! cargo run --release -p collector --example throughput -- [MESSAGES] [WINDOW...]
//! ```
//!
//! For each window it starts a mosquitto of its own and publishes the same messages twice with four `mosquitto_pub`, QoS 1:
//! to a bare receiver that acknowledges at once, and to the collector with the real journal: SQLite, synced at each
//! commit. Then it commits groups of one window of readings to a journal of its own, one after the other: window times
//! these commits per second is what a broker that keeps strictly to its window would allow. The ratio is to the smaller of the
//! two limits. Needs the packages mosquitto and mosquitto-clients.

use std::error::Error;
use std::fs::{self, File};
use std::future::Future;
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use collector::{
    Arrivals, Belief, Committed, Limits, Mapping, Pattern, Payload, Pointer, Settings, TimeField, TimeFormat, TopicMap,
    run,
};
use jiff::Timestamp;
use ledger::{Ledger, Place};
use plant::{Quality, Reading, Signal, SystemClock, TimeSource, UnitId, Value};
use rumqttc::{AsyncClient, Event, Incoming, MqttOptions, QoS};
use tempfile::TempDir;
use tokio::sync::{mpsc, watch};

const PUBLISHERS: u64 = 4;

type Failure = Box<dyn Error + Send + Sync>;

#[tokio::main]
async fn main() -> Result<(), Failure> {
    let mut numbers =
        std::env::args().skip(1).map(|text| text.parse::<u64>().map_err(|_| format!("{text:?} is no number")));
    let messages = numbers.next().transpose()?.unwrap_or(100_000) / PUBLISHERS * PUBLISHERS;
    let mut windows = numbers.collect::<Result<Vec<_>, _>>()?;
    if windows.is_empty() {
        windows = vec![20, 100];
    }
    println!("{messages} messages, QoS 1; readings per second");
    println!("window      bare  synced commits/s  window x commits  collector  ratio  messages/commit");
    for window in windows {
        let bare = {
            let broker = Broker::start(window)?;
            bare_rate(&broker, messages).await?
        };
        let broker = Broker::start(window)?;
        let journal = Ledger::open(&Place::Sqlite(broker.dir.path().join("journal.db"))).await?;
        let commits = Arc::new(AtomicU64::new(0));
        let counted = commits.clone();
        let ours = collector_rate(&broker, window, messages, move |readings: Arc<[Reading]>| {
            counted.fetch_add(1, Ordering::Relaxed);
            let journal = journal.clone();
            async move {
                let appended = journal.append(&readings).await?;
                Ok::<_, ledger::LedgerError>(Committed { new: appended.new, duplicates: appended.duplicates })
            }
        })
        .await?;
        let synced = synced_commits(broker.dir.path(), window).await?;
        let allowed = synced * window as f64;
        let per_commit = messages as f64 / commits.load(Ordering::Relaxed) as f64;
        println!(
            "{window:>6} {bare:>9.0} {synced:>17.0} {allowed:>17.0} {ours:>10.0} {:>6.2} {per_commit:>16.1}",
            ours / bare.min(allowed)
        );
    }
    Ok(())
}

/// Commits per second of one window of readings each, one after the other, to a journal with nothing else to do.
async fn synced_commits(folder: &Path, window: u64) -> Result<f64, Failure> {
    const COMMITS: i64 = 1000;
    let journal = Ledger::open(&Place::Sqlite(folder.join("alone.db"))).await?;
    let unit = UnitId::new("C0")?;
    let group = |commit: i64| -> Result<Vec<Reading>, Failure> {
        (0..window as i64)
            .map(|n| {
                Ok(Reading {
                    unit: unit.clone(),
                    signal: Signal::Torque,
                    at: Timestamp::from_microsecond(1_700_000_000_000_000 + commit * 10_000 + n)?,
                    value: Value::Number(n as f64 + 0.5),
                    quality: Quality::Good,
                    time_source: TimeSource::Own,
                })
            })
            .collect()
    };
    let groups = (0..COMMITS).map(group).collect::<Result<Vec<_>, _>>()?;
    let begun = Instant::now();
    for group in groups {
        journal.append(&group).await?;
    }
    Ok(COMMITS as f64 / begun.elapsed().as_secs_f64())
}

/// Messages per second of a receiver that does nothing but acknowledge, from its first message to its last.
async fn bare_rate(broker: &Broker, messages: u64) -> Result<f64, Failure> {
    let mut options = MqttOptions::new("bare", "127.0.0.1", broker.port);
    options.set_clean_session(false).set_manual_acks(true).set_max_packet_size(1 << 20, 1 << 20);
    // Room for every acknowledgement, because the broker may send far more than its window.
    let (client, mut eventloop) = AsyncClient::new(options, messages as usize);
    client.subscribe("p/#", QoS::AtLeastOnce).await?;
    let mut publishers = None;
    let (mut count, mut begun) = (0, Instant::now());
    while count < messages {
        match eventloop.poll().await? {
            Event::Incoming(Incoming::SubAck(_)) => publishers = Some(broker.publish(messages)?),
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
    drop(publishers);
    Ok(rate)
}

/// Readings per second that the collector makes durable with this `commit`, from the first message to the last commit.
async fn collector_rate<C, F, E>(broker: &Broker, window: u64, messages: u64, commit: C) -> Result<f64, Failure>
where
    C: Fn(Arc<[Reading]>) -> F + Send + Sync + 'static,
    F: Future<Output = Result<Committed, E>> + Send + 'static,
    E: std::fmt::Display + Send + 'static,
{
    let settings = Settings {
        host: "127.0.0.1".into(),
        port: broker.port,
        client_id: "collector".into(),
        tls: None,
        username: None,
        password: None,
        keep_alive_s: 30,
        keep_session: true,
        window: window as usize,
        batch: 1000,
        max_packet_bytes: 1 << 20,
        limits: Limits::USUAL,
        ask_rebirth: false,
        belief: Belief::default(),
        status: None,
    };
    let arrivals = Arc::new(Arrivals::new());
    let (_outbox, outgoing) = mpsc::channel(1);
    let (shutdown, told) = watch::channel(false);
    let session = tokio::spawn(run(settings, map()?, commit, arrivals.clone(), outgoing, Arc::new(SystemClock), told));
    while arrivals.link().connections == 0 {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    tokio::time::sleep(Duration::from_millis(200)).await;
    let publishers = broker.publish(messages)?;
    while arrivals.totals().messages == 0 {
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    let begun = Instant::now();
    while arrivals.totals().committed < messages {
        tokio::time::sleep(Duration::from_millis(1)).await;
        if session.is_finished() {
            return Err("the session ended early".into());
        }
    }
    let rate = messages as f64 / begun.elapsed().as_secs_f64();
    drop(publishers);
    shutdown.send_replace(true);
    session.await??;
    Ok(rate)
}

fn map() -> Result<TopicMap, Failure> {
    let payload = Payload::Json {
        value: Pointer::parse("v")?,
        time: Some(TimeField { pointer: Pointer::parse("t")?, format: TimeFormat::Us }),
        quality: None,
    };
    let mapping = Mapping::new(Pattern::parse("p/{unit}")?, Signal::Torque, payload);
    let units = (0..PUBLISHERS).map(|unit| UnitId::new(&format!("C{unit}"))).collect::<Result<Vec<_>, _>>()?;
    Ok(TopicMap::new(vec![mapping], units)?)
}

struct Broker {
    port: u16,
    dir: TempDir,
    _child: Running,
}

/// Ended when dropped.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        // Ended already is as good.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Broker {
    fn start(window: u64) -> Result<Self, Failure> {
        let dir = tempfile::tempdir()?;
        let port = TcpListener::bind("127.0.0.1:0")?.local_addr()?.port();
        let config = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nmax_inflight_messages {window}\nmax_queued_messages 0\nlog_dest none\n"
        );
        let path = dir.path().join("conf");
        fs::write(&path, config)?;
        let child = Running(quiet("mosquitto", &path).or_else(|_| quiet("/usr/sbin/mosquitto", &path))?);
        let begun = Instant::now();
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            if begun.elapsed() > Duration::from_secs(10) {
                return Err("the broker does not answer".into());
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        Ok(Self { port, dir, _child: child })
    }

    /// Begins to publish the messages, spread over as many units as there are publishers.
    fn publish(&self, messages: u64) -> Result<Vec<Running>, Failure> {
        let lines = self.dir.path().join("lines");
        let mut text = String::new();
        for n in 0..messages / PUBLISHERS {
            text += &format!("{{\"v\":{}.5,\"t\":{}}}\n", n % 600, 1_700_000_000_000_000 + n);
        }
        fs::write(&lines, text)?;
        let port = self.port.to_string();
        (0..PUBLISHERS)
            .map(|unit| {
                let mut publisher = Command::new("mosquitto_pub");
                publisher.args(["-h", "127.0.0.1", "-p", &port, "-q", "1", "-l", "-t", &format!("p/C{unit}")]);
                Ok(Running(publisher.stdin(File::open(&lines)?).spawn()?))
            })
            .collect()
    }
}

fn quiet(program: &str, config: &Path) -> std::io::Result<Child> {
    Command::new(program).arg("-c").arg(config).stdout(Stdio::null()).stderr(Stdio::null()).spawn()
}
