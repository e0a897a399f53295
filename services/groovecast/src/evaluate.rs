//! The evaluation: again and again, from what is known now to what is published.

use std::sync::Arc;
use std::time::Duration;

use anyhow::Context;
use collector::{Arrivals, Outgoing, Pulse};
use ledger::{By, Evaluation, KeptScore};
use plant::{Clock, Score, hour_of};
use publisher::{ConfigState, Interval, Site, Snapshot, TrackRecord, Trial};
use tokio::sync::{Notify, mpsc, watch};

use crate::by_station::Filters;
use crate::config::Config;
use crate::fleet::Fleet;
use crate::grounds::{Grounds, LastSeen};
use crate::plant_store::PlantStore;
use crate::run::pause;
use crate::scoring::Scorer;
use crate::wear_map::WearOfYear;
use crate::{advising, doubts, notifying, snapshot, track, wear_map};

/// The name under which advice is raised and cleared.
const ADVISER: &str = "the service";
/// How often pages learn what has arrived.
const REFRESH: Duration = Duration::from_secs(2);

/// Everything that an evaluation needs, and where its results go.
pub struct Evaluator {
    /// The configuration.
    pub config: Arc<Config>,
    /// The plant as pages speak of it.
    pub site: Arc<Site>,
    /// Record, readings and models.
    pub store: Arc<PlantStore>,
    /// What arrives.
    pub arrivals: Arc<Arrivals>,
    /// Where pages look.
    pub snapshots: watch::Sender<Arc<Snapshot>>,
    /// What became of the configuration.
    pub state: watch::Receiver<ConfigState>,
    /// Where messages go.
    pub outbox: mpsc::Sender<Outgoing>,
    /// The time.
    pub clock: Arc<dyn Clock>,
    /// Told when somebody has written to the record: then the next evaluation does not wait for its turn.
    pub written: Arc<Notify>,
    /// Its sign of life: it beats while it waits for its turn, and not while it evaluates.
    pub pulse: Pulse,
}

impl Evaluator {
    /// Evaluates until the service is told to stop. A failed evaluation is logged, and the scores grow late, which
    /// pages and health say.
    pub async fn run(self, stopped: watch::Receiver<bool>) -> anyhow::Result<()> {
        let every = Duration::try_from(self.config.evaluate_every).context("evaluate_every is positive")?;
        // Under another configuration pages show the old scores until there are new ones.
        let mut evaluated = Snapshot::clone(&self.snapshots.borrow());
        let mut past = Past::default();
        loop {
            let began = std::time::Instant::now();
            let evaluation = {
                let mut evaluation = std::pin::pin!(self.evaluate(&mut past));
                loop {
                    tokio::select! {
                        done = &mut evaluation => break done,
                        going_on = pause(REFRESH, &stopped) => {
                            if !going_on {
                                return Ok(());
                            }
                            self.refresh(&evaluated);
                        }
                    }
                }
            };
            match evaluation {
                Ok((snapshot, kept)) => {
                    self.publish(&snapshot);
                    if let Some(kept) = kept {
                        self.keep(kept, &mut past).await;
                    }
                    evaluated = snapshot;
                }
                Err(error) => tracing::error!(error = format!("{error:#}"), "the scores could not be evaluated"),
            }
            loop {
                self.pulse.beat();
                self.refresh(&evaluated);
                let rest = every.saturating_sub(began.elapsed());
                let written = tokio::select! {
                    going_on = pause(rest.min(REFRESH), &stopped) => {
                        if !going_on {
                            return Ok(());
                        }
                        false
                    }
                    () = self.written.notified() => true,
                };
                if written || rest <= REFRESH {
                    break;
                }
            }
        }
    }

