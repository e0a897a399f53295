//! Tells others of advice: what is told stands in the ledger together with the advice, and is tried until it is confirmed.

use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::Context;
use jiff::{SignedDuration, Timestamp};
use ledger::{LedgerError, NewNotice};
use notifier::{Message, NotSent};
use plant::{Advice, Clock};
use publisher::{Notice, Site, Snapshot, Telling};
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::sleep;

use crate::args::{Notify, WithConfig};
use crate::config::{Config, Target};
use crate::exit::Failure;
use crate::plant_store::PlantStore;
use crate::run::{pause, site};

/// How often it is looked what is to be told, and how the telling goes.
const EVERY: Duration = Duration::from_secs(2);
/// Notices that a target is told in one round.
const ROUND: u32 = 50;
/// No pause between two tries is longer than this, unless the receiver asks for it.
const LONGEST_PAUSE: SignedDuration = SignedDuration::from_mins(30);
/// A try that is under way when the service stops is waited for so long.
const STOPPING: Duration = Duration::from_secs(5);
/// And then not longer than this.
const LONGEST_WAIT: SignedDuration = SignedDuration::from_hours(24);

/// What the targets are to be told of advice that has changed at `now`.
pub fn notices(
    changed: &[Advice],
    targets: &[Target],
    snapshot: &Snapshot,
    site: &Site,
    now: Timestamp,
) -> Vec<NewNotice> {
    let mut all = Vec::new();
    for (of, advice) in changed.iter().enumerate().filter(|(_, advice)| advice.raised_at.is_some()) {
        let cleared = advice.cleared_at == Some(now);
        if !cleared && advice.raised_at != Some(now) {
            continue;
        }
        let wanted = |target: &&Target| target.kinds.contains(&advice.kind) && (target.cleared || !cleared);
        let mut body = None;
        for target in targets.iter().filter(wanted) {
            let body = body.get_or_insert_with(|| {
                serde_json::to_string(&publisher::notice(advice, snapshot, site)).expect("a notice has a JSON form")
            });
            all.push(NewNotice { target: target.name.clone(), of, body: body.clone() });
        }
    }
    all
}

/// Tells until the service is told to stop.
///
/// # Errors
/// None: what goes wrong is logged, and tried again.
pub async fn keep_up(
    store: Arc<PlantStore>,
    clock: Arc<dyn Clock>,
    stopped: watch::Receiver<bool>,
) -> anyhow::Result<()> {
    let mut tasks = JoinSet::new();
    for target in store.config.notify.clone() {
        let source = source(&store.config);
        let teller = Teller { store: store.clone(), target, source, clock: clock.clone(), stopped: stopped.clone() };
        tasks.spawn(teller.run());
    }
    loop {
        if let Err(error) = look(&store, clock.now()).await {
            tracing::warn!(%error, "how the telling goes cannot be said");
        }
        if !pause(EVERY, &stopped).await {
            break;
        }
    }
    while let Some(ended) = tasks.join_next().await {
        ended.context("the telling broke")?;
    }
    Ok(())
}

/// Looks how the telling goes, and gives up what nobody is there for any more.
async fn look(store: &PlantStore, now: Timestamp) -> Result<(), LedgerError> {
    let mut all: Vec<Telling> = Vec::new();
    for counts in store.ledger.notice_counts().await? {
        let known = store.config.notify.iter().any(|target| target.name == counts.target);
        if !known && counts.waiting > 0 {
            let why = "the configuration names no such target any more";
            store.ledger.give_up_notices(&counts.target, why, now).await?;
            tracing::warn!(target = counts.target, notices = counts.waiting, "given up: {why}");
        }
        all.push(counts);
    }
    for target in &store.config.notify {
        if all.iter().all(|told| told.target != target.name) {
            let target = target.name.clone();
            all.push(Telling { target, told: 0, waiting: 0, given_up: 0, waits_since: None, error: None });
        }
    }
    all.sort_by(|a, b| a.target.cmp(&b.target));
    store.told.set(all);
    Ok(())
}

/// Who says so, in messages for programs.
fn source(config: &Config) -> String {
    config.address.as_ref().map_or("groovecast".to_owned(), ToString::to_string)
}

/// Tells one target. A slow or silent one keeps no other waiting.
struct Teller {
    store: Arc<PlantStore>,
    target: Target,
    source: String,
    clock: Arc<dyn Clock>,
    stopped: watch::Receiver<bool>,
}

