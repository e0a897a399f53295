//! Faults planted in a stream of readings, and the same stream without them, which must raise nothing.

use jiff::{SignedDuration, Timestamp};
use plant::{Quality, Reading, Signal, TimeSource, UnitId, Value};
use proptest::prelude::*;

use super::{Belief, Limit, Turning, UnitBelief, Watches};
use crate::decode::{Message, Outcome, Taken};
use crate::reason::Reason;

mod times;

fn start() -> Timestamp {
    "2026-03-31T06:00:00Z".parse().unwrap()
}

/// A unit that is watched; what it sends arrives at once.
struct Bench {
    watches: Watches,
    /// How long after its own time a reading arrives, s.
    lag_s: f64,
    message: Message<'static>,
    doubts: Vec<(Reason, String)>,
    noise: u64,
}

impl Bench {
    fn new() -> Self {
        Self::with(0.1, [])
    }

    fn with(meter_resolution_h: f64, limits: impl IntoIterator<Item = (Signal, Limit)>) -> Self {
        let unit = UnitBelief { turning: Turning::SpeedAboveRpm(5.0), meter_resolution_h };
        let units = [(UnitId::new("K1").unwrap(), unit)].into();
        let message =
            Message { topic: "t", payload: b"", retained: false, backlog: false, connection: 0, arrived_at: start() };
        let watches = Watches::new(Belief { limits: limits.into_iter().collect(), units });
        Self { watches, lag_s: 0.2, message, doubts: Vec::new(), noise: 7 }
    }

    fn send(&mut self, after_s: f64, signal: Signal, value: f64) {
        self.send_value(after_s, signal, Value::Number(value));
    }

    fn send_value(&mut self, after_s: f64, signal: Signal, value: Value) {
        self.send_with(after_s, signal, value, Quality::Good);
    }

    fn send_with(&mut self, after_s: f64, signal: Signal, value: Value, quality: Quality) {
        let at = start() + SignedDuration::from_micros((after_s * 1e6) as i64);
        let unit = UnitId::new("K1").unwrap();
        let reading = Reading { unit, signal, at, value, quality, time_source: TimeSource::Own };
        let mut outcomes = [Outcome::Taken(Taken { reading, raw: String::new(), doubts: Vec::new() })];
        self.message.arrived_at = at + SignedDuration::from_micros((self.lag_s * 1e6) as i64);
        self.watches.look(&self.message, &mut outcomes);
        let [Outcome::Taken(taken)] = outcomes else { unreachable!() };
        self.doubts.extend(taken.doubts.into_iter().map(|doubt| (doubt.reason, doubt.text)));
    }

    /// Between -1 and 1, the same in every run (a linear congruential generator; Knuth's constants, from memory).
    fn noise(&mut self) -> f64 {
        self.noise = self.noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.noise >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }

    /// Speed and a noisy torque every 10 s.
    fn run(&mut self, from_s: u32, to_s: u32, rpm: f64, torque: impl Fn(u32) -> f64) {
        for at_s in (from_s..to_s).step_by(10) {
            self.send(at_s.into(), Signal::Speed, rpm);
            let noise = 1.0 + 0.05 * self.noise();
            self.send(at_s.into(), Signal::Torque, torque(at_s) * noise);
        }
    }

    fn reasons(&self) -> Vec<Reason> {
        let mut reasons: Vec<Reason> = self.doubts.iter().map(|(reason, _)| *reason).collect();
        reasons.dedup();
        reasons
    }

    fn text(&self) -> &str {
        &self.doubts[0].1
    }
}

/// Two days with a stop, starts, a product change, a foreign body that is felt for a minute, a slow drift and cleaning.
#[test]
fn an_ordinary_plant_raises_no_doubt() {
    let mut bench = Bench::new();
    for day in 0..2 {
        let d = day * 86_400;
        bench.run(d, d + 7200, 300.0, |at| if at < d + 60 { 200.0 } else { 90.0 });
        bench.run(d + 7200, d + 14_400, 300.0, |at| if (d + 9000..d + 9060).contains(&at) { 240.0 } else { 140.0 });
        bench.run(d + 14_400, d + 20_000, 0.0, |_| 0.0);
        bench.run(d + 20_000, d + 40_000, 250.0, |at| 90.0 + f64::from(at - d - 20_000) / 500.0);
        bench.run(d + 40_000, d + 50_000, 300.0, |_| 25.0);
        bench.run(d + 50_000, d + 86_400, 0.0, |_| 0.0);
    }
    assert_eq!(bench.doubts, []);
}

