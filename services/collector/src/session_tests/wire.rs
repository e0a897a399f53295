//! A wire to a broker that can be cut, held still, slowed down and laid to another broker, and that notes what passes. What
//! it holds when it is cut is lost.

use std::io;
use std::sync::atomic::{AtomicU16, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{broadcast, watch};
use tokio::task::JoinHandle;
use tokio::time::sleep;

/// What passed in one connection, in order.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Passed {
    /// Packet ids of what the broker sent with QoS 1.
    pub(super) sent: Vec<u16>,
    /// Their payloads.
    pub(super) payloads: Vec<String>,
    /// Packet ids that were acknowledged to it.
    pub(super) acknowledged: Vec<u16>,
    /// The broker answered to subscriptions.
    pub(super) subscribed: bool,
}

pub(super) struct Wire {
    pub(super) port: u16,
    /// 0: there is nobody at the other end.
    broker: Arc<AtomicU16>,
    cut: broadcast::Sender<()>,
    still: watch::Sender<bool>,
    delay_ms: Arc<AtomicU64>,
    passed: Arc<Mutex<Vec<Passed>>>,
    accepting: JoinHandle<()>,
}

impl Wire {
    pub(super) async fn to(broker_port: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let broker = Arc::new(AtomicU16::new(broker_port));
        let cut = broadcast::Sender::new(4);
        let passed = Arc::new(Mutex::new(Vec::new()));
        let (still, delay_ms) = (watch::Sender::new(false), Arc::new(AtomicU64::new(0)));
        let pace = Pace { still: still.subscribe(), delay_ms: delay_ms.clone() };
        let accepting = tokio::spawn(accept(listener, broker.clone(), cut.clone(), pace, passed.clone()));
        Self { port, broker, cut, still, delay_ms, passed, accepting }
    }

    pub(super) fn cut(&self) {
        // Nobody may hold a connection just now.
        let _ = self.cut.send(());
    }

    /// Nothing passes any more, and neither side is told: a half-open connection. Or it passes again, if `still` is false.
    pub(super) fn hold(&self, still: bool) {
        self.still.send_replace(still);
    }

    /// Each piece of what passes takes so much longer.
    pub(super) fn slow(&self, by: Duration) {
        self.delay_ms.store(by.as_millis() as u64, Ordering::SeqCst);
    }

    /// From now on it leads to a broker at this port, or to nobody.
    pub(super) fn lay(&self, broker_port: Option<u16>) {
        self.broker.store(broker_port.unwrap_or(0), Ordering::SeqCst);
        self.cut();
    }

    /// What passed, connection by connection.
    pub(super) fn passed(&self) -> Vec<Passed> {
        self.passed.lock().unwrap().clone()
    }
}

impl Drop for Wire {
    fn drop(&mut self) {
        self.accepting.abort();
    }
}

/// How fast things pass.
#[derive(Clone)]
struct Pace {
    still: watch::Receiver<bool>,
    delay_ms: Arc<AtomicU64>,
}

impl Pace {
    async fn wait(&mut self) {
        sleep(Duration::from_millis(self.delay_ms.load(Ordering::SeqCst))).await;
        // An error means that the wire is gone, and its connections with it.
        let _ = self.still.wait_for(|still| !still).await;
    }
}

async fn accept(
    listener: TcpListener,
    broker: Arc<AtomicU16>,
    cuts: broadcast::Sender<()>,
    pace: Pace,
    passed: Arc<Mutex<Vec<Passed>>>,
) {
    while let Ok((near, _)) = listener.accept().await {
        let mut cut = cuts.subscribe();
        let Ok(far) = TcpStream::connect(("127.0.0.1", broker.load(Ordering::SeqCst))).await else { continue };
        let place = {
            let mut passed = passed.lock().unwrap();
            passed.push(Passed::default());
            passed.len() - 1
        };
        let (to_broker, to_us, pace) = (passed.clone(), passed.clone(), pace.clone());
        let ((near_in, near_out), (far_in, far_out)) = (near.into_split(), far.into_split());
        tokio::spawn(async move {
            let up = pass(near_in, far_out, pace.clone(), |packet| {
                if let Packet::PubAck(id) = packet {
                    to_broker.lock().unwrap()[place].acknowledged.push(id);
                }
            });
            let down = pass(far_in, near_out, pace, |packet| {
                let connection = &mut to_us.lock().unwrap()[place];
                match packet {
                    Packet::Publish(id, payload) => {
                        connection.sent.push(id);
                        connection.payloads.push(payload);
                    }
                    Packet::SubAck => connection.subscribed = true,
                    Packet::PubAck(_) | Packet::Other => {}
                }
            });
            // One that breaks ends both; one that is done leaves the other time to finish.
            tokio::select! {
                _ = async { tokio::try_join!(up, down) } => {}
                _ = cut.recv() => {}
            }
        });
    }
}

