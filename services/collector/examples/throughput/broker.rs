//! A mosquitto of the benchmark's own, and the processes that publish to it.

use std::fs;
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rumqttc::{AsyncClient, Event, Incoming, MqttOptions, QoS};
use tempfile::TempDir;

use crate::Failure;
use crate::payloads::{Kind, SENDERS};

/// A broker, ended with the value.
pub struct Broker {
    pub port: u16,
    pub dir: TempDir,
    _process: Running,
}

/// A process that ends when this is dropped.
pub struct Running(Child);

impl Running {
    pub fn new(child: Child) -> Running {
        Running(child)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // Ended already is as good.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Broker {
    /// A broker that sends up to `window` messages unacknowledged.
    pub fn start(window: u64) -> Result<Self, Failure> {
        let dir = tempfile::tempdir()?;
        let port = TcpListener::bind("127.0.0.1:0")?.local_addr()?.port();
        let config = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nmax_inflight_messages {window}\nmax_queued_messages 0\nlog_dest none\n"
        );
        let path = dir.path().join("conf");
        fs::write(&path, config)?;
        let process = Running(quiet("mosquitto", &path).or_else(|_| quiet("/usr/sbin/mosquitto", &path))?);
        let begun = Instant::now();
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            if begun.elapsed() > Duration::from_secs(10) {
                return Err("the broker does not answer".into());
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        Ok(Self { port, dir, _process: process })
    }

    /// Begins to publish the messages, shared by the senders: each a process of this very program.
    pub fn publish(&self, kind: Kind, messages: u64) -> Result<Vec<Running>, Failure> {
        let own = std::env::current_exe()?;
        (0..SENDERS)
            .map(|sender| {
                let numbers = [u64::from(self.port), sender, messages / SENDERS].map(|number| number.to_string());
                let mut process = Command::new(&own);
                process.arg("send").arg(kind.name()).args(numbers);
                Ok(Running(process.stdin(Stdio::null()).spawn()?))
            })
            .collect()
    }
}

fn quiet(program: &str, config: &Path) -> std::io::Result<Child> {
    Command::new(program).arg("-c").arg(config).stdout(Stdio::null()).stderr(Stdio::null()).spawn()
}

/// Publishes a sender's messages with QoS 1, and ends when the broker has acknowledged all of them.
pub async fn send(kind: Kind, port: u16, sender: u64, messages: u64) -> Result<(), Failure> {
    let mut options = MqttOptions::new(format!("sender-{sender}"), "127.0.0.1", port);
    options.set_inflight(200).set_max_packet_size(1 << 20, 1 << 20);
    let (client, mut eventloop) = AsyncClient::new(options, 1000);
    let total = messages + u64::from(kind.birth(sender).is_some());
    let sending = tokio::spawn(async move {
        let birth = kind.birth(sender);
        for (topic, payload) in birth.into_iter().chain((0..messages).map(|n| kind.message(sender, n))) {
            client.publish(topic, QoS::AtLeastOnce, false, payload).await?;
        }
        Ok::<_, rumqttc::ClientError>(client)
    });
    let mut acknowledged = 0;
    while acknowledged < total {
        if let Event::Incoming(Incoming::PubAck(_)) = eventloop.poll().await? {
            acknowledged += 1;
        }
    }
    sending.await??;
    Ok(())
}
