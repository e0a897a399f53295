//! Nodes and devices as Sparkplug 3.0.0 describes them. Messages made by another library are read in `tests/outside.rs`.

use jiff::{Timestamp, ToSpan};
use plant::{Quality, Signal, TimeSource, UnitId, Value};
use proptest::prelude::*;
use prost::Message as _;

use super::wire::{Metric, MetricValue, Payload, Property, PropertySet, PropertyValue};
use crate::belief::Belief;
use crate::decode::{Decoder, Limits, Message, Outcome};
use crate::mapping::{MapError, Mapping, TopicMap};
use crate::pattern::Pattern;
use crate::payload::Payload as How;
use crate::reason::Reason;
use crate::settings::Terms;

const UINT8: u32 = 5;
const DOUBLE: u32 = 10;

fn start() -> Timestamp {
    "2026-03-31T06:00:00Z".parse().unwrap()
}

fn mapping(topic: &str, metric: &str, signal: Signal) -> Mapping {
    let pattern = |text: &str| Pattern::parse(text).unwrap();
    Mapping::new(pattern(topic), signal, How::Sparkplug { metric: pattern(metric) })
}

fn map() -> TopicMap {
    let mappings = vec![
        mapping("spBv1.0/mill/{type}/line1/{unit}", "Shaft/Torque", Signal::Torque),
        mapping("spBv1.0/mill/{type}/line1/{unit}", "Run Hours", Signal::RunHours),
        mapping("spBv1.0/mill/{type}/line2", "{unit}/Temp", Signal::ProductTemp),
    ];
    TopicMap::new(mappings, ["K1", "K2"].map(|unit| UnitId::new(unit).unwrap())).unwrap()
}

/// A gateway and what listens to it.
struct Bench {
    decoder: Decoder,
    seq: u64,
    connection: u64,
    now: Timestamp,
}

impl Bench {
    fn new() -> Self {
        Self { decoder: Decoder::new(map(), Limits::USUAL), seq: 0, connection: 1, now: start() }
    }

    fn send_payload(&mut self, topic: &str, payload: &Payload) -> Vec<Outcome> {
        self.now += 1.seconds();
        self.decoder.decode(&Message {
            topic,
            payload: &payload.encode_to_vec(),
            retained: false,
            backlog: false,
            connection: self.connection,
            arrived_at: self.now,
        })
    }

    fn send(&mut self, topic: &str, metrics: Vec<Metric>) -> Vec<Outcome> {
        let payload = Payload {
            timestamp: Some(self.now.as_millisecond() as u64),
            metrics,
            seq: Some(self.seq),
            ..Payload::default()
        };
        self.seq = (self.seq + 1) % 256;
        self.send_payload(topic, &payload)
    }

    fn node_born(&mut self, session: u64) -> Vec<Outcome> {
        self.seq = 0;
        let bd_seq = Metric { value: Some(MetricValue::Long(session)), ..named("bdSeq", None) };
        self.send("spBv1.0/mill/NBIRTH/line1", vec![bd_seq])
    }

    fn device_born(&mut self, device: &str) -> Vec<Outcome> {
        let metrics = vec![torque("Shaft/Torque", Some(7), 95.5), hours(Some(8), 100.0)];
        self.send(&format!("spBv1.0/mill/DBIRTH/line1/{device}"), metrics)
    }

    fn node_died(&mut self, session: u64) -> Vec<Outcome> {
        let metric = Metric { value: Some(MetricValue::Long(session)), ..named("bdSeq", None) };
        // The broker sends it, written when the node connected: no number, an old time.
        self.send_payload("spBv1.0/mill/NDEATH/line1", &Payload { metrics: vec![metric], ..Payload::default() })
    }
}

fn named(name: &str, alias: Option<u64>) -> Metric {
    Metric { name: Some(name.to_owned()), alias, datatype: Some(DOUBLE), ..Metric::default() }
}

fn torque(name: &str, alias: Option<u64>, value: f64) -> Metric {
    Metric { value: Some(MetricValue::Double(value)), ..named(name, alias) }
}

fn hours(alias: Option<u64>, value: f64) -> Metric {
    torque("Run Hours", alias, value)
}

fn aliased(alias: u64, value: f64) -> Metric {
    Metric { alias: Some(alias), value: Some(MetricValue::Double(value)), ..Metric::default() }
}

