//! Messages made by libraries that others wrote (`tests/outside/messages.mjs`), read field by field. `./tests/setup` installs them.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on says so by ending")]

use std::path::Path;
use std::process::Command;

use collector::{Decoder, Limits, Mapping, Message, Outcome, Pattern, Payload, TopicMap};
use jiff::Timestamp;
use plant::{Quality, Signal, TimeSource, UnitId, Value};

/// All messages in order: topic and payload.
fn messages() -> Vec<(String, Vec<u8>)> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/outside/messages.mjs");
    assert!(script.with_file_name("node_modules").exists(), "the libraries are missing: run ./tests/setup");
    let made = Command::new("node").arg(script).output().expect("node is missing: run ./tests/setup");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let lines = String::from_utf8(made.stdout).unwrap();
    lines
        .lines()
        .map(|line| {
            let (topic, payload) = line.split_once(' ').unwrap();
            (topic.to_owned(), base64(payload))
        })
        .collect()
}

fn base64(text: &str) -> Vec<u8> {
    const LETTERS: &[u8] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let bits = text
        .bytes()
        .filter(|letter| *letter != b'=')
        .map(|letter| LETTERS.iter().position(|known| *known == letter).expect("a letter of base64") as u32);
    let mut bytes = Vec::new();
    let (mut held, mut count) = (0_u32, 0);
    for six in bits {
        (held, count) = (held << 6 | six, count + 6);
        if count >= 8 {
            count -= 8;
            bytes.push((held >> count) as u8);
        }
    }
    bytes
}

/// Signal, value, quality and instant of each reading, by unit.
fn read(
    decoder: &mut Decoder,
    (topic, payload): &(String, Vec<u8>),
) -> Vec<(String, Signal, Value, Quality, Timestamp)> {
    let message = Message {
        topic,
        payload,
        retained: false,
        backlog: false,
        connection: 0,
        arrived_at: "2026-03-31T06:30:02Z".parse().unwrap(),
    };
    let read = |outcome| match outcome {
        Outcome::Taken(taken) => {
            let reading = taken.reading;
            (reading.unit.as_str().to_owned(), reading.signal, reading.value, reading.quality, reading.at)
        }
        other => panic!("{topic}: {other:?}"),
    };
    decoder.decode(&message).into_iter().map(read).collect()
}

fn decoder(mappings: Vec<Mapping>) -> Decoder {
    let units = ["types", "I8", "I16", "I32", "I64", "U8", "U16", "U32", "U64", "F", "D", "S", "Z", "N", "B", "U", "G"];
    let map = TopicMap::new(mappings, units.map(|unit| UnitId::new(unit).unwrap())).unwrap();
    Decoder::new(map, Limits::USUAL)
}

fn pattern(text: &str) -> Pattern {
    Pattern::parse(text).unwrap()
}

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn number(value: f64) -> Value {
    Value::Number(value)
}