impl Teller {
    async fn run(self) {
        let mut resting: Option<(Instant, SignedDuration)> = None;
        loop {
            let rests = |(since, rest): (Instant, SignedDuration)| {
                SignedDuration::try_from(since.elapsed()).is_ok_and(|rested| rested < rest)
            };
            if !resting.is_some_and(rests) {
                match self.round().await {
                    Ok(rest) => resting = rest.map(|rest| (Instant::now(), rest)),
                    Err(error) => {
                        let error = format!("{error:#}");
                        tracing::warn!(target = self.target.name, error, "what is to be told waits for the next round");
                    }
                }
            }
            if !pause(EVERY, &self.stopped).await {
                return;
            }
        }
    }

    /// Tells what is due, until a try fails for a reason that stands for the others too: then the target rests so long.
    async fn round(&self) -> anyhow::Result<Option<SignedDuration>> {
        for notice in self.store.ledger.due_notices(&self.target.name, self.clock.now(), ROUND).await? {
            if *self.stopped.borrow() {
                break;
            }
            if let Some(rest) = self.tell(&notice).await? {
                return Ok(Some(rest));
            }
        }
        Ok(None)
    }

    /// One try. How long the target is to rest, if nobody was there, or it does not take anything now.
    async fn tell(&self, notice: &ledger::Notice) -> anyhow::Result<Option<SignedDuration>> {
        let target = self.target.name.as_str();
        let sent = match serde_json::from_str::<Notice>(&notice.body) {
            Err(error) => Err(NotSent::Never(format!("it does not read back: {error}"))),
            Ok(body) => {
                let message = message(body, notice.key.clone(), notice.at, &self.source);
                let (way, now) = (self.target.way.clone(), self.clock.now());
                let mut stopped = self.stopped.clone();
                // When the service stops, a try under way is waited for, but not for long: it may be told again, under the same key.
                let left_alone = async {
                    let _ = stopped.wait_for(|stop| *stop).await;
                    sleep(STOPPING).await;
                };
                tokio::select! {
                    sent = tokio::task::spawn_blocking(move || way.send(&message, now)) => sent.context("a try broke")?,
                    () = left_alone => return Ok(None),
                }
            }
        };
        let now = self.clock.now();
        let tries = notice.tries + 1;
        let refused = match sent {
            Ok(()) => {
                tracing::info!(target, advice = notice.advice, tries, "told");
                self.confirmed(notice.id, now).await;
                return Ok(None);
            }
            Err(refused) => refused,
        };
        let why = refused.to_string();
        let rest = rest(&self.target, notice.tries, &refused);
        let next = now + rest;
        let over = matches!(refused, NotSent::Never(_)) || now.duration_since(notice.at) >= self.target.give_up_after;
        if over {
            tracing::error!(target, advice = notice.advice, tries, why, "given up");
            self.store.ledger.notice_given_up(notice.id, &why, now).await?;
        } else {
            tracing::warn!(target, advice = notice.advice, tries, why, next = %next, "not told");
            self.store.ledger.notice_failed(notice.id, &why, next).await?;
        }
        Ok((!matches!(refused, NotSent::Never(_))).then_some(rest))
    }

    /// Notes that a notice was confirmed, and does nothing else before that is durable: else it would be told again.
    async fn confirmed(&self, id: i64, at: Timestamp) {
        while let Err(error) = self.store.ledger.notice_told(id, at).await {
            tracing::warn!(%error, "that a notice was told cannot be noted yet");
            if !pause(EVERY, &self.stopped).await {
                return;
            }
        }
    }
}

/// How long to wait after a try that failed, when so many had failed before it.
fn rest(target: &Target, failed: u32, refused: &NotSent) -> SignedDuration {
    let doubled = target.pause.saturating_mul(1 << failed.min(20)).min(LONGEST_PAUSE);
    let asked = match refused {
        NotSent::NotNow { wait_s: Some(wait_s), .. } => {
            SignedDuration::from_secs(i64::try_from(*wait_s).unwrap_or(i64::MAX)).min(LONGEST_WAIT)
        }
        _ => SignedDuration::ZERO,
    };
    doubled.max(asked)
}

fn message(notice: Notice, key: String, at: Timestamp, source: &str) -> Message {
    Message {
        key,
        kind: notice.event,
        at,
        unit: notice.unit.map(|unit| unit.to_string()),
        source: source.to_owned(),
        title: notice.title,
        text: notice.text,
        data: notice.data,
    }
}

