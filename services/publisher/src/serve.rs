//! Serving until told to stop, and stopping in bounded time.

use std::future::{Future, IntoFuture};
use std::net::SocketAddr;
use std::time::Duration;

use axum::Router;
use tokio::net::TcpListener;
use tokio::sync::oneshot;

/// How long open requests may take after the shutdown.
const DRAIN: Duration = Duration::from_secs(5);

/// Why serving ended otherwise than by shutdown.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The listener failed.
    #[error("the web server stopped: {0}")]
    Listener(#[from] std::io::Error),
}

/// Serves the routes on the caller's listener until `shutdown` is done, then waits up to 5 s for open requests.
///
/// # Errors
/// [`ServeError`] if the listener fails.
pub async fn serve(
    listener: TcpListener,
    router: Router,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> Result<(), ServeError> {
    drain_within(DRAIN, listener, router, shutdown).await
}

async fn drain_within(
    drain: Duration,
    listener: TcpListener,
    router: Router,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> Result<(), ServeError> {
    let (told, stopping) = oneshot::channel();
    let signal = async move {
        shutdown.await;
        // Nobody listens any more only if the server has ended by itself.
        let _ = told.send(());
    };
    let deadline = async move {
        match stopping.await {
            Ok(()) => tokio::time::sleep(drain).await,
            Err(_) => std::future::pending().await,
        }
    };
    tokio::select! {
        ended = axum::serve(listener, router.into_make_service_with_connect_info::<SocketAddr>())
            .with_graceful_shutdown(signal)
            .into_future() => ended?,
        () = deadline => tracing::warn!(drain_ms = drain.as_millis() as u64, "open requests were cut off at shutdown"),
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::time::Instant;

    use axum::routing::get;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    use tokio::net::TcpStream;

    use super::*;

    async fn started(drain: Duration, router: Router) -> (TcpStream, oneshot::Sender<()>, tokio::task::JoinHandle<()>) {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let (stop, stopped) = oneshot::channel::<()>();
        let server = tokio::spawn(async move {
            drain_within(drain, listener, router, async move { stopped.await.unwrap() }).await.unwrap();
        });
        (TcpStream::connect(address).await.unwrap(), stop, server)
    }

    #[tokio::test]
    async fn a_request_that_never_ends_does_not_hold_the_shutdown() {
        let router = Router::new().route("/", get(std::future::pending::<()>));
        let (mut client, stop, server) = started(Duration::from_millis(200), router).await;
        client.write_all(b"GET / HTTP/1.1\r\nHost: here\r\n\r\n").await.unwrap();
        tokio::time::sleep(Duration::from_millis(50)).await;
        let before = Instant::now();
        stop.send(()).unwrap();
        tokio::time::timeout(Duration::from_secs(5), server).await.expect("ends by its deadline").unwrap();
        assert!(before.elapsed() >= Duration::from_millis(200), "it must wait the drain time first");
    }

    #[tokio::test]
    async fn a_request_in_flight_is_answered_before_the_server_ends() {
        let slow = || async {
            tokio::time::sleep(Duration::from_millis(150)).await;
            "done"
        };
        let (mut client, stop, server) = started(DRAIN, Router::new().route("/", get(slow))).await;
        client.write_all(b"GET / HTTP/1.1\r\nHost: here\r\n\r\n").await.unwrap();
        tokio::time::sleep(Duration::from_millis(50)).await;
        stop.send(()).unwrap();
        let mut answer = String::new();
        client.read_to_string(&mut answer).await.unwrap();
        assert!(answer.starts_with("HTTP/1.1 200") && answer.ends_with("done"), "{answer}");
        server.await.unwrap();
    }
}
