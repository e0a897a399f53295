//! The page of signals: what arrives, what does not, and why.

use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use jiff::Timestamp;
use plant::{Fault, SignalReport};

use crate::api::sorted_signals;
use crate::figures::{age, count, number};
use crate::pages::{Frame, rendered};
use crate::{CollectorSeen, Disk, Link, Publisher, Snapshot};

#[derive(Template)]
#[template(path = "signals.html")]
struct SignalsPage {
    frame: Frame,
    facts: Vec<(&'static str, String)>,
    collectors: Vec<(String, String)>,
    units: Vec<(String, Vec<SignalRow>)>,
    faults: Vec<FaultRow>,
    unmapped: Vec<[String; 4]>,
}

struct SignalRow {
    signal: &'static str,
    /// No reading since the start.
    silent: bool,
    value: String,
    raw: String,
    topic: String,
    reading_age: String,
    arrived: String,
    per_min: String,
    count: String,
    /// Known for how much of the last day and week.
    known: [String; 2],
    unprotected: bool,
    faults: Vec<FaultRow>,
}

struct FaultRow {
    reason: String,
    count: String,
    times: String,
    last: String,
    sample: String,
}

/// `GET /signals`
pub(crate) async fn page(State(publisher): State<Publisher>) -> Response {
    let snapshot = publisher.newest();
    let now = publisher.clock.now();
    let units = sorted_signals(&snapshot)
        .chunk_by(|a, b| a.unit == b.unit)
        .map(|unit| (unit[0].unit.to_string(), unit.iter().map(|signal| signal_row(&snapshot, signal, now)).collect()))
        .collect();
    let unmapped = snapshot
        .unmapped
        .iter()
        .map(|topic| [topic.topic.clone(), count(topic.count), age(topic.last, now), topic.sample.clone()])
        .collect();
    let page = SignalsPage {
        frame: Frame::of(&publisher, &snapshot),
        facts: facts(&snapshot, now),
        collectors: snapshot.collectors.iter().map(|collector| collector_row(collector, now)).collect(),
        units,
        faults: snapshot.faults.iter().map(|fault| fault_row(fault, now)).collect(),
        unmapped,
    };
    rendered(StatusCode::OK, &page)
}

fn facts(snapshot: &Snapshot, now: Timestamp) -> Vec<(&'static str, String)> {
    let ago = |at: Option<Timestamp>, never: &str| at.map_or(never.to_owned(), |at| age(at, now));
    let link = &snapshot.link;
    let state = if link.connected { "connected" } else { "not connected" };
    let totals = &snapshot.totals;
    vec![
        ("Broker", format!("{state} since {}", ago(link.since, "the start"))),
        ("Subscriptions", subscriptions(link)),
        ("Last error", link.error.clone().unwrap_or("none".to_owned())),
        ("Last commit", ago(snapshot.journal.last_commit_at, "none yet")),
        ("Messages", count(totals.messages)),
        ("Readings stored", count(totals.readings)),
        ("Already there", count(totals.duplicates)),
        ("Kept out", count(totals.kept_out)),
        ("Disk", snapshot.disk.as_ref().map_or("not looked at yet".to_owned(), disk)),
    ]
}

/// What comes by the subscriptions, and how much it is worth just now, in one line.
fn subscriptions(link: &Link) -> String {
    if !link.connected {
        return "none while the broker is away".to_owned();
    }
    let mut says = Vec::new();
    if !link.refused_filters.is_empty() {
        says.push(format!("refused by the broker: {}", link.refused_filters.join(", ")));
    }
    if !link.qos0_filters.is_empty() {
        says.push(format!(
            "granted with QoS 0 only, so that what is lost on the way stays lost: {}",
            link.qos0_filters.join(", ")
        ));
    }
    if link.backlog {
        says.push("messages without a time count as having waited at the broker, and enter no exposure".to_owned());
    }
    if says.is_empty() { "all granted, nothing waits".to_owned() } else { says.join("; ") }
}

fn disk(disk: &Disk) -> String {
    let free = format!("{} free", bytes(disk.free_bytes as f64));
    match (disk.bytes_per_day, disk.full_in_days) {
        (Some(daily), Some(days)) => format!("{free}; full in {} at {} a day", long(days), bytes(daily)),
        _ => format!("{free}; how fast it fills is known after a whole day"),
    }
}

/// A size in decimal units, two figures or more.
fn bytes(bytes: f64) -> String {
    let (size, unit) = match bytes {
        b if b >= 1e12 => (b / 1e12, "TB"),
        b if b >= 1e9 => (b / 1e9, "GB"),
        b if b >= 1e6 => (b / 1e6, "MB"),
        b => (b / 1e3, "kB"),
    };
    let figures = if size < 10.0 { 1 } else { 0 };
    format!("{size:.figures$}\u{a0}{unit}")
}

/// Days, or years where there are many.
fn long(days: f64) -> String {
    match days {
        d if d >= 3650.0 => "more than ten years".to_owned(),
        d if d >= 730.0 => format!("{:.1} years", d / 365.25),
        d => format!("{} days", d.floor()),
    }
}

fn collector_row(collector: &CollectorSeen, now: Timestamp) -> (String, String) {
    let heard = age(collector.seen_at, now);
    let says = match (collector.working, &collector.error) {
        (true, _) => format!("working, heard {heard}"),
        (false, Some(error)) => format!("not working, heard {heard}: {error}"),
        (false, None) => format!("not heard since {heard}: what the broker keeps for it waits there"),
    };
    (format!("Collector {}", collector.name), says)
}

fn signal_row(snapshot: &Snapshot, report: &SignalReport, now: Timestamp) -> SignalRow {
    let known = snapshot.known_share(report).map_or([None; 2], |share| [Some(share.day), Some(share.week)]);
    let ago = |at: Option<Timestamp>| at.map_or("not since the start".to_owned(), |at| age(at, now));
    SignalRow {
        signal: report.signal.as_str(),
        silent: report.last_at.is_none(),
        value: value(report),
        raw: report.raw.clone(),
        topic: report.topic.clone(),
        reading_age: ago(report.last_at),
        arrived: ago(report.arrived_at),
        per_min: number(report.per_min),
        count: count(report.count),
        known: known.map(|share| share.map_or("–".to_owned(), |share| format!("{:.0}\u{a0}%", share * 100.0))),
        unprotected: report.unprotected,
        faults: report.faults.iter().map(|fault| fault_row(fault, now)).collect(),
    }
}

/// The last value in words. A signal that is silent since the start differs from one of which nothing could be taken.
fn value(report: &SignalReport) -> String {
    let silent = report.arrived_at.is_none() && report.faults.is_empty();
    match (report.last_at, report.value.is_empty()) {
        (None, true) if silent && report.count == 0 => "nothing came".to_owned(),
        (None, true) => "no reading taken".to_owned(),
        (Some(_), true) => "no value".to_owned(),
        (_, false) => format!("{}\u{a0}{}", report.value, report.measure),
    }
}

fn fault_row(fault: &Fault, now: Timestamp) -> FaultRow {
    FaultRow {
        reason: fault.reason.replace('_', " "),
        count: count(fault.count),
        times: format!("{} {}", count(fault.count), if fault.count == 1 { "time" } else { "times" }),
        last: age(fault.last, now),
        sample: fault.sample.clone(),
    }
}
