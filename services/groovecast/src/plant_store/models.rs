//! Models and what they are fitted on: torque baselines, fits, what was known at an instant.

use std::collections::BTreeSet;
use std::sync::Arc;

use anyhow::Context;
use history::{Baseline, Excluded, Exposures, Store};
use jiff::Timestamp;
use ledger::{By, ModelRecord, Status};
use plant::{DayFile, Reading, Record, TubeId, hour_of};
use publisher::ModelEntry;

use super::{PlantStore, blocking};
use crate::fleet::Fleet;
use crate::grounds::{as_seen, digest};
use crate::intervals;
use crate::model::{self, Model, RecordSeen};
use crate::reproduce::{SeenFleet, said_at};
use crate::snapshot;

impl PlantStore {
    pub(super) async fn baseline(&self, version: i64) -> anyhow::Result<Option<Baseline>> {
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