    /// Tells pages what has arrived since the last evaluation.
    fn refresh(&self, evaluated: &Snapshot) {
        let now = self.clock.now();
        let (mut report, beside) = (self.arrivals.snapshot(now), self.store.beside.get());
        beside.iter().for_each(|collector| report.add(collector.report(now)));
        let newest = Snapshot {
            collectors: beside.iter().map(|collector| collector.seen(now)).collect(),
            disk: self.store.disk.get(),
            told: self.store.told.get(),
            config: self.state.borrow().clone(),
            ..snapshot::with_arrivals(evaluated, report, self.store.known.get(), &self.config, now)
        };
        self.snapshots.send_replace(Arc::new(newest));
    }

    async fn evaluate(&self, past: &mut Past) -> anyhow::Result<(Snapshot, Option<Evaluation>)> {
        let now = self.clock.now();
        self.store.fit_if_automatic(now).await?;
        let model = self.store.published_model().await?;
        let fleet = Arc::new(self.store.fleet(now, model.baseline_version).await?);
        let models = self.store.model_entries().await?;
        let baseline = model.baseline_version;
        let (scorer, shown, meters) = (self.config.clone(), fleet.clone(), self.store.known_meters());
        let (open, site) = (self.store.ledger.open_advice().await?, self.site.clone());
        let name = model.name.clone();
        let filters = match past.filters.take().filter(|filters| filters.model() == name) {
            Some(filters) => filters,
            None => Arc::new(Filters::of_model(&name)),
        };
        past.filters = Some(filters.clone());
        let mapped = (name.clone(), hour_of(now).div_euclid(24));
        let known = past.wear.take().filter(|(known, _)| *known == mapped).map(|(_, wear)| wear);
        let work = move || {
            let scores =
                Scorer::new(&shown, &model, &scorer, &scorer.model.horizons_h).keeping(&filters).scores(&shown);
            let doubts = doubts::of_fleet(&shown, &meters, &scorer);
            let wear = known.unwrap_or_else(|| {
                let cells = scorer.exposure.bands.cells();
                let wear = wear_map::last_year(&shown, &model, cells, scorer.model.recent_h);
                wear.inspect_err(|error| tracing::warn!(%error, "no map of wear")).unwrap_or_default()
            });
            let snapshot = snapshot::evaluated(&shown, scores, models, doubts, &scorer.time_zone);
            let over = |score: &Score| Interval::of(score, &snapshot, &site).is_due();
            let changed = advising::step(&open, &snapshot.scores, over, &scorer.advice, now);
            let tell = notifying::notices(&changed, &scorer.notify, &snapshot, &site, now);
            let snapshot = Snapshot { wear_map: wear.map.clone(), product_paces: wear.paces.clone(), ..snapshot };
            (snapshot, changed, tell, wear)
        };
        let (mut snapshot, changed, tell, wear) = tokio::task::spawn_blocking(work).await.context("scoring broke")?;
        let by = By { who: ADVISER.to_owned(), at: now };
        self.store.ledger.keep_advice(&changed, &tell, &by).await?;
        snapshot.advice = self.store.ledger.open_advice().await?;
        snapshot.advice.retain(|advice| advice.raised_at.is_some());
        past.wear = Some((mapped, wear));
        let due = past.is_due(&snapshot.scores);
        // Readings that come late move the run hours at which a look marks a chance.
        let looked = (fleet.record.revision, name.clone(), hour_of(now));
        if past.track.as_ref().is_none_or(|(known, _)| *known != looked) {
            past.track = Some((looked, Arc::new(track::record(&self.store, &fleet, &name).await?)));
        }
        snapshot.track = past.track.as_ref().map(|(_, track)| track.clone()).unwrap_or_default();
        self.rehearse(&fleet, due, past).await?;
        snapshot.trial = past.trial.clone();
        if !due {
            return Ok((snapshot, None));
        }
        let seen = match past.seen.take().filter(|seen| seen.baseline == baseline) {
            Some(seen) => seen,
            None => LastSeen::new(baseline, self.store.ledger.days_seen(now, baseline, false).await?),
        };
        let (_, model) = self.store.model_named(&name).await?;
        let (config, scores) = (self.config.clone(), snapshot.scores.clone());
        let work = move || {
            let stands_on = |score: &Score| Grounds::of(&fleet, score.tube.as_ref(), &config, &model, baseline);
            let grounds = |score: &Score| serde_json::to_string(&stands_on(score)).ok();
            let days = seen.changes(&fleet.hours, fleet.until);
            let scores = scores.into_iter().map(|score| KeptScore { grounds: grounds(&score), score });
            (Evaluation { scores: scores.collect(), trials: Vec::new(), days }, seen)
        };
        let (mut evaluation, seen) = tokio::task::spawn_blocking(work).await.context("keeping scores broke")?;
        past.seen = Some(seen);
        evaluation.trials = snapshot.trial.iter().flat_map(|trial| trial.scores.clone()).collect();
        Ok((snapshot, Some(evaluation)))
    }

