//! `GET /metrics`: the snapshot as OpenMetrics, for whoever scrapes.

use std::collections::BTreeMap;

use axum::extract;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use plant::{Fault, Horizon, Score, State};

use crate::api::sorted_signals;
use crate::exposition::{Exposition, Kind};
use crate::rank::{Ranking, rounded, sayable};
use crate::tally::Tally;
use crate::{Publisher, Site, Snapshot, Telling, lacks};

/// The media type as OpenMetrics 1.0 asks for it.
const MEDIA_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// A family: its name, its help, and how its value is read.
type Family<T, V> = (&'static str, &'static str, fn(&T) -> V);

/// `GET /metrics`
pub(crate) async fn metrics(extract::State(publisher): extract::State<Publisher>) -> Response {
    let mut text = exposition(&publisher.newest(), &publisher.site, publisher.clock.now());
    writes(&mut text, &publisher.access.tally);
    let text = text.end();
    ([(header::CONTENT_TYPE, MEDIA_TYPE), (header::CACHE_CONTROL, "no-store")], text).into_response()
}

fn exposition(snapshot: &Snapshot, site: &Site, now: Timestamp) -> Exposition {
    let mut text = Exposition::default();
    text.family("groovecast", Kind::Info, "The service and the grade of which its risks speak.")
        .sample(&[("version", &site.version), ("site", &site.name), ("limit_grade", &site.limit.to_string())], 1.0);
    service(&mut text, snapshot, site, now);
    told(&mut text, snapshot);
    scores(&mut text, snapshot, site);
    arrivals(&mut text, snapshot, now);
    text
}

fn writes(text: &mut Exposition, tally: &Tally) {
    let mut family = text.family("groovecast_writes", Kind::Counter, "Writes over HTTP since the start, by route.");
    for (route, count) in tally.writes() {
        family.sample(&[("route", route)], count as f64);
    }
    let mut family = text.family(
        "groovecast_refusals",
        Kind::Counter,
        "Writes and logins that were refused, and reads without the right to, since the start, by reason.",
    );
    for (reason, count) in tally.refusals() {
        family.sample(&[("reason", reason)], count as f64);
    }
}

fn service(text: &mut Exposition, snapshot: &Snapshot, site: &Site, now: Timestamp) {
    let mut gauge = |name, help, value: Option<f64>| {
        let mut family = text.family(name, Kind::Gauge, help);
        if let Some(value) = value {
            family.sample(&[], value);
        }
    };
    gauge(
        "groovecast_ready",
        "1 if connected, storing and evaluating in time.",
        truth(lacks(snapshot, site, now).is_empty()),
    );
    gauge(
        "groovecast_evaluation_age_seconds",
        "Time since the scores were evaluated; no sample before the first time.",
        age(snapshot.evaluated_at, now),
    );
    gauge("groovecast_broker_connected", "1 if messages can come.", truth(snapshot.link.connected));
    gauge("groovecast_commit_ok", "1 if readings can be stored.", truth(snapshot.journal.error.is_none()));
    gauge(
        "groovecast_commit_age_seconds",
        "Time since the last commit of readings; no sample before the first.",
        age(snapshot.journal.last_commit_at, now),
    );
    gauge("groovecast_unmapped_topics", "Topics that no mapping takes.", Some(snapshot.unmapped.len() as f64));
    gauge(
        "groovecast_disk_free_bytes",
        "What is free for readings; no sample before the first look.",
        snapshot.disk.as_ref().map(|disk| disk.free_bytes as f64),
    );
    gauge(
        "groovecast_disk_full_days",
        "In how many days the disk is full at the rate of the last 30 days; no sample before a whole day.",
        snapshot.disk.as_ref().and_then(|disk| disk.full_in_days),
    );
    let totals = &snapshot.totals;
    for (name, help, count) in [
        ("groovecast_messages", "Messages that came since the start.", totals.messages),
        ("groovecast_readings", "Readings stored since the start.", totals.readings),
        ("groovecast_duplicates", "Readings that were there already.", totals.duplicates),
        ("groovecast_kept_out", "Messages or parts of them that were kept out.", totals.kept_out),
    ] {
        text.family(name, Kind::Counter, help).sample(&[], count as f64);
    }
}

fn told(text: &mut Exposition, snapshot: &Snapshot) {
    let mut family = |name, kind, help, of: fn(&Telling) -> u64| {
        let mut family = text.family(name, kind, help);
        for one in &snapshot.told {
            family.sample(&[("target", &one.target)], of(one) as f64);
        }
    };
    family("groovecast_notices_told", Kind::Counter, "Notices of advice that a target has confirmed.", |one| one.told);
    family("groovecast_notices_waiting", Kind::Gauge, "Notices that a target has not confirmed yet.", |one| {
        one.waiting
    });
    family(
        "groovecast_notices_given_up",
        Kind::Counter,
        "Notices that could not be told and are tried no more.",
        |one| one.given_up,
    );
}