#[test]
fn a_value_that_stays_while_the_shaft_turns_is_stuck_and_one_that_stays_while_it_stands_is_not() {
    let mut bench = Bench::new();
    bench.run(0, 3600, 300.0, |_| 90.0);
    for at_s in (3600..7200).step_by(10) {
        bench.send(at_s.into(), Signal::Speed, 0.0);
        bench.send(at_s.into(), Signal::Torque, 0.5);
    }
    assert_eq!(bench.doubts, []);
    for at_s in (7200..8400).step_by(10) {
        bench.send(at_s.into(), Signal::Speed, 300.0);
        bench.send(at_s.into(), Signal::Torque, 93.25);
    }
    assert_eq!(bench.reasons(), [Reason::Stuck]);
    // Ten minutes are allowed, the next twenty less ten are not.
    assert_eq!(bench.doubts.len(), 59);
    assert!(bench.text().contains("93.25"), "{}", bench.text());
}

#[test]
fn a_value_that_usually_stays_long_may_stay() {
    let mut bench = Bench::new();
    // Rounded to 1 N·m and reported every 10 s, it changes every five minutes.
    for at_s in (0..86_400).step_by(10) {
        bench.send(at_s.into(), Signal::Speed, 300.0);
        bench.send(at_s.into(), Signal::Torque, 90.0 + f64::from(at_s / 300 % 7));
    }
    for at_s in (86_400..88_400).step_by(10) {
        bench.send(at_s.into(), Signal::Speed, 300.0);
        bench.send(at_s.into(), Signal::Torque, 88.0);
    }
    assert_eq!(bench.doubts, []);
}

#[test]
fn one_reading_that_stands_alone_is_a_spike() {
    let mut bench = Bench::new();
    bench.run(0, 600, 300.0, |at| if at == 300 { 900.0 } else { 90.0 });
    assert_eq!(bench.reasons(), [Reason::Spike]);
    assert_eq!(bench.doubts.len(), 1);
    assert!(bench.text().contains("06:05:00"), "{}", bench.text());
}

#[test]
fn a_step_is_no_spike() {
    let mut bench = Bench::new();
    bench.run(0, 300, 300.0, |_| 90.0);
    bench.run(300, 600, 300.0, |_| 700.0);
    // A start that must first break the product loose.
    bench.run(600, 900, 0.0, |_| 0.0);
    bench.run(900, 1200, 300.0, |at| if at == 900 { 1200.0 } else { 700.0 });
    assert!(!bench.reasons().contains(&Reason::Spike), "{:?}", bench.doubts);
}

/// Factors of NIST SP 811, appendix B.
#[test]
fn a_step_by_the_factor_between_two_units_is_a_slip() {
    for (before, after, units) in [
        (90.0, 90.0 * 8.850_745_8, "N·m and lbf·in"),
        (1000.0, 112.984_829, "N·m and lbf·in"),
        (90.0, 66.380_6, "lbf·ft and N·m"),
        (900.0, 0.9, "kN·m"),
    ] {
        let mut bench = Bench::new();
        bench.run(0, 25_000, 300.0, |_| before);
        bench.run(26_000, 51_000, 300.0, |_| after);
        assert_eq!(bench.reasons(), [Reason::UnitSlip], "{before} to {after}: {:?}", bench.doubts);
        assert_eq!(bench.doubts.len(), 1);
        assert!(bench.text().contains(units), "{}", bench.text());
    }
    for after in [50.0, 120.0, 180.0, 300.0, 500.0] {
        let mut bench = Bench::new();
        bench.run(0, 1000, 300.0, |_| 100.0);
        bench.run(1000, 2000, 300.0, |_| after);
        assert_eq!(bench.reasons(), [], "100 to {after}");
    }
}

