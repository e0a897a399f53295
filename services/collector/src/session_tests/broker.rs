//! A broker of its own for each test, on a free loopback port, behind a wire that can be cut: Debian's mosquitto, and the
//! embedded broker of the demo.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::Receiver;
use std::time::{Duration, Instant};

use tempfile::TempDir;

use super::authority::{Authority, Pair};
use super::embedded;
use super::wire::{Passed, Wire};
use crate::settings::tests::settings;
use crate::{Protocol, Settings};

const PATIENCE: Duration = Duration::from_secs(20);

/// Which broker.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Kind {
    /// In MQTT 5.
    Mosquitto5,
    /// In MQTT 3.1.1.
    Mosquitto,
    /// In MQTT 3.1.1, the only version that its listener speaks.
    Embedded,
}

impl Kind {
    /// So many messages it sends unacknowledged: mosquitto as we tell it, the embedded one by a constant of its own.
    pub(super) const fn window(self) -> usize {
        match self {
            Kind::Mosquitto5 | Kind::Mosquitto => 20,
            Kind::Embedded => 100,
        }
    }
}

pub(super) struct Broker {
    /// What the service talks through.
    pub(super) wire: Wire,
    protocol: Protocol,
    port: u16,
    mosquitto: Option<Mosquitto>,
}

/// A mosquitto process and its folder; it ends with the value.
struct Mosquitto {
    dir: TempDir,
    child: Child,
}

impl Broker {
    /// Any number of messages is queued.
    pub(super) async fn start(kind: Kind) -> Self {
        let (port, mosquitto) = match kind {
            Kind::Mosquitto5 | Kind::Mosquitto => {
                let (port, mosquitto) = Mosquitto::start("");
                (port, Some(mosquitto))
            }
            Kind::Embedded => (embedded::start().await.unwrap(), None),
        };
        let protocol = if kind == Kind::Mosquitto5 { Protocol::V5 } else { Protocol::V311 };
        Self { wire: Wire::to(port).await, protocol, port, mosquitto }
    }

    /// Mosquitto in MQTT 5, with further lines of its configuration.
    pub(super) async fn with(more: &str) -> Self {
        let (port, mosquitto) = Mosquitto::start(&format!("{more}\n"));
        Self { wire: Wire::to(port).await, protocol: Protocol::V5, port, mosquitto: Some(mosquitto) }
    }

    /// Mosquitto with a TLS listener, to which the wire leads, and a plain one for tests.
    pub(super) async fn with_tls(authority: &Authority, pair: &Pair, more: &[&str]) -> Self {
        let secured = free_port();
        let anonymous =
            if more.iter().any(|line| line.starts_with("allow_anonymous")) { "" } else { "allow_anonymous true" };
        let (port, mosquitto) = Mosquitto::start(&format!(
            "per_listener_settings true\nlistener {secured} 127.0.0.1\ncafile {}\ncertfile {}\nkeyfile {}\n{anonymous}\n{}\n",
            authority.file().display(),
            pair.cert.display(),
            pair.key.display(),
            more.join("\n"),
        ));
        Self { wire: Wire::to(secured).await, protocol: Protocol::Auto, port, mosquitto: Some(mosquitto) }
    }

    /// The broker itself, without wire and TLS.
    pub(super) fn plain_port(&self) -> u16 {
        self.port
    }

    /// Where the service finds it.
    pub(super) fn port(&self) -> u16 {
        self.wire.port
    }

    /// What the service needs to know.
    pub(super) fn settings(&self) -> Settings {
        Settings { protocol: self.protocol, ..settings(self.port()) }
    }

    /// Goes away in good order. The embedded one cannot end: the wire leads to nobody.
    pub(super) fn leave(&mut self) {
        self.wire.lay(None);
        if let Some(mosquitto) = &mut self.mosquitto {
            mosquitto.stop();
        }
    }

    /// Comes back with its memory: sessions, queues and retained messages. Mosquitto has kept them on its disk.
    pub(super) fn come_back(&mut self) {
        if let Some(mosquitto) = &mut self.mosquitto {
            mosquitto.child = spawn(mosquitto.dir.path(), self.port);
        }
        self.wire.lay(Some(self.port));
    }

