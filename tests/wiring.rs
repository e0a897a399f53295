//! The controls engineer's first afternoon: look at what arrives, take what is proposed, check that all of it comes.

use std::fmt::Write;
use std::path::Path;

use plant::{Clock, SystemClock};

use crate::broker::{Broker, Kind};
use crate::service::{done, run};

fn config(folder: &Path, port: u16, topics: &str) -> String {
    let path = folder.join("plant.toml");
    let text = format!(
        "[site]\nname = \"Harrow Mill\"\ntime_zone = \"UTC\"\ndata = \"data\"\n[broker]\nhost = \"127.0.0.1\"\nport = {port}\n\
         client_id = \"wiring\"\n[units.K1]\n[units.K2]\n{topics}"
    );
    std::fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

/// Publishes what a small plant says, again and again until the value is dropped.
struct Plant {
    stop: std::sync::mpsc::Sender<()>,
    speaking: Option<std::thread::JoinHandle<()>>,
}

impl Plant {
    fn speak(port: u16, messages: &'static [(&'static str, &'static str)]) -> Plant {
        let (stop, stopped) = std::sync::mpsc::channel();
        let speaking = std::thread::spawn(move || {
            while stopped.try_recv() == Err(std::sync::mpsc::TryRecvError::Empty) {
                for (topic, payload) in messages {
                    let now = SystemClock.now().as_millisecond().to_string();
                    let payload = payload.replace("NOW", &now);
                    let port = port.to_string();
                    let arguments = ["-h", "127.0.0.1", "-p", &port, "-q", "1", "-t", topic, "-m", &payload];
                    assert!(std::process::Command::new("mosquitto_pub").args(arguments).status().unwrap().success());
                }
            }
        });
        Plant { stop, speaking: Some(speaking) }
    }
}

impl Drop for Plant {
    fn drop(&mut self) {
        let _ = self.stop.send(());
        let ended = self.speaking.take().map(std::thread::JoinHandle::join);
        assert!(std::thread::panicking() || ended.is_some_and(|ended| ended.is_ok()), "the plant broke off");
    }
}

const MESSAGES: &[(&str, &str)] = &[
    ("harrow/K1/shaft/torque", "{\"value\": 95.5, \"uom\": \"lbf·in\", \"ts\": NOW}"),
    ("harrow/K2/shaft/torque", "{\"value\": 101.5, \"uom\": \"lbf·in\", \"ts\": NOW}"),
    ("harrow/K1/product/temp", "-4.5"),
    ("harrow/K2/product/temp", "-5.0"),
    ("harrow/K1/vibration", "0.3"),
];

#[test]
fn what_listen_proposes_can_be_pasted_and_then_all_of_it_comes() {
    let broker = Broker::start(Kind::Mosquitto);
    let _plant = Plant::speak(broker.port, MESSAGES);
    let folder = tempfile::tempdir().unwrap();
    let path = config(folder.path(), broker.port, "");
    let unseen = done(&["listen", "--config", &path, "--for", "2s"]);
    assert!(!unseen.contains("harrow"), "nothing asks for these topics yet: {unseen}");
    let heard = done(&["listen", "--config", &path, "--for", "3s", "--topic", "harrow/#"]);
    assert!(heard.contains("unmapped: harrow/K1/vibration"), "{heard}");
    let begin = heard.find("To begin with").expect(&heard);
    let mut pasted = String::new();
    heard[begin..].lines().skip(1).for_each(|line| writeln!(pasted, "{line}").unwrap());

    let path = config(folder.path(), broker.port, &pasted);
    done(&["check", "--config", &path]);
    let said = done(&["check", "--config", &path, "--live", "--for", "20s"]);
    // 95.5 lbf·in · 0.112985 N·m (NIST SP 811, appendix B.8) = 10.79 N·m
    assert!(said.contains("10.79 N·m"), "{said}");
    assert!(said.contains("all 4 mapped signals come"), "{said}");
}

/// Before there is any configuration: from the broker's address alone to one that passes, and all that it maps comes.
#[test]
fn a_whole_configuration_is_proposed_from_what_arrives() {
    let broker = Broker::start(Kind::Mosquitto);
    let _plant = Plant::speak(broker.port, MESSAGES);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("plant.toml").to_str().unwrap().to_owned();
    let at = format!("127.0.0.1:{}", broker.port);
    let map = ["map", "--live", "--broker", &at, "--topic", "harrow/#", "--for", "8s", "--out", &path];
    done(&map);
    let text = std::fs::read_to_string(&path).unwrap();
    assert!(text.contains("\n[units.K1]\n[units.K2]\n"), "{text}");
    assert!(text.contains("\n#   \"harrow/K1/vibration\""), "{text}");
    done(&["check", "--config", &path]);
    let said = done(&["check", "--config", &path, "--live", "--for", "20s"]);
    assert!(said.contains("10.79 N·m") && said.contains("all 4 mapped signals come"), "{said}");

    // What is there is not overwritten; how to connect may stand in a file too.
    let refused = run(&map);
    assert_eq!(refused.status.code(), Some(2));
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
    let again = done(&["map", "--live", "--config", &path, "--topic", "harrow/#", "--for", "8s"]);
    let without_origin = |text: &str| text.split_once('\n').unwrap().1.to_owned();
    assert_eq!(without_origin(&again), without_origin(&text));

    // An export beside it shares the units, by the names that the topics give them.
    let export = folder.path().join("past.csv");
    let rows: String = (10..34)
        .map(|hour| format!("2026-03-{:02}T{:02}:00:00Z,{}\n", 1 + hour / 24, hour % 24, 800 + hour * 37 % 50))
        .collect();
    std::fs::write(&export, format!("Timestamp,k1_torque_lbf_in\n{rows}")).unwrap();
    let export = export.to_str().unwrap();
    let both = done(&["map", export, "--live", "--broker", &at, "--topic", "harrow/#", "--for", "8s"]);
    assert!(
        both.contains("\"k1_torque_lbf_in\" = { unit = \"K1\", signal = \"torque\", measure = \"lbf·in\" }"),
        "{both}"
    );
    std::fs::write(&path, both).unwrap();
    done(&["check", "--config", &path]);
    let said = done(&["import", "history", export, "--config", &path]);
    assert!(said.contains("K1 torque: 24 readings"), "{said}");

    for (arguments, code, right) in [
        (&["--live"][..], 2, "--broker"),
        (&["--live", "--broker", "127.0.0.1:x"], 2, "no broker"),
        (&["--live", "--broker", "127.0.0.1:1", "--for", "1s"], 1, "127.0.0.1:1"),
        (&["--live", "--broker", &at, "--topic", "nobody/#", "--for", "1s"], 65, "nothing came"),
    ] {
        let refused = run(&[&["map"], arguments].concat());
        let said = String::from_utf8(refused.stderr).unwrap();
        assert_eq!(refused.status.code(), Some(code), "{said}");
        assert!(said.contains(right), "{said}");
    }
}

#[test]
fn what_does_not_come_or_comes_wrong_fails_the_check_and_is_named() {
    let broker = Broker::start(Kind::Mosquitto);
    let _plant = Plant::speak(broker.port, &[("harrow/K1/torque", "95.5"), ("harrow/K2/torque", "95,5")]);
    let folder = tempfile::tempdir().unwrap();
    let mapping = |name: &str| {
        format!(
            "[[topics]]\ntopic = \"harrow/{{unit}}/{name}\"\nsignal = \"{name}\"\nmeasure = \"{}\"\n",
            match name {
                "torque" => "N·m",
                _ => "1/min",
            }
        )
    };
    let path = config(folder.path(), broker.port, &(mapping("torque") + &mapping("speed")));
    let output = run(&["check", "--config", &path, "--live", "--for", "4s"]);
    assert_eq!(output.status.code(), Some(65));
    let said = String::from_utf8(output.stdout).unwrap();
    let line = |unit: &str, signal: &str| {
        let line = said.lines().find(|line| line.starts_with(unit) && line.contains(signal));
        line.unwrap_or_else(|| panic!("no line for {unit} {signal} in {said}"))
    };
    assert!(line("K1", "torque").ends_with("comes"), "{said}");
    assert!(line("K2", "torque").contains("decimal comma"), "{said}");
    assert!(line("K1", "speed").contains("nothing came within 4 s at harrow/{unit}/speed"), "{said}");
    assert!(
        String::from_utf8(output.stderr).unwrap().contains("of 4 mapped signals 2 do not come, and 1 cannot be right")
    );
}
