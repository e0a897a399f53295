//! Messages of invented plants, and the mappings that are proposed for them.

use collector::{Pattern, Payload};

use super::*;

fn of(messages: &[(&str, &str)], units: &[&str]) -> String {
    let specimen =
        |(topic, payload): &(&str, &str)| Specimen { topic: (*topic).to_owned(), payload: payload.as_bytes().to_vec() };
    let specimens: Vec<_> = messages.iter().map(specimen).collect();
    let units = units.iter().map(|unit| UnitId::new(unit).unwrap()).collect();
    let mapped = Mapping::new(Pattern::parse("mapped/{unit}").unwrap(), Signal::Torque, Payload::Number);
    proposals(&specimens, &[mapped], &units).iter().map(|proposal| format!("{}\n", proposal.text)).collect()
}

#[test]
fn topics_that_differ_by_the_unit_share_a_mapping() {
    let text = of(&[("mill/K1/shaft/torque", "95.2"), ("mill/K2/shaft/torque", "101")], &["K1", "K2"]);
    assert_eq!(text.matches("[[topics]]").count(), 1, "{text}");
    assert!(text.contains("topic = \"mill/{unit}/shaft/torque\"") && text.contains("signal = \"torque\""), "{text}");
    assert!(text.contains("and one more") && !text.contains("[units."), "{text}");
}

#[test]
fn what_the_message_says_of_itself_is_taken() {
    let json = r#"{"d": {"val": "95.2", "uom": "lbf·in", "ts": 1774915200000}, "seq": 7}"#;
    let text = of(&[("mill/K1-drive/Trq", json)], &["K1"]);
    for line in [
        "topic = \"mill/{unit}-drive/Trq\"",
        "measure = \"lbf·in\"         # as the message says",
        "value = \"/d/val\"",
        "time = \"/d/ts\"",
        "time_format = \"ms\"",
    ] {
        assert!(text.contains(line), "{line} is not in\n{text}");
    }
}

#[test]
fn a_message_that_names_its_values_gives_a_mapping_for_each() {
    let json =
        r#"{"torque_nm": 95.2, "jacket": {"temp": -28.0}, "operating hours": 1200.5, "at": "2026-03-31T06:00:00Z"}"#;
    let text = of(&[("mill/K1/status", json)], &["K1"]);
    for line in ["value = \"/torque_nm\"", "signal = \"media_temp\"", "value = \"/operating hours\"", "time = \"/at\""]
    {
        assert!(text.contains(line), "{line} is not in\n{text}");
    }
    assert_eq!(text.matches("[[topics]]").count(), 3, "{text}");
}

#[test]
fn units_that_the_config_lacks_are_told_apart_by_their_figures() {
    let text = of(&[("mill/A07/speed", "120"), ("mill/A08/speed", "118")], &["K1"]);
    assert!(text.contains("topic = \"mill/{unit}/speed\""), "{text}");
    assert!(text.contains("[units.A07]") && text.contains("[units.A08]"), "{text}");
    assert_eq!(
        of(&[("mapped/A09", "1")], &["K1"]),
        "# \"A09\" stands where other topics name a unit; if it is one:\n[units.A09]\n"
    );
    let alone = of(&[("mill/cooler/speed", "120")], &["K1"]);
    assert!(alone.contains("unit = \"?\""), "{alone}");
}

#[test]
fn what_nothing_speaks_for_is_not_guessed() {
    assert_eq!(of(&[("mill/K1/vibration", "0.3"), ("mill/K1/torque", "running")], &["K1"]), "");
    assert_eq!(of(&[("mill/{x}/torque", "1"), ("mill/K1/x", "[1, 2]"), ("mill/K1/y", "\u{0}")], &["K1"]), "");
}

#[test]
fn a_topic_of_a_stranger_cannot_break_out_of_its_quotes() {
    let text = of(&[("mill/K1/tor\"que\\n\ntorque", "1")], &["K1"]);
    let body: String = text.lines().filter(|line| !line.starts_with('#')).map(|line| format!("{line}\n")).collect();
    let read: toml::Table = toml::from_str(&body).unwrap();
    assert_eq!(read["topics"][0]["topic"].as_str(), Some("mill/{unit}/tor\"que\\n\ntorque"));
}

/// Units that no config names yet: the level by which topics differ, or the names inside a message.
#[test]
fn units_are_told_by_what_differs_where_a_torque_is() {
    let units = |messages: &[(&str, &str)]| -> Vec<String> {
        let specimen = |(topic, payload): &(&str, &str)| Specimen {
            topic: (*topic).to_owned(),
            payload: payload.as_bytes().to_vec(),
        };
        let specimens: Vec<_> = messages.iter().map(specimen).collect();
        units_in(&specimens).iter().map(|unit| unit.as_str().to_owned()).collect()
    };
    let told = units(&[
        ("mill/line1/K1/torque", "95"),
        ("mill/line1/K2/torque", "96"),
        ("mill/line2/K3/torque", "97"),
        ("mill/line2/K3/temp", "-6"),
        ("mill/line2/P4/speed", "1450"),
        ("mill/boiler/temp", "90"),
    ]);
    assert_eq!(told, ["K1", "K2", "K3"]);
    let told = units(&[("mill/chiller_a/torque", "95"), ("mill/chiller_b/torque", "96"), ("mill/chiller_b/temp", "1")]);
    assert_eq!(told, ["chiller_a", "chiller_b"]);
    assert_eq!(units(&[("mill/K1/torque", "95"), ("mill/K1/temp", "-6")]), ["K1"]);
    let one = r#"{"K1.Torque": 95.2, "K2.Torque": 96, "K2.Speed": 300, "P1.Speed": 1450}"#;
    assert_eq!(units(&[("plc/values", one)]), ["K1", "K2"]);
    assert_eq!(units(&[("mill/speed", "95"), ("mill/x", "7")]), [""; 0]);
}

/// One message that brings the values of several units, by the names of its fields.
#[test]
fn fields_name_units_where_topics_do_not() {
    let text = of(&[("plc/values", r#"{"K1.Torque": 95.2, "K2.Torque": 96, "X9.Torque": 97}"#)], &["K1", "k2"]);
    assert!(text.contains("unit = \"K1\"\nsignal = \"torque\"") && text.contains("unit = \"k2\""), "{text}");
    assert!(text.contains("value = \"/X9.Torque\"") && text.matches("unit = \"?\"").count() == 1, "{text}");
}

#[test]
fn what_a_name_says_and_a_value_cannot_be_is_a_question() {
    let text = of(&[("mill/K1/torque", "9999"), ("mill/K1/speed_pct", "55"), ("mill/K1/torque_sp", "100")], &["K1"]);
    assert!(text.contains("no value in it but 9999") && text.contains("in percent: of what?"), "{text}");
    assert_eq!(text.matches("# a guess: ").count(), 2, "{text}");
    assert!(!text.contains("torque_sp"), "{text}");
}
