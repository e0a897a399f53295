//! `groovecast demo`: an invented plant with two years of past, live on an embedded broker, on a clock that runs fast.

mod broker;
mod feed;
mod files;
mod past;

use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use anyhow::Context;
use jiff::{SignedDuration, Timestamp};
use ledger::By;
use plant::{Clock, Role};
use simulation::Plant;
use tokio::net::TcpListener;
use tokio::sync::watch;

use crate::config::Config;
use crate::exit::Failure;
use crate::plant_store::PlantStore;
use crate::run;

/// Who may log findings in the demo.
const INSPECTOR: &str = "Inspector";
/// The invented past: two years up to a Monday morning.
const PAST_FROM: &str = "2024-01-08T06:00:00Z";
const PAST_TO: &str = "2026-01-05T06:00:00Z";

/// The invented plant's clock: it starts at the end of the past and runs many times as fast as ours.
struct FastClock {
    from: Timestamp,
    began: Instant,
    speed: f64,
}

impl Clock for FastClock {
    fn now(&self) -> Timestamp {
        let passed = SignedDuration::from_micros((self.began.elapsed().as_secs_f64() * self.speed * 1e6) as i64);
        plant::micros(self.from + passed)
    }
}

/// Runs the demo until it is told to stop; everything it wrote goes with it.
pub async fn demo(listen: SocketAddr, seed: u64, speed: f64) -> Result<(), Failure> {
    let listener = TcpListener::bind(listen).await.with_context(|| format!("cannot serve pages at {listen}"))?;
    let address = listener.local_addr().context("cannot tell where pages are served")?;
    let folder =
        tempfile::Builder::new().prefix("groovecast-demo-").tempdir().context("cannot make a folder for the demo")?;
    let (plant, config, password) = tokio::select! {
        ready = past(folder.path(), address, seed, speed) => ready?,
        () = run::told_to_stop() => return Ok(()),
    };

    let clock: Arc<dyn Clock> = Arc::new(FastClock { from: plant.end(), began: Instant::now(), speed });
    let (stop, stopped) = watch::channel(false);
    let feed = tokio::spawn(feed::publish(plant, config.clone(), clock.clone(), stopped.clone()));
    let (_reads, reloads) = tokio::sync::mpsc::channel(1);
    let service = run::serve(config, listener, clock, stopped, reloads);
    eprintln!(
        "The board is at http://{address}/ now; it fills when the first models are fitted, which takes some minutes more. \
         The plant's clock runs {speed} times as fast as yours. Ctrl-C ends it."
    );
    eprintln!("To log findings, log in as {INSPECTOR} with the password {password}, made up for this run.");
    let mut service = std::pin::pin!(service);
    let ended = tokio::select! {
        ended = &mut service => ended,
        () = run::told_to_stop() => {
            stop.send_replace(true);
            service.await
        }
    };
    stop.send_replace(true);
    feed.await.context("the feed broke")??;
    ended
}

/// The plant, with its past imported below a folder, and its configuration.
async fn past(
    folder: &Path,
    address: SocketAddr,
    seed: u64,
    speed: f64,
) -> Result<(Arc<Plant>, Arc<Config>, String), Failure> {
    let began = Instant::now();
    eprintln!("A plant of 12 units is invented, and two years of its past are stored: that takes a minute or two.");
    let port = broker::start().await?;
    let (from, to) = (instant(PAST_FROM)?, instant(PAST_TO)?);
    let plant = tokio::task::spawn_blocking(move || Plant::new(seed, from, to)).await.context("the plant broke")?;
    let config = files::write(&plant, folder, port, address)?;
    tracing::info!(config = %config.display(), "an invented plant: 12 units, two years of past");
    let mut config = Config::read(&config)?;
    // Lateness and logins are told in the plant's time, which runs faster than the evaluation and people.
    config.late_after = SignedDuration::from_secs_f64(config.late_after.as_secs_f64() * speed.max(1.0));
    config.access.session_lasts =
        SignedDuration::from_secs_f64(config.access.session_lasts.as_secs_f64() * speed.max(1.0));
    let config = Arc::new(config);
    let plant = Arc::new(plant);
    let store = PlantStore::open(config.clone()).await?;
    past::import(&store, plant.clone(), folder).await?;
    let password = password()?;
    let by = By { who: "the demo".to_owned(), at: to };
    store.ledger.add_person(INSPECTOR, Role::Inspector, &password, &by).await?;
    drop(store);
    tracing::info!(seconds = began.elapsed().as_secs(), "the past is in; the first model is fitted now");
    Ok((plant, config, password))
}

/// A password that nobody else knows: 8 bytes of the operating system's randomness.
fn password() -> Result<String, Failure> {
    let mut bytes = [0; 8];
    getrandom::fill(&mut bytes).map_err(|error| anyhow::anyhow!("the system gives no random bytes: {error}"))?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

fn instant(text: &str) -> Result<Timestamp, Failure> {
    text.parse().with_context(|| format!("{text} is no instant")).map_err(Failure::Other)
}