fn told(outcomes: &[Outcome]) -> Vec<String> {
    let told = |outcome: &Outcome| match outcome {
        Outcome::Taken(taken) => format!("{} {} {:?}", taken.reading.unit, taken.reading.signal, taken.reading.value),
        Outcome::Refused(refusal) => refusal.reason.to_string(),
        Outcome::Noted(doubt) => doubt.reason.to_string(),
    };
    outcomes.iter().map(told).collect()
}

#[test]
fn a_birth_names_the_aliases_and_brings_values_itself() {
    let mut bench = Bench::new();
    assert_eq!(told(&bench.node_born(0)), [""; 0]);
    assert_eq!(told(&bench.device_born("K1")), ["K1 torque Number(95.5)", "K1 run_hours Number(100.0)"]);
    let found = bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(7, 96.0), aliased(8, 100.5)]);
    assert_eq!(told(&found), ["K1 torque Number(96.0)", "K1 run_hours Number(100.5)"]);
    let found = bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(9, 1.0)]);
    assert_eq!(told(&found), ["unknown_alias"]);
}

#[test]
fn data_before_its_birth_is_refused_where_it_names_nothing() {
    let mut bench = Bench::new();
    let both = vec![aliased(7, 96.0), hours(None, 5.0)];
    assert_eq!(told(&bench.send("spBv1.0/mill/DDATA/line1/K1", both)), ["K1 run_hours Number(5.0)", "not_born"]);
}

#[test]
fn a_lost_connection_may_have_missed_a_birth() {
    let mut bench = Bench::new();
    bench.node_born(0);
    bench.device_born("K1");
    bench.connection += 1;
    // No gap is told: nobody knows what the last number was.
    assert_eq!(told(&bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(7, 96.0)])), ["not_born"]);
    bench.node_born(1);
    bench.device_born("K1");
    let found = bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(7, 96.0)]);
    assert_eq!(told(&found), ["K1 torque Number(96.0)"]);
}

/// Sparkplug 3.0.0, 6.4.20: a birth of the node ends what was known of its devices.
#[test]
fn a_new_birth_of_the_node_ends_the_births_of_its_devices() {
    let mut bench = Bench::new();
    bench.node_born(0);
    bench.device_born("K1");
    bench.node_born(1);
    assert_eq!(told(&bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(7, 96.0)])), ["not_born"]);
}

#[test]
fn numbers_run_over_at_256_and_a_gap_is_told_once() {
    let mut bench = Bench::new();
    bench.node_born(0);
    bench.device_born("K1");
    for _ in 0..600 {
        assert_eq!(
            told(&bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(7, 96.0)])),
            ["K1 torque Number(96.0)"]
        );
    }
    bench.seq = (bench.seq + 3) % 256;
    let found = bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(7, 96.0)]);
    assert_eq!(told(&found), ["sequence_gap", "K1 torque Number(96.0)"]);
    assert!(matches!(&found[0], Outcome::Noted(doubt) if doubt.text.contains("3 lost")), "{found:?}");
    assert_eq!(told(&bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(7, 96.0)])), ["K1 torque Number(96.0)"]);
}

#[test]
fn messages_of_other_devices_count_and_are_shown_as_unmapped() {
    let mut bench = Bench::new();
    bench.node_born(0);
    assert_eq!(
        told(&bench.send("spBv1.0/mill/DDATA/line1/K9", vec![torque("Shaft/Torque", None, 5.0)])),
        ["unknown_unit"]
    );
    assert_eq!(told(&bench.send("spBv1.0/mill/NDATA/line1", vec![torque("x", None, 5.0)])), ["unmapped"]);
    assert_eq!(told(&bench.device_born("K1"))[0], "K1 torque Number(95.5)", "no gap between");
    assert_eq!(told(&bench.send("spBv1.0/other/NBIRTH/line1", vec![])), ["unmapped"]);
    assert_eq!(told(&bench.send("spBv1.0/mill/NCMD/line1", vec![])), [""; 0], "a command is nobody's value");
}

