//! The embedded broker: rumqttd on a free loopback port. It lives as long as the process.

use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

use anyhow::Context;
use rumqttd::{Broker, Config, ConnectionSettings, RouterConfig, ServerSettings};
use tokio::net::TcpStream;

/// Starts the broker and waits until it answers; gives its port.
///
/// # Errors
/// If no port is free or the broker does not answer within ten seconds.
pub async fn start() -> anyhow::Result<u16> {
    let port = std::net::TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
        .and_then(|free| free.local_addr())
        .context("no port is free")?
        .port();
    let mut broker = Broker::new(config(port));
    // It blocks its thread for ever and can only say in the log that it failed: whether it works is seen by connecting.
    std::thread::Builder::new()
        .name("broker".to_owned())
        .spawn(move || {
            if let Err(error) = broker.start() {
                tracing::error!(%error, "the embedded broker ended");
            }
        })
        .context("no thread for the broker")?;
    for _ in 0..200 {
        if TcpStream::connect((Ipv4Addr::LOCALHOST, port)).await.is_ok() {
            return Ok(port);
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    anyhow::bail!("the embedded broker does not answer at port {port}")
}

fn config(port: u16) -> Config {
    let server = ServerSettings {
        name: "demo".to_owned(),
        listen: SocketAddr::from((Ipv4Addr::LOCALHOST, port)),
        tls: None,
        next_connection_delay_ms: 1,
        connections: ConnectionSettings {
            connection_timeout_ms: 5000,
            max_payload_size: 262_144,
            max_inflight_count: 100,
            auth: None,
            external_auth: None,
            dynamic_filters: true,
        },
    };
    Config {
        id: 0,
        router: RouterConfig {
            max_connections: 100,
            max_outgoing_packet_count: 200,
            max_segment_size: 10_485_760,
            max_segment_count: 10,
            ..RouterConfig::default()
        },
        v4: Some([("demo".to_owned(), server)].into()),
        ..Config::default()
    }
}