    /// Scores the fleet by the newest proposed model too, as often as scores are kept and when there is a new one.
    async fn rehearse(&self, fleet: &Arc<Fleet>, due: bool, past: &mut Past) -> anyhow::Result<()> {
        let Some((version, model)) = self.store.proposed_model().await? else {
            past.trial = None;
            return Ok(());
        };
        if !due && past.trial.as_ref().is_some_and(|trial| trial.version == version) {
            return Ok(());
        }
        let baseline = model.baseline_version;
        let fleet = Arc::new(self.store.with_exposures_of(fleet, baseline).await?);
        let config = self.config.clone();
        let work = move || Scorer::new(&fleet, &model, &config, &config.model.horizons_h).scores(&fleet);
        let scores = tokio::task::spawn_blocking(work).await.context("scoring by the proposed model broke")?;
        past.trial = Some(Arc::new(Trial { version, scores }));
        Ok(())
    }

    fn publish(&self, snapshot: &Snapshot) {
        let prefix = &self.config.prefix;
        let risks = publisher::risk_messages(snapshot, &self.site, prefix);
        let advice =
            self.config.units.iter().map(|unit| publisher::advice_message(unit, &snapshot.advice, snapshot.at, prefix));
        for message in risks.into_iter().chain(advice) {
            let outgoing = Outgoing { topic: message.topic, payload: message.payload.into_bytes(), retain: true };
            if self.outbox.try_send(outgoing).is_err() {
                tracing::debug!("the broker is away: messages wait for the next evaluation");
                return;
            }
        }
    }

    async fn keep(&self, evaluation: Evaluation, past: &mut Past) {
        match self.store.ledger.keep_evaluation(&evaluation).await {
            Ok(()) => {
                if let Some(seen) = &mut past.seen {
                    seen.learn(&evaluation.days);
                }
                past.kept = evaluation.scores.into_iter().map(|kept| kept.score).collect();
            }
            Err(error) => tracing::error!(%error, "the scores could not be kept"),
        }
    }
}

/// The name of a model, and a day counted from 1970-01-01.
type ModelAndDay = (String, i64);

/// What an evaluation needs to know of those before it.
#[derive(Default)]
struct Past {
    /// The scores that were kept last.
    kept: Vec<Score>,
    /// The days of units as those saw them.
    seen: Option<LastSeen>,
    /// Tubes after their looks, by the model that speaks.
    filters: Option<Arc<Filters>>,
    /// What wore tubes in the last year, by which model and as of which day.
    wear: Option<(ModelAndDay, WearOfYear)>,
    /// The track record, of which revision of the record and which model.
    track: Option<((i64, String, i64), Arc<TrackRecord>)>,
    /// What the newest proposed model said last.
    trial: Option<Arc<Trial>>,
}

impl Past {
    /// Scores are kept once a day, and whenever a state or a model changes.
    fn is_due(&self, scores: &[Score]) -> bool {
        let same =
            |a: &Score, b: &Score| a.tube == b.tube && a.unit == b.unit && a.state == b.state && a.model == b.model;
        let day = |score: &Score| hour_of(score.at).div_euclid(24);
        let old = |score: &Score| self.kept.iter().any(|kept| same(kept, score) && day(kept) == day(score));
        !scores.iter().all(old)
    }
}
