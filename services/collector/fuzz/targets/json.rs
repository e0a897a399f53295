//! JSON documents, with one value and with lists, in every way of writing time and quality.
#![no_main]

#[path = "bench.rs"]
mod bench;

use std::collections::BTreeMap;

use collector::{Entry, Pattern, Payload, Pointer, QualityField, QualityRule, TimeField, TimeFormat};
use libfuzzer_sys::fuzz_target;
use plant::Signal;

fuzz_target!(|data: &[u8]| {
    let at = |text: &str| Pointer::parse(text).expect("a pointer");
    let time = |format| Some(TimeField { pointer: at("t"), format });
    let quality = |rule| Some(QualityField { pointer: at("q"), rule });
    let list = |format, rule, name: Option<&str>| Payload::List {
        each: at("r"),
        entry: name.map(|name| Entry { at: at("n"), name: Pattern::parse(name).expect("a pattern") }),
        value: at("v"),
        time: time(format),
        quality: quality(rule),
    };
    let one = |format, rule| Payload::Json { value: at("v"), time: time(format), quality: quality(rule) };
    let words = || QualityRule::Words(BTreeMap::new());
    let mut bench = bench::Bench::new(vec![
        bench::mapping("t/{unit}", Signal::Torque, one(TimeFormat::Rfc3339, words())),
        bench::mapping("t/{unit}", Signal::Speed, one(TimeFormat::S, QualityRule::OpcUa)),
        bench::mapping("t/{unit}", Signal::RunHours, one(TimeFormat::Ns, QualityRule::Byte)),
        bench::mapping("t/{unit}", Signal::ProductTemp, list(TimeFormat::Ms, words(), None)),
        bench::mapping("t/{unit}", Signal::Mode, list(TimeFormat::Us, QualityRule::OpcUa, Some("a/{x}"))),
    ]);
    bench.send("t/K1", data);
});