/// Sends each target, or those named, a message that is marked as a trial, and says what became of it.
///
/// # Errors
/// [`Failure`] if the configuration knows no such target, or one did not take it.
pub async fn notify(what: Notify, clock: &dyn Clock) -> Result<(), Failure> {
    let Notify::Try { targets, with: WithConfig { config } } = what;
    let config = Config::read(&config)?;
    if config.notify.is_empty() {
        return Err(Failure::Input(
            "the configuration tells nobody; right would be a section [notify.NAME]".to_owned(),
        ));
    }
    for name in &targets {
        if config.notify.iter().all(|target| target.name != *name) {
            let known: Vec<&str> = config.notify.iter().map(|target| target.name.as_str()).collect();
            let problem = format!("the configuration has no [notify.{name}]; it has {}", known.join(", "));
            return Err(Failure::Input(problem));
        }
    }
    let mut failed = 0;
    for target in config.notify.iter().filter(|target| targets.is_empty() || targets.contains(&target.name)) {
        let now = clock.now();
        let key = format!("trial-{}", now.as_microsecond());
        let message = message(publisher::trial_notice(&site(&config)), key, now, &source(&config));
        let way = target.way.clone();
        match tokio::task::spawn_blocking(move || way.send(&message, now)).await.context("the try broke")? {
            Ok(()) => println!("{}: taken", target.name),
            Err(why) => {
                failed += 1;
                println!("{}: not taken: {why}", target.name);
            }
        }
    }
    if failed > 0 {
        return Err(Failure::Other(anyhow::anyhow!("{failed} did not take it")));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use notifier::{Secret, Way, Webhook};
    use plant::{AdviceKind, TubeId, UnitId};

    use super::*;

    fn target(name: &str, kinds: &[AdviceKind], cleared: bool) -> Target {
        let webhook = Webhook {
            url: "http://127.0.0.1:9/".parse().unwrap(),
            key_id: name.to_owned(),
            secret: Secret::new("x".repeat(32)),
            ca_file: None,
            timeout: Duration::from_secs(1),
        };
        Target {
            name: name.to_owned(),
            way: Way::Webhook(webhook),
            kinds: kinds.to_vec(),
            cleared,
            pause: SignedDuration::from_secs(10),
            give_up_after: SignedDuration::from_hours(72),
        }
    }

    fn advice(kind: AdviceKind, raised: Option<i64>, cleared: Option<i64>) -> Advice {
        let at = |second: i64| Timestamp::from_second(second).unwrap();
        Advice {
            id: 0,
            tube: TubeId::new("T1").unwrap(),
            unit: UnitId::new("K1").unwrap(),
            kind,
            cause_since: at(0),
            raised_at: raised.map(at),
            gone_since: None,
            cleared_at: cleared.map(at),
            seen: None,
            put_off: None,
        }
    }

    #[test]
    fn a_target_is_told_what_it_asked_for_when_it_happens_and_only_then() {
        let site = site(&crate::config::example());
        let targets = [target("desk", AdviceKind::ALL, true), target("shift", &[AdviceKind::Hold], false)];
        let changed = [
            advice(AdviceKind::Hold, Some(7), None),
            advice(AdviceKind::Chance, Some(7), None),
            advice(AdviceKind::Hold, Some(3), Some(7)),
            // Waits to be raised, was raised before, and went before it was raised.
            advice(AdviceKind::Chance, None, None),
            advice(AdviceKind::Chance, Some(3), None),
            advice(AdviceKind::Chance, None, Some(7)),
        ];
        let now = Timestamp::from_second(7).unwrap();
        let all = notices(&changed, &targets, &Snapshot::default(), &site, now);
        let told: Vec<_> = all.iter().map(|one| (one.target.as_str(), one.of)).collect();
        assert_eq!(told, [("desk", 0), ("shift", 0), ("desk", 1), ("desk", 2)]);
        assert!(
            all[3].body.contains("groovecast.advice.cleared") && !all[0].body.contains("groovecast.advice.cleared")
        );
    }

    #[test]
    fn pauses_double_up_to_half_an_hour_and_a_receiver_may_ask_for_more() {
        let target = target("desk", &[], false);
        let away = NotSent::Unreached("away".to_owned());
        let pauses: Vec<i64> = (0..11).map(|failed| rest(&target, failed, &away).as_secs()).collect();
        assert_eq!(pauses, [10, 20, 40, 80, 160, 320, 640, 1280, 1800, 1800, 1800]);
        let asked = |wait_s| rest(&target, 0, &NotSent::NotNow { why: String::new(), wait_s: Some(wait_s) }).as_secs();
        assert_eq!((asked(3), asked(7200), asked(u64::MAX)), (10, 7200, 86_400));
    }
}
