//! How many messages a second the decoder takes on one core, doubts included.
//!
//! `cargo run --release -p collector --example decode_speed`
#![allow(clippy::unwrap_used, reason = "a measurement that cannot go on says so by ending")]

use std::time::Instant;

use collector::{
    Belief, Decoder, Limits, Mapping, Message, Pattern, Payload, Pointer, TimeField, TimeFormat, TopicMap, Turning,
    UnitBelief,
};
use jiff::{SignedDuration, Timestamp};
use plant::{Signal, UnitId};

const MESSAGES: u32 = 1_000_000;
const UNITS: u32 = 60;

fn main() {
    let units: Vec<UnitId> = (0..UNITS).map(|unit| UnitId::new(&format!("K{unit}")).unwrap()).collect();
    let at = |text: &str| Pointer::parse(text).unwrap();
    let payload = Payload::Json {
        value: at("/value"),
        time: Some(TimeField { pointer: at("/at"), format: TimeFormat::Us }),
        quality: None,
    };
    let of = |topic: &str, signal| Mapping::new(Pattern::parse(topic).unwrap(), signal, payload.clone());
    let mappings = vec![of("p/{unit}/torque", Signal::Torque), of("p/{unit}/speed", Signal::Speed)];
    let map = TopicMap::new(mappings, units.clone()).unwrap();
    let known = UnitBelief { turning: Turning::SpeedAboveRpm(5.0), meter_resolution_h: 0.1 };
    let belief = Belief { units: units.iter().map(|unit| (unit.clone(), known)).collect(), ..Belief::default() };
    let mut decoder = Decoder::new(map, Limits::USUAL).believing(belief);
    let topics: Vec<[String; 2]> =
        units.iter().map(|unit| ["speed", "torque"].map(|signal| format!("p/{unit}/{signal}"))).collect();
    let mut now: Timestamp = "2026-03-31T06:00:00Z".parse().unwrap();
    let (mut readings, mut doubts) = (0, 0);
    let begun = Instant::now();
    for number in 0..MESSAGES {
        let value = 90.0 + f64::from(number.wrapping_mul(2_654_435_761) >> 16) / 6553.6;
        let payload = format!(r#"{{"value": {value}, "at": {}}}"#, now.as_microsecond());
        let topic = &topics[(number / 2 % UNITS) as usize][(number % 2) as usize];
        let message = Message {
            topic,
            payload: payload.as_bytes(),
            retained: false,
            backlog: false,
            connection: 0,
            arrived_at: now,
        };
        for outcome in decoder.decode(&message) {
            if let collector::Outcome::Taken(taken) = outcome {
                readings += 1;
                doubts += taken.doubts.len();
            }
        }
        now += SignedDuration::from_millis(10);
    }
    let rate = f64::from(MESSAGES) / begun.elapsed().as_secs_f64();
    println!("{rate:.0} messages/s, {readings} readings, {doubts} doubts");
}
