//! Advice that is raised reaches a desk's webhook and a mailbox: once, signed, and whatever fails on the way. Receivers are
//! programs of Python's with libraries of others, which judge what comes.

use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use plant::{Clock, SystemClock};
use serde_json::Value;

use crate::authority::Authority;
use crate::broker::{Broker, Kind, free_port, wait_for};
use crate::plant_files::PlantFiles;
use crate::service::{Service, done, run};
use crate::tools::{beside_tests, need};

const SECRET: &str = "0123456789abcdef0123456789abcdef";
const PASSWORD: &str = "fondant at dawn";

/// A program of the receiving side; it ends with the value.
struct Receiver(Child);

impl Receiver {
    /// Starts it and waits until it listens.
    fn start(script: &str, port: u16, arguments: &[&str]) -> Receiver {
        let python = beside_tests("outside/.venv/bin/python");
        need(&python);
        let mut command = Command::new(python);
        command.arg(beside_tests("outside").join(script)).arg(port.to_string()).args(arguments);
        let receiver = Receiver(command.stdin(Stdio::null()).spawn().unwrap());
        wait_for("the receiver", || TcpStream::connect(("127.0.0.1", port)).ok());
        receiver
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        // It may have ended by itself; there is nothing more to end then.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// What a receiver has written down.
fn came(file: &Path) -> Vec<Value> {
    let text = std::fs::read_to_string(file).unwrap_or_default();
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

/// A plant of which the register is known, with these lines behind its config.
fn plant(broker: &Broker, lines: &str) -> PlantFiles {
    let files = PlantFiles::new(broker.port, SystemClock.now());
    let text = std::fs::read_to_string(&files.config).unwrap();
    let address = "# address = \"http://groovecast.harrow.example\"";
    assert!(text.contains(address), "the example shows an address");
    let text = text.replace(address, &address[2..]);
    std::fs::write(&files.config, text + lines).unwrap();
    std::fs::write(files.folder.path().join("desk.secret"), format!("{SECRET}\n")).unwrap();
    std::fs::write(files.folder.path().join("mail.password"), format!("{PASSWORD}\n")).unwrap();
    let register = ["tubes.csv", "fittings.csv", "work.csv"].map(|name| files.path(name));
    let config = files.config.to_str().unwrap();
    done(&["import", "register", &register[0], &register[1], &register[2], "--config", config]);
    files
}

/// Flakes are found in a tube: a hold, which is raised at once.
fn flakes(files: &PlantFiles, tube: &str) {
    let file = files.folder.path().join(format!("{tube}.csv"));
    let at = SystemClock.now();
    std::fs::write(&file, format!("at,tube,grade,kind\n{at:.0},{tube},4,flake\n")).unwrap();
    done(&["import", "findings", file.to_str().unwrap(), "--config", files.config.to_str().unwrap()]);
}

/// A sample of the metrics, 0 if there is none.
fn sample(service: &Service, line: &str) -> f64 {
    let text = service.get("/metrics").1;
    let value = text.lines().find_map(|told| told.strip_prefix(line)?.trim().parse().ok());
    value.unwrap_or(0.0)
}

fn waits_until(service: &Service, line: &str, value: f64) {
    wait_for(&format!("{line} {value}"), || (sample(service, line) == value).then_some(()));
}

#[test]
fn a_webhook_is_told_once_through_kills_silence_and_errors() {
    let broker = Broker::start(Kind::Mosquitto);
    let port = free_port();
    let files = plant(
        &broker,
        &format!(
            "\n[notify.desk]\nwebhook = \"http://127.0.0.1:{port}/advice?to=desk\"\nsecret_file = \"desk.secret\"\n\
             kinds = [\"hold\"]\ncleared = true\ntimeout_s = 1.0\npause_s = 1.0\n"
        ),
    );
    let folder = files.folder.path();
    let (out, secret) = (folder.join("came"), folder.join("desk.secret"));
    let (out_path, secret) = (out.to_str().unwrap(), secret.to_str().unwrap());
    let mut service = Service::start(&files.config);
    flakes(&files, "T-K1");
    waits_until(&service, "groovecast_notices_waiting{target=\"desk\"}", 1.0);
    wait_for("a page that says so", || service.get("/advice").1.contains("1 waiting").then_some(()));

    // Killed while nobody is there to be told; then somebody is, and fails in each way.
    service.kill();
    service.again();
    let receiver = Receiver::start("receiver.py", port, &[secret, out_path, "500,slow,429,204"]);
    waits_until(&service, "groovecast_notices_told_total{target=\"desk\"}", 1.0);
    let first = came(&out);
    let answers: Vec<_> = first.iter().map(|one| one["answer"].as_str().unwrap()).collect();
    assert_eq!(answers, ["500", "slow", "429", "204"]);
    for one in &first {
        assert_eq!(one["wrong"], Value::Null, "{one}");
        assert_eq!((&one["key"], &one["event"]), (&first[0]["key"], &first[0]["event"]), "each try says the same");
    }
    let event = &first[0]["event"];
    assert_eq!((&event["type"], &event["subject"]), (&"groovecast.advice.raised".into(), &"K1".into()));
    assert_eq!(format!("\"{}\"", event["id"].as_str().unwrap()), first[0]["key"].as_str().unwrap());
    assert_eq!((&event["data"]["kind"], &event["data"]["tube"]), (&"hold".into(), &"T-K1".into()));
    assert_eq!(event["data"]["link"], "http://groovecast.harrow.example/tubes/T-K1");
    assert!(event["data"]["notice"].as_str().unwrap().contains("not permission to skip a required inspection"));

    // What was confirmed is not told again, and what is raised while the receiver is dead waits for it.
    service.kill();
    drop(receiver);
    service.again();
    flakes(&files, "T-K2");
    waits_until(&service, "groovecast_notices_waiting{target=\"desk\"}", 1.0);
    let receiver = Receiver::start("receiver.py", port, &[secret, out_path, "204"]);
    waits_until(&service, "groovecast_notices_told_total{target=\"desk\"}", 2.0);
    std::thread::sleep(Duration::from_secs(3));
    let all = came(&out);
    assert_eq!(all.len(), 5, "{all:#?}");
    assert_eq!((&all[4]["wrong"], &all[4]["event"]["subject"]), (&Value::Null, &"K2".into()));
    assert_ne!(all[4]["key"], all[0]["key"]);
    drop(receiver);

    // What the receiver will never take, and what nobody is there for any more, is given up, and told.
    let receiver = Receiver::start("receiver.py", port, &[secret, out_path, "422"]);
    flakes(&files, "T-K3");
    waits_until(&service, "groovecast_notices_given_up_total{target=\"desk\"}", 1.0);
    assert!(service.get("/advice").1.contains("1 given up: the answer was 422"));
    let told = service.json("/api/v1/advice");
    assert_eq!((&told["told"][0]["target"], &told["told"][0]["given_up"]), (&"desk".into(), &1.into()));
    drop(receiver);
    service.stop();
}

fn notify_try(config: &Path) -> (Option<i32>, String) {
    let output = run(&["notify", "try", "--config", config.to_str().unwrap()]);
    let said = [output.stdout, output.stderr].concat();
    (output.status.code(), String::from_utf8_lossy(&said).into_owned())
}

/// A certificate for the loopback address as arguments of a receiver, and its authority in the plant's folder.
fn certificate(authority: &Authority, folder: &Path) -> [PathBuf; 2] {
    let pair = authority.issue("receiver", "IP:127.0.0.1");
    std::fs::copy(authority.file(), folder.join("ca.pem")).unwrap();
    [pair.cert, pair.key]
}

#[test]
fn a_mailbox_is_told_in_words_through_tls_and_a_login() {
    for kind in ["starttls", "tls"] {
        let broker = Broker::start(Kind::Mosquitto);
        let (port, authority) = (free_port(), Authority::new("Harrow plant"));
        let folder = tempfile::tempdir().unwrap();
        let [cert, key] = certificate(&authority, folder.path());
        let ca = folder.path().join("ca.pem");
        let lines = format!(
            "\n[mail]\nhost = \"127.0.0.1\"\nport = {port}\ntls = \"{kind}\"\nca_file = \"{}\"\nusername = \"groovecast\"\n\
             password_file = \"mail.password\"\nfrom = \"groovecast <groovecast@harrow.example>\"\n\
             [notify.shift]\nmail = \"Shift lead <shift@harrow.example>\"\nkinds = [\"hold\"]\n",
            ca.display()
        );
        let files = plant(&broker, &lines);
        let out = files.folder.path().join("came");
        let (cert, key) = (cert.to_str().unwrap(), key.to_str().unwrap());
        let arguments = [out.to_str().unwrap(), "groovecast", PASSWORD, cert, key, kind];
        let _mailbox = Receiver::start("mailbox.py", port, &arguments);
        let (code, said) = notify_try(&files.config);
        assert_eq!((code, said.as_str()), (Some(0), "shift: taken\n"));
        let trial = came(&out).remove(0);
        assert!(trial["subject"].as_str().unwrap().starts_with("Trial"), "{trial}");

        let service = Service::start(&files.config);
        flakes(&files, "T-K1");
        waits_until(&service, "groovecast_notices_told_total{target=\"shift\"}", 1.0);
        let mail = came(&out).remove(1);
        assert_eq!((&mail["encrypted"], &mail["defects"]), (&true.into(), &Value::Array(vec![])));
        assert_eq!(
            (&mail["to"][0], &mail["from"]),
            (&"shift@harrow.example".into(), &"groovecast@harrow.example".into())
        );
        assert_eq!(mail["subject"], "Advice raised: K1, tube T-K1: hold and assess");
        assert_eq!(mail["auto"], "auto-generated");
        let text = mail["text"].as_str().unwrap();
        for said in [
            "stop, hold the product",
            "http://groovecast.harrow.example/tubes/T-K1",
            "not permission to skip a required inspection",
            "Chance: none is given.",
        ] {
            assert!(text.contains(said), "{said:?} is not in:\n{text}");
        }
        assert!(!text.to_lowercase().contains("alarm"), "{text}");
        service.stop();
    }
}

#[test]
fn what_keeps_a_trial_from_arriving_is_said_without_a_secret() {
    let broker = Broker::start(Kind::Mosquitto);
    let (mail_port, hook_port, authority) = (free_port(), free_port(), Authority::new("Harrow plant"));
    let folder = tempfile::tempdir().unwrap();
    let [cert, key] = certificate(&authority, folder.path());
    std::fs::copy(Authority::new("another").file(), folder.path().join("other.pem")).unwrap();
    let ca = folder.path().join("ca.pem").display().to_string();
    let lines = format!(
        "\n[mail]\nhost = \"127.0.0.1\"\nport = {mail_port}\nca_file = \"{ca}\"\nusername = \"groovecast\"\n\
         password_file = \"mail.password\"\nfrom = \"groovecast@harrow.example\"\n\
         [notify.desk]\nwebhook = \"https://127.0.0.1:{hook_port}/t0psecret\"\nsecret_file = \"desk.secret\"\nca_file = \"{ca}\"\n\
         [notify.shift]\nmail = \"shift@harrow.example\"\n"
    );
    let files = plant(&broker, &lines);
    let told = |change: &[(&str, &str)]| {
        let text = std::fs::read_to_string(&files.config).unwrap();
        let changed = change.iter().fold(text.clone(), |text, (from, to)| {
            assert!(text.contains(from), "{from:?} is not in the configuration");
            text.replace(from, to)
        });
        std::fs::write(&files.config, changed).unwrap();
        let (code, said) = notify_try(&files.config);
        std::fs::write(&files.config, text).unwrap();
        assert!(!said.contains("t0psecret") && !said.contains(SECRET) && !said.contains(PASSWORD), "{said}");
        (code, said)
    };
    let (code, said) = told(&[]);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("desk: not taken: ") && said.contains("shift: not taken: "), "nobody listens: {said}");

    let out = files.folder.path().join("came");
    let secret = files.path("desk.secret");
    let (out_path, cert, key) = (out.to_str().unwrap(), cert.to_str().unwrap(), key.to_str().unwrap());
    let _desk = Receiver::start("receiver.py", hook_port, &[&secret, out_path, "204", cert, key]);
    let arguments = [out_path, "groovecast", PASSWORD, cert, key, "starttls"];
    let _mailbox = Receiver::start("mailbox.py", mail_port, &arguments);
    assert_eq!(told(&[]), (Some(0), "desk: taken\nshift: taken\n".to_owned()));
    assert_eq!(came(&out)[0]["wrong"], Value::Null);
    assert_eq!(came(&out)[0]["event"]["data"]["trial"], true);

    let other = folder.path().join("other.pem").display().to_string();
    let (_, said) = told(&[(&ca, &other)]);
    assert_eq!(said.matches("no authority in ca_file vouches").count(), 2, "{said}");
    let (_, said) = told(&[
        ("https://127.0.0.1", "https://localhost"),
        ("host = \"127.0.0.1\"\nport = ", "host = \"localhost\"\nport = "),
    ]);
    assert_eq!(said.matches("not for the host in the config").count(), 2, "{said}");
    let (_, said) = told(&[("username = \"groovecast\"", "username = \"somebody\"")]);
    assert!(
        said.contains("desk: taken") && said.contains("shift: not taken: the answer was") && said.contains("535"),
        "{said}"
    );
    let (_, said) = told(&[("mail = \"shift@", "mail = \"nobody@")]);
    assert!(said.contains("there is nobody"), "{said}");
    let (_, said) = told(&[(&format!("port = {mail_port}"), &format!("port = {hook_port}"))]);
    assert!(said.contains("shift: not taken: "), "{said}");
}
