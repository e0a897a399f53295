//! Tells messages that waited at the broker from live ones.

use std::time::{Duration, Instant};

/// So long the marker may take, as long as none has ever come back.
const WITHIN: Duration = Duration::from_secs(60);

/// A marker of our own, published after a reconnection: a broker delivers it behind what had waited.
///
/// MQTT 3.1.1, 4.6, orders the messages of one topic only, and some brokers serve subscriptions in turn, so that the marker
/// overtakes the rest of a long backlog. So it counts only if few messages came before it: fewer than a broker may send
/// unacknowledged. After more, another one is asked for.
#[derive(Debug)]
pub(crate) struct Fence {
    topic: Option<String>,
    /// So many messages before a marker say that others may still wait.
    crowd: usize,
    waiting: Option<Waiting>,
    /// One has come back before, so it can be waited for however long the backlog is.
    proven: bool,
}

#[derive(Debug)]
struct Waiting {
    marker: String,
    since: Instant,
    /// Messages that came since.
    before: usize,
}

/// What a message on the marker's topic says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Came {
    /// It is of an earlier connection and may have waited itself: nothing.
    Nothing,
    /// Others may still wait: raise another marker.
    Crowded,
    /// Nothing waits any more.
    Over,
}

/// How things stand when a message comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Standing {
    Live,
    Backlog,
    /// The marker did not come back, now it is no longer waited for. Said once.
    GivenUp,
}

impl Fence {
    /// Without a topic there is no marker, and every message counts as live.
    /// `crowd`: so many messages a broker may send unacknowledged.
    pub(crate) fn new(topic: Option<String>, crowd: usize) -> Self {
        Self { topic, crowd, waiting: None, proven: false }
    }

    pub(crate) fn topic(&self) -> Option<&str> {
        self.topic.as_deref()
    }

    /// From now on messages count as backlog, until `marker` comes back.
    pub(crate) fn raise(&mut self, marker: String, now: Instant) {
        self.waiting = self.topic.is_some().then_some(Waiting { marker, since: now, before: 0 });
    }

    /// A marker is on its way.
    pub(crate) fn is_raised(&self) -> bool {
        self.waiting.is_some()
    }

    /// The connection is gone, and the marker with it.
    pub(crate) fn drop(&mut self) {
        self.waiting = None;
    }

    /// A message on the marker's topic.
    pub(crate) fn came(&mut self, payload: &[u8]) -> Came {
        match self.waiting.take_if(|waiting| waiting.marker.as_bytes() == payload) {
            None => Came::Nothing,
            Some(waiting) => {
                self.proven = true;
                if waiting.before < self.crowd { Came::Over } else { Came::Crowded }
            }
        }
    }

    /// Another message.
    pub(crate) fn standing(&mut self, now: Instant) -> Standing {
        match &mut self.waiting {
            None => Standing::Live,
            Some(waiting) if !self.proven && now.duration_since(waiting.since) >= WITHIN => {
                self.waiting = None;
                Standing::GivenUp
            }
            Some(waiting) => {
                waiting.before += 1;
                Standing::Backlog
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_comes_before_the_marker_is_backlog() {
        let start = Instant::now();
        let mut fence = Fence::new(Some("s/fence/c".into()), 20);
        assert_eq!(fence.standing(start), Standing::Live);
        fence.raise("2".into(), start);
        assert_eq!(fence.standing(start), Standing::Backlog);
        assert_eq!(fence.came(b"1"), Came::Nothing, "a marker of an earlier connection says nothing");
        assert_eq!(fence.standing(start), Standing::Backlog);
        assert_eq!(fence.came(b"2"), Came::Over);
        assert_eq!(fence.standing(start), Standing::Live);
    }

    #[test]
    fn a_marker_behind_a_crowd_asks_for_another() {
        let start = Instant::now();
        let mut fence = Fence::new(Some("s/fence/c".into()), 20);
        for (marker, before, says) in [("1", 300, Came::Crowded), ("2", 20, Came::Crowded), ("3", 19, Came::Over)] {
            fence.raise(marker.into(), start);
            (0..before).for_each(|_| assert_eq!(fence.standing(start), Standing::Backlog));
            assert_eq!(fence.came(marker.as_bytes()), says, "{before} before it");
        }
    }

    #[test]
    fn a_marker_that_never_came_is_given_up_once() {
        let start = Instant::now();
        let mut fence = Fence::new(Some("s/fence/c".into()), 20);
        fence.raise("1".into(), start);
        assert_eq!(fence.standing(start + WITHIN - Duration::from_millis(1)), Standing::Backlog);
        assert_eq!(fence.standing(start + WITHIN), Standing::GivenUp);
        assert_eq!(fence.standing(start + WITHIN), Standing::Live);
    }

    #[test]
    fn a_marker_that_came_before_is_waited_for_behind_a_long_backlog() {
        let start = Instant::now();
        let mut fence = Fence::new(Some("s/fence/c".into()), 20);
        fence.raise("1".into(), start);
        assert_eq!(fence.came(b"1"), Came::Over);
        fence.raise("2".into(), start);
        assert_eq!(fence.standing(start + WITHIN * 10), Standing::Backlog);
        fence.drop();
        assert_eq!(fence.standing(start), Standing::Live);
    }

    #[test]
    fn without_a_topic_every_message_is_live() {
        let mut fence = Fence::new(None, 20);
        fence.raise("1".into(), Instant::now());
        assert_eq!(fence.standing(Instant::now()), Standing::Live);
    }
}
