//! Record and readings of one plant, and the work that joins them: closing hours, looking at the fleet, fitting.

use std::collections::BTreeSet;
use std::fs::{File, TryLockError};
use std::sync::{Arc, Mutex};

use anyhow::Context;
use history::{Baseline, Excluded, Exposures, HistoryError, Store};
use jiff::Timestamp;
use ledger::{By, DaysRight, Ledger, ModelRecord, Place, Status};
use plant::{DayFile, Reading, Record, TubeId, hour_of, hour_start};
use publisher::{Disk, ModelEntry, Telling};

use crate::beside::Beside;
use crate::config::Config;
use crate::doubts::KnownMeters;
use crate::fleet::Fleet;
use crate::grounds::{as_seen, digest};
use crate::intervals;
use crate::known::Shares;
use crate::model::{self, Model, RecordSeen};
use crate::reproduce::{SeenFleet, said_at};
use crate::snapshot;

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
    known: Mutex<Arc<Shares>>,
    /// The collectors beside us.
    beside: Mutex<Arc<Vec<Beside>>>,
    /// How full the disk is; `None` before the first look.
    disk: Mutex<Option<Disk>>,
    /// How others are told of advice; empty before the first look.
    told: Mutex<Vec<Telling>>,
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
            known: Mutex::default(),
            beside: Mutex::default(),
            disk: Mutex::default(),
            told: Mutex::default(),
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

    /// Moves closed hours, and late readings, from the journal into day files.
    ///
    /// # Errors
    /// If disk or database refuse; then the readings stay in the journal.
    pub async fn close_hours(&self, now: Timestamp) -> anyhow::Result<()> {
        let until = hour_start(hour_of(now - self.config.close_after));
        let (closed, _) = self.ledger.journal_counts(until).await?;
        if closed == 0 {
            return Ok(());
        }
        // While an import works, hours stay in the journal; they are looked at again in a moment.
        let Some(mut lock) = self.try_lock_days().await? else { return Ok(()) };
        self.move_hours(until, &mut lock).await
    }

    async fn move_hours(&self, until: Timestamp, lock: &mut DaysLock) -> anyhow::Result<()> {
        let generation = self.ledger.next_generation().await?;
        let days = self.ledger.claim(until, generation).await?;
        let mut files = Vec::new();
        let current = self.ledger.day_files().await?;
        for day in &days {
            let readings = self.ledger.claimed(generation, *day).await?;
            let old = current.iter().find(|file| file.day == *day).cloned();
            let (store, day) = (self.store.clone(), *day);
            files.push(blocking(move || store.merge(day, old.as_ref(), generation, readings)).await?);
        }
        self.ledger.commit_days(&mut lock.right, &files, Some(until)).await?;
        self.ledger.drop_claimed(generation, &days).await?;
        let rows: u64 = files.iter().map(|file| file.rows).sum();
        tracing::info!(days = files.len(), rows, until = %until, "hours are closed");
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

    /// Keeps for how much of the last day and week each signal was known.
    pub fn set_known(&self, shares: Shares) {
        if let Ok(mut known) = self.known.lock() {
            *known = Arc::new(shares);
        }
    }

    /// For how much of the last day and week each signal was known.
    pub fn known(&self) -> Arc<Shares> {
        self.known.lock().map(|known| known.clone()).unwrap_or_default()
    }

    /// Keeps what the collectors beside us say.
    pub fn set_beside(&self, beside: Vec<Beside>) {
        if let Ok(mut kept) = self.beside.lock() {
            *kept = Arc::new(beside);
        }
    }

    /// What the collectors beside us say.
    pub fn beside(&self) -> Arc<Vec<Beside>> {
        self.beside.lock().map(|beside| beside.clone()).unwrap_or_default()
    }

    /// Keeps how full the disk is.
    pub fn set_disk(&self, disk: Disk) {
        if let Ok(mut kept) = self.disk.lock() {
            *kept = Some(disk);
        }
    }

    /// How full the disk is.
    pub fn disk(&self) -> Option<Disk> {
        self.disk.lock().map_or(None, |disk| disk.clone())
    }

    /// Keeps how others are told of advice.
    pub fn set_told(&self, told: Vec<Telling>) {
        if let Ok(mut kept) = self.told.lock() {
            *kept = told;
        }
    }

    /// How others are told of advice.
    pub fn told(&self) -> Vec<Telling> {
        self.told.lock().map(|told| told.clone()).unwrap_or_default()
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

    async fn baseline(&self, version: i64) -> anyhow::Result<Option<Baseline>> {
        let stored = self.ledger.baseline(Some(version)).await?;
        stored.map(|(_, body)| serde_json::from_str(&body).context("a stored baseline does not read back")).transpose()
    }

    /// The newest baseline's version, fitted now if there is none yet and the readings allow it.
    ///
    /// # Errors
    /// If disk or database refuse.
    pub async fn newest_baseline(&self, now: Timestamp) -> anyhow::Result<Option<i64>> {
        match self.ledger.baseline(None).await? {
            Some((version, _)) => Ok(Some(version)),
            None => self.new_baseline(now).await,
        }
    }

    async fn new_baseline(&self, now: Timestamp) -> anyhow::Result<Option<i64>> {
        let record = self.record().await?;
        let Some(baseline) = self.fit_baseline(&record, now).await? else { return Ok(None) };
        let body = serde_json::to_string(&baseline)?;
        Ok(Some(self.ledger.add_baseline(&body, &service(now)).await?))
    }

    /// What torque the units usually take, from what was known at an instant; none if the readings are too few.
    async fn fit_baseline(&self, record: &Record, until: Timestamp) -> anyhow::Result<Option<Baseline>> {
        let exposures = Arc::new(Exposures::new(self.config.exposure.clone(), None, &record.campaigns)?);
        let known_catches = Arc::new(known_catches(record, self.config.model.limit, until));
        let read = |store: Store, files: Vec<DayFile>, tail: Vec<Reading>| {
            let (exposures, known_catches) = (exposures.clone(), known_catches.clone());
            move || exposures.fit_baseline(&store, &files, &tail, until, &known_catches)
        };
        self.with_readings(read).await
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

    /// Fits baseline and model on everything that is known now, and keeps the baseline.
    ///
    /// # Errors
    /// If disk or database refuse, or the data cannot carry what the config asks for.
    pub async fn fit(&self, now: Timestamp) -> anyhow::Result<(Fleet, Model)> {
        let baseline_version = self.new_baseline(now).await?;
        let fleet = self.fleet(now, baseline_version).await?;
        let data_from = self.ledger.day_files().await?.first().map(|file| file.first_at);
        let record_seen = RecordSeen { revision: fleet.record.revision, data_from };
        let (fleet, mut model) = self.fit_model(fleet).await?;
        model.record_seen = record_seen;
        model.baseline_version = baseline_version;
        Ok((fleet, model))
    }

    /// Keeps a model as proposed, and gives it its number and name.
    ///
    /// # Errors
    /// If the database refuses.
    pub async fn propose(&self, model: &mut Model, now: Timestamp) -> anyhow::Result<i64> {
        let version = self.ledger.add_model(&serde_json::to_string(model)?, &service(now)).await?;
        model.name = name(version);
        Ok(version)
    }

    async fn fit_model(&self, fleet: Fleet) -> anyhow::Result<(Fleet, Model)> {
        let config = self.config.clone();
        blocking(move || {
            let rows = intervals::rows(&fleet, config.model.limit, config.model.rows);
            let model = model::fit(&fleet, &rows.iter().collect::<Vec<_>>(), &config.model)?;
            Ok::<_, wear::WearError>((fleet, model))
        })
        .await
    }

    /// Fits and approves a model where the config says so and the record has grown.
    ///
    /// # Errors
    /// If disk or database refuse. A record that cannot carry a model is only told.
    pub async fn fit_if_automatic(&self, now: Timestamp) -> anyhow::Result<()> {
        if !self.config.model.approve_automatically {
            return Ok(());
        }
        let data_from = self.ledger.day_files().await?.first().map(|file| file.first_at);
        let seen = RecordSeen { revision: self.ledger.revision().await?, data_from };
        let this = Some((seen, hour_of(now)));
        if self.tried.lock().is_ok_and(|tried| *tried == this) {
            return Ok(());
        }
        // The newest of all, approved or not: one that was fitted on this and retired is not fitted again.
        let known = match self.ledger.models().await?.first() {
            Some(newest) => read_model(newest)?.record_seen == seen,
            None => false,
        };
        if !known && !self.record().await?.findings.is_empty() {
            match self.fit(now).await {
                Ok((_, mut model)) => {
                    let version = self.propose(&mut model, now).await?;
                    self.approve_by_config(version, now).await?;
                    tracing::info!(version, "{}", model.reason());
                }
                Err(error) => tracing::warn!(error = format!("{error:#}"), "no model could be fitted"),
            }
        }
        if let Ok(mut tried) = self.tried.lock() {
            *tried = this;
        }
        Ok(())
    }

    /// Approves a model because the config says so.
    ///
    /// # Errors
    /// If the database refuses.
    pub async fn approve_by_config(&self, version: i64, now: Timestamp) -> anyhow::Result<()> {
        let by = By { who: "the config".to_owned(), at: now };
        Ok(self.ledger.approve(version, "approve = \"automatic\"", &by).await?)
    }

    /// The model that scores are published from: the approved one, or the stated prior.
    ///
    /// # Errors
    /// If the database refuses or the model does not read back.
    pub async fn published_model(&self) -> anyhow::Result<Model> {
        let Some(record) = self.ledger.approved_model().await? else {
            return Ok(Model::prior(&self.config.model, Vec::new()));
        };
        read_model(&record)
    }

    /// The model behind a score, by its name there, and the digest of its text.
    ///
    /// # Errors
    /// If the database refuses, or no model of this name is kept.
    pub async fn model_named(&self, named: &str) -> anyhow::Result<(Model, String)> {
        let prior = Model::prior(&self.config.model, Vec::new());
        if named == prior.name {
            return Ok((prior, digest(&[])));
        }
        let records = self.ledger.models().await?;
        let record = records.iter().find(|record| name(record.version) == named);
        let record = record.with_context(|| format!("no model is kept under the name {named:?}"))?;
        Ok((read_model(record)?, digest(record.body.as_bytes())))
    }

    /// The newest proposed model, if it is newer than the approved one.
    ///
    /// # Errors
    /// If the database refuses or the model does not read back.
    pub async fn proposed_model(&self) -> anyhow::Result<Option<(i64, Model)>> {
        let records = self.ledger.models().await?;
        let newest = records.iter().take_while(|record| record.status != Status::Approved);
        let proposed = newest.into_iter().find(|record| record.status == Status::Proposed);
        proposed.map(|record| Ok((record.version, read_model(record)?))).transpose()
    }

    /// A fleet as it is with the exposures of another baseline.
    ///
    /// # Errors
    /// If disk or database refuse.
    pub async fn with_exposures_of(&self, fleet: &Fleet, baseline: Option<i64>) -> anyhow::Result<Fleet> {
        let torque = match baseline {
            Some(version) => self.baseline(version).await?,
            None => None,
        };
        self.fleet_of(fleet.record.clone(), fleet.until, torque).await
    }

    /// The fleet as the scores of an instant saw it: what the record said then, and the hours that were kept with them.
    ///
    /// # Errors
    /// If disk or database refuse.
    pub async fn as_scores_saw_it(&self, at: Timestamp, baseline: Option<i64>) -> anyhow::Result<SeenFleet> {
        let known = self.record().await?.known_at(at);
        let stored = self.ledger.findings(None).await?;
        let mut findings = Vec::new();
        for finding in stored.iter().filter_map(|stored| said_at(stored, at)) {
            // The order of the ledger's own record.
            findings.push((finding.at, serde_json::to_string(finding)?, finding.clone()));
        }
        findings.sort_by(|(at, text, _), (other, other_text, _)| (at, text).cmp(&(other, other_text)));
        let findings = findings.into_iter().map(|(_, _, finding)| finding).collect();
        let torque = match baseline {
            Some(version) => self.baseline(version).await?,
            None => None,
        };
        let mut fleet = self.fleet_of(Record { findings, ..known }, at, torque).await?;
        let seen = self.ledger.days_seen(at, baseline, true).await?;
        let mut hours = (*fleet.hours).clone();
        let lost = if seen.is_empty() { Vec::new() } else { as_seen(&mut hours, &seen) };
        fleet.hours = Arc::new(hours);
        Ok(SeenFleet { fleet, lost })
    }

    /// Every stored model, as it is published.
    ///
    /// # Errors
    /// If the database refuses or a model does not read back.
    pub async fn model_entries(&self) -> anyhow::Result<Vec<ModelEntry>> {
        let records = self.ledger.models().await?;
        records.iter().map(|record| Ok(snapshot::model_entry(record, &read_model(record)?))).collect()
    }

    /// Fleet and model from what was known at an instant alone: record, readings, baseline and fit.
    ///
    /// # Errors
    /// If disk or database refuse, or the data cannot carry what the config asks for.
    pub async fn as_known_at(&self, at: Timestamp) -> anyhow::Result<(Fleet, Model)> {
        let record = self.record().await?.known_at(at);
        let baseline = self.fit_baseline(&record, at).await?;
        let fleet = self.fleet_of(record, at, baseline).await?;
        let (fleet, mut model) = self.fit_model(fleet).await?;
        model.name = format!("as known at {at}");
        Ok((fleet, model))
    }

    /// A model from what was known at `begins` alone, and the fleet up to `until` as that model sees it.
    ///
    /// # Errors
    /// If disk or database refuse, or the data cannot carry what the config asks for.
    pub async fn before_and_up_to(&self, begins: Timestamp, until: Timestamp) -> anyhow::Result<(Fleet, Model)> {
        let fleet = self.with_torque_known_at(begins, until).await?;
        let (_, mut model) = self.fit_model(fleet.as_of(begins, fleet.record.known_at(begins))).await?;
        model.name = format!("as known at {begins}");
        Ok((fleet, model))
    }

    /// The fleet up to `until`, its exposures by what was known at `begins` of the torque that units usually take.
    ///
    /// # Errors
    /// If disk or database refuse.
    pub async fn with_torque_known_at(&self, begins: Timestamp, until: Timestamp) -> anyhow::Result<Fleet> {
        let all = self.record().await?;
        let baseline = self.fit_baseline(&all.known_at(begins), begins).await?;
        self.fleet_of(all, until, baseline).await
    }
}

/// A stored model, under its name.
///
/// # Errors
/// If it does not read back.
pub fn read_model(record: &ModelRecord) -> anyhow::Result<Model> {
    let version = record.version;
    let mut model: Model =
        serde_json::from_str(&record.body).with_context(|| format!("model {version} does not read back"))?;
    model.name = name(version);
    Ok(model)
}

fn name(version: i64) -> String {
    format!("model {version}")
}

/// Per unit the periods in which a tube sat there with a catch that was already known, up to `until`.
fn known_catches(record: &Record, limit: plant::Grade, until: Timestamp) -> Excluded {
    let mut periods = Excluded::new();
    let tubes: BTreeSet<&TubeId> = record.fittings.iter().map(|fitting| &fitting.tube).collect();
    for tube in tubes {
        let looks = record.looks(tube);
        for life in record.lives(tube) {
            let caught =
                looks.iter().find(|look| life.holds(look.at) && look.grade.is_some_and(|grade| grade >= limit));
            let Some(caught) = caught else { continue };
            for fitting in record.fittings_of(tube) {
                let from = caught.at.max(fitting.from);
                let to = fitting.to.unwrap_or(until).min(life.to.unwrap_or(until)).min(until);
                if from < to {
                    periods.entry(fitting.unit.clone()).or_default().push((from, to));
                }
            }
        }
    }
    periods
}

/// The service itself, as who writes.
fn service(at: Timestamp) -> By {
    By { who: "groovecast".to_owned(), at }
}

/// Runs blocking work off the runtime's workers.
pub async fn blocking<T: Send + 'static, E: Into<anyhow::Error> + Send + 'static>(
    work: impl FnOnce() -> Result<T, E> + Send + 'static,
) -> anyhow::Result<T> {
    tokio::task::spawn_blocking(work).await.context("a worker broke")?.map_err(Into::into)
}
