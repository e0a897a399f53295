//! A wire to a broker that can be cut and laid to another broker, and that notes what passes. What it holds when it is
//! cut is lost.

use std::io;
use std::sync::atomic::{AtomicU16, Ordering};
use std::sync::{Arc, Mutex};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::broadcast;
use tokio::task::JoinHandle;

/// What passed in one connection, in order.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Passed {
    /// Packet ids of what the broker sent with QoS 1.
    pub(super) sent: Vec<u16>,
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
        let accepting = tokio::spawn(accept(listener, broker.clone(), cut.clone(), passed.clone()));
        Self { port, broker, cut, passed, accepting }
    }

    pub(super) fn cut(&self) {
        // Nobody may hold a connection just now.
        let _ = self.cut.send(());
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

async fn accept(
    listener: TcpListener,
    broker: Arc<AtomicU16>,
    cuts: broadcast::Sender<()>,
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
        let (to_broker, to_us) = (passed.clone(), passed.clone());
        let ((near_in, near_out), (far_in, far_out)) = (near.into_split(), far.into_split());
        tokio::spawn(async move {
            let up = pass(near_in, far_out, |packet| {
                if let Packet::PubAck(id) = packet {
                    to_broker.lock().unwrap()[place].acknowledged.push(id);
                }
            });
            let down = pass(far_in, near_out, |packet| {
                let connection = &mut to_us.lock().unwrap()[place];
                match packet {
                    Packet::Publish(id) => connection.sent.push(id),
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
async fn pass(mut from: OwnedReadHalf, mut to: OwnedWriteHalf, mut note: impl FnMut(Packet)) -> io::Result<()> {
    let (mut chunk, mut unread) = (vec![0; 16_384], Vec::new());
    loop {
        let length = from.read(&mut chunk).await?;
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
    /// With QoS 1, and its packet id.
    Publish(u16),
    PubAck(u16),
    SubAck,
    Other,
}

/// The first whole packet and its length: MQTT 3.1.1, 2.2 (fixed header), 3.3 (PUBLISH), 3.4 (PUBACK), 3.9 (SUBACK).
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
    // What is encrypted, or no MQTT at all, says anything here: then it is none of ours.
    let number = |place: usize| Some(u16::from_be_bytes([*body.get(place)?, *body.get(place + 1)?]));
    let packet = match (first >> 4, (first >> 1) & 3) {
        (3, 1) => number(0).and_then(|topic| number(2 + usize::from(topic))).map_or(Packet::Other, Packet::Publish),
        (4, _) => number(0).map_or(Packet::Other, Packet::PubAck),
        (9, _) => Packet::SubAck,
        _ => Packet::Other,
    };
    Some((packet, header + remaining))
}

#[test]
fn packets_are_read_as_the_standard_writes_them() {
    // A PUBLISH with QoS 1 to "a/b", packet id 10, payload "x": the example of MQTT 3.1.1, 3.3.2 (from memory); two bytes of length: 2.2.3.
    let publish = [0x32, 8, 0, 3, b'a', b'/', b'b', 0, 10, b'x'];
    assert_eq!(first_packet(&publish), Some((Packet::Publish(10), 10)));
    assert_eq!(first_packet(&publish[..9]), None, "a part of it");
    let mut long = vec![0x32, 0xc1, 0x02, 0, 3, b'a', b'/', b'b', 1, 2];
    long.resize(3 + 321, b'x');
    assert_eq!(first_packet(&long), Some((Packet::Publish(258), 324)));
    assert_eq!(first_packet(&[0x40, 2, 0, 7, 0x90]), Some((Packet::PubAck(7), 4)));
    assert_eq!(first_packet(&[0x90, 3, 0, 1, 1]), Some((Packet::SubAck, 5)));
    assert_eq!(first_packet(&[0x30, 5, 0, 1, b'a', b'x', b'y']), Some((Packet::Other, 7)), "QoS 0 has no packet id");
}