/// 122 N·m after 90 N·m is 1.356 times as much, and so may be another product, another speed or the next start.
#[test]
fn a_small_step_with_another_product_or_speed_or_after_a_stop_is_no_slip() {
    let mut bench = Bench::new();
    bench.run(0, 1000, 300.0, |_| 90.0);
    bench.send_value(1000.0, Signal::Product, Value::Text("gravy".into()));
    bench.run(1000, 3000, 300.0, |_| 122.0);
    bench.run(3000, 4000, 0.0, |_| 0.0);
    bench.run(4000, 6000, 300.0, |_| 165.4);
    bench.run(6000, 7000, 400.0, |_| 224.2);
    assert_eq!(bench.doubts, []);
    // What freezes on the wall breaks loose again.
    bench.run(7000, 8000, 400.0, |_| 165.4);
    bench.run(8000, 20_000, 400.0, |_| 224.2);
    bench.run(20_000, 60_000, 400.0, |_| 330.0);
    bench.run(60_000, 63_000, 400.0, |_| 447.4);
    bench.run(63_000, 100_000, 400.0, |_| 330.0);
    assert_eq!(bench.doubts, []);
    bench.run(100_000, 130_000, 400.0, |_| 243.4);
    assert_eq!(bench.reasons(), [Reason::UnitSlip], "without any of these, and it lasts");
}

/// 5 °C are 41 °F, 75 °C are 167 °F and 348.15 K.
#[test]
fn a_temperature_in_another_scale_is_a_slip() {
    for (before, after) in [(5.0, 41.0), (167.0, 75.0), (5.0, 278.15), (75.0, 167.0)] {
        let mut bench = Bench::new();
        for at_s in (0..4000).step_by(10) {
            let value = if at_s < 2000 { before } else { after };
            let noise = 0.2 * bench.noise();
            bench.send(at_s.into(), Signal::Speed, 300.0);
            bench.send(at_s.into(), Signal::ProductTemp, value + noise);
        }
        assert_eq!(bench.reasons(), [Reason::UnitSlip], "{before} to {after}");
    }
}

#[test]
fn a_torque_that_turns_its_sign_is_told_and_so_is_one_that_brakes_a_turning_shaft() {
    let mut bench = Bench::new();
    bench.run(0, 1000, 300.0, |_| 90.0);
    bench.run(1000, 2000, 300.0, |_| -90.0);
    assert_eq!(bench.reasons(), [Reason::SignFlip]);
    assert!(bench.doubts.iter().any(|(_, text)| text.contains("turned from about 9")), "{:?}", bench.doubts);
    // The other way round both are negative, which is what they should be.
    let mut bench = Bench::new();
    bench.run(0, 1000, -300.0, |_| -90.0);
    assert_eq!(bench.doubts, []);
}

/// The meter every minute beside a shaft; gives the doubts.
fn meter(resolution_h: f64, hours: u32, turning: impl Fn(u32) -> bool, reads_h: impl Fn(f64, u32) -> f64) -> Bench {
    let mut bench = Bench::with(resolution_h, []);
    let mut turned_s = 0.0;
    for at_s in (0..hours * 3600).step_by(60) {
        bench.send(at_s.into(), Signal::Speed, if turning(at_s) { 300.0 } else { 0.0 });
        bench.send(at_s.into(), Signal::RunHours, reads_h(turned_s / 3600.0, at_s));
        turned_s += if turning(at_s) { 60.0 } else { 0.0 };
    }
    bench
}

fn by_shift(at_s: u32) -> bool {
    at_s % 28_800 < 18_000
}

#[test]
fn what_a_meter_itself_calls_bad_was_not_set_back() {
    let mut bench = Bench::new();
    bench.send(0.0, Signal::RunHours, 5000.0);
    bench.send_with(60.0, Signal::RunHours, Value::Number(0.0), Quality::Bad);
    bench.send(120.0, Signal::RunHours, 5000.0);
    assert_eq!(bench.doubts, []);
}

#[test]
fn a_meter_that_counts_the_turning_shaft_is_believed_whatever_its_step() {
    for resolution_h in [1.0 / 60.0, 0.1, 1.0] {
        let bench =
            meter(resolution_h, 200, by_shift, |turned_h, _| 5000.0 + (turned_h / resolution_h).floor() * resolution_h);
        assert_eq!(bench.doubts, [], "{resolution_h} h");
    }
}

