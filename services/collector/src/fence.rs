//! Tells messages that waited at the broker from live ones.

use std::time::{Duration, Instant};

/// So long the marker may take, as long as none has ever come back.
const WITHIN: Duration = Duration::from_secs(60);

/// A marker of our own, published after a reconnection: a broker delivers it behind everything that had waited.
#[derive(Debug)]
pub(crate) struct Fence {
    topic: Option<String>,
    waiting: Option<(String, Instant)>,
    /// One has come back before, so it can be waited for however long the backlog is.
    proven: bool,
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
    pub(crate) fn new(topic: Option<String>) -> Self {
        Self { topic, waiting: None, proven: false }
    }

    pub(crate) fn topic(&self) -> Option<&str> {
        self.topic.as_deref()
    }

    /// From now on messages count as backlog, until `marker` comes back.
    pub(crate) fn raise(&mut self, marker: String, now: Instant) {
        self.waiting = self.topic.is_some().then_some((marker, now));
    }

    /// The connection is gone, and the marker with it.
    pub(crate) fn drop(&mut self) {
        self.waiting = None;
    }

    /// A message on the marker's topic; `true` if it is the one waited for. One of an earlier connection may have
    /// waited itself, and says nothing.
    pub(crate) fn came(&mut self, payload: &[u8]) -> bool {
        let it_is = self.waiting.as_ref().is_some_and(|(marker, _)| marker.as_bytes() == payload);
        if it_is {
            self.waiting = None;
            self.proven = true;
        }
        it_is
    }

    pub(crate) fn standing(&mut self, now: Instant) -> Standing {
        match &self.waiting {
            None => Standing::Live,
            Some((_, since)) if !self.proven && now.duration_since(*since) >= WITHIN => {
                self.waiting = None;
                Standing::GivenUp
            }
            Some(_) => Standing::Backlog,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_comes_before_the_marker_is_backlog() {
        let start = Instant::now();
        let mut fence = Fence::new(Some("s/fence/c".into()));
        assert_eq!(fence.standing(start), Standing::Live);
        fence.raise("2".into(), start);
        assert_eq!(fence.standing(start), Standing::Backlog);
        assert!(!fence.came(b"1"), "a marker of an earlier connection says nothing");
        assert_eq!(fence.standing(start), Standing::Backlog);
        assert!(fence.came(b"2"));
        assert_eq!(fence.standing(start), Standing::Live);
    }

    #[test]
    fn a_marker_that_never_came_is_given_up_once() {
        let start = Instant::now();
        let mut fence = Fence::new(Some("s/fence/c".into()));
        fence.raise("1".into(), start);
        assert_eq!(fence.standing(start + WITHIN - Duration::from_millis(1)), Standing::Backlog);
        assert_eq!(fence.standing(start + WITHIN), Standing::GivenUp);
        assert_eq!(fence.standing(start + WITHIN), Standing::Live);
    }

    #[test]
    fn a_marker_that_came_before_is_waited_for_behind_a_long_backlog() {
        let start = Instant::now();
        let mut fence = Fence::new(Some("s/fence/c".into()));
        fence.raise("1".into(), start);
        assert!(fence.came(b"1"));
        fence.raise("2".into(), start);
        assert_eq!(fence.standing(start + WITHIN * 10), Standing::Backlog);
        fence.drop();
        assert_eq!(fence.standing(start), Standing::Live);
    }

    #[test]
    fn without_a_topic_every_message_is_live() {
        let mut fence = Fence::new(None);
        fence.raise("1".into(), Instant::now());
        assert_eq!(fence.standing(Instant::now()), Standing::Live);
    }
}
