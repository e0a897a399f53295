//! What we have to say to the broker in this connection: subscriptions, the status, and markers behind what may have waited.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use plant::Clock;

use crate::arrivals::Arrivals;
use crate::fence::{Came, Fence, Overdue};
use crate::mqtt::{Client, Grant};
use crate::reason::Reason;
use crate::settings::Outgoing;
use crate::subscriptions::{Step, Subscriptions};

/// All who have something of this kind to say stand in one line: what one says goes out before what the next says, and what
/// finds no room goes out in this same connection, as soon as there is some.
pub(crate) struct Talk {
    client: Client,
    arrivals: Arc<Arrivals>,
    clock: Arc<dyn Clock>,
    marker_topic: Option<String>,
    state: Mutex<State>,
}

struct State {
    subscriptions: Subscriptions,
    fence: Fence,
    unsaid: VecDeque<Say>,
    /// Markers that were sent, so that each is unlike the others.
    marked: u64,
}

#[derive(Debug)]
enum Say {
    Subscribe(Vec<String>),
    Unsubscribe(String),
    Publish(Outgoing),
}

impl Talk {
    /// `former`: filters that an earlier session may have left at the broker. `crowd`: so many messages the broker may send unacknowledged.
    pub(crate) fn new(
        (client, arrivals, clock): (Client, Arc<Arrivals>, Arc<dyn Clock>),
        (wanted, former): (Vec<String>, Vec<String>),
        marker_topic: Option<String>,
        crowd: usize,
    ) -> Self {
        let fence = || Fence::new(marker_topic.clone(), crowd);
        let subscriptions = Subscriptions::new(wanted, former, fence(), clock.now().as_microsecond());
        let state = State { subscriptions, fence: fence(), unsaid: VecDeque::new(), marked: 0 };
        Self { client, arrivals, clock, marker_topic, state: Mutex::new(state) }
    }

    /// Whether a message is a marker of ours.
    pub(crate) fn is_marker(&self, topic: &str) -> bool {
        self.marker_topic.as_deref() == Some(topic)
    }

    /// A new connection: asks for what is wanted, says `status`, and takes what comes as backlog if the broker had kept the session.
    pub(crate) fn connected(&self, session_present: bool, status: Option<Outgoing>) {
        let state = &mut *self.lock();
        self.steps(state, |subscriptions| subscriptions.connected(session_present, Instant::now()));
        state.unsaid.extend(status.map(Say::Publish));
        if session_present {
            self.raise(state);
        }
        self.speak(state);
    }

    /// The connection is gone: nothing is said until the next.
    pub(crate) fn lost(&self) {
        let state = &mut *self.lock();
        state.subscriptions.lost();
        state.fence.drop();
        state.unsaid.clear();
        self.arrivals.change_link(|link| link.backlog = false);
    }

    /// From now on these filters are wanted, and no others.
    pub(crate) fn want(&self, wanted: Vec<String>) {
        let state = &mut *self.lock();
        self.steps(state, |subscriptions| subscriptions.want(wanted, Instant::now()));
        self.speak(state);
    }

    /// Notes the answer to a subscription; returns it filter by filter.
    pub(crate) fn granted(&self, grants: Vec<Grant>) -> Vec<(String, Grant)> {
        let state = &mut *self.lock();
        let mut answers = Vec::new();
        self.steps(state, |subscriptions| {
            let (answered, next) = subscriptions.answered(grants, Instant::now());
            answers = answered;
            next
        });
        self.speak(state);
        let poor = state.subscriptions.poor();
        let unheard = |(filter, grant): &(String, Grant)| self.is_marker(filter) && matches!(grant, Grant::Refused(_));
        if state.fence.is_raised() && answers.iter().any(unheard) {
            state.fence.drop();
            self.give_up("the broker refuses the subscription to it");
        }
        self.arrivals.change_link(|link| (link.refused_filters, link.qos0_filters) = poor);
        answers
    }

    /// Notes a marker.
    pub(crate) fn marker(&self, payload: &[u8]) {
        let state = &mut *self.lock();
        self.steps(state, |subscriptions| subscriptions.marker(payload, Instant::now()));
        match state.fence.came(payload) {
            Came::Nothing => {}
            Came::Crowded => self.raise(state),
            Came::Over => self.arrivals.change_link(|link| link.backlog = false),
        }
        self.speak(state);
    }