#[test]
fn a_death_ends_every_value_of_the_node_and_its_devices() {
    let mut bench = Bench::new();
    bench.node_born(3);
    bench.device_born("K1");
    bench.device_born("K2");
    // K1's clock runs ahead of ours.
    let ahead = bench.now + 60.seconds();
    let metric = Metric { timestamp: Some(ahead.as_millisecond() as u64), ..aliased(7, 97.0) };
    bench.send("spBv1.0/mill/DDATA/line1/K1", vec![metric]);
    assert_eq!(told(&bench.node_died(2)), ["old_death"]);
    let found = bench.node_died(3);
    let missing = ["K1 torque Missing", "K1 run_hours Missing", "K2 torque Missing", "K2 run_hours Missing"];
    assert_eq!(told(&found), missing);
    for (at, outcome) in found.iter().enumerate() {
        let Outcome::Taken(taken) = outcome else { panic!("{outcome:?}") };
        assert_eq!((taken.reading.quality, taken.reading.time_source), (Quality::Bad, TimeSource::Arrival));
        assert_eq!(taken.doubts[0].reason, Reason::Died);
        let expected = if at == 0 { ahead + 1.microseconds() } else { bench.now };
        assert_eq!(taken.reading.at, expected, "a value must not outlive its death");
    }
    assert_eq!(told(&bench.node_died(3)), [""; 0], "dead is dead");
    assert_eq!(told(&bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(7, 96.0)])), ["not_born"]);
}

#[test]
fn the_death_of_a_device_is_its_own() {
    let mut bench = Bench::new();
    bench.node_born(0);
    bench.device_born("K1");
    bench.device_born("K2");
    let found = bench.send("spBv1.0/mill/DDEATH/line1/K1", vec![]);
    assert_eq!(told(&found), ["K1 torque Missing", "K1 run_hours Missing"]);
    let found = bench.send("spBv1.0/mill/DDATA/line1/K2", vec![aliased(7, 96.0)]);
    assert_eq!(told(&found), ["K2 torque Number(96.0)"]);
}

#[test]
fn a_death_that_waited_at_the_broker_has_no_time() {
    let mut bench = Bench::new();
    bench.node_born(0);
    bench.device_born("K1");
    bench.now += 1.seconds();
    let found = bench.decoder.decode(&Message {
        topic: "spBv1.0/mill/DDEATH/line1/K1",
        payload: &Payload { seq: Some(bench.seq), ..Payload::default() }.encode_to_vec(),
        retained: false,
        backlog: true,
        connection: bench.connection,
        arrived_at: bench.now,
    });
    let Outcome::Taken(taken) = &found[0] else { panic!("{found:?}") };
    assert_eq!(taken.reading.time_source, TimeSource::Unknown);
}

#[test]
fn history_has_its_own_time_and_the_time_of_the_message_stands_in_where_a_metric_has_none() {
    let mut bench = Bench::new();
    bench.node_born(0);
    bench.device_born("K1");
    let then = start() - 86_400.seconds();
    let old = Metric { timestamp: Some(then.as_millisecond() as u64), is_historical: Some(true), ..aliased(7, 80.0) };
    let sent = bench.now;
    let found = bench.send("spBv1.0/mill/DDATA/line1/K1", vec![old, aliased(8, 101.0)]);
    let times: Vec<_> = found
        .iter()
        .map(|outcome| match outcome {
            Outcome::Taken(taken) => (taken.reading.at, taken.reading.time_source),
            other => panic!("{other:?}"),
        })
        .collect();
    assert_eq!(times, [(then, TimeSource::Own), (sent, TimeSource::Own)]);
    let nameless = Metric { is_historical: Some(true), ..aliased(7, 80.0) };
    assert_eq!(told(&bench.send("spBv1.0/mill/DDATA/line1/K1", vec![nameless])), ["untimed"], "sent now, but of when?");
}

/// Sparkplug 3.0.0, 6.4.13: 0 is bad, 192 good, 500 stale, and good what says nothing.
#[test]
fn quality_is_a_property() {
    for (code, quality) in [
        (None, Quality::Good),
        (Some(192), Quality::Good),
        (Some(0), Quality::Bad),
        (Some(500), Quality::Bad),
        (Some(7000), Quality::Uncertain),
    ] {
        let properties = code.map(|code| PropertySet {
            keys: vec!["engUnit".into(), "Quality".into()],
            values: vec![
                PropertyValue { value: Some(Property::Text("Nm".into())) },
                PropertyValue { value: Some(Property::Int(code)) },
            ],
        });
        let metric = Metric { properties, ..torque("Shaft/Torque", None, 95.5) };
        let found = Bench::new().send("spBv1.0/mill/DDATA/line1/K1", vec![metric]);
        let Outcome::Taken(taken) = &found[0] else { panic!("{found:?}") };
        assert_eq!(taken.reading.quality, quality, "{code:?}");
    }
}