    /// Comes back without any memory.
    pub(super) async fn come_back_empty(&mut self) {
        match &self.mosquitto {
            Some(mosquitto) => fs::remove_file(mosquitto.dir.path().join("mosquitto.db")).unwrap(),
            None => self.port = embedded::start().await.unwrap(),
        }
        self.come_back();
    }

    /// What passed between broker and service, connection by connection; mosquitto's own log says the same.
    pub(super) fn passed(&self) -> Vec<Passed> {
        self.wire.passed()
    }

    /// The log that mosquitto writes.
    pub(super) fn log(&self) -> Option<String> {
        self.mosquitto.as_ref().map(|mosquitto| fs::read_to_string(mosquitto.dir.path().join("log")).unwrap())
    }

    /// Publishes one message per line, QoS 1, and waits until the broker has them.
    pub(super) fn publish(&self, topic: &str, lines: &[String]) {
        let mut publisher =
            self.client("mosquitto_pub", &["-q", "1", "-l", "-t", topic]).stdin(Stdio::piped()).spawn().unwrap();
        let mut text = lines.join("\n");
        text.push('\n');
        publisher.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
        assert!(publisher.wait().unwrap().success());
    }

    pub(super) fn publish_with(&self, args: &[&str]) {
        assert!(self.client("mosquitto_pub", args).status().unwrap().success());
    }

    /// Everything on these topics from now on, as `topic payload`.
    pub(super) fn watch(&self, topic: &str) -> Watch {
        let mut child =
            self.client("mosquitto_sub", &["-q", "1", "-v", "-t", topic]).stdout(Stdio::piped()).spawn().unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let (into, from) = std::sync::mpsc::channel();
        std::thread::spawn(move || lines.map_while(Result::ok).try_for_each(|line| into.send(line)));
        Watch { child, lines: from }
    }

    fn client(&self, program: &str, args: &[&str]) -> Command {
        let mut command = Command::new(program);
        command.args(["-h", "127.0.0.1", "-p", &self.port.to_string()]).args(args);
        command
    }
}

impl Mosquitto {
    /// Sessions are kept over a restart. `first`: further lines of its configuration.
    fn start(first: &str) -> (u16, Self) {
        let dir = tempfile::tempdir().unwrap();
        let port = free_port();
        let config = format!(
            "{first}listener {port} 127.0.0.1\nallow_anonymous true\nuser root\npersistence true\npersistence_location {dir}/\n\
             max_inflight_messages {window}\nmax_queued_messages 0\nlog_dest file {dir}/log\nlog_type all\n\
             connection_messages true\n",
            dir = dir.path().display(),
            window = Kind::Mosquitto.window(),
        );
        fs::write(dir.path().join("conf"), config).unwrap();
        let child = spawn(dir.path(), port);
        (port, Self { dir, child })
    }

    /// In good order, so that it saves its sessions.
    fn stop(&mut self) {
        let told = Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().unwrap();
        assert!(told.success());
        self.child.wait().unwrap();
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        // It may have ended by itself; there is nothing more to end then.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

pub(super) struct Watch {
    child: Child,
    lines: Receiver<String>,
}

impl Watch {
    pub(super) fn next(&self) -> String {
        self.lines.recv_timeout(PATIENCE).expect("nothing was published in time")
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

fn spawn(dir: &Path, port: u16) -> Child {
    let spawn = |program: &str| {
        Command::new(program).arg("-c").arg(dir.join("conf")).stdout(Stdio::null()).stderr(Stdio::null()).spawn()
    };
    let mut child = spawn("mosquitto")
        .or_else(|_| spawn("/usr/sbin/mosquitto"))
        .expect("mosquitto is not installed: ./tests/setup installs it");
    let begun = Instant::now();
    while TcpStream::connect(("127.0.0.1", port)).is_err() {
        if let Some(status) = child.try_wait().unwrap() {
            panic!("the broker ended with {status}: {}", fs::read_to_string(dir.join("log")).unwrap_or_default());
        }
        assert!(begun.elapsed() < PATIENCE, "the broker does not answer on port {port}");
        std::thread::sleep(Duration::from_millis(10));
    }
    child
}
