//! Record and readings of one plant, and the work that joins them: closing hours, looking at the fleet, fitting.

use std::fs::{File, TryLockError};
use std::sync::{Arc, Mutex};

use anyhow::Context;
use history::{Baseline, Exposures, HistoryError, Store};
use jiff::{SignedDuration, Timestamp};
use ledger::{DaysRight, Ledger, Place};
use plant::{DayFile, Reading, Record, hour_of, hour_start};
use publisher::{Disk, Telling};

pub use models::read_model;

use crate::beside::Beside;
use crate::config::Config;
use crate::doubts::KnownMeters;
use crate::fleet::Fleet;
use crate::known::Shares;
use crate::latest::Latest;
use crate::model::RecordSeen;

mod models;

/// Readings that wait in the journal for their hour to close at most, so that whoever looks at it needs some 100 MB and no
/// more: half an hour of 60 units with 8 signals a second (house choice).
const MOST_WAITING: u64 = 1_000_000;
/// So often files may be replaced while they are read.
const TRIES: u32 = 6;

/// A right that one process on this machine holds; it ends with the value, or with the process.
pub struct Lock(#[expect(dead_code, reason = "the lock is held as long as its file is open")] File);

/// The right to change day files; it ends with the value, or with the process.
pub struct DaysLock {
    /// The database's part of it, with which the manifest is written.
    pub right: DaysRight,
    _file: Option<Lock>,
}

/// Record and readings of one plant.
pub struct PlantStore {
    /// The configuration.
    pub config: Arc<Config>,
    /// The record.
    pub ledger: Ledger,
    /// The day files.
    pub store: Store,
    /// The record that the last automatic fit has seen, whatever came of it, and in which hour: it is tried once an hour.
    tried: Mutex<Option<(RecordSeen, i64)>>,
    /// What the hour meters showed at instants of the past.
    pub meters: Mutex<KnownMeters>,
    /// For how much of the last day and week each signal was known; empty before the first look.
    pub known: Latest<Arc<Shares>>,
    /// What the collectors beside us say.
    pub beside: Latest<Arc<Vec<Beside>>>,
    /// How full the disk is; `None` before the first look.
    pub disk: Latest<Option<Disk>>,
    /// How others are told of advice; empty before the first look.
    pub told: Latest<Vec<Telling>>,
}

impl PlantStore {
    /// Opens the data folder, and makes it if it is not there.
    ///
    /// # Errors
    /// If the folder or the database in it cannot be used.
    pub async fn open(config: Arc<Config>) -> anyhow::Result<PlantStore> {
        let data = &config.data;
        std::fs::create_dir_all(data).with_context(|| format!("cannot make the data folder {}", data.display()))?;
        let ledger = Ledger::open(&config.database).await?;
        Ok(Self::of(ledger, config))
    }

    /// Beside whoever works with the data folder, on a ledger that was opened before, perhaps to read only.
    pub fn on(ledger: Ledger, config: Arc<Config>) -> PlantStore {
        Self::of(ledger, config)
    }

    fn of(ledger: Ledger, config: Arc<Config>) -> PlantStore {
        PlantStore {
            store: Store::new(&config.data),
            config,
            ledger,
            tried: Mutex::default(),
            meters: Mutex::default(),
            known: Latest::default(),
            beside: Latest::default(),
            disk: Latest::default(),
            told: Latest::default(),
        }
    }

    /// The same record and readings under another configuration, in the same data folder. What was worked out by the old one
    /// is not carried over.
    pub fn under(&self, config: Arc<Config>) -> PlantStore {
        Self::of(self.ledger.clone(), config)
    }

    /// The right to change day files: one process at a time has it, and it is taken back from one that dies: by the system on
    /// SQLite, by the server on PostgreSQL, where the processes may run on several machines. `None` while another process has it.
    ///
    /// # Errors
    /// If the lock file cannot be used, or the database refuses.
    pub async fn try_lock_days(&self) -> anyhow::Result<Option<DaysLock>> {
        let file = match self.config.database {
            Place::Sqlite(_) => match self.try_lock("day-files.lock")? {
                Some(lock) => Some(lock),
                None => return Ok(None),
            },
            Place::Postgres(_) => None,
        };
        Ok(self.ledger.days_right().await?.map(|right| DaysLock { right, _file: file }))
    }

    /// The right to serve this data folder: one service at a time.
    ///
    /// # Errors
    /// If another service has it, or the lock file cannot be used.
    pub fn lock_service(&self) -> anyhow::Result<Lock> {
        let data = self.config.data.display();
        self.try_lock("service.lock")?.with_context(|| format!("another service runs on the data folder {data}"))
    }

    fn try_lock(&self, name: &str) -> anyhow::Result<Option<Lock>> {
        let path = self.config.data.join(name);
        let file = File::create(&path).with_context(|| format!("cannot use {}", path.display()))?;
        match file.try_lock() {
            Ok(()) => Ok(Some(Lock(file))),
            Err(TryLockError::WouldBlock) => Ok(None),
            Err(TryLockError::Error(error)) => Err(error).with_context(|| format!("cannot lock {}", path.display())),
        }
    }

    /// Moves closed hours, and late readings, from the journal into day files; and others too, the oldest first, while very
    /// many lie there. So many at a time: whether there are more to move is returned.
    ///
    /// # Errors
    /// If disk or database refuse; then the readings stay in the journal.
    pub async fn close_hours(&self, now: Timestamp) -> anyhow::Result<bool> {
        self.move_but(MOST_WAITING, now).await
    }

    async fn move_but(&self, most_waiting: u64, now: Timestamp) -> anyhow::Result<bool> {
        let until = hour_start(hour_of(now - self.config.close_after));
        let (closed, total) = self.ledger.journal_counts(until).await?;
        if closed == 0 && total <= most_waiting {
            return Ok(false);
        }
        // While an import works, hours stay in the journal; they are looked at again in a moment.
        let Some(mut lock) = self.try_lock_days().await? else { return Ok(false) };
        let crowded = self.ledger.journal_instant(most_waiting).await?;
        let before = crowded.map_or(until, |at| at + SignedDuration::from_micros(1));
        self.move_readings(before, until.min(before), &mut lock).await?;
        Ok(crowded.is_some())
    }

    /// Moves the readings before an instant. All hours up to `closed` are closed then.
    async fn move_readings(&self, before: Timestamp, closed: Timestamp, lock: &mut DaysLock) -> anyhow::Result<()> {
        let generation = self.ledger.next_generation().await?;
        let days = self.ledger.claim(before, generation).await?;
        let mut files = Vec::new();
        let current = self.ledger.day_files().await?;
        for day in &days {
            let readings = self.ledger.claimed(generation, *day).await?;
            let old = current.iter().find(|file| file.day == *day).cloned();
            let (store, day) = (self.store.clone(), *day);
            files.push(blocking(move || store.merge(day, old.as_ref(), generation, readings)).await?);
        }
        self.ledger.commit_days(&mut lock.right, &files, Some(closed)).await?;
        self.ledger.drop_claimed(generation, &days).await?;
        let rows: u64 = files.iter().map(|file| file.rows).sum();
        tracing::info!(days = files.len(), rows, before = %before, "readings are in their day files");
        self.remove_unlisted(generation).await
    }

    /// Removes day files up to a generation of ours that no manifest row names any more.
    ///
    /// # Errors
    /// If disk or database refuse.
    pub async fn remove_unlisted(&self, generation: i64) -> anyhow::Result<()> {
        let listed: Vec<DayFile> = self.ledger.day_files().await?;
        let store = self.store.clone();
        blocking(move || store.remove_unlisted(&listed, generation)).await?;
        Ok(())
    }

    /// Everything written down about the fleet.
    ///
    /// # Errors
    /// If the database refuses.
    pub async fn record(&self) -> anyhow::Result<Record> {
        let record = self.ledger.record(&self.config.zones).await?;
        Ok(Record { effects: self.config.effects, ..record })
    }

    /// The fleet as known now, with the exposures of a baseline.
    ///
    /// # Errors
    /// If disk or database refuse.
    pub async fn fleet(&self, until: Timestamp, baseline: Option<i64>) -> anyhow::Result<Fleet> {
        let baseline = match baseline {
            Some(version) => self.baseline(version).await?,
            None => None,
        };
        let record = self.record().await?;
        self.fleet_of(record, until, baseline).await
    }

    async fn fleet_of(&self, record: Record, until: Timestamp, baseline: Option<Baseline>) -> anyhow::Result<Fleet> {
        let exposures = Arc::new(Exposures::new(self.config.exposure.clone(), baseline.as_ref(), &record.campaigns)?);
        let read = |store: Store, files: Vec<DayFile>, tail: Vec<Reading>| {
            let exposures = exposures.clone();
            move || exposures.fleet_hours(&store, &files, &tail, until)
        };
        let hours = self.with_readings(read).await?;
        let first_reading =
            hours.iter().filter_map(|(unit, hours)| Some((unit.clone(), hours.first_reading_at()?))).collect();
        let last_reading =
            hours.iter().filter_map(|(unit, hours)| Some((unit.clone(), hours.last_reading_at()?))).collect();
        let hours = hours.into_iter().map(|(unit, hours)| (unit, hours.into_hours())).collect();
        let (hours, first_reading, last_reading) = (Arc::new(hours), Arc::new(first_reading), Arc::new(last_reading));
        Ok(Fleet { record, hours, first_reading, last_reading, until, hours_until: until })
    }

    /// Reads day files and journal. Once more where another process has put a newer file in place of one since it was listed.
    async fn with_readings<T, R>(&self, read: impl Fn(Store, Vec<DayFile>, Vec<Reading>) -> R) -> anyhow::Result<T>
    where
        T: Send + 'static,
        R: FnOnce() -> Result<T, HistoryError> + Send + 'static,
    {
        for _ in 0..TRIES {
            // The journal first: what is moved in between is then seen twice, which is the same as once.
            let tail = self.ledger.journal_from(Timestamp::MIN).await?;
            let files = self.ledger.day_files().await?;
            match tokio::task::spawn_blocking(read(self.store.clone(), files, tail)).await.context("a worker broke")? {
                Err(error) if error.is_gone() => {}
                read => return Ok(read?),
            }
        }
        anyhow::bail!("day files were replaced {TRIES} times while they were read; right would be to try again")
    }
}

/// Runs blocking work off the runtime's workers.
pub async fn blocking<T: Send + 'static, E: Into<anyhow::Error> + Send + 'static>(
    work: impl FnOnce() -> Result<T, E> + Send + 'static,
) -> anyhow::Result<T> {
    tokio::task::spawn_blocking(work).await.context("a worker broke")?.map_err(Into::into)
}

#[cfg(test)]
mod tests {
    use plant::{Quality, Signal, TimeSource, UnitId, Value};

    use super::*;

    const PLANT: &str = "[site]\nname = \"Mill\"\ntime_zone = \"UTC\"\ndata = \"data\"\nlongest_interval_days = 180\n\
                         [broker]\nhost = \"127.0.0.1\"\nclient_id = \"mill\"\n[units.K1]\nsignals = [\"torque\"]\n";

    /// One reading a second: 90 of the hour that has passed, then 60 of the present one.
    fn reading(second: i64) -> Reading {
        Reading {
            unit: UnitId::new("K1").unwrap(),
            signal: Signal::Torque,
            at: Timestamp::from_second(7_110 + second).unwrap(),
            value: Value::Number(second as f64),
            quality: Quality::Good,
            time_source: TimeSource::Own,
        }
    }

    async fn waiting(store: &PlantStore) -> (u64, u64) {
        let files = store.ledger.day_files().await.unwrap();
        let (_, waiting) = store.ledger.journal_counts(Timestamp::MIN).await.unwrap();
        (files.iter().map(|file| file.rows).sum(), waiting)
    }

    #[tokio::test]
    async fn a_crowded_journal_is_moved_before_its_hours_close() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("plant.toml");
        std::fs::write(&file, PLANT).unwrap();
        let store = PlantStore::open(Arc::new(Config::read(&file).unwrap())).await.unwrap();
        let readings: Vec<Reading> = (0..150).map(reading).collect();
        store.ledger.append(&readings).await.unwrap();
        let now = Timestamp::from_second(7_260).unwrap();
        let hours = |fleet: Fleet| format!("{:?}", fleet.hours);
        let before = hours(store.fleet(now, None).await.unwrap());
        assert!(!store.move_but(150, now).await.unwrap());
        assert_eq!(waiting(&store).await, (0, 150), "no hour is over, and the journal is not crowded");
        // 41 at a time, as long as there are more than 40.
        for (moved, left, more) in [(41, 109, true), (82, 68, true), (123, 27, true), (123, 27, false)] {
            assert_eq!(store.move_but(40, now).await.unwrap(), more);
            assert_eq!(waiting(&store).await, (moved, left));
        }
        assert_eq!(store.ledger.closed_until().await.unwrap(), Some(Timestamp::from_second(3_600).unwrap()));
        assert_eq!(hours(store.fleet(now, None).await.unwrap()), before);
        store.ledger.append(&readings).await.unwrap();
        let later = now + SignedDuration::from_hours(2);
        while store.move_but(40, later).await.unwrap() {}
        assert_eq!(waiting(&store).await, (150, 0), "what came again is there once");
    }
}