/// 100 lbf·in are 11.29848290 N·m (NIST SP 811, appendix B).
#[test]
fn a_property_may_say_the_unit_of_measure() {
    let mapping = Mapping {
        measure_at: Some(crate::Pointer::parse("engUnit").unwrap()),
        ..mapping("spBv1.0/mill/{type}/line1/{unit}", "Shaft/Torque", Signal::Torque)
    };
    let map = TopicMap::new(vec![mapping], [UnitId::new("K1").unwrap()]).unwrap();
    let mut bench = Bench { decoder: Decoder::new(map, Limits::USUAL), ..Bench::new() };
    let unit = PropertyValue { value: Some(Property::Text("lbf.in".into())) };
    let properties = Some(PropertySet { keys: vec!["engUnit".into()], values: vec![unit] });
    let metric = Metric { properties, ..torque("Shaft/Torque", None, 100.0) };
    let found = bench.send("spBv1.0/mill/DDATA/line1/K1", vec![metric]);
    assert!((value_of(&found).unwrap() - 11.298_482_9).abs() < 1e-6, "{found:?}");
}

/// Sparkplug 3.0.0, 6.4.16: signed integers travel as the unsigned number of the same bits; libraries differ in width.
#[test]
fn signed_integers_keep_their_sign() {
    let int = |bits: u32| MetricValue::Int(bits);
    for (datatype, value, expected) in [
        (1, int(0xFFFF_FFFB), Ok(-5.0)),
        (1, int(0xFB), Ok(-5.0)),
        (1, int(127), Ok(127.0)),
        (1, int(300), Err(Reason::NotNumber)),
        (2, int(0xFFFB), Ok(-5.0)),
        (2, int(0xFFFF_FFFB), Ok(-5.0)),
        (3, int(0xFFFF_FFFB), Ok(-5.0)),
        (4, MetricValue::Long(u64::MAX - 4), Ok(-5.0)),
        (3, MetricValue::Long(u64::MAX - 4), Ok(-5.0)),
        (UINT8, int(200), Ok(200.0)),
        (7, int(1000), Ok(1000.0)),
        (7, MetricValue::Long(1000), Ok(1000.0)),
        (9, MetricValue::Float(95.5), Ok(95.5)),
        (12, MetricValue::Text("95.5".into()), Ok(95.5)),
        (11, MetricValue::Boolean(true), Err(Reason::WrongType)),
        (17, MetricValue::Bytes(vec![1]), Err(Reason::WrongType)),
        (24, MetricValue::Bytes(vec![1]), Err(Reason::WrongType)),
        (19, MetricValue::Template(vec![]), Err(Reason::WrongType)),
    ] {
        let metric = Metric { datatype: Some(datatype), value: Some(value.clone()), ..named("Shaft/Torque", None) };
        let found = Bench::new().send("spBv1.0/mill/DDATA/line1/K1", vec![metric]);
        let got = match &found[0] {
            Outcome::Taken(taken) => Ok(taken.reading.value.number().unwrap()),
            Outcome::Refused(refusal) => Err(refusal.reason),
            Outcome::Noted(doubt) => Err(doubt.reason),
        };
        assert_eq!(got, expected, "data type {datatype} {value:?}");
    }
    let mut bench = Bench::new();
    bench.node_born(0);
    let born = Metric { datatype: Some(3), value: Some(int(5)), ..named("Shaft/Torque", Some(7)) };
    bench.send("spBv1.0/mill/DBIRTH/line1/K1", vec![born]);
    let metric = Metric { alias: Some(7), value: Some(int(0xFFFF_FFFB)), ..Metric::default() };
    let found = bench.send("spBv1.0/mill/DDATA/line1/K1", vec![metric]);
    assert_eq!(told(&found), ["K1 torque Number(-5.0)"], "the type is that of the birth");
}

#[test]
fn null_and_nan_are_missing_and_never_zero() {
    for metric in [
        Metric { is_null: Some(true), ..named("Shaft/Torque", None) },
        Metric { is_null: Some(true), ..torque("Shaft/Torque", None, 5.0) },
        torque("Shaft/Torque", None, f64::NAN),
        Metric { value: Some(MetricValue::Float(f32::INFINITY)), ..named("Shaft/Torque", None) },
    ] {
        let found = Bench::new().send("spBv1.0/mill/DDATA/line1/K1", vec![metric]);
        let Outcome::Taken(taken) = &found[0] else { panic!("{found:?}") };
        assert_eq!((&taken.reading.value, taken.reading.quality), (&Value::Missing, Quality::Bad));
    }
}

