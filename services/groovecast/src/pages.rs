//! The service's own pages, asked over loopback as anybody else would.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::time::Duration;

use anyhow::Context;

use crate::plant_store::blocking;

/// An answer that takes longer is none.
const MOST: Duration = Duration::from_secs(10);

/// Status and body at a path of the service that listens at an address, asked with a token if one is given.
///
/// # Errors
/// If nobody answers there in time.
pub async fn get(listens_at: SocketAddr, path: &str, token: Option<&str>) -> anyhow::Result<(u16, String)> {
    let address = format!("http://{}{path}", reached(listens_at));
    let token = token.map(|token| format!("Bearer {token}"));
    blocking(move || {
        let settings = ureq::Agent::config_builder().http_status_as_error(false).proxy(None).timeout_global(Some(MOST));
        let mut request = settings.build().new_agent().get(&address);
        if let Some(token) = token {
            request = request.header("Authorization", token);
        }
        let mut answer = request.call().with_context(|| format!("no answer from {address}"))?;
        let status = answer.status().as_u16();
        let body = answer.body_mut().read_to_string().with_context(|| format!("{address} broke off"))?;
        Ok::<_, anyhow::Error>((status, body))
    })
    .await
}

/// Where a listener is reached from this machine: one on all addresses, on loopback.
fn reached(listens_at: SocketAddr) -> SocketAddr {
    let address = match listens_at.ip() {
        IpAddr::V4(any) if any.is_unspecified() => IpAddr::V4(Ipv4Addr::LOCALHOST),
        IpAddr::V6(any) if any.is_unspecified() => IpAddr::V6(Ipv6Addr::LOCALHOST),
        one => one,
    };
    SocketAddr::new(address, listens_at.port())
}
