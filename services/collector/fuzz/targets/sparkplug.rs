//! Sequences of Sparkplug messages of a node and its devices, over several connections.
//!
//! Each message is a byte for its topic, two for the length of its payload, and the payload.
#![no_main]

#[path = "bench.rs"]
mod bench;

use collector::{Pattern, Payload};
use libfuzzer_sys::fuzz_target;
use plant::Signal;

const TOPICS: [&str; 8] = [
    "spBv1.0/mill/NBIRTH/line1",
    "spBv1.0/mill/DBIRTH/line1/K1",
    "spBv1.0/mill/DDATA/line1/K1",
    "spBv1.0/mill/NDATA/line1",
    "spBv1.0/mill/DDEATH/line1/K1",
    "spBv1.0/mill/NDEATH/line1",
    "spBv1.0/mill/NCMD/line1",
    "spBv1.0/mill/DDATA/line1/other",
];

fuzz_target!(|data: &[u8]| {
    let of = |metric: &str| Payload::Sparkplug { metric: Pattern::parse(metric).expect("a pattern") };
    let mut bench = bench::Bench::new(vec![
        bench::mapping("spBv1.0/mill/{type}/line1/{unit}", Signal::Torque, of("Shaft/Torque")),
        bench::mapping("spBv1.0/mill/{type}/line1/{unit}", Signal::Mode, of("Mode")),
        bench::mapping("spBv1.0/mill/{type}/line1", Signal::RunHours, of("{unit}/Hours")),
    ]);
    let mut rest = data;
    while let [kind, high, low, tail @ ..] = rest {
        let length = usize::from(u16::from_be_bytes([*high, *low])).min(tail.len());
        if *kind == u8::MAX {
            bench.reconnect();
        }
        let (payload, next) = tail.split_at(length);
        bench.send(TOPICS[usize::from(*kind) % TOPICS.len()], payload);
        rest = next;
    }
});
