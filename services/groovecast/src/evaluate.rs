//! The evaluation: again and again, from what is known now to what is published.

use std::sync::Arc;
use std::time::Duration;

use anyhow::Context;
use collector::{Arrivals, Outgoing};
use ledger::By;
use plant::{Clock, Score, hour_of};
use publisher::{Interval, Site, Snapshot};
use tokio::sync::{Notify, mpsc, watch};

use crate::config::Config;
use crate::plant_store::PlantStore;
use crate::run::pause;
use crate::scoring::Scorer;
use crate::{advising, doubts, snapshot};

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
    /// Where messages go.
    pub outbox: mpsc::Sender<Outgoing>,
    /// The time.
    pub clock: Arc<dyn Clock>,
    /// Told when somebody has written to the record: then the next evaluation does not wait for its turn.
    pub written: Arc<Notify>,
}

impl Evaluator {
    /// Evaluates until the service is told to stop. A failed evaluation is logged, and the scores grow late, which
    /// pages and health say.
    pub async fn run(self, stopped: watch::Receiver<bool>) -> anyhow::Result<()> {
        let every = Duration::try_from(self.config.evaluate_every).context("evaluate_every is positive")?;
        let mut evaluated = Snapshot::default();
        let mut kept: Vec<Score> = Vec::new();
        loop {
            let began = std::time::Instant::now();
            let mut evaluation = std::pin::pin!(self.evaluate());
            let evaluation = loop {
                tokio::select! {
                    done = &mut evaluation => break done,
                    going_on = pause(REFRESH, &stopped) => {
                        if !going_on {
                            return Ok(());
                        }
                        self.refresh(&evaluated);
                    }
                }
            };
            match evaluation {
                Ok(snapshot) => {
                    self.publish(&snapshot);
                    self.keep(&snapshot.scores, &mut kept).await;
                    evaluated = snapshot;
                }
                Err(error) => tracing::error!(error = format!("{error:#}"), "the scores could not be evaluated"),
            }
            loop {
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
        let (mut report, beside) = (self.arrivals.snapshot(now), self.store.beside());
        beside.iter().for_each(|collector| report.add(collector.report(now)));
        let newest = Snapshot {
            collectors: beside.iter().map(|collector| collector.seen(now)).collect(),
            disk: self.store.disk(),
            ..snapshot::with_arrivals(evaluated, report, self.store.known(), &self.config, now)
        };
        self.snapshots.send_replace(Arc::new(newest));
    }

    async fn evaluate(&self) -> anyhow::Result<Snapshot> {
        let now = self.clock.now();
        self.store.fit_if_automatic(now).await?;
        let model = self.store.published_model().await?;
        let fleet = self.store.fleet(now, model.baseline_version).await?;
        let models = self.store.model_entries().await?;
        let meters = self.store.known_meters();
        let open = self.store.ledger.open_advice().await?;
        let config = self.config.clone();
        let site = self.site.clone();
        let (mut snapshot, changed) = tokio::task::spawn_blocking(move || {
            let scores = Scorer::new(&fleet, &model, &config, &config.model.horizons_h).scores(&fleet);
            let doubts = doubts::of_fleet(&fleet, &meters, &config);
            let snapshot = snapshot::evaluated(&fleet, scores, models, doubts, &config.time_zone);
            let over = |score: &Score| Interval::of(score, &snapshot, &site).is_due();
            let changed = advising::step(&open, &snapshot.scores, over, &config.advice, now);
            (snapshot, changed)
        })
        .await
        .context("scoring broke")?;
        let by = By { who: ADVISER.to_owned(), at: now };
        self.store.ledger.keep_advice(&changed, &by).await?;
        snapshot.advice = self.store.ledger.open_advice().await?;
        snapshot.advice.retain(|advice| advice.raised_at.is_some());
        Ok(snapshot)
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

    /// Keeps scores once a day, and whenever a state or a model changes.
    async fn keep(&self, scores: &[Score], kept: &mut Vec<Score>) {
        let same =
            |a: &Score, b: &Score| a.tube == b.tube && a.unit == b.unit && a.state == b.state && a.model == b.model;
        let day = |score: &Score| hour_of(score.at).div_euclid(24);
        let old = |score: &Score| kept.iter().any(|k| same(k, score) && day(k) == day(score));
        if scores.iter().all(old) {
            return;
        }
        match self.store.ledger.keep_scores(scores).await {
            Ok(()) => *kept = scores.to_vec(),
            Err(error) => tracing::error!(%error, "the scores could not be kept"),
        }
    }
}
