//! A broker of its own for each test: Debian's mosquitto on a free loopback port, and a wire to it that can be cut.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::Receiver;
use std::time::{Duration, Instant};

use tempfile::TempDir;

const PATIENCE: Duration = Duration::from_secs(20);

pub(super) struct Broker {
    pub(super) port: u16,
    dir: TempDir,
    child: Child,
}

impl Broker {
    /// At most 20 unacknowledged messages per client, any number queued, sessions kept over a restart.
    pub(super) fn start() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let port = free_port();
        let config = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nuser root\npersistence true\npersistence_location {dir}/\n\
             max_inflight_messages 20\nmax_queued_messages 0\nlog_dest file {dir}/log\nlog_type all\nconnection_messages true\n",
            dir = dir.path().display()
        );
        fs::write(dir.path().join("conf"), config).unwrap();
        let child = spawn(&dir, port);
        Self { port, dir, child }
    }

    /// Stops it in good order, so that it saves its sessions.
    pub(super) fn stop(&mut self) {
        let told = Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().unwrap();
        assert!(told.success());
        self.child.wait().unwrap();
    }

    pub(super) fn start_again(&mut self) {
        self.child = spawn(&self.dir, self.port);
    }

    /// While it is stopped: all sessions, queues and retained messages are gone.
    pub(super) fn forget(&self) {
        fs::remove_file(self.dir.path().join("mosquitto.db")).unwrap();
    }

    pub(super) fn log(&self) -> String {
        fs::read_to_string(self.dir.path().join("log")).unwrap()
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

impl Drop for Broker {
    fn drop(&mut self) {
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

fn spawn(dir: &TempDir, port: u16) -> Child {
    let spawn = |program: &str| {
        Command::new(program).arg("-c").arg(dir.path().join("conf")).stdout(Stdio::null()).stderr(Stdio::null()).spawn()
    };
    let mut child = spawn("mosquitto")
        .or_else(|_| spawn("/usr/sbin/mosquitto"))
        .expect("these tests need a real broker: install the packages mosquitto and mosquitto-clients");
    let begun = Instant::now();
    while TcpStream::connect(("127.0.0.1", port)).is_err() {
        if let Some(status) = child.try_wait().unwrap() {
            panic!(
                "the broker ended with {status}: {}",
                fs::read_to_string(dir.path().join("log")).unwrap_or_default()
            );
        }
        assert!(begun.elapsed() < PATIENCE, "the broker does not answer on port {port}");
        std::thread::sleep(Duration::from_millis(10));
    }
    child
}

/// A wire to the broker that can be cut; what is in it is lost.
pub(super) struct Wire {
    pub(super) port: u16,
    cut: tokio::sync::broadcast::Sender<()>,
    accepting: tokio::task::JoinHandle<()>,
}

impl Wire {
    pub(super) async fn to(broker_port: u16) -> Self {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let cut = tokio::sync::broadcast::Sender::new(4);
        let cuts = cut.clone();
        let accepting = tokio::spawn(async move {
            while let Ok((mut near, _)) = listener.accept().await {
                let mut cut = cuts.subscribe();
                tokio::spawn(async move {
                    let mut far = tokio::net::TcpStream::connect(("127.0.0.1", broker_port)).await.unwrap();
                    tokio::select! {
                        _ = tokio::io::copy_bidirectional(&mut near, &mut far) => {}
                        _ = cut.recv() => {}
                    }
                });
            }
        });
        Self { port, cut, accepting }
    }

    pub(super) fn cut(&self) {
        let _ = self.cut.send(());
    }
}

impl Drop for Wire {
    fn drop(&mut self) {
        self.accepting.abort();
    }
}
