//! `listen`: what arrives from the broker, what does not, and why. Looks only: nothing is stored or acknowledged for the service.

use std::sync::Arc;
use std::time::Duration;

use collector::{Arrivals, ArrivalsReport, Committed, LinkState, Specimen};
use jiff::Timestamp;
use plant::{Clock, Fault};
use tokio::sync::{mpsc, watch};

use crate::config::Config;
use crate::exit::Failure;
use crate::propose::{self, Proposal};
use crate::session;

/// How often it is looked whether enough has come.
const LOOK_EVERY: Duration = Duration::from_millis(200);

/// Listens for a while and prints what came, and what might be mapped.
pub async fn listen(
    config: &Config,
    topics: Vec<String>,
    lasts: Duration,
    json: bool,
    clock: Arc<dyn Clock>,
) -> Result<(), Failure> {
    for filter in &topics {
        check_filter(filter).map_err(Failure::Usage)?;
    }
    let Heard { report, specimens, at } = hear(config, topics, lasts, |_| false, clock).await?;
    let proposals = propose::proposals(&specimens, &config.mappings, &config.units);
    if json {
        println!("{}", serde_json::to_string_pretty(&as_json(&report, &proposals)).map_err(anyhow::Error::from)?);
    } else {
        print(&report, config, at);
        print_proposals(&proposals);
    }
    connected(config, &report)
}

/// What came, and when that was seen.
pub struct Heard {
    /// What came.
    pub report: ArrivalsReport,
    /// A message of each topic that is not taken.
    pub specimens: Vec<Specimen>,
    /// The end of the listening.
    pub at: Timestamp,
}

/// What arrives within a time, or until enough has.
pub async fn hear(
    config: &Config,
    topics: Vec<String>,
    lasts: Duration,
    enough: impl Fn(&ArrivalsReport) -> bool,
    clock: Arc<dyn Clock>,
) -> Result<Heard, Failure> {
    let mut terms = session::terms(config)?;
    let mut settings = session::settings(config, None);
    settings.client_id = format!("{}-listen", settings.client_id);
    settings.keep_session = false;
    // It looks only; the service asks for itself.
    terms.ask_rebirth = false;
    settings.share = None;
    settings.more_filters = topics;
    let arrivals = Arc::new(Arrivals::new());
    let (stop, stopped) = watch::channel(false);
    let (_outbox, outgoing) = mpsc::channel(1);
    let forget = |readings: Arc<[plant::Reading]>| async move {
        Ok::<_, std::convert::Infallible>(Committed { new: readings.len() as u64, duplicates: 0 })
    };
    let listening = tokio::spawn(collector::run(
        settings,
        terms.for_good(),
        forget,
        arrivals.clone(),
        outgoing,
        clock.clone(),
        stopped,
    ));
    let until_enough = async {
        while !enough(&arrivals.snapshot(clock.now())) {
            tokio::time::sleep(LOOK_EVERY).await;
        }
    };
    tokio::select! {
        () = tokio::time::sleep(lasts) => {}
        () = until_enough => {}
        _ = tokio::signal::ctrl_c() => {}
    }
    let at = clock.now();
    let heard = Heard { report: arrivals.snapshot(at), specimens: arrivals.specimens(), at };
    stop.send_replace(true);
    listening.await.map_err(anyhow::Error::from)?.map_err(anyhow::Error::from)?;
    Ok(heard)
}

/// An error if the broker was not there.
pub fn connected(config: &Config, report: &ArrivalsReport) -> Result<(), Failure> {
    let broker = format!("{}:{}", config.broker.host, config.broker.port);
    match &report.link.state {
        LinkState::Offline { error } => Err(Failure::Other(anyhow::anyhow!("no connection to {broker}: {error}"))),
        LinkState::Connecting => Err(Failure::Other(anyhow::anyhow!("{broker} did not answer"))),
        LinkState::Online | LinkState::Closed => Ok(()),
    }
}

/// What is wrong with a topic filter. MQTT 3.1.1, 4.7.1: '+' is a whole level, '#' is the last one.
pub fn check_filter(filter: &str) -> Result<(), String> {
    let levels: Vec<&str> = filter.split('/').collect();
    let right = |(at, level): (usize, &&str)| match *level {
        "+" => true,
        "#" => at + 1 == levels.len(),
        plain => !plain.contains(['+', '#', '\0']),
    };
    match !filter.is_empty() && levels.iter().enumerate().all(right) {
        true => Ok(()),
        false => Err(format!("{filter:?} is no topic filter; right would be harrow/#, harrow/+/torque or #")),
    }
}

fn as_json(report: &ArrivalsReport, proposals: &[Proposal]) -> serde_json::Value {
    let texts: Vec<&str> = proposals.iter().map(|proposal| proposal.text.as_str()).collect();
    serde_json::json!({
        "signals": report.signals,
        "unmapped": report.unmapped,
        "faults": report.faults,
        "proposals": texts,
    })
}

fn print_proposals(proposals: &[Proposal]) {
    if proposals.is_empty() {
        return;
    }
    println!("\nTo begin with, for the config (each line is a guess: look at it before you keep it):");
    for proposal in proposals {
        println!("\n{}", proposal.text);
    }
}

fn print(report: &ArrivalsReport, config: &Config, now: Timestamp) {
    println!("unit         signal           count   per min      age  value                  as sent");
    for signal in &report.signals {
        let age = signal.last_at.map_or("-".to_owned(), |at| format!("{} s", now.duration_since(at).as_secs()));
        let value = format!("{} {}", signal.value, signal.measure);
        let unprotected = if signal.unprotected { "  (QoS 0: unprotected)" } else { "" };
        println!(
            "{:<12} {:<13} {:>8} {:>9.1} {:>8}  {:<22} {}{unprotected}",
            signal.unit.as_str(),
            signal.signal.as_str(),
            signal.count,
            signal.per_min,
            age,
            value,
            signal.raw
        );
        signal.faults.iter().for_each(print_fault);
    }
    for unit in &config.units {
        let silent = |mapping: &&collector::Mapping| {
            let heard = |s: &plant::SignalReport| s.unit == *unit && s.signal == mapping.signal && s.count > 0;
            mapping.unit.as_ref().is_none_or(|of| of == unit) && !report.signals.iter().any(heard)
        };
        for mapping in config.mappings.iter().filter(silent) {
            println!(
                "{:<12} {:<13} nothing came; expected at {}",
                unit.as_str(),
                mapping.signal.as_str(),
                mapping.pattern
            );
        }
    }
    report.faults.iter().for_each(print_fault);
    for topic in &report.unmapped {
        println!("unmapped: {} ({} messages, last {})", topic.topic, topic.count, topic.sample);
    }
}

fn print_fault(fault: &Fault) {
    println!("    {} times {}: {}", fault.count, fault.reason, fault.sample);
}