fn scores(text: &mut Exposition, snapshot: &Snapshot, site: &Site) {
    let ranking = Ranking::of(snapshot, site);
    let mut family = text.family(
        "groovecast_hold_and_assess",
        Kind::Gauge,
        "1 if a look saw flakes or exposed metal in this life: stop and hold. Then no risk is given, whatever the state.",
    );
    for score in ranking.all().filter(|score| score.tube.is_some()) {
        family.sample(&place(score), f64::from(u8::from(score.hold_and_assess)));
    }
    let ends: [Family<Horizon, f64>; 3] = [
        (
            "groovecast_risk_ratio",
            "Chance that a complete look after so many further run hours finds the limit grade or worse. No sample if \
             there is none to give or nothing fresh stands behind it: then inspect on the fixed schedule.",
            |ahead| ahead.risk,
        ),
        ("groovecast_risk_lower_ratio", "Lower end of the interval of the risk.", |ahead| ahead.lower),
        ("groovecast_risk_upper_ratio", "Upper end of the interval of the risk.", |ahead| ahead.upper),
    ];
    for (name, help, of) in ends {
        let mut family = text.family(name, Kind::Gauge, help);
        // A stale risk has no words beside it here that would say that it is old.
        for score in ranking.all().filter(|score| score.state != State::Stale) {
            for ahead in sayable(score) {
                let horizon = ahead.horizon_h.to_string();
                let mut labels = place(score);
                labels.push(("horizon_hours", &horizon));
                family.sample(&labels, of(&rounded(ahead)));
            }
        }
    }
    let mut family = text.family(
        "groovecast_score_state",
        Kind::StateSet,
        "What stands behind the score of a tube, or why there is none.",
    );
    for score in ranking.all() {
        family.states(&place(score), State::ALL.iter().map(|state| (state.as_str(), *state == score.state)));
    }
    let values: [Family<Score, Option<f64>>; 3] = [
        (
            "groovecast_run_since_look_hours",
            "Run hours since the last complete look, or since the life began.",
            |score| Some(score.run_h),
        ),
        ("groovecast_blind_since_look_hours", "Of these, hours that no reading covers.", |score| Some(score.blind_h)),
        ("groovecast_coverage_ratio", "Share of these that readings cover; no sample without run hours.", |score| {
            score.coverage
        }),
    ];
    for (name, help, of) in values {
        let mut family = text.family(name, Kind::Gauge, help);
        for score in ranking.all().filter(|score| score.tube.is_some()) {
            if let Some(value) = of(score) {
                family.sample(&place(score), value);
            }
        }
    }
}

fn arrivals(text: &mut Exposition, snapshot: &Snapshot, now: Timestamp) {
    let signals = sorted_signals(snapshot);
    let mut family = text.family(
        "groovecast_signal_age_seconds",
        Kind::Gauge,
        "Age of a signal's newest reading; no sample if none came.",
    );
    for signal in &signals {
        if let Some(age) = age(signal.last_at, now) {
            family.sample(&[("unit", signal.unit.as_str()), ("signal", signal.signal.as_str())], age);
        }
    }
    let mut family = text.family("groovecast_signal_readings", Kind::Counter, "Readings of a signal since the start.");
    for signal in &signals {
        family.sample(&[("unit", signal.unit.as_str()), ("signal", signal.signal.as_str())], signal.count as f64);
    }
    let of_signals = signals.iter().flat_map(|signal| {
        signal.faults.iter().map(|fault| ([signal.unit.as_str(), signal.signal.as_str(), fault.reason.as_str()], fault))
    });
    let of_none = snapshot.faults.iter().map(|fault| (["", "", fault.reason.as_str()], fault));
    let mut counts: BTreeMap<[&str; 3], u64> = BTreeMap::new();
    for (place, Fault { count, .. }) in of_none.chain(of_signals) {
        *counts.entry(place).or_default() += count;
    }
    let mut family = text.family(
        "groovecast_faults",
        Kind::Counter,
        "What was kept out or taken with a doubt, by reason; without unit and signal if it belongs to none.",
    );
    for ([unit, signal, reason], count) in counts {
        let labels = [("unit", unit), ("signal", signal), ("reason", reason)];
        let known: Vec<_> = labels.into_iter().filter(|(_, value)| !value.is_empty()).collect();
        family.sample(&known, count as f64);
    }
}

/// The labels that say of which tube and unit.
fn place(score: &Score) -> Vec<(&'static str, &str)> {
    let unit = score.unit.as_ref().map(|unit| ("unit", unit.as_str()));
    let tube = score.tube.as_ref().map(|tube| ("tube", tube.as_str()));
    unit.into_iter().chain(tube).collect()
}

fn truth(holds: bool) -> Option<f64> {
    Some(f64::from(u8::from(holds)))
}

fn age(then: Option<Timestamp>, now: Timestamp) -> Option<f64> {
    then.map(|then| now.duration_since(then).as_secs_f64())
}