/// Passes bytes on, each packet noted before it goes.
async fn pass(
    mut from: OwnedReadHalf,
    mut to: OwnedWriteHalf,
    mut pace: Pace,
    mut note: impl FnMut(Packet),
) -> io::Result<()> {
    let (mut chunk, mut unread) = (vec![0; 16_384], Vec::new());
    loop {
        let length = from.read(&mut chunk).await?;
        pace.wait().await;
        if length == 0 {
            return to.shutdown().await;
        }
        unread.extend_from_slice(&chunk[..length]);
        while let Some((packet, length)) = first_packet(&unread) {
            note(packet);
            unread.drain(..length);
        }
        to.write_all(&chunk[..length]).await?;
    }
}

#[derive(Debug, PartialEq)]
enum Packet {
    /// With QoS 1: its packet id and its payload.
    Publish(u16, String),
    PubAck(u16),
    SubAck,
    Other,
}

/// The first whole packet and its length: MQTT 3.1.1, 2.2 (fixed header), 3.3 (PUBLISH), 3.4 (PUBACK), 3.9 (SUBACK). In
/// MQTT 5 a length of properties comes before the payload, which is 0 for what the tests publish.
fn first_packet(bytes: &[u8]) -> Option<(Packet, usize)> {
    let first = *bytes.first()?;
    let (mut remaining, mut header) = (0, 1);
    loop {
        let byte = *bytes.get(header)?;
        remaining |= usize::from(byte & 0x7f) << (7 * (header - 1));
        header += 1;
        if byte & 0x80 == 0 || header > 4 {
            break;
        }
    }
    let body = bytes.get(header..header + remaining)?;
    let packet = match (first >> 4, (first >> 1) & 3) {
        (3, 1) => published(body).map_or(Packet::Other, |(id, payload)| Packet::Publish(id, payload)),
        (4, _) => number(body, 0).map_or(Packet::Other, Packet::PubAck),
        (9, _) => Packet::SubAck,
        _ => Packet::Other,
    };
    Some((packet, header + remaining))
}

/// What is encrypted, or no MQTT at all, says anything here: then it is none of ours.
fn number(body: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes([*body.get(at)?, *body.get(at + 1)?]))
}

fn published(body: &[u8]) -> Option<(u16, String)> {
    let id_at = 2 + usize::from(number(body, 0)?);
    let (id, rest) = (number(body, id_at)?, body.get(id_at + 2..)?);
    Some((id, String::from_utf8_lossy(rest.strip_prefix(&[0]).unwrap_or(rest)).into_owned()))
}

#[test]
fn packets_are_read_as_the_standard_writes_them() {
    // A PUBLISH with QoS 1 to "a/b", packet id 10, payload "x": the example of MQTT 3.1.1, 3.3.2 (from memory); two bytes of length: 2.2.3.
    let publish = [0x32, 8, 0, 3, b'a', b'/', b'b', 0, 10, b'x'];
    assert_eq!(first_packet(&publish), Some((Packet::Publish(10, "x".into()), 10)));
    assert_eq!(first_packet(&publish[..9]), None, "a part of it");
    let mut long = vec![0x32, 0xc1, 0x02, 0, 3, b'a', b'/', b'b', 1, 2];
    long.resize(3 + 321, b'x');
    assert_eq!(first_packet(&long), Some((Packet::Publish(258, "x".repeat(314)), 324)));
    assert_eq!(first_packet(&[0x40, 2, 0, 7, 0x90]), Some((Packet::PubAck(7), 4)));
    assert_eq!(first_packet(&[0x90, 3, 0, 1, 1]), Some((Packet::SubAck, 5)));
    assert_eq!(first_packet(&[0x30, 5, 0, 1, b'a', b'x', b'y']), Some((Packet::Other, 7)), "QoS 0 has no packet id");
}
