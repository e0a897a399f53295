//! Network messages of OPC UA PubSub.
#![no_main]

#[path = "bench.rs"]
mod bench;

use collector::{Pattern, Payload};
use libfuzzer_sys::fuzz_target;
use plant::Signal;

fuzz_target!(|data: &[u8]| {
    let of = |field: &str, writer: Option<&str>| Payload::OpcUa {
        field: Pattern::parse(field).expect("a pattern"),
        writer: writer.map(str::to_owned),
    };
    let mut bench = bench::Bench::new(vec![
        bench::mapping("t", Signal::Torque, of("{unit}.Torque", None)),
        bench::mapping("t", Signal::Mode, of("{unit}.Mode", Some("62541"))),
    ]);
    bench.send("t", data);
});
