//! The page of signals: what arrives, what does not, and why.

use askama::Template;
use axum::http::StatusCode;
use axum::response::Response;
use jiff::Timestamp;
use plant::{Fault, SignalReport};

use crate::api::sorted_signals;
use crate::pages::{Frame, rendered};
use crate::shown::Shown;
use crate::{CollectorSeen, Disk, Link, Snapshot, Voice};

#[derive(Template)]
#[template(path = "signals.html")]
struct SignalsPage {
    voice: Voice,
    frame: Frame,
    facts: Vec<(String, String)>,
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
pub(crate) async fn page(Shown(publisher): Shown) -> Response {
    let snapshot = publisher.newest();
    let (now, voice) = (publisher.clock.now(), &publisher.site.voice);
    let units = sorted_signals(&snapshot)
        .chunk_by(|a, b| a.unit == b.unit)
        .map(|unit| {
            (unit[0].unit.to_string(), unit.iter().map(|signal| signal_row(&snapshot, signal, now, voice)).collect())
        })
        .collect();
    let unmapped = snapshot
        .unmapped
        .iter()
        .map(|topic| [topic.topic.clone(), voice.count(topic.count), voice.age(topic.last, now), topic.sample.clone()])
        .collect();
    let page = SignalsPage {
        voice: publisher.site.voice.clone(),
        frame: Frame::of(&publisher, &snapshot),
        facts: facts(&snapshot, now, voice),
        collectors: snapshot.collectors.iter().map(|collector| collector_row(collector, now, voice)).collect(),
        units,
        faults: snapshot.faults.iter().map(|fault| fault_row(fault, now, voice)).collect(),
        unmapped,
    };
    rendered(StatusCode::OK, &page)
}

fn facts(snapshot: &Snapshot, now: Timestamp, voice: &Voice) -> Vec<(String, String)> {
    let ago = |at: Option<Timestamp>, never: &str| at.map_or_else(|| voice.say(never), |at| voice.age(at, now));
    let link = &snapshot.link;
    let since = ago(link.since, "signals-the-start");
    let broker = if link.connected {
        voice.tell("signals-connected", &[("since", &since)])
    } else {
        voice.tell("signals-not-connected", &[("since", &since)])
    };
    let totals = &snapshot.totals;
    vec![
        (voice.say("signals-broker"), broker),
        (voice.say("signals-subscriptions"), subscriptions(link, voice)),
        (voice.say("signals-last-error"), link.error.clone().unwrap_or_else(|| voice.say("list-none"))),
        (voice.say("signals-last-commit"), ago(snapshot.journal.last_commit_at, "lack-no-commit")),
        (voice.say("signals-messages"), voice.count(totals.messages)),
        (voice.say("signals-readings"), voice.count(totals.readings)),
        (voice.say("signals-duplicates"), voice.count(totals.duplicates)),
        (voice.say("signals-kept-out"), voice.count(totals.kept_out)),
        (
            voice.say("signals-disk"),
            snapshot.disk.as_ref().map_or_else(|| voice.say("signals-disk-unknown"), |seen| disk(seen, voice)),
        ),
    ]
}

/// What comes by the subscriptions, and how much it is worth just now, in one line.
fn subscriptions(link: &Link, voice: &Voice) -> String {
    if !link.connected {
        return voice.say("signals-no-subscriptions");
    }
    let mut says = Vec::new();
    if !link.refused_filters.is_empty() {
        says.push(voice.tell("signals-refused", &[("filters", &link.refused_filters.join(", "))]));
    }
    if !link.qos0_filters.is_empty() {
        says.push(voice.tell("signals-qos-0", &[("filters", &link.qos0_filters.join(", "))]));
    }
    if link.backlog {
        says.push(voice.say("signals-backlog"));
    }
    if says.is_empty() { voice.say("signals-all-granted") } else { says.join("; ") }
}

fn disk(disk: &Disk, voice: &Voice) -> String {
    let free = bytes(disk.free_bytes as f64, voice);
    match (disk.bytes_per_day, disk.full_in_days) {
        (Some(daily), Some(days)) => voice.tell(
            "signals-disk-full",
            &[("free", &free), ("days", &long(days, voice)), ("daily", &bytes(daily, voice))],
        ),
        _ => voice.tell("signals-disk-free", &[("free", &free)]),
    }
}

/// A size in decimal units, two figures or more.
fn bytes(bytes: f64, voice: &Voice) -> String {
    let (size, unit) = match bytes {
        b if b >= 1e12 => (b / 1e12, "TB"),
        b if b >= 1e9 => (b / 1e9, "GB"),
        b if b >= 1e6 => (b / 1e6, "MB"),
        b => (b / 1e3, "kB"),
    };
    let figures = if size < 10.0 { 1 } else { 0 };
    format!("{}\u{a0}{unit}", voice.decimal(size, figures))
}

/// Days, or years where there are many.
fn long(days: f64, voice: &Voice) -> String {
    match days {
        d if d >= 3650.0 => voice.say("signals-many-years"),
        d if d >= 730.0 => voice.tell("signals-years", &[("years", &voice.decimal(d / 365.25, 1))]),
        d => voice.tell("signals-days", &[("days", &voice.decimal(d.floor(), 0))]),
    }
}

fn collector_row(collector: &CollectorSeen, now: Timestamp, voice: &Voice) -> (String, String) {
    let heard = voice.age(collector.seen_at, now);
    let says = match (collector.working, &collector.error) {
        (true, _) => voice.tell("signals-working", &[("ago", &heard)]),
        (false, Some(error)) => voice.tell("signals-not-working", &[("ago", &heard), ("error", &error)]),
        (false, None) => voice.tell("signals-not-heard", &[("ago", &heard)]),
    };
    (voice.tell("signals-collector", &[("name", &collector.name)]), says)
}

fn signal_row(snapshot: &Snapshot, report: &SignalReport, now: Timestamp, voice: &Voice) -> SignalRow {
    let known = snapshot.known_share(report).map_or([None; 2], |share| [Some(share.day), Some(share.week)]);
    let ago = |at: Option<Timestamp>| at.map_or_else(|| voice.say("signals-not-since-start"), |at| voice.age(at, now));
    SignalRow {
        signal: report.signal.as_str(),
        silent: report.last_at.is_none(),
        value: value(report, voice),
        raw: report.raw.clone(),
        topic: report.topic.clone(),
        reading_age: ago(report.last_at),
        arrived: ago(report.arrived_at),
        per_min: voice.number(report.per_min),
        count: voice.count(report.count),
        known: known.map(|share| share.map_or("–".to_owned(), |share| format!("{:.0}\u{a0}%", share * 100.0))),
        unprotected: report.unprotected,
        faults: report.faults.iter().map(|fault| fault_row(fault, now, voice)).collect(),
    }
}

/// The last value in words. A signal that is silent since the start differs from one of which nothing could be taken.
fn value(report: &SignalReport, voice: &Voice) -> String {
    let silent = report.arrived_at.is_none() && report.faults.is_empty();
    match (report.last_at, report.value.is_empty()) {
        (None, true) if silent && report.count == 0 => voice.say("signals-nothing-came"),
        (None, true) => voice.say("signals-none-taken"),
        (Some(_), true) => voice.say("signals-no-value"),
        (_, false) => newest(report, voice),
    }
}

/// The newest value as this reader measures, with as many decimals as it came with. What is no number stays as it is.
fn newest(report: &SignalReport, voice: &Voice) -> String {
    let quantity = report.signal.quantity();
    let number = report.value.parse::<f64>().ok().filter(|number| number.is_finite());
    let (Some(quantity), Some(number)) = (quantity, number) else {
        return format!("{}\u{a0}{}", report.value, report.measure);
    };
    let digits = report.value.split_once('.').map_or(0, |(_, part)| part.len());
    let measure = voice.display.measure(quantity);
    format!("{}\u{a0}{}", voice.decimal(measure.from_house(number), digits), measure.name())
}

fn fault_row(fault: &Fault, now: Timestamp, voice: &Voice) -> FaultRow {
    FaultRow {
        reason: fault.reason.replace('_', " "),
        count: voice.count(fault.count),
        times: voice.tell("signals-times", &[("count", &fault.count), ("times", &voice.count(fault.count))]),
        last: voice.age(fault.last, now),
        sample: fault.sample.clone(),
    }
}
