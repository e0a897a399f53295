//! `listen`: what arrives from the broker, what does not, and why. Looks only: nothing is stored or acknowledged for the service.

use std::sync::Arc;
use std::time::Duration;

use collector::{Arrivals, ArrivalsReport, Committed, LinkState, TopicMap};
use jiff::Timestamp;
use plant::{Clock, Fault};
use tokio::sync::{mpsc, watch};

use crate::config::Config;
use crate::exit::Failure;
use crate::run;

/// Listens for a while and prints what came.
pub async fn listen(config: &Config, lasts: Duration, json: bool, clock: Arc<dyn Clock>) -> Result<(), Failure> {
    let map = TopicMap::new(config.mappings.clone(), config.units.iter().cloned()).map_err(anyhow::Error::from)?;
    let mut settings = run::session(config, None);
    settings.client_id = format!("{}-listen", settings.client_id);
    settings.keep_session = false;
    // It looks only; the service asks for itself.
    settings.ask_rebirth = false;
    settings.share = None;
    let arrivals = Arc::new(Arrivals::new());
    let (stop, stopped) = watch::channel(false);
    let (_outbox, outgoing) = mpsc::channel(1);
    let forget = |readings: Arc<[plant::Reading]>| async move {
        Ok::<_, std::convert::Infallible>(Committed { new: readings.len() as u64, duplicates: 0 })
    };
    let session =
        tokio::spawn(collector::run(settings, map, forget, arrivals.clone(), outgoing, clock.clone(), stopped));
    tokio::select! {
        () = tokio::time::sleep(lasts) => {}
        _ = tokio::signal::ctrl_c() => {}
    }
    let report = arrivals.snapshot(clock.now());
    stop.send_replace(true);
    session.await.map_err(anyhow::Error::from)?.map_err(anyhow::Error::from)?;
    if json {
        println!("{}", serde_json::to_string_pretty(&as_json(&report)).map_err(anyhow::Error::from)?);
    } else {
        print(&report, config, clock.now());
    }
    let broker = format!("{}:{}", config.broker.host, config.broker.port);
    match &report.link.state {
        LinkState::Offline { error } => Err(Failure::Other(anyhow::anyhow!("no connection to {broker}: {error}"))),
        LinkState::Connecting => Err(Failure::Other(anyhow::anyhow!("{broker} did not answer"))),
        LinkState::Online | LinkState::Closed => Ok(()),
    }
}

fn as_json(report: &ArrivalsReport) -> serde_json::Value {
    serde_json::json!({ "signals": report.signals, "unmapped": report.unmapped, "faults": report.faults })
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
