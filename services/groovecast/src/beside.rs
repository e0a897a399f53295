//! Collectors beside the service: each tells through the record what it has received, and the service's pages show the sum.

use std::sync::Arc;
use std::time::Duration;

use collector::{Arrivals, ArrivalsReport, LinkState};
use jiff::{SignedDuration, Timestamp};
use ledger::CollectorNote;
use plant::Clock;
use publisher::CollectorSeen;
use tokio::sync::watch;

use crate::plant_store::PlantStore;
use crate::run::pause;

/// How often a collector tells, and the service looks.
const EVERY: Duration = Duration::from_secs(5);
/// A collector that has not told for so long is gone, or its clock differs by as much.
const GONE_AFTER: SignedDuration = SignedDuration::from_secs(60);

/// A collector beside us.
#[derive(Debug, Clone)]
pub struct Beside {
    name: String,
    at: Timestamp,
    report: ArrivalsReport,
}

impl Beside {
    /// What it has received since it started. Of one that does not work any more nothing comes.
    pub fn report(&self, now: Timestamp) -> ArrivalsReport {
        let mut report = self.report.clone();
        if !self.seen(now).working {
            report.signals.iter_mut().for_each(|signal| signal.per_min = 0.0);
        }
        report
    }

    /// How it stands.
    pub fn seen(&self, now: Timestamp) -> CollectorSeen {
        let link = &self.report.link;
        let error = match (&link.state, &link.commit_error) {
            (LinkState::Offline { error }, _) => Some(error.clone()),
            (_, Some(failed)) => Some(failed.error.clone()),
            (LinkState::Closed, None) => Some("it was told to stop".to_owned()),
            (LinkState::Online, None) if !link.refused_filters.is_empty() => {
                Some(format!("the broker refuses to send it {}", link.refused_filters.join(", ")))
            }
            _ => None,
        };
        let heard = now.duration_since(self.at).abs() <= GONE_AFTER;
        CollectorSeen { name: self.name.clone(), seen_at: self.at, working: heard && error.is_none(), error }
    }
}

/// Tells again and again what this collector has received, and once more at its end.
///
/// # Errors
/// If the report cannot be written as JSON. A database that refuses is logged.
pub async fn tell(
    store: Arc<PlantStore>,
    name: String,
    arrivals: Arc<Arrivals>,
    clock: Arc<dyn Clock>,
    stopped: watch::Receiver<bool>,
) -> anyhow::Result<()> {
    loop {
        let goes_on = pause(EVERY, &stopped).await;
        let at = clock.now();
        let mut report = arrivals.snapshot(at);
        if !goes_on {
            report.link.state = LinkState::Closed;
        }
        let note = CollectorNote { name: name.clone(), at, body: serde_json::to_string(&report)? };
        if let Err(error) = store.ledger.note_collector(&note).await {
            tracing::warn!(%error, "the pages do not learn what this collector receives");
        }
        if !goes_on {
            return Ok(());
        }
    }
}

/// Looks again and again what the others tell.
///
/// # Errors
/// None: what goes wrong is logged, and the last reports stand.
pub async fn keep_up(store: Arc<PlantStore>, stopped: watch::Receiver<bool>) -> anyhow::Result<()> {
    loop {
        match store.ledger.collectors().await {
            Ok(notes) => store.beside.set(Arc::new(notes.into_iter().filter_map(read).collect())),
            Err(error) => tracing::warn!(%error, "what other collectors receive could not be read"),
        }
        if !pause(EVERY, &stopped).await {
            return Ok(());
        }
    }
}

fn read(note: CollectorNote) -> Option<Beside> {
    match serde_json::from_str(&note.body) {
        Ok(report) => Some(Beside { name: note.name, at: note.at, report }),
        // One of another version: it collects all the same.
        Err(error) => {
            tracing::warn!(name = note.name, %error, "a collector's report does not read back; is it of this version?");
            None
        }
    }
}