    /// Notes another message; whether it may have waited at the broker.
    pub(crate) fn message(&self) -> bool {
        let (state, now) = (&mut *self.lock(), Instant::now());
        state.subscriptions.message(now);
        state.fence.message(now)
    }

    /// What comes from now on may have waited: the broker had no acknowledgement for some time.
    pub(crate) fn held_up(&self) {
        let state = &mut *self.lock();
        if state.subscriptions.is_online() {
            self.raise(state);
            self.speak(state);
        }
    }

    /// Says what has found no room so far, and looks after markers that do not come back; whether all is said.
    pub(crate) fn go_on(&self) -> bool {
        let (state, now) = (&mut *self.lock(), Instant::now());
        self.speak(state);
        if !state.unsaid.is_empty() || self.arrivals.commits_fail() {
            // Without acknowledgements nothing comes, markers included.
            state.fence.put_off(now);
            state.subscriptions.put_off(now);
            return state.unsaid.is_empty();
        }
        self.steps(state, |subscriptions| subscriptions.wait(now));
        match state.fence.overdue(now) {
            Overdue::No => {}
            overdue @ (Overdue::Again | Overdue::InVain) => {
                if overdue == Overdue::InVain {
                    let topic = self.marker_topic.as_deref().unwrap_or_default();
                    let sample = format!(
                        "{topic}: markers have not come back for minutes, while much came; messages without a time of their own stay \
                         in no exposure meanwhile. A long backlog does so; if it lasts, give this client the right to write and read it"
                    );
                    tracing::warn!("{sample}");
                    self.arrivals.fault(Reason::FenceLost, self.clock.now(), sample);
                }
                let marker = self.mark(state);
                state.fence.raise_again(marker, now);
            }
            Overdue::GivenUp => {
                self.give_up("its markers did not come back, though little came that could have held them up")
            }
        }
        self.speak(state);
        state.unsaid.is_empty()
    }

    fn raise(&self, state: &mut State) {
        if self.marker_topic.is_some() {
            let marker = self.mark(state);
            state.fence.raise(marker, Instant::now());
            self.arrivals.change_link(|link| link.backlog = true);
        }
    }

    /// Sends a marker that is unlike any other, of an earlier life of this service too.
    fn mark(&self, state: &mut State) -> String {
        state.marked += 1;
        let marker = format!("{}-{}", self.clock.now().as_microsecond(), state.marked);
        self.publish_marker(state, marker.clone());
        marker
    }

    fn publish_marker(&self, state: &mut State, marker: String) {
        let topic = self.marker_topic.clone().unwrap_or_default();
        state.unsaid.push_back(Say::Publish(Outgoing { topic, payload: marker.into_bytes(), retain: false }));
    }

    fn give_up(&self, why: &str) {
        let topic = self.marker_topic.as_deref().unwrap_or_default();
        let sample = format!(
            "{topic}: {why}; what waits at the broker cannot be told from what is new until this client has the right to write and \
             read it"
        );
        tracing::warn!("{sample}");
        self.arrivals.fault(Reason::FenceLost, self.clock.now(), sample);
        self.arrivals.change_link(|link| link.backlog = false);
    }

    /// Changes something about the subscriptions, and puts in line what follows from it.
    fn steps(&self, state: &mut State, change: impl FnOnce(&mut Subscriptions) -> Vec<Step>) {
        for step in change(&mut state.subscriptions) {
            match step {
                Step::Subscribe(filters) => state.unsaid.push_back(Say::Subscribe(filters)),
                Step::Unsubscribe(filter) => state.unsaid.push_back(Say::Unsubscribe(filter)),
                Step::Mark(marker) => self.publish_marker(state, marker),
            }
        }
    }

    fn speak(&self, state: &mut State) {
        while let Some(say) = state.unsaid.front() {
            let sent = match say {
                Say::Subscribe(filters) => self.client.subscribe(filters),
                Say::Unsubscribe(filter) => self.client.unsubscribe(filter),
                Say::Publish(message) => self.client.try_publish(message.clone(), true),
            };
            if !sent {
                tracing::debug!(?say, "no room just now: it goes out when there is some");
                return;
            }
            state.unsaid.pop_front();
        }
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
