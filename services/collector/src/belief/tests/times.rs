//! Times: repeated, out of order, late, by a wrong clock, or of one that nobody has set.

use plant::{Quality, Reading, Signal, TimeSource, UnitId, Value};

use super::{Bench, start};
use crate::belief::{Belief, Limit};
use crate::decode::{Decoder, Limits, Message, Outcome, Taken};
use crate::mapping::{Mapping, TopicMap};
use crate::pattern::Pattern;
use crate::payload::{Payload, TimeField};
use crate::pointer::Pointer;
use crate::reason::Reason;
use crate::stamp::TimeFormat;

#[test]
fn repeated_contradicting_old_and_late_readings_are_told_apart() {
    let mut bench = Bench::new();
    bench.send(100.0, Signal::Torque, 90.0);
    bench.send(100.0, Signal::Torque, 90.0);
    bench.send(100.0, Signal::Torque, 91.0);
    bench.send(50.0, Signal::Torque, 92.0);
    bench.lag_s = 7200.0;
    bench.send(200.0, Signal::Torque, 93.0);
    assert_eq!(bench.reasons(), [Reason::Duplicate, Reason::Conflict, Reason::OutOfOrder, Reason::Late]);
}

#[test]
fn a_clock_that_is_off_is_told_from_a_zone_that_is_wrong_and_from_a_sender_that_gathers() {
    let off = |lag_s: &dyn Fn(u32) -> f64| {
        let limit = Limit { late_s: 1e9, ..Limit::house(Signal::Torque) };
        let mut bench = Bench::with(0.1, [(Signal::Torque, limit)]);
        for at_s in 0..200_u32 {
            bench.lag_s = lag_s(at_s);
            let value = 90.0 + bench.noise();
            bench.send((at_s * 10).into(), Signal::Torque, value);
        }
        bench
    };
    assert_eq!(off(&|_| 0.5).reasons(), []);
    let slow = off(&|at_s| 300.0 + f64::from(at_s % 5));
    assert_eq!(slow.reasons(), [Reason::ClockSkew]);
    assert_eq!(slow.doubts.len(), 3, "once in 64 readings");
    assert_eq!(off(&|_| -200.0).reasons(), [Reason::ClockSkew]);
    let zone = off(&|_| 7200.4);
    assert_eq!(zone.reasons(), [Reason::WrongZone]);
    assert!(zone.text().contains("2.0 h behind"), "{}", zone.text());
    assert_eq!(off(&|at_s| f64::from(at_s % 60) * 30.0).reasons(), [], "gathered and sent twice an hour");
}