#[test]
fn the_unit_may_stand_in_the_name_of_the_metric() {
    let metrics =
        vec![torque("K1/Temp", Some(1), -5.0), torque("K9/Temp", Some(2), 1.0), torque("K1/Other", Some(3), 1.0)];
    let mut bench = Bench::new();
    let found = bench.send("spBv1.0/mill/NBIRTH/line2", metrics);
    assert_eq!(told(&found), ["K1 product_temp Number(-5.0)", "unknown_unit"]);
    let found = bench.send("spBv1.0/mill/NDATA/line2", vec![aliased(1, -4.0), aliased(3, 1.0)]);
    assert_eq!(told(&found), ["K1 product_temp Number(-4.0)"]);
}

#[test]
fn a_mapped_name_that_a_birth_lacks_is_told() {
    let mut bench = Bench::new();
    bench.node_born(0);
    let found =
        bench.send("spBv1.0/mill/DBIRTH/line1/K1", vec![torque("Shaft/Torqe", Some(7), 5.0), hours(Some(8), 1.0)]);
    assert_eq!(told(&found), ["missing_field", "K1 run_hours Number(1.0)"]);
    assert!(
        matches!(&found[0], Outcome::Refused(refusal) if refusal.sample.contains("Torqe") && refusal.unit.is_some())
    );
}

#[test]
fn what_is_no_payload_is_refused_and_a_retained_birth_too() {
    let mut bench = Bench::new();
    let mut send = |payload: &[u8], retained| {
        let topic = "spBv1.0/mill/DBIRTH/line1/K1";
        let message = Message { topic, payload, retained, backlog: false, connection: 1, arrived_at: start() };
        told(&bench.decoder.decode(&message))
    };
    assert_eq!(send(b"{\"a\": 1}", false), ["not_sparkplug"]);
    assert_eq!(send(b"", false), ["empty"]);
    assert_eq!(send(&vec![0; 70_000], false), ["too_large"]);
    let compressed = Payload { uuid: Some("SPBV1.0_COMPRESSED".into()), body: Some(vec![1]), ..Payload::default() };
    assert_eq!(send(&compressed.encode_to_vec(), false), ["not_sparkplug"]);
    let birth = Payload { metrics: vec![torque("Shaft/Torque", Some(7), 5.0)], ..Payload::default() };
    assert_eq!(send(&birth.encode_to_vec(), true), ["untimed"]);
}

#[test]
fn births_are_asked_for_though_the_clock_was_set_back() {
    let mut bench = Bench { decoder: Decoder::new(map(), Limits::USUAL).asking_for_births(true), ..Bench::new() };
    let mut asked = |set_back: jiff::SignedDuration, after_s: i64| {
        bench.now = start() + after_s.seconds() - set_back;
        bench.decoder.set_back(set_back);
        bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(7, 90.0)]);
        bench.decoder.requests().len()
    };
    let day = jiff::SignedDuration::from_hours(24);
    assert_eq!([asked(jiff::SignedDuration::ZERO, 0), asked(day, 30), asked(day, 70), asked(day, 100)], [1, 0, 1, 0]);
}

/// Sparkplug 3.0.0, 6.4.21: NCMD with `Node Control/Rebirth` true.
#[test]
fn a_node_is_asked_for_its_births_only_if_that_is_allowed_and_once_a_minute() {
    let mut bench = Bench::new();
    bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(7, 1.0)]);
    assert_eq!(bench.decoder.requests(), []);
    let mut bench = Bench { decoder: Decoder::new(map(), Limits::USUAL).asking_for_births(true), ..Bench::new() };
    let mut asked = Vec::new();
    for _ in 0..100 {
        bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(7, 1.0)]);
        asked.extend(bench.decoder.requests());
    }
    assert_eq!(asked.len(), 2, "one message a second for 100 seconds");
    assert_eq!(asked[0].topic, "spBv1.0/mill/NCMD/line1");
    let command = Payload::decode(asked[0].payload.as_slice()).unwrap();
    assert_eq!(command.metrics[0].name.as_deref(), Some("Node Control/Rebirth"));
    assert_eq!(command.metrics[0].value, Some(MetricValue::Boolean(true)));
}

