//! The way through TLS: a socket of our own, on which the MQTT client finds the broker.
//!
//! The client's own TLS would bring a certificate checker with known holes (see `deny.toml`), and it can neither be told
//! another server name nor say what is wrong with a certificate. So the client connects to a Unix socket, and this part
//! carries the bytes on.

use std::fs::Permissions;
use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tempfile::TempDir;
use tokio::io::copy_bidirectional;
use tokio::net::{TcpStream, UnixListener, UnixStream};
use tokio::task::JoinHandle;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;
use tokio_rustls::rustls::Error as RustlsError;

use crate::tls::Tls;

/// TCP and TLS must stand within this time; shorter than the client's patience, so that the reason is known by then.
const WITHIN: Duration = Duration::from_secs(12);

/// One connection to a broker, through TLS. It ends with the value.
#[derive(Debug)]
pub(crate) struct Tunnel {
    /// Holds the socket, for this user alone, until the connection stands.
    folder: Option<TempDir>,
    socket: PathBuf,
    trouble: Arc<Mutex<Option<String>>>,
    task: JoinHandle<()>,
}

impl Tunnel {
    /// Waits for the client; the broker is called when it comes.
    ///
    /// # Errors
    /// If there is no room for a socket in the folder of temporary files.
    pub(crate) fn open(tls: Tls, host: String, port: u16) -> io::Result<Self> {
        let folder =
            tempfile::Builder::new().prefix("groovecast-").permissions(Permissions::from_mode(0o700)).tempdir()?;
        let socket = folder.path().join("broker");
        let listener = UnixListener::bind(&socket)?;
        let trouble = Arc::new(Mutex::new(None));
        let noted = trouble.clone();
        let task = tokio::spawn(async move {
            if let Err(why) = carry(listener, &tls, &host, port).await {
                *noted.lock().unwrap_or_else(PoisonError::into_inner) = Some(why);
            }
        });
        Ok(Self { folder: Some(folder), socket, trouble, task })
    }

    /// Where the client finds the broker.
    pub(crate) fn socket(&self) -> String {
        self.socket.to_string_lossy().into_owned()
    }

    /// The connection stands: the socket is no longer needed, and a killed service leaves none behind.
    pub(crate) fn connected(&mut self) {
        self.folder = None;
    }

    /// What went wrong in here, if that is why the connection ended.
    pub(crate) async fn trouble(mut self) -> Option<String> {
        // It has seen the end too, or is about to.
        let _ = timeout(Duration::from_millis(100), &mut self.task).await;
        self.trouble.lock().unwrap_or_else(PoisonError::into_inner).take()
    }

    /// Waits until what the client wrote before it closed has gone out.
    pub(crate) async fn finished(mut self) {
        // An error means that the task broke; nothing more goes out then.
        let _ = (&mut self.task).await;
    }
}

impl Drop for Tunnel {
    fn drop(&mut self) {
        self.task.abort();
    }
}

async fn carry(listener: UnixListener, tls: &Tls, host: &str, port: u16) -> Result<(), String> {
    let (mut client, _) = listener.accept().await.map_err(|error| error.to_string())?;
    drop(listener);
    let mut broker = timeout(WITHIN, connect(tls, host, port))
        .await
        .unwrap_or_else(|_| Err(format!("it does not answer within {} s", WITHIN.as_secs())))?;
    pass(&mut client, &mut broker).await.map_err(|error| match error.get_ref() {
        // A broker may refuse our certificate as late as this (RFC 8446, 4.4.2.4).
        Some(inner) if inner.is::<RustlsError>() => tls.explain(&error, host),
        _ => error.to_string(),
    })
}

async fn connect(tls: &Tls, host: &str, port: u16) -> Result<TlsStream<TcpStream>, String> {
    let (name, config) = tls.connector(host).map_err(|error| error.to_string())?;
    let tcp = TcpStream::connect((host, port)).await.map_err(|error| error.to_string())?;
    tcp.set_nodelay(true).map_err(|error| error.to_string())?;
    TlsConnector::from(config).connect(name, tcp).await.map_err(|error| tls.explain(&error, host))
}

async fn pass(client: &mut UnixStream, broker: &mut TlsStream<TcpStream>) -> io::Result<()> {
    match copy_bidirectional(client, broker).await {
        // Brokers close without the good-bye of TLS; MQTT has its own.
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => Ok(()),
        passed => passed.map(|_| ()),
    }
}