#[test]
fn sparkplug_of_an_independent_library() {
    let of = |metric: &str, signal| {
        Mapping::new(pattern("spBv1.0/mill/{type}/line1/types"), signal, Payload::Sparkplug { metric: pattern(metric) })
    };
    let mode = Mapping { unit: Some(UnitId::new("types").unwrap()), ..of("Mode", Signal::Mode) };
    let mut decoder = decoder(vec![of("{unit}/Torque", Signal::Torque), mode]);
    let mut messages = messages().into_iter().filter(|(topic, _)| topic.starts_with("spBv1.0"));
    let mut next = || messages.next().expect("another message");
    assert_eq!(read(&mut decoder, &next()), [], "the birth of the node has nothing but its session");

    // A 32 bit float is the nearest to what was sent.
    let (born, later) = (f64::from(95.3_f32), f64::from(95.4_f32));
    let units = ["I8", "I16", "I32", "I64", "U8", "U16", "U32", "U64", "F", "D", "S"];
    let mut birth = next();
    // The script's Mode is not among the metrics of its birth: told, and not in the way.
    let told = decoder.decode(&Message {
        topic: &birth.0,
        payload: &birth.1,
        retained: false,
        backlog: false,
        connection: 0,
        arrived_at: at("2026-03-31T06:30:02Z"),
    });
    assert!(
        told.iter().any(|outcome| matches!(outcome, Outcome::Refused(refusal) if refusal.signal == Some(Signal::Mode)))
    );
    let values = [-5.0, -500.0, -900.0, -950.0, 200.0, 3000.0, 3000.0, 3000.0, born, 95.3, 95.3];
    let taken: Vec<_> = told
        .into_iter()
        .filter_map(|outcome| match outcome {
            Outcome::Taken(taken) => {
                Some((taken.reading.unit.as_str().to_owned(), taken.reading.value, taken.reading.at))
            }
            _ => None,
        })
        .collect();
    let expected: Vec<_> = units
        .into_iter()
        .zip(values)
        .map(|(unit, value)| (unit.to_owned(), number(value), at("2026-03-31T06:30:00.25Z")))
        .collect();
    assert_eq!(taken, expected);

    birth = next();
    let values = [-6.0, -501.0, -901.0, -951.0, 201.0, 3001.0, 3001.0, 3001.0, later, 95.4, 95.4];
    let expected: Vec<_> = units
        .into_iter()
        .zip(values)
        .map(|(unit, value)| {
            (unit.to_owned(), Signal::Torque, number(value), Quality::Good, at("2026-03-31T06:30:00.75Z"))
        })
        .collect();
    assert_eq!(read(&mut decoder, &birth), expected, "aliases alone");

    let own = |unit: &str, signal, value, quality, time: &str| (unit.to_owned(), signal, value, quality, at(time));
    assert_eq!(
        read(&mut decoder, &next()),
        [
            own("D", Signal::Torque, Value::Missing, Quality::Bad, "2026-03-31T06:30:00.85Z"),
            own("F", Signal::Torque, number(70.5), Quality::Good, "2026-03-30T06:30:00.25Z"),
            own("U8", Signal::Torque, number(71.5), Quality::Bad, "2026-03-31T06:30:00.95Z"),
            own("types", Signal::Mode, Value::Text("cip".into()), Quality::Good, "2026-03-31T06:30:01.05Z"),
        ]
    );

    let died = read(&mut decoder, &next());
    assert_eq!(died.len(), units.len() + 1, "each signal that was told of");
    assert!(died.iter().all(|(_, _, value, quality, _)| (value, *quality) == (&Value::Missing, Quality::Bad)));
}

#[test]
fn opc_ua_fields_of_an_independent_library_in_all_four_encodings() {
    let payload = Payload::OpcUa { field: pattern("{unit}.Torque"), writer: Some("62541".into()) };
    let mut decoder = decoder(vec![Mapping::new(pattern("ua/json/data/{scheme}/{form}"), Signal::Torque, payload)]);
    let messages: Vec<_> = messages().into_iter().filter(|(topic, _)| topic.starts_with("ua/")).collect();
    assert_eq!(messages.len(), 8);
    for message in messages {
        // A data value has its own time and status; a variant or bare value the time of its data set and no status.
        let with_status = message.0.ends_with("DataValue");
        let time = if with_status { "2026-03-31T06:30:00.25Z" } else { "2026-03-31T06:30:01.25Z" };
        let expected = [
            ("D", number(95.5), Quality::Good),
            ("Z", number(0.0), Quality::Good),
            ("N", Value::Missing, Quality::Bad),
            ("I64", number(5.0), Quality::Good),
            ("B", number(7.5), if with_status { Quality::Bad } else { Quality::Good }),
            ("U", number(7.5), if with_status { Quality::Uncertain } else { Quality::Good }),
            ("G", Value::Missing, Quality::Bad),
        ];
        let mut found: Vec<_> = read(&mut decoder, &message)
            .into_iter()
            .map(|(unit, _, value, quality, found)| {
                assert_eq!(found, at(time), "{} {unit}", message.0);
                (unit, value, quality)
            })
            .collect();
        let mut expected = expected.map(|(unit, value, quality)| (unit.to_owned(), value, quality));
        found.sort_by(|a, b| a.0.cmp(&b.0));
        expected.sort_by(|a, b| a.0.cmp(&b.0));
        assert_eq!(found, expected, "{}", message.0);
    }
}

#[test]
fn nothing_of_these_messages_is_of_unknown_time() {
    let payload = Payload::OpcUa { field: pattern("{unit}.Torque"), writer: None };
    let mut decoder = decoder(vec![Mapping::new(pattern("ua/json/data/{scheme}/{form}"), Signal::Torque, payload)]);
    for (topic, payload) in messages().iter().filter(|(topic, _)| topic.starts_with("ua/")) {
        let arrived_at = at("2026-03-31T06:30:02Z");
        let message = Message { topic, payload, retained: true, backlog: false, connection: 0, arrived_at };
        for outcome in decoder.decode(&message) {
            assert!(matches!(outcome, Outcome::Taken(taken) if taken.reading.time_source == TimeSource::Own));
        }
    }
}