#[test]
fn all_that_a_node_sends_is_subscribed_to_and_only_its_topics_can_be_mapped() {
    assert_eq!(map().filters(), ["spBv1.0/mill/+/line1/#", "spBv1.0/mill/+/line2/#"]);
    for topic in
        ["mill/{unit}/torque", "spBv1.0/mill/DDATA/line1/{unit}", "spBv1.0/mill/{unit}/line1", "spBv1.0/mill/{type}"]
    {
        let wrong = TopicMap::new(vec![mapping(topic, "a/{x}", Signal::Torque)], [UnitId::new("K1").unwrap()]);
        let expected = wrong.unwrap_err();
        let no_unit = matches!(expected, MapError::NoUnit { .. });
        assert!(no_unit || matches!(expected, MapError::NoSparkplugTopic { .. }), "{expected}");
    }
}

/// A birth names all metrics, and the names of those that the config wants are kept.
#[test]
fn what_the_config_wants_since_waits_for_the_next_birth_and_what_it_wanted_before_does_not() {
    let wanting = |metrics: &[(&str, Signal)]| {
        let topic = "spBv1.0/mill/{type}/line1/{unit}";
        let mappings = metrics.iter().map(|(metric, signal)| mapping(topic, metric, *signal)).collect();
        let map = TopicMap::new(mappings, [UnitId::new("K1").unwrap()]).unwrap();
        Terms { map, belief: Belief::default(), ask_rebirth: true }
    };
    let torque = ("Shaft/Torque", Signal::Torque);
    let mut bench = Bench { decoder: Decoder::new(wanting(&[torque]).map, Limits::USUAL), ..Bench::new() };
    bench.node_born(0);
    bench.device_born("K1");
    let both = || vec![aliased(7, 96.0), aliased(8, 100.5)];
    assert_eq!(told(&bench.send("spBv1.0/mill/DDATA/line1/K1", both())), ["K1 torque Number(96.0)"]);

    let terms = wanting(&[torque, ("Run Hours", Signal::RunHours)]);
    bench.decoder.take_up(&terms);
    let found = bench.send("spBv1.0/mill/DDATA/line1/K1", both());
    assert_eq!(told(&found), ["K1 torque Number(96.0)", "unknown_alias"], "no gap in the numbers is told either");
    assert_eq!(bench.decoder.requests().len(), 1, "the node is asked for its births");
    bench.node_born(0);
    bench.device_born("K1");
    bench.decoder.take_up(&terms);
    let found = bench.send("spBv1.0/mill/DDATA/line1/K1", both());
    assert_eq!(told(&found), ["K1 torque Number(96.0)", "K1 run_hours Number(100.5)"]);
}

#[test]
fn strangers_cannot_fill_the_memory() {
    let any_device = || {
        let device = mapping("spBv1.0/mill/{type}/line1/{gateway}", "{unit}/Torque", Signal::Torque);
        let node = mapping("spBv1.0/mill/{type}/{node}", "{unit}/Temp", Signal::ProductTemp);
        TopicMap::new(vec![device, node], [UnitId::new("K1").unwrap()]).unwrap()
    };
    let mut bench = Bench { decoder: Decoder::new(any_device(), Limits::USUAL), ..Bench::new() };
    let mut beyond = |topics: &mut dyn Iterator<Item = String>| {
        let refused = |topic: String| {
            told(&bench.send(&topic, vec![torque("x", Some(1), 1.0)])).contains(&"too_large".to_owned())
        };
        topics.map(refused).filter(|refused| *refused).count()
    };
    let devices = &mut (0..10_500).map(|number| format!("spBv1.0/mill/DBIRTH/line1/D{number}"));
    assert_eq!(beyond(devices), 500, "beyond ten thousand devices");
    let nodes = &mut (0..1500).map(|number| format!("spBv1.0/mill/NBIRTH/N{number}"));
    assert_eq!(beyond(nodes), 501, "beyond a thousand nodes, line1 among them");
    assert_eq!(beyond(&mut ["spBv1.0/mill/DBIRTH/line1/".to_owned() + &"D".repeat(300)].into_iter()), 1);

    // Names of a kilobyte each, twice 600 of them in a birth, are some 120 MB in a hundred births.
    let long = |number: usize| named(&format!("{}{number}/Torque", "x".repeat(1000)), Some(number as u64));
    let payload = Payload { metrics: (0..600).map(long).collect(), ..Payload::default() };
    bench.decoder = Decoder::new(any_device(), Limits { max_payload_bytes: 1 << 20 });
    let refused = (0..100).filter(|device| {
        let found = bench.send_payload(&format!("spBv1.0/mill/DBIRTH/line1/D{device}"), &payload);
        told(&found) == ["too_large"]
    });
    assert!((10..90).contains(&refused.count()), "about half of them");
}

