//! The session at the broker.
//!
//! One task owns the connection and does nothing but poll it. It numbers what comes and passes it on; the committer
//! makes it durable and acknowledges it; a third part publishes what the house has to say.

use std::collections::BTreeMap;
use std::fmt::Display;
use std::future::Future;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use jiff::SignedDuration;
use plant::{Clock, Reading};
use tokio::sync::{mpsc, watch};
use tokio::task::{AbortHandle, JoinSet};
use tokio::time::{sleep, timeout};

use crate::arrivals::Arrivals;
use crate::committer::{Committed, Committer};
use crate::connection::{Owner, Phase, step};
use crate::decode::Decoder;
use crate::fence::Fence;
use crate::link::{Link, LinkState};
use crate::mqtt::{self, Client, Packet};
use crate::settings::{Outgoing, SessionError, Settings, Status, Terms};
use crate::steady::Steady;
use crate::subscriptions::Subscriptions;
use crate::window::Window;

/// What is held must be settled within this time after the order to stop...
const SETTLE_WITHIN: Duration = Duration::from_secs(2);
/// ...and then the good-bye said within this.
const GOODBYE_WITHIN: Duration = Duration::from_secs(1);
/// So many retained messages are published again when the broker has lost its memory.
const REMEMBERED_TOPICS: usize = 1000;

/// Holds the session until `shutdown` is true or its sender is gone.
///
/// Readings go to `commit`, from this task only and one call at a time; when it returns `Ok` they are durable, and only
/// then are their messages acknowledged. If it fails it is called again with the same readings, for ever if need be.
/// `terms` may change at any time: messages are read by what they say then, without a new connection; filters that are new are
/// subscribed to, and then those that are no longer wanted left. What nodes of Sparkplug were born with, and what is remembered
/// to doubt readings by, stays.
/// Messages of `outbox` are published with QoS 1; retained ones, the latest per topic (1,000 topics), once more when the
/// broker had forgotten the session. At the end what is held is committed and acknowledged and the status says
/// offline, within three seconds; what could not be committed by then the broker brings again.
///
/// A broken connection is no error: it is made again, and [`Arrivals::link`] shows how things stand.
///
/// # Errors
/// [`SessionError::Setting`] if a setting is out of range; [`SessionError::Stopped`] if a part of the session broke.
pub async fn run<C, F, E>(
    settings: Settings,
    mut terms: watch::Receiver<Arc<Terms>>,
    commit: C,
    arrivals: Arc<Arrivals>,
    outbox: mpsc::Receiver<Outgoing>,
    clock: Arc<dyn Clock>,
    shutdown: watch::Receiver<bool>,
) -> Result<(), SessionError>
where
    C: Fn(Arc<[Reading]>) -> F,
    F: Future<Output = Result<Committed, E>>,
    E: Display,
{
    settings.check()?;
    arrivals.change_link(|link| *link = Link { last_commit_at: link.last_commit_at, ..Link::default() });
    let first = terms.borrow_and_update().clone();
    let (client, line) = mqtt::open(&settings);
    let (queue_in, mut queue) = mpsc::channel((settings.batch * 2).max(1024));
    let window = Arc::new(Mutex::new(Window::new()));
    let (phase_in, phase) = watch::channel(Phase { online: false, fresh: 0 });
    let marker = settings.status.as_ref().map(|status| status.fence_topic(&settings.client_id));
    let filters = |terms: &Terms| settings.filters(terms.map.filters()).into_iter().chain(marker.clone()).collect();
    let subscriptions = Arc::new(Mutex::new(Subscriptions::new(
        filters(&first),
        Fence::new(marker.clone(), settings.window),
        clock.now().as_microsecond(),
    )));
    let mut owner = Owner {
        line,
        client: client.clone(),
        window: window.clone(),
        queue: queue_in,
        arrivals: arrivals.clone(),
        clock: clock.clone(),
        subscriptions: subscriptions.clone(),
        settings: settings.clone(),
        tunnel: None,
        fence: Fence::new(marker.clone(), settings.window),
        phase: phase_in,
        up_since: None,
        steady: Steady::new(clock.now(), Instant::now()),
        told_back: SignedDuration::ZERO,
    };
    let mut tasks = JoinSet::new();
    let connection = tasks.spawn(async move { owner.poll_on().await });
    tasks.spawn(publish_on(client.clone(), outbox, phase.clone()));
    let committer = Committer {
        decoder: Decoder::new(first.map.clone(), settings.limits)
            .asking_for_births(first.ask_rebirth)
            .believing(first.belief.clone()),
        terms,
        retune: |terms: &Terms| {
            let marker_topic = marker.as_deref().unwrap_or_default();
            step(&subscriptions, &client, marker_topic, |filed| filed.want(filters(terms), Instant::now()));
        },
        window: &window,
        expected: settings.window,
        batch: settings.batch,
        commit,
        acknowledge: |packet: &Packet| client.acknowledge(packet),
        request: |command: Outgoing| {
            tracing::info!(topic = %command.topic, "asked a node for its births");
            // Commands of Sparkplug go with QoS 0 (Sparkplug 3.0.0, 6.4.21).
            if !client.try_publish(command, false) {
                tracing::warn!("no room to send the command");
            }
        },
        arrivals: &arrivals,
        clock: &*clock,
    };
    tokio::select! {
        () = committer.run(&mut queue, shutdown.clone()) => {}
        () = overdue(shutdown) => tracing::warn!("what is held could not be committed in time; the broker brings it again"),
        ended = tasks.join_next() => {
            let why = ended.and_then(Result::err).map_or("the connection was given up".to_owned(), |error| error.to_string());
            return Err(SessionError::Stopped(why));
        }
    }
    drop(queue);
    if phase.borrow().online {
        leave(&client, settings.status.as_ref(), &connection).await;
    }
    tasks.shutdown().await;
    let now = clock.now();
    arrivals.change_link(|link| (link.state, link.since) = (LinkState::Closed, Some(now)));
    Ok(())
}

