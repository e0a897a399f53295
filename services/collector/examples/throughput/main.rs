//! How many readings a second come through and are durable, and how many other receivers get on the same machine.
//!
//! ```text
//! cargo run --release -p collector --example throughput -- MESSAGES [--python PYTHON] [WINDOW...]
//! ```
//!
//! For each window and kind of payload it starts mosquittos of its own, and four processes publish the same messages with
//! QoS 1: to a bare receiver that acknowledges at once; to the collector with the real journal, SQLite, synced at each
//! commit; and, with `--python`, to `tests/bench/plain.py`, the script that somebody would write instead. Then groups of
//! one window are committed to a journal alone: window times these commits per second is what a broker that keeps strictly
//! to its window would allow. `ratio` is to the smaller of these two limits, `of insert` to the rate at which the journal
//! alone takes readings in the groups that the collector made, `of script` to the script. Needs mosquitto.

use std::error::Error;
use std::future::Future;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use collector::{Arrivals, Belief, Committed, Limits, Protocol, Settings, Terms, run};
use ledger::{Ledger, Place};
use plant::{Reading, SystemClock};
use tokio::sync::{mpsc, watch};

mod broker;
mod payloads;
mod rivals;

use broker::Broker;
use payloads::{Kind, SENDERS};

type Failure = Box<dyn Error + Send + Sync>;

#[tokio::main]
async fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [word, kind, port, sender, messages] = &arguments[..]
        && word == "send"
    {
        let kind = Kind::parse(kind).ok_or("no such payload")?;
        return broker::send(kind, port.parse()?, sender.parse()?, messages.parse()?).await;
    }
    let (mut numbers, mut python) = (Vec::new(), None);
    let mut arguments = arguments.into_iter();
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--python" => python = arguments.next().map(PathBuf::from),
            number => numbers.push(number.parse::<u64>().map_err(|_| format!("{number:?} is no number"))?),
        }
    }
    let messages = numbers.first().copied().unwrap_or(100_000);
    let windows = if numbers.len() > 1 { numbers.split_off(1) } else { vec![20, 100] };
    println!("{messages} messages, a tenth where each holds {} readings; QoS 1; per second", payloads::MANY);
    println!(
        "window payload    messages bare  window x commits  collector  ratio  readings  of insert  script  of script"
    );
    for window in windows {
        for kind in Kind::ALL {
            let messages = messages / if kind.readings() > 1 { 10 } else { 1 } / SENDERS * SENDERS;
            measure(kind, window, messages, python.as_ref()).await?;
        }
    }
    Ok(())
}

async fn measure(kind: Kind, window: u64, messages: u64, python: Option<&PathBuf>) -> Result<(), Failure> {
    let bare = rivals::bare(&Broker::start(window)?, kind, messages).await?;
    let broker = Broker::start(window)?;
    let journal = Ledger::open(&Place::Sqlite(broker.dir.path().join("journal.db"))).await?;
    let commits = Arc::new(AtomicU64::new(0));
    let counted = commits.clone();
    let ours = collected(&broker, kind, window, messages, move |readings: Arc<[Reading]>| {
        counted.fetch_add(1, Ordering::Relaxed);
        let journal = journal.clone();
        async move {
            let appended = journal.append(&readings).await?;
            Ok::<_, ledger::LedgerError>(Committed { new: appended.new, duplicates: appended.duplicates })
        }
    })
    .await?;
    let folder = tempfile::tempdir()?;
    let allowed = rivals::commits(folder.path(), window * kind.readings()).await? * window as f64;
    let each = (messages * kind.readings() / commits.load(Ordering::Relaxed).max(1)).max(1);
    let folder = tempfile::tempdir()?;
    let insert = rivals::commits(folder.path(), each).await? * each as f64;
    let readings = ours * kind.readings() as f64;
    let script = python.map(|python| rivals::script(python, kind, window, (messages / 20).max(SENDERS))).transpose()?;
    let (script, of_script) =
        script.map_or(("-".to_owned(), "-".to_owned()), |rate| (format!("{rate:.0}"), format!("{:.1}", ours / rate)));
    println!(
        "{window:>6} {:<10} {bare:>13.0} {allowed:>17.0} {ours:>10.0} {:>6.2} {readings:>9.0} {:>10.2} {script:>7} {of_script:>10}",
        kind.name(),
        ours / bare.min(allowed),
        readings / insert,
    );
    Ok(())
}

/// Messages per second that the collector makes durable with this `commit`, from the first message to the last commit.
async fn collected<C, F, E>(broker: &Broker, kind: Kind, window: u64, messages: u64, commit: C) -> Result<f64, Failure>
where
    C: Fn(Arc<[Reading]>) -> F + Send + Sync + 'static,
    F: Future<Output = Result<Committed, E>> + Send + 'static,
    E: std::fmt::Display + Send + 'static,
{
    let settings = Settings {
        host: "127.0.0.1".into(),
        port: broker.port,
        protocol: Protocol::Auto,
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
        share: None,
        former: Vec::new(),
        more_filters: Vec::new(),
        status: None,
    };
    let terms = Terms { map: kind.map()?, belief: Belief::default(), ask_rebirth: false };
    let arrivals = Arc::new(Arrivals::new());
    let (_outbox, outgoing) = mpsc::channel(1);
    let (shutdown, told) = watch::channel(false);
    let clock = Arc::new(SystemClock);
    let session = tokio::spawn(run(settings, terms.for_good(), commit, arrivals.clone(), outgoing, clock, told));
    while arrivals.link().connections == 0 {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    tokio::time::sleep(Duration::from_millis(200)).await;
    let senders = broker.publish(kind, messages)?;
    while arrivals.totals().messages == 0 {
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    let begun = Instant::now();
    let done = || arrivals.totals().committed + arrivals.totals().duplicates;
    while done() < messages * kind.readings() {
        tokio::time::sleep(Duration::from_millis(1)).await;
        if session.is_finished() {
            return Err("the session ended early".into());
        }
        if arrivals.totals().refused > 0 {
            return Err(format!("readings were refused: {:?}", arrivals.totals()).into());
        }
    }
    let rate = messages as f64 / begun.elapsed().as_secs_f64();
    drop(senders);
    shutdown.send_replace(true);
    session.await??;
    Ok(rate)
}