/// MQTT 3.1.1, 3.3.5: a broker may bring a message once per filter that takes it.
#[test]
fn a_message_that_comes_twice_is_no_gap() {
    let mut bench = Bench::new();
    bench.node_born(0);
    bench.device_born("K1");
    for _ in 0..2 {
        let found = bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(7, 96.0)]);
        assert_eq!(told(&found), ["K1 torque Number(96.0)"]);
        bench.seq -= 1;
    }
    bench.seq += 2;
    let found = bench.send("spBv1.0/mill/DDATA/line1/K1", vec![aliased(7, 96.0)]);
    assert_eq!(told(&found), ["sequence_gap", "K1 torque Number(96.0)"]);
}

/// Nobody knows the unit: whoever sends so is named, neither remembered nor asked for its births.
#[test]
fn devices_of_unknown_units_are_not_remembered() {
    let mut bench = Bench { decoder: Decoder::new(map(), Limits::USUAL).asking_for_births(true), ..Bench::new() };
    bench.node_born(0);
    for device in 0..20_000 {
        let found =
            bench.send(&format!("spBv1.0/mill/DBIRTH/line1/X{device}"), vec![torque("Shaft/Torque", Some(7), 1.0)]);
        assert_eq!(told(&found), ["unknown_unit"]);
    }
    assert_eq!(told(&bench.send("spBv1.0/mill/DDATA/line1/X1", vec![aliased(7, 1.0)])), ["unknown_unit"]);
    assert_eq!(bench.decoder.requests(), []);
    assert_eq!(told(&bench.device_born("K1"))[0], "K1 torque Number(95.5)", "there is room, and no gap in the numbers");
}

fn value_of(outcomes: &[Outcome]) -> Option<f64> {
    match outcomes {
        [Outcome::Taken(taken)] => taken.reading.value.number(),
        _ => None,
    }
}

proptest! {
    #[test]
    fn any_number_comes_through_the_alias_of_its_birth(
        whole in -900_i64..3000, number in -1000.0..3200.0_f64, alias in any::<u64>(), wide in any::<bool>(),
    ) {
        let datatype = if wide { 4 } else { 3 };
        let value = if wide { MetricValue::Long(whole as u64) } else { MetricValue::Int(whole as u32) };
        for (datatype, value, expected) in [(datatype, value, whole as f64), (DOUBLE, MetricValue::Double(number), number)] {
            let mut bench = Bench::new();
            bench.node_born(0);
            let born = Metric { datatype: Some(datatype), is_null: Some(true), ..named("Shaft/Torque", Some(alias)) };
            bench.send("spBv1.0/mill/DBIRTH/line1/K1", vec![born]);
            let metric = Metric { alias: Some(alias), value: Some(value), ..Metric::default() };
            let found = bench.send("spBv1.0/mill/DDATA/line1/K1", vec![metric]);
            prop_assert_eq!(value_of(&found), Some(expected));
        }
    }

    /// A stranger's bytes in the place of every kind of message neither end the decoder nor bring what cannot be.
    #[test]
    fn whatever_is_sent_a_value_that_is_taken_can_be(
        messages in prop::collection::vec((0_usize..5, prop::collection::vec(any::<u8>(), 0..60)), 1..20),
    ) {
        let topics = ["NBIRTH/line1", "DBIRTH/line1/K1", "DDATA/line1/K1", "DDEATH/line1/K1", "NDEATH/line1"];
        let mut bench = Bench::new();
        bench.device_born("K1");
        for (topic, payload) in messages {
            let topic = format!("spBv1.0/mill/{}", topics[topic]);
            let (payload, arrived_at) = (payload.as_slice(), bench.now);
            let message = Message { topic: &topic, payload, retained: false, backlog: false, connection: 1, arrived_at };
            for outcome in bench.decoder.decode(&message) {
                if let Outcome::Taken(taken) = outcome && let Some(number) = taken.reading.value.number() {
                    let (low, high) = taken.reading.signal.believable();
                    prop_assert!((low..=high).contains(&number));
                }
            }
        }
    }
}
