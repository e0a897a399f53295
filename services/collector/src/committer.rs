//! From the queue into the journal: decode, commit in groups, acknowledge.

use std::fmt::Display;
use std::future::Future;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use plant::{Clock, Reading};
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, sleep, timeout, timeout_at};

use crate::arrivals::Arrivals;
use crate::backoff::Backoff;
use crate::decode::{Decoder, Message, Outcome};
use crate::settings::{Outgoing, Terms};
use crate::window::{Ticket, Window};

/// A group waits so long for another message...
const QUIET: Duration = Duration::from_millis(1);
/// ...and so long in all.
const LONGEST_WAIT: Duration = Duration::from_millis(20);
/// When a commit took so long, what comes after its acknowledgements has waited at the broker.
const HELD_UP: Duration = Duration::from_secs(5);
/// While nothing comes, it shows so often that it would take it.
const IDLE: Duration = Duration::from_secs(1);

/// What a commit did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Committed {
    /// Readings that were not there before.
    pub new: u64,
    /// Readings that were.
    pub duplicates: u64,
}

/// A message on its way to the journal.
#[derive(Debug)]
pub(crate) struct Delivery {
    /// Its place among the unacknowledged; `None` for QoS 0.
    pub(crate) ticket: Option<Ticket>,
    /// `None` for a marker of our own, which is only acknowledged.
    pub(crate) content: Option<Content>,
}

#[derive(Debug)]
pub(crate) struct Content {
    pub(crate) topic: String,
    pub(crate) payload: Vec<u8>,
    pub(crate) retained: bool,
    pub(crate) backlog: bool,
    /// Which connection brought it.
    pub(crate) connection: u64,
    pub(crate) arrived_at: Timestamp,
    /// By how much the clock that says so had been set back by then.
    pub(crate) set_back: SignedDuration,
}

/// Takes deliveries until told to stop.
pub(crate) struct Committer<'a, C, P, A, R, T, H> {
    pub(crate) decoder: Decoder,
    /// By what messages are read from now on.
    pub(crate) terms: watch::Receiver<Arc<Terms>>,
    /// Subscribes to what new terms need.
    pub(crate) retune: T,
    pub(crate) window: &'a Mutex<Window<P>>,
    /// Messages to wait for.
    pub(crate) expected: usize,
    /// Messages in one commit at most.
    pub(crate) batch: usize,
    pub(crate) commit: C,
    /// A commit that has no answer by then counts as failed: its database may be gone without a word.
    pub(crate) answer_within: Duration,
    /// Sends one acknowledgement; `false` if there is no room for it just now.
    pub(crate) acknowledge: A,
    /// Told before acknowledgements that were long in coming.
    pub(crate) held_up: H,
    /// Sends what messages made necessary.
    pub(crate) request: R,
    pub(crate) arrivals: &'a Arrivals,
    pub(crate) clock: &'a dyn Clock,
}

