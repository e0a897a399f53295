//! A publisher that knows which of its messages the broker has acknowledged, whatever becomes of the broker meanwhile:
//! MQTT 3.1.1 as the standard writes it, and nothing of the program's own client.

use std::io::{self, Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

/// Messages on their way at a time.
const AT_ONCE: usize = 20;
/// A broker that is away for longer fails the test.
const PATIENCE: Duration = Duration::from_secs(60);

/// Publishes with QoS 1.
pub struct Sender {
    port: u16,
    stream: Option<TcpStream>,
}

impl Sender {
    /// A publisher that is not connected yet.
    pub fn new(port: u16) -> Sender {
        Sender { port, stream: None }
    }

    /// Publishes each payload, again and again, until the broker has acknowledged it.
    pub fn publish(&mut self, topic: &str, payloads: &[String]) {
        for group in payloads.chunks(AT_ONCE) {
            let began = Instant::now();
            while let Err(error) = self.publish_group(topic, group) {
                assert!(began.elapsed() < PATIENCE, "the broker takes nothing: {error}");
                self.stream = None;
                std::thread::sleep(Duration::from_millis(20));
            }
        }
    }

    fn publish_group(&mut self, topic: &str, group: &[String]) -> io::Result<()> {
        let stream = match &mut self.stream {
            Some(stream) => stream,
            none => none.insert(connect(self.port)?),
        };
        let mut packets = Vec::new();
        for (number, payload) in (1_u16..).zip(group) {
            let mut body = (topic.len() as u16).to_be_bytes().to_vec();
            body.extend_from_slice(topic.as_bytes());
            body.extend_from_slice(&number.to_be_bytes());
            body.extend_from_slice(payload.as_bytes());
            // Fixed header of PUBLISH with QoS 1 (3.3.1); the tests' bodies are shorter than 128 bytes (2.2.3).
            packets.extend_from_slice(&[0x32, u8::try_from(body.len()).ok().filter(|n| *n < 128).unwrap()]);
            packets.extend_from_slice(&body);
        }
        stream.write_all(&packets)?;
        for number in 1..=group.len() as u16 {
            let mut answer = [0; 4];
            stream.read_exact(&mut answer)?;
            let [high, low] = number.to_be_bytes();
            assert_eq!(answer, [0x40, 2, high, low], "no PUBACK (3.4) in order");
        }
        Ok(())
    }
}

fn connect(port: u16) -> io::Result<TcpStream> {
    let mut stream = TcpStream::connect(("127.0.0.1", port))?;
    stream.set_read_timeout(Some(Duration::from_secs(5)))?;
    // CONNECT (3.1): protocol level 4, clean session, no keep-alive, an empty client id.
    stream.write_all(&[0x10, 12, 0, 4, b'M', b'Q', b'T', b'T', 4, 2, 0, 0, 0, 0])?;
    let mut answer = [0; 4];
    stream.read_exact(&mut answer)?;
    if answer == [0x20, 2, 0, 0] { Ok(stream) } else { Err(io::Error::other("the broker refuses us")) }
}
