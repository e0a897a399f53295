//! Bare numbers and words.
#![no_main]

#[path = "bench.rs"]
mod bench;

use collector::Payload;
use libfuzzer_sys::fuzz_target;
use plant::Signal;

fuzz_target!(|data: &[u8]| {
    let mut bench = bench::Bench::new(vec![
        bench::mapping("t/{unit}", Signal::Torque, Payload::Number),
        bench::mapping("t/{unit}", Signal::RunHours, Payload::Number),
        bench::mapping("t/{unit}", Signal::Mode, Payload::Number),
    ]);
    for part in data.split(|byte| *byte == b'\n') {
        bench.send("t/K1", part);
    }
});