impl<C, F, E, P, A, R, T, H> Committer<'_, C, P, A, R, T, H>
where
    C: Fn(Arc<[Reading]>) -> F,
    F: Future<Output = Result<Committed, E>>,
    E: Display,
    A: Fn(&P) -> bool,
    R: Fn(Outgoing),
    T: Fn(&Terms),
    H: Fn(),
{
    /// Commits and acknowledges until `stop` is true or its sender is gone; then does the same with what is queued.
    ///
    /// It never waits for room for an acknowledgement while there is something to take: the one who makes that room
    /// may itself be waiting for room in the queue, because some brokers (mosquitto 2.0.11) answer each
    /// acknowledgement of a backlog with a whole window of messages.
    pub(crate) async fn run(mut self, queue: &mut mpsc::Receiver<Delivery>, mut stop: watch::Receiver<bool>) {
        let mut group = Vec::with_capacity(self.batch);
        let mut acks_left = false;
        let mut terms = self.terms.clone();
        let mut may_change = true;
        loop {
            self.arrivals.storing.beat();
            tokio::select! {
                biased;
                _ = stop.wait_for(|stop| *stop) => break,
                changed = terms.changed(), if may_change => {
                    may_change = changed.is_ok();
                    self.take_up(&terms.borrow_and_update().clone());
                }
                () = self.gather(queue, &mut group) => {}
                () = sleep(QUIET), if acks_left => {}
                () = sleep(IDLE) => {}
            }
            if !self.settle(&mut group, &mut stop).await {
                return;
            }
            acks_left = !self.send_acks();
        }
        // What comes from now on is not taken: the broker keeps it.
        queue.close();
        while let Ok(delivery) = queue.try_recv() {
            group.push(delivery);
        }
        if self.settle(&mut group, &mut stop).await {
            while !self.send_acks() {
                sleep(QUIET).await;
            }
        }
    }

    /// What is read from now on is read by the new terms.
    fn take_up(&mut self, terms: &Terms) {
        self.decoder.take_up(terms);
        self.arrivals.forget_what_is_not_in(&terms.map);
        (self.retune)(terms);
    }

    /// Fills the group; never ends if the queue is closed. What it took is in the group even if it is dropped half way.
    async fn gather(&self, queue: &mut mpsc::Receiver<Delivery>, group: &mut Vec<Delivery>) {
        if queue.recv_many(group, self.batch).await == 0 {
            std::future::pending::<()>().await;
        }
        let latest = Instant::now() + LONGEST_WAIT;
        while group.len() < self.expected {
            let until = latest.min(Instant::now() + QUIET);
            match timeout_at(until, queue.recv_many(group, self.batch - group.len())).await {
                Ok(more) if more > 0 => {}
                _ => break,
            }
        }
    }

    /// Decodes and commits a group, whose messages may then be acknowledged; `false` if told to stop before the commit worked.
    async fn settle(&mut self, group: &mut Vec<Delivery>, stop: &mut watch::Receiver<bool>) -> bool {
        let mut readings = Vec::with_capacity(group.len());
        for delivery in group.iter() {
            if let Some(content) = &delivery.content {
                self.decode(content, delivery.ticket.is_none(), &mut readings);
            }
        }
        let held = self.locked().unacknowledged();
        self.arrivals.change_link(|link| link.unacknowledged = held);
        if !readings.is_empty() && !self.commit(readings.into(), stop).await {
            return false;
        }
        let mut window = self.locked();
        group.drain(..).filter_map(|delivery| delivery.ticket).for_each(|ticket| window.commit(ticket));
        true
    }

    fn decode(&mut self, content: &Content, unprotected: bool, readings: &mut Vec<Reading>) {
        let message = Message {
            topic: &content.topic,
            payload: &content.payload,
            retained: content.retained,
            backlog: content.backlog,
            connection: content.connection,
            arrived_at: content.arrived_at,
        };
        self.decoder.set_back(content.set_back);
        let outcomes = self.decoder.decode(&message);
        self.decoder.requests().into_iter().for_each(&self.request);
        self.arrivals.note(&message, unprotected, &outcomes);
        readings.extend(outcomes.into_iter().filter_map(|outcome| match outcome {
            Outcome::Taken(taken) => Some(taken.reading),
            Outcome::Refused(_) | Outcome::Noted(_) => None,
        }));
    }

    /// Tries until it works: nothing is dropped because a disk is full. A try that got no answer may have worked all the same: the
    /// next one finds its readings there and adds nothing.
    async fn commit(&self, readings: Arc<[Reading]>, stop: &mut watch::Receiver<bool>) -> bool {
        let mut backoff = Backoff::new(Duration::from_millis(100), Duration::from_secs(5));
        let began = Instant::now();
        loop {
            let error = match timeout(self.answer_within, (self.commit)(readings.clone())).await {
                Ok(Ok(committed)) => {
                    self.arrivals.committed(committed, self.clock.now());
                    if began.elapsed() >= HELD_UP {
                        (self.held_up)();
                    }
                    return true;
                }
                Ok(Err(error)) => {
                    // A disk that is full is no hang: starting again would not help. One that never answers is.
                    self.arrivals.storing.beat();
                    error.to_string()
                }
                Err(_) => {
                    let within = self.answer_within;
                    format!(
                        "no answer within {within:?}; the same is tried again, and what was stored all the same is there once"
                    )
                }
            };
            let wait = backoff.next();
            tracing::warn!(%error, readings = readings.len(), wait_ms = wait.as_millis() as u64, "commit failed, nothing is acknowledged");
            self.arrivals.commit_failed(error, self.clock.now());
            tokio::select! {
                _ = stop.wait_for(|stop| *stop) => return false,
                () = sleep(wait) => {}
            }
        }
    }

    fn locked(&self) -> MutexGuard<'_, Window<P>> {
        self.window.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Sends what may be sent, under the window's lock: a connection that breaks meanwhile renews the window first, and
    /// only then forgets what was sent too late. `false` if there is more than room.
    fn send_acks(&self) -> bool {
        let mut window = self.locked();
        let mut room = true;
        while room && let Some(packet) = window.next_ack() {
            room = (self.acknowledge)(packet);
            if room {
                window.acknowledged();
            }
        }
        let held = window.unacknowledged();
        drop(window);
        self.arrivals.change_link(|link| link.unacknowledged = held);
        room
    }
}

#[cfg(test)]
mod tests;