/// A reading 400 s ahead of its arrival is refused, unless the signal may be so far ahead.
#[test]
fn how_far_ahead_a_time_may_lie_is_set_per_signal() {
    let time = TimeField { pointer: Pointer::parse("t").unwrap(), format: TimeFormat::S };
    let payload = Payload::Json { value: Pointer::parse("v").unwrap(), time: Some(time), quality: None };
    let pattern = Pattern::parse("t/{unit}").unwrap();
    let mappings = [Signal::Torque, Signal::Speed].map(|signal| Mapping::new(pattern.clone(), signal, payload.clone()));
    let map = TopicMap::new(mappings.to_vec(), [UnitId::new("K1").unwrap()]).unwrap();
    let limits = [(Signal::Torque, Limit { ahead_s: 500.0, ..Limit::house(Signal::Torque) })].into();
    let mut decoder = Decoder::new(map, Limits::USUAL).believing(Belief { limits, ..Belief::default() });
    let payload = format!(r#"{{"v": 90, "t": {}}}"#, start().as_second() + 400);
    let (topic, payload) = ("t/K1", payload.as_bytes());
    let message = Message { topic, payload, retained: false, backlog: false, connection: 0, arrived_at: start() };
    let found = decoder.decode(&message);
    assert!(matches!(&found[0], Outcome::Taken(_)), "{found:?}");
    assert!(matches!(&found[1], Outcome::Refused(refusal) if refusal.reason == Reason::FutureTime), "{found:?}");
}

/// A controller whose battery was empty begins in the year 2000 and counts on; another one is asked to be believed for two years.
#[test]
fn a_time_far_behind_its_arrival_is_kept_and_not_believed() {
    let time = TimeField { pointer: Pointer::parse("t").unwrap(), format: TimeFormat::S };
    let payload = Payload::Json { value: Pointer::parse("v").unwrap(), time: Some(time), quality: None };
    let pattern = Pattern::parse("t/{unit}").unwrap();
    let mappings = [Signal::Torque, Signal::Speed].map(|signal| Mapping::new(pattern.clone(), signal, payload.clone()));
    let map = TopicMap::new(mappings.to_vec(), [UnitId::new("K1").unwrap()]).unwrap();
    const DAY: i64 = 86_400;
    let limit = Limit { behind_s: 730.0 * DAY as f64, ..Limit::house(Signal::Speed) };
    let limits = [(Signal::Speed, limit)].into();
    let mut decoder = Decoder::new(map, Limits::USUAL).believing(Belief { limits, ..Belief::default() });
    let mut read = |at_s: i64| {
        let payload = format!(r#"{{"v": 90, "t": {at_s}}}"#);
        let (topic, payload) = ("t/K1", payload.as_bytes());
        let message = Message { topic, payload, retained: false, backlog: false, connection: 0, arrived_at: start() };
        decoder
            .decode(&message)
            .into_iter()
            .map(|outcome| match outcome {
                Outcome::Taken(Taken { reading, doubts, .. }) => {
                    assert_eq!(reading.at.as_second(), at_s, "its own time is kept");
                    let doubts: Vec<_> = doubts.into_iter().map(|doubt| doubt.reason).collect();
                    (reading.time_source, doubts)
                }
                other => panic!("it is lost: {other:?}"),
            })
            .collect::<Vec<_>>()
    };
    let (believed, not) = ((TimeSource::Own, vec![Reason::Late]), (TimeSource::Unknown, vec![Reason::TooOld]));
    // 2000-01-01T00:00:07Z.
    assert_eq!(read(946_684_807), [not.clone(), not.clone()]);
    assert_eq!(read(start().as_second() - 401 * DAY), [not, believed.clone()]);
    assert_eq!(read(start().as_second() - 400 * DAY), [believed.clone(), believed]);
}

/// Readings that came while a clock was a year ahead do not stand before what comes once it is right.
#[test]
fn after_a_clock_that_was_ahead_readings_are_doubted_as_before() {
    let spiked = |ahead_s: f64| {
        let mut bench = Bench::new();
        for at_s in 0..20 {
            bench.send(ahead_s + f64::from(at_s), Signal::Torque, 90.0 + f64::from(at_s % 3));
        }
        for at_s in 0..20 {
            let value = if at_s == 10 { 900.0 } else { 90.0 + f64::from(at_s % 3) };
            bench.send(60.0 + f64::from(at_s), Signal::Torque, value);
        }
        bench.reasons()
    };
    assert_eq!(spiked(0.0), [Reason::Spike]);
    assert_eq!(spiked(365.0 * 86_400.0), [Reason::Spike]);
}

#[test]
fn what_has_no_time_follows_nothing() {
    let mut bench = Bench::new();
    bench.send(100.0, Signal::Torque, 90.0);
    let unit = UnitId::new("K1").unwrap();
    let reading = Reading {
        unit,
        signal: Signal::Torque,
        at: start(),
        value: Value::Number(5.0),
        quality: Quality::Good,
        time_source: TimeSource::Unknown,
    };
    let mut outcomes = [Outcome::Taken(Taken { reading, raw: String::new(), doubts: Vec::new() })];
    bench.watches.look(&bench.message, &mut outcomes);
    let [Outcome::Taken(taken)] = outcomes else { unreachable!() };
    assert_eq!(taken.doubts, []);
}
