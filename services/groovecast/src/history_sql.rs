//! `import history --sql`: the past from the historian's database, slice by slice of time.
//!
//! The database is spared: each slice is a short transaction that only reads, has a limit on its time, and is followed by a
//! pause as long as the rate asks for. A slice is what a killed import goes on after.

use std::path::Path;
use std::time::{Duration, Instant};

use history::{ImportError, ImportSettings, Intake, Staged, Staging};
use jiff::{SignedDuration, Timestamp};
use ledger::{Historian, HistorianError};
use plant::{Clock, Table};
use tokio::sync::{mpsc, oneshot};

use crate::args::{self, Query};
use crate::exit::Failure;
use crate::history_in::{self, How};
use crate::plant_store::PlantStore;
use crate::progress::Gauge;

/// Slices are not cut shorter than this.
const SHORTEST: SignedDuration = SignedDuration::from_secs(60);
/// Tables of rows on their way from the database to the disk.
const UNDERWAY: usize = 4;

/// What goes from the reader to whoever takes the rows.
enum Message {
    /// Rows of the slice.
    Rows(Table),
    /// The slice is whole, and the next one begins here.
    Whole(Timestamp),
    /// The slice was broken off and is read again.
    Again,
    /// All slices were read.
    End,
}

impl From<Table> for Message {
    fn from(table: Table) -> Self {
        Message::Rows(table)
    }
}

/// Where to go on: the instant, and the number of the next row.
type Begin = (Timestamp, u64);

/// Imports readings that a query gives.
pub async fn import(
    store: &PlantStore,
    file: &Path,
    query: &Query,
    how: &How,
    clock: &dyn Clock,
) -> Result<(), Failure> {
    let place = store.config.historian.clone().ok_or_else(|| {
        Failure::Usage(
            "the config names no database; right would be [historian] with database = \"postgresql://...\"".to_owned(),
        )
    })?;
    let sql = std::fs::read_to_string(file)
        .map_err(|error| Failure::Input(format!("{} cannot be read: {error}", file.display())))?;
    let settings = history_in::settings(store, how, clock.now())?;
    let bound = |text: &Option<String>| {
        let text = text.as_deref().unwrap_or_default();
        args::time(text, &settings.zone).map_err(|error| Failure::Usage(error.to_string()))
    };
    let (from, to) = (bound(&query.from)?, bound(&query.to)?);
    if from >= to {
        return Err(Failure::Usage(format!("{from} is not before {to}; right would be --from the earlier time")));
    }
    let identity = ("sql", place.to_string(), &sql, from, to, settings.identity());
    let staging = history_in::open(store, how, &identity)?;
    let (staged, staging) = match staging.staged() {
        Some(staged) => (staged, staging),
        None => {
            let historian = Historian::open(&place, file.to_owned(), &sql, query.timeout).await.map_err(failed)?;
            stage(historian, Slices { from, to, query, zone: settings.zone.clone() }, file, settings, staging).await?
        }
    };
    history_in::take(store, how, staged, staging).await
}

/// What is read.
struct Slices<'a> {
    from: Timestamp,
    to: Timestamp,
    query: &'a Query,
    zone: jiff::tz::TimeZone,
}

async fn stage(
    mut historian: Historian,
    slices: Slices<'_>,
    file: &Path,
    settings: ImportSettings,
    staging: Staging,
) -> Result<(Staged, Staging), Failure> {
    let (send, messages) = mpsc::channel(UNDERWAY);
    let (begin, begun) = oneshot::channel();
    let (name, from) = (file.to_owned(), slices.from);
    let work = move || (take(&name, &settings, &staging, from, begin, messages), staging);
    let taker = tokio::task::spawn_blocking(work);
    let gauge = Gauge::new();
    let read = match begun.await {
        Ok(begin) => read(&mut historian, &slices, begin, &send, &gauge).await,
        // What went wrong is told by the taker.
        Err(_) => Ok(()),
    };
    gauge.end();
    drop(send);
    let (staged, staging) = taker.await.map_err(anyhow::Error::from)?;
    match (staged, read) {
        (None, Err(error)) => {
            eprintln!("what was read so far is kept: the same command goes on after it");
            Err(failed(error))
        }
        (None, Ok(())) => Err(Failure::Other(anyhow::anyhow!("the rows were not read to their end"))),
        (Some(staged), _) => history_in::staged_or_told(staged, staging),
    }
}

/// Reads slice after slice; one that takes too long is halved and read again.
async fn read(
    historian: &mut Historian,
    slices: &Slices<'_>,
    (mut at, mut line): Begin,
    send: &mpsc::Sender<Message>,
    gauge: &Gauge,
) -> Result<(), HistorianError> {
    let mut length = SignedDuration::try_from(slices.query.slice).unwrap_or(SHORTEST).max(SHORTEST);
    let seconds = |from: Timestamp, to: Timestamp| to.duration_since(from).as_secs().unsigned_abs();
    while at < slices.to {
        let end = at.checked_add(length).unwrap_or(slices.to).min(slices.to);
        let begun = Instant::now();
        let message = match historian.slice((at, end), &slices.zone, line, send).await {
            Ok(count) => {
                line += count;
                at = end;
                gauge.show("reading", seconds(slices.from, at), seconds(slices.from, slices.to), ("days", 86_400.0));
                let least = Duration::from_secs_f64(count as f64 / slices.query.rate as f64);
                tokio::time::sleep(least.saturating_sub(begun.elapsed())).await;
                Message::Whole(at)
            }
            Err(HistorianError::TooLong { .. }) if length > SHORTEST => {
                length = (length / 2).max(SHORTEST);
                tracing::info!("a slice took too long: reading slices of {} min", length.as_mins());
                Message::Again
            }
            Err(error) => return Err(error),
        };
        send.send(message).await.map_err(|_| HistorianError::Unheard)?;
    }
    send.send(Message::End).await.map_err(|_| HistorianError::Unheard)
}

/// Takes rows until all are read; `None` if the reader ended before. Blocking.
fn take(
    name: &Path,
    settings: &ImportSettings,
    staging: &Staging,
    from: Timestamp,
    begin: oneshot::Sender<Begin>,
    mut messages: mpsc::Receiver<Message>,
) -> Option<Result<Staged, ImportError>> {
    let opened = Intake::open(name, &Historian::COLUMNS, settings, staging, from.as_microsecond());
    let mut intake = match opened {
        Ok(intake) => intake,
        Err(error) => return Some(Err(error)),
    };
    let next = Timestamp::from_microsecond(intake.next()).unwrap_or(from);
    // Nobody waits for it where the reader is gone: then there is no message either.
    let _ = begin.send((next, intake.line()));
    while let Some(message) = messages.blocking_recv() {
        let taken = match message {
            Message::Rows(table) => intake.take(&table),
            Message::Whole(next) => intake.close(next.as_microsecond()),
            Message::Again => {
                intake.forget();
                Ok(())
            }
            Message::End => return Some(intake.finish()),
        };
        if let Err(error) = taken {
            return Some(Err(error.into()));
        }
    }
    None
}

fn failed(error: HistorianError) -> Failure {
    match error {
        HistorianError::Query { .. } => Failure::Input(error.to_string()),
        error => Failure::Other(error.into()),
    }
}