async fn overdue(mut shutdown: watch::Receiver<bool>) {
    // A sender that is gone cannot tell us any more: the same as being told.
    let _ = shutdown.wait_for(|stop| *stop).await;
    sleep(SETTLE_WITHIN).await;
}

/// Says offline and disconnects; the owner of the connection ends when that is written.
async fn leave(client: &Client, status: Option<&Status>, connection: &AbortHandle) {
    let left = async {
        if let Some(Status { topic, offline, .. }) = status {
            client.publish(Outgoing { topic: topic.clone(), payload: offline.clone(), retain: true }).await;
        }
        client.leave().await;
        while !connection.is_finished() {
            sleep(Duration::from_millis(5)).await;
        }
    };
    if timeout(GOODBYE_WITHIN, left).await.is_err() {
        tracing::warn!("the broker did not take the good-bye in time; its will says that we are offline");
    }
}

/// Publishes what the house has to say while the connection stands.
async fn publish_on(client: Client, mut outbox: mpsc::Receiver<Outgoing>, mut phase: watch::Receiver<Phase>) {
    let mut remembered: BTreeMap<String, Outgoing> = BTreeMap::new();
    let mut fresh = 0;
    let mut open = true;
    loop {
        let now = *phase.borrow_and_update();
        if now.online && now.fresh != fresh {
            fresh = now.fresh;
            for message in remembered.values() {
                publish(&client, message.clone()).await;
            }
        }
        tokio::select! {
            changed = phase.changed() => if changed.is_err() {
                break;
            },
            message = outbox.recv(), if open && now.online => match message {
                Some(message) => {
                    let known = remembered.contains_key(&message.topic);
                    if message.retain && (known || remembered.len() < REMEMBERED_TOPICS) {
                        remembered.insert(message.topic.clone(), message.clone());
                    }
                    publish(&client, message).await;
                }
                None => open = false,
            },
        }
    }
    // The owner of the connection is gone and `run` ends.
    std::future::pending::<()>().await;
}

async fn publish(client: &Client, message: Outgoing) {
    let topic = message.topic.clone();
    if !client.publish(message).await {
        tracing::warn!(%topic, "not published: right would be a topic without '+' and '#'");
    }
}
