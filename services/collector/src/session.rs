//! The session at the broker.
//!
//! One task owns the connection and does nothing but poll it. It numbers what comes and passes it on; the committer
//! makes it durable and acknowledges it; a third part publishes what the house has to say.

use std::collections::BTreeMap;
use std::fmt::Display;
use std::future::{Future, ready};
use std::pin::Pin;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use jiff::SignedDuration;
use plant::{Clock, Reading};
use tokio::sync::{mpsc, watch};
use tokio::task::{AbortHandle, JoinSet};
use tokio::time::{sleep, timeout};

use crate::arrivals::Arrivals;
use crate::committer::{Committed, Committer};
use crate::connection::{Owner, Phase};
use crate::decode::Decoder;
use crate::link::{Link, LinkState};
use crate::mqtt::{self, Client, Packet};
use crate::settings::{Outgoing, SessionError, Settings, Status, Terms};
use crate::steady::Steady;
use crate::talk::Talk;
use crate::window::Window;

/// What is held must be settled within this time after the order to stop...
const SETTLE_WITHIN: Duration = Duration::from_secs(2);
/// ...and then the good-bye said within this.
const GOODBYE_WITHIN: Duration = Duration::from_secs(1);
/// A commit must have its answer within this time.
const ANSWER_WITHIN: Duration = Duration::from_secs(60);
/// So many retained messages are published again in a new connection.
const REMEMBERED_TOPICS: usize = 10_000;

/// Holds the session until `shutdown` is true or its sender is gone.
///
/// Readings go to `commit`, from this task only and one call at a time; when it returns `Ok` they are durable, and only
/// then are their messages acknowledged. If it fails it is called again with the same readings, for ever if need be.
/// `terms` may change at any time: messages are read by what they say then, without a new connection; filters that are new are
/// subscribed to, and then those that are no longer wanted left. What nodes of Sparkplug were born with, and what is remembered
/// to doubt readings by, stays.
/// Messages of `outbox` are published with QoS 1 while there is a connection; of those that wait for one the latest per topic.
/// Retained ones, again the latest per topic (10,000 topics), are published once more in every new connection. At the end what is held is committed and acknowledged and the status says
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
    let (phase_in, phase) = watch::channel(Phase::default());
    let marker = settings.status.as_ref().map(|status| status.fence_topic(&settings.client_id));
    let filters = |terms: &Terms| settings.filters_of(terms).into_iter().chain(marker.clone()).collect();
    let parts = (client.clone(), arrivals.clone(), clock.clone());
    let talk = Arc::new(Talk::new(parts, (filters(&first), settings.former.clone()), marker.clone(), settings.window));
    let mut owner = Owner {
        line,
        window: window.clone(),
        queue: queue_in,
        arrivals: arrivals.clone(),
        clock: clock.clone(),
        talk: talk.clone(),
        settings: settings.clone(),
        tunnel: None,
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
        retune: |terms: &Terms| talk.want(filters(terms)),
        window: &window,
        expected: settings.window,
        batch: settings.batch,
        commit,
        answer_within: ANSWER_WITHIN,
        acknowledge: |packet: &Packet| client.acknowledge(packet),
        held_up: || talk.held_up(),
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

/// A message that waits for room.
type Saying = Pin<Box<dyn Future<Output = ()> + Send>>;

/// Publishes what the house has to say while the connection stands, after what the session itself has to say.
///
/// A new connection begins with the latest of every topic: the broker may have forgotten it, and what was on its way when the one
/// before broke may not have arrived.
async fn publish_on(client: Client, mut outbox: mpsc::Receiver<Outgoing>, mut phase: watch::Receiver<Phase>) {
    let (mut remembered, mut due) = (BTreeMap::<String, Outgoing>::new(), BTreeMap::<String, Outgoing>::new());
    let mut connections = 0;
    let mut open = true;
    let mut saying: Option<Saying> = None;
    loop {
        let now = *phase.borrow_and_update();
        if now.online && now.connections != connections {
            connections = now.connections;
            for (topic, message) in &remembered {
                due.entry(topic.clone()).or_insert_with(|| message.clone());
            }
        }
        tokio::select! {
            biased;
            changed = phase.changed() => if changed.is_err() {
                break;
            },
            message = outbox.recv(), if open => match message {
                Some(message) => {
                    due.insert(message.topic.clone(), message);
                }
                None => open = false,
            },
            () = said(&mut saying), if saying.is_some() => saying = None,
            () = ready(()), if saying.is_none() && now.online && now.free && !due.is_empty() => {
                let Some((topic, message)) = due.pop_first() else { continue };
                if message.retain && (remembered.contains_key(&topic) || remembered.len() < REMEMBERED_TOPICS) {
                    remembered.insert(topic, message.clone());
                }
                saying = Some(Box::pin(publish(client.clone(), message)));
            }
        }
    }
    // The owner of the connection is gone and `run` ends.
    std::future::pending::<()>().await;
}

/// Done when what is being said has found room.
async fn said(saying: &mut Option<Saying>) {
    if let Some(saying) = saying {
        saying.await;
    }
}

async fn publish(client: Client, message: Outgoing) {
    let topic = message.topic.clone();
    if !client.publish(message).await {
        tracing::warn!(%topic, "not published: right would be a topic without '+' and '#'");
    }
}
