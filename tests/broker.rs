//! A broker of our own on a free loopback port: Debian's mosquitto, or the embedded one of the demo. Mosquitto's command-line
//! client speaks to both.

use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::embedded;

/// A port that was free a moment ago.
pub fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// Waits until a condition holds, and fails with its name if it does not within a minute.
pub fn wait_for<T>(what: &str, condition: impl FnMut() -> Option<T>) -> T {
    wait_within(Duration::from_secs(60), what, condition)
}

/// Waits until a condition holds, and fails with its name if it takes too long.
pub fn wait_within<T>(most: Duration, what: &str, mut condition: impl FnMut() -> Option<T>) -> T {
    let began = Instant::now();
    loop {
        if let Some(value) = condition() {
            return value;
        }
        assert!(began.elapsed() < most, "{what} did not come within {most:?}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Which broker.
#[derive(Debug, Clone, Copy)]
pub enum Kind {
    /// Debian's package, which keeps what it holds on disk.
    Mosquitto,
    /// The one of the demo, which keeps what it holds in memory.
    Embedded,
}

/// Makes a test of each of these functions at each broker.
macro_rules! at_each_broker {
    ($($test:ident)+) => {
        mod at_mosquitto {
            $(#[test]
            fn $test() {
                super::$test(crate::broker::Kind::Mosquitto);
            })+
        }
        mod at_the_embedded_broker {
            $(#[test]
            fn $test() {
                super::$test(crate::broker::Kind::Embedded);
            })+
        }
    };
}
pub(crate) use at_each_broker;

/// A running broker. Mosquitto ends with the value, the embedded one with the tests.
pub struct Broker {
    /// Its port.
    pub port: u16,
    mosquitto: Option<(Child, tempfile::TempDir)>,
}

impl Broker {
    /// Starts a broker.
    pub fn start(kind: Kind) -> Broker {
        match kind {
            Kind::Mosquitto => Self::start_at(free_port()),
            Kind::Embedded => {
                let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
                Broker { port: runtime.block_on(embedded::start()).unwrap(), mosquitto: None }
            }
        }
    }

    /// Mosquitto at a port.
    pub fn start_at(port: u16) -> Broker {
        Self::mosquitto(port, "")
    }

    /// Mosquitto as careful as it can be: it saves all it holds at each change (a moment after it has acknowledged it).
    pub fn that_saves_each_change() -> Broker {
        Self::mosquitto(free_port(), "autosave_on_changes true\nautosave_interval 1\n")
    }

    /// Kills mosquitto at once.
    pub fn kill(&mut self) {
        let (process, _) = self.mosquitto.as_mut().expect("the embedded broker cannot be killed");
        process.kill().unwrap();
        process.wait().unwrap();
    }

    /// Starts it again after a kill.
    pub fn again(&mut self) {
        let (process, folder) = self.mosquitto.as_mut().expect("the embedded broker cannot be killed");
        *process = Self::launch(folder.path(), self.port);
    }

    fn mosquitto(port: u16, more: &str) -> Broker {
        let folder = tempfile::tempdir().unwrap();
        let config = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location {}/\n\
             max_queued_messages 0\nuser root\nlog_dest none\n{more}",
            folder.path().display()
        );
        std::fs::write(folder.path().join("mosquitto.conf"), config).unwrap();
        let process = Self::launch(folder.path(), port);
        Broker { port, mosquitto: Some((process, folder)) }
    }

    fn launch(folder: &Path, port: u16) -> Child {
        let program =
            ["/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto"].iter().map(PathBuf::from).find(|p| p.exists());
        let program = program.expect("mosquitto is not installed: ./tests/setup installs it");
        let process = Command::new(program)
            .arg("-c")
            .arg(folder.join("mosquitto.conf"))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto starts");
        wait_for("the broker", || TcpStream::connect(("127.0.0.1", port)).ok());
        process
    }

    /// Publishes one message with QoS 1 by mosquitto's own client, which waits for the acknowledgement.
    pub fn publish(&self, topic: &str, payload: &str) {
        let done = self.client("mosquitto_pub").args(["-q", "1", "-t", topic, "-m", payload]).status().unwrap();
        assert!(done.success(), "mosquitto_pub failed on {topic}");
    }

    /// A client that publishes each line of its input to a topic, QoS 1.
    pub fn publisher(&self, topic: &str) -> Child {
        self.client("mosquitto_pub").args(["-q", "1", "-l", "-t", topic]).stdin(Stdio::piped()).spawn().unwrap()
    }

    /// The retained message of a topic, once there is one.
    pub fn retained(&self, topic: &str) -> String {
        let output =
            self.client("mosquitto_sub").args(["-q", "1", "-C", "1", "-W", "30", "-t", topic]).output().unwrap();
        assert!(output.status.success(), "nothing is retained at {topic}");
        String::from_utf8(output.stdout).unwrap().trim().to_owned()
    }

    /// Whether anything is retained at a topic.
    pub fn retains(&self, topic: &str) -> bool {
        let once = ["-q", "1", "-C", "1", "-W", "1", "--retained-only", "-t", topic];
        self.client("mosquitto_sub").args(once).stdout(Stdio::null()).stderr(Stdio::null()).status().unwrap().success()
    }

    fn client(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        command.args(["-h", "127.0.0.1", "-p", &self.port.to_string()]);
        command
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        if let Some((process, _)) = &mut self.mosquitto {
            // It may have ended by itself; there is nothing more to end then.
            let _ = process.kill();
            let _ = process.wait();
        }
    }
}