#[test]
fn a_meter_that_counts_something_else_is_told() {
    let wall = |_: f64, at_s: u32| 5000.0 + f64::from(at_s) / 3600.0;
    for (name, bench, reason) in [
        ("power-on hours", meter(0.1, 100, by_shift, wall), Reason::MeterIdle),
        ("not wired", meter(0.1, 100, by_shift, |_, _| 5000.0), Reason::MeterStopped),
        ("half", meter(0.1, 100, by_shift, |turned_h, _| 5000.0 + turned_h / 2.0), Reason::MeterRate),
        (
            "set back",
            meter(0.1, 10, by_shift, |turned_h, _| if turned_h < 2.0 { 5000.0 + turned_h } else { turned_h - 2.0 }),
            Reason::MeterReset,
        ),
        ("run over", meter(0.1, 10, by_shift, |turned_h, _| (6552.0 + turned_h) % 6553.6), Reason::MeterRollover),
        (
            "another meter",
            meter(0.1, 10, by_shift, |turned_h, _| if turned_h < 2.0 { turned_h } else { 700.0 + turned_h }),
            Reason::MeterFast,
        ),
    ] {
        assert_eq!(bench.reasons(), [reason], "{name}: {:?}", bench.doubts.first());
    }
}

/// The accumulator itself, added to in 32 bits once a second as such controllers do (IEEE 754 single precision).
#[test]
fn an_accumulator_of_32_bits_is_found_out_by_its_rate() {
    for (from_h, reason) in [
        (600.0_f32, Reason::MeterRate),
        (1500.0, Reason::MeterRate),
        (5000.0, Reason::MeterRate),
        (8200.0, Reason::MeterStopped),
    ] {
        let mut bench = Bench::with(0.01, []);
        let mut total_h = from_h;
        for at_s in 0..48 * 3600_u32 {
            if at_s % 60 == 0 {
                bench.send(at_s.into(), Signal::Speed, 300.0);
                bench.send(at_s.into(), Signal::RunHours, f64::from(total_h));
            }
            total_h += 1.0 / 3600.0;
        }
        assert_eq!(bench.reasons(), [reason], "from {from_h} h: {:?}", bench.doubts.first());
        assert!(bench.doubts.iter().all(|(_, text)| text.contains("32 bit")), "{:?}", bench.doubts);
    }
    let mut bench = Bench::with(0.01, []);
    let mut total_h = 5000.0_f64;
    for at_s in 0..48 * 3600_u32 {
        if at_s % 60 == 0 {
            bench.send(at_s.into(), Signal::Speed, 300.0);
            bench.send(at_s.into(), Signal::RunHours, total_h);
        }
        total_h += 1.0 / 3600.0;
    }
    assert_eq!(bench.doubts, [], "64 bits are enough");
}

proptest! {
    /// Whatever the shaft did, a meter that counted just that is believed; where it ran over, that is said.
    #[test]
    fn a_true_meter_is_never_doubted(
        spells in prop::collection::vec((1_u32..900, 0_u32..900), 1..30),
        every_min in prop::sample::select(vec![1_u32, 5, 20]),
        resolution_h in prop::sample::select(vec![1.0 / 60.0, 0.1, 1.0]),
        begin_h in 0.0..20_000.0_f64,
        modulus_h in prop::sample::select(vec![6553.6, 10_000.0, 1e6]),
    ) {
        let mut bench = Bench::with(resolution_h, []);
        let (mut minute, mut turned_min) = (0_u32, 0_u32);
        for (turns, stands) in spells {
            for since in 0..turns + stands {
                let turning = since < turns;
                if since == 0 || since == turns || minute % every_min == 0 {
                    bench.send(f64::from(minute) * 60.0, Signal::Speed, if turning { 300.0 } else { 0.0 });
                }
                if minute % every_min == 0 {
                    let counted = ((begin_h + f64::from(turned_min) / 60.0) / resolution_h).floor() * resolution_h;
                    bench.send(f64::from(minute) * 60.0 + 0.5, Signal::RunHours, counted % modulus_h);
                }
                minute += 1;
                turned_min += u32::from(turning);
            }
        }
        let wrong: Vec<_> = bench.doubts.iter().filter(|(reason, _)| *reason != Reason::MeterRollover).collect();
        prop_assert!(wrong.is_empty(), "{:?}", wrong);
        prop_assert!(bench.doubts.len() <= 1, "{:?}", bench.doubts);
    }
}
