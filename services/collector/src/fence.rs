//! Tells messages that waited at the broker from live ones.

use std::time::{Duration, Instant};

/// A marker that is not back by then may be lost, and another one goes out.
const WITHIN: Duration = Duration::from_secs(60);
/// A broker that holds messages for us sends a crowd of them within this time, now and then at least.
const AT_ONCE: Duration = Duration::from_secs(1);
/// After so many lost markers in a row, while no crowd came, nobody waits for them any more.
const LOST_IN_A_ROW: u32 = 2;
/// After so many in a row that did not come back, whatever drained behind them, somebody should look.
const IN_VAIN: u32 = 10;

/// A marker of our own, published after a reconnection: a broker delivers it behind what had waited.
///
/// MQTT 3.1.1, 4.6, orders the messages of one topic only, and some brokers serve subscriptions in turn, so that the marker
/// overtakes the rest of a long backlog. So it counts only if few messages came before it: fewer than a broker may send
/// unacknowledged. After more, another one is asked for.
///
/// However long a backlog takes, it stays one while it visibly drains. A marker can get lost all the same: a broker whose queue
/// is full drops it, or the right to write or read it is missing, which MQTT 3.1.1 does not tell. So others follow, and are
/// given up only where so little comes that nothing can wait.
#[derive(Debug)]
pub(crate) struct Fence {
    topic: Option<String>,
    /// So many messages before a marker say that others may still wait.
    crowd: usize,
    waiting: Option<Waiting>,
    /// Markers in a row that did not come back.
    in_vain: u32,
}

#[derive(Debug)]
struct Waiting {
    marker: String,
    since: Instant,
    /// Messages that came since.
    before: usize,
    /// When the first message of the last burst came, and how many came at once with it.
    burst: (Instant, usize),
    /// A crowd came at once: what waits drains.
    drains: bool,
    /// Markers in a row that did not come back and behind which nothing drained.
    lost: u32,
}

impl Waiting {
    fn new(marker: String, now: Instant, lost: u32) -> Self {
        Self { marker, since: now, before: 0, burst: (now, 0), drains: false, lost }
    }
}

/// What a message on the marker's topic says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Came {
    /// It is not the newest marker, and may have waited itself: nothing.
    Nothing,
    /// Others may still wait: raise another marker.
    Crowded,
    /// Nothing waits any more.
    Over,
}

/// What follows when a marker does not come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Overdue {
    /// Nothing yet.
    No,
    /// It may be lost: send another one.
    Again,
    /// The same, and so many were before it that somebody should look. Said once.
    InVain,
    /// Markers do not come back, and nothing waits. Said once.
    GivenUp,
}

impl Fence {
    /// Without a topic there is no marker, and every message counts as live.
    /// `crowd`: so many messages a broker may send unacknowledged.
    pub(crate) fn new(topic: Option<String>, crowd: usize) -> Self {
        Self { topic, crowd, waiting: None, in_vain: 0 }
    }

    pub(crate) fn topic(&self) -> Option<&str> {
        self.topic.as_deref()
    }

    /// From now on messages count as backlog, until `marker` comes back.
    pub(crate) fn raise(&mut self, marker: String, now: Instant) {
        self.waiting = self.topic.is_some().then(|| Waiting::new(marker, now, 0));
    }

    /// Another marker is sent after [`Overdue::Again`].
    pub(crate) fn raise_again(&mut self, marker: String, now: Instant) {
        let lost = self.waiting.as_ref().map_or(0, |waiting| waiting.lost);
        self.waiting = self.topic.is_some().then(|| Waiting::new(marker, now, lost));
    }

    /// A marker is on its way: messages are backlog.
    pub(crate) fn is_raised(&self) -> bool {
        self.waiting.is_some()
    }

    /// The connection is gone, or nobody may write or read the marker: it is not waited for.
    pub(crate) fn drop(&mut self) {
        self.waiting = None;
    }

    /// A message on the marker's topic.
    pub(crate) fn came(&mut self, payload: &[u8]) -> Came {
        let came = self.waiting.take_if(|waiting| waiting.marker.as_bytes() == payload);
        self.in_vain = if came.is_some() { 0 } else { self.in_vain };
        match came {
            None => Came::Nothing,
            Some(waiting) if waiting.before < self.crowd => Came::Over,
            Some(_) => Came::Crowded,
        }
    }

    /// Notes another message; whether it is backlog.
    pub(crate) fn message(&mut self, now: Instant) -> bool {
        let Some(waiting) = &mut self.waiting else { return false };
        waiting.before += 1;
        if now.duration_since(waiting.burst.0) >= AT_ONCE {
            waiting.burst = (now, 0);
        }
        waiting.burst.1 += 1;
        waiting.drains |= waiting.burst.1 >= self.crowd;
        true
    }

    /// The marker has not gone out yet, or nothing can come just now: its time begins later.
    pub(crate) fn put_off(&mut self, now: Instant) {
        if let Some(waiting) = &mut self.waiting {
            waiting.since = now;
        }
    }

    /// What follows from the time that the marker has taken by now.
    pub(crate) fn overdue(&mut self, now: Instant) -> Overdue {
        let Some(waiting) = &mut self.waiting else { return Overdue::No };
        if now.duration_since(waiting.since) < WITHIN {
            return Overdue::No;
        }
        waiting.lost = if waiting.drains { 0 } else { waiting.lost + 1 };
        self.in_vain += 1;
        if waiting.lost < LOST_IN_A_ROW {
            return if self.in_vain == IN_VAIN { Overdue::InVain } else { Overdue::Again };
        }
        self.waiting = None;
        Overdue::GivenUp
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fence of 20 behind which the marker 1 is on its way.
    fn raised(now: Instant) -> Fence {
        let mut fence = Fence::new(Some("s/fence/c".into()), 20);
        fence.raise("1".into(), now);
        fence
    }

    #[test]
    fn what_comes_before_the_marker_is_backlog() {
        let start = Instant::now();
        let mut fence = Fence::new(Some("s/fence/c".into()), 20);
        assert!(!fence.message(start));
        fence.raise("2".into(), start);
        assert!(fence.message(start));
        assert_eq!(fence.came(b"1"), Came::Nothing, "a marker of an earlier connection says nothing");
        assert!(fence.message(start));
        assert_eq!(fence.came(b"2"), Came::Over);
        assert!(!fence.message(start));
    }

    #[test]
    fn a_marker_behind_a_crowd_asks_for_another() {
        let start = Instant::now();
        let mut fence = Fence::new(Some("s/fence/c".into()), 20);
        for (marker, before, says) in [("1", 300, Came::Crowded), ("2", 20, Came::Crowded), ("3", 19, Came::Over)] {
            fence.raise(marker.into(), start);
            (0..before).for_each(|_| assert!(fence.message(start)));
            assert_eq!(fence.came(marker.as_bytes()), says, "{before} before it");
        }
    }

    /// Five million messages at 20 in each 8 ms: half an hour.
    #[test]
    fn a_first_backlog_stays_one_as_long_as_it_drains() {
        let start = Instant::now();
        let mut fence = raised(start);
        for second in 0..1800 {
            let now = start + Duration::from_secs(second);
            (0..20).for_each(|_| assert!(fence.message(now), "live after {second} s"));
            if fence.overdue(now) == Overdue::Again {
                fence.raise_again(format!("after {second}"), now);
            }
        }
        // So it does at 20 in each 10 s, because commits are slow.
        let end = start + Duration::from_secs(1800);
        for window in 0..60 {
            let now = end + Duration::from_secs(window * 10);
            (0..20).for_each(|_| assert!(fence.message(now)));
            match fence.overdue(now) {
                Overdue::No => {}
                Overdue::Again | Overdue::InVain => fence.raise_again(format!("slow {window}"), now),
                Overdue::GivenUp => panic!("given up though it drains"),
            }
        }
        fence.raise_again("last".into(), end);
        assert_eq!(fence.came(b"last"), Came::Over);
    }

    #[test]
    fn a_lost_marker_is_sent_again_and_the_newest_counts() {
        let start = Instant::now();
        let mut fence = raised(start);
        assert_eq!(fence.overdue(start + WITHIN - Duration::from_millis(1)), Overdue::No);
        assert_eq!(fence.overdue(start + WITHIN), Overdue::Again);
        fence.raise_again("2".into(), start + WITHIN);
        assert!(fence.message(start + WITHIN));
        assert_eq!(fence.came(b"1"), Came::Nothing, "it was only late, and what came since may have waited");
        assert_eq!(fence.came(b"2"), Came::Over);
    }

    #[test]
    fn markers_that_never_come_are_given_up_once_where_little_comes() {
        let start = Instant::now();
        let mut fence = raised(start);
        // 19 in a second and no more: a live plant.
        let mut answers = Vec::new();
        for second in 0..=120 {
            let now = start + Duration::from_secs(second);
            (0..19).for_each(|_| assert!(fence.message(now)));
            let overdue = fence.overdue(now);
            if matches!(overdue, Overdue::Again | Overdue::InVain) {
                fence.raise_again("2".into(), now);
            }
            if overdue != Overdue::No {
                answers.push((second, overdue));
            }
        }
        assert_eq!(answers, [(60, Overdue::Again), (120, Overdue::GivenUp)]);
        assert!(!fence.message(start + WITHIN * 2));
        assert_eq!(fence.overdue(start + WITHIN * 9), Overdue::No, "said once");
    }

    #[test]
    fn a_marker_that_cannot_come_is_not_lost() {
        let start = Instant::now();
        let mut fence = raised(start);
        fence.put_off(start + WITHIN * 5);
        assert_eq!(fence.overdue(start + WITHIN * 5), Overdue::No);
        assert!(fence.message(start + WITHIN * 5));
    }

    #[test]
    fn without_a_topic_every_message_is_live() {
        let mut fence = Fence::new(None, 20);
        fence.raise("1".into(), Instant::now());
        assert!(!fence.message(Instant::now()));
    }

    #[test]
    fn markers_that_never_come_are_told_once_though_much_comes() {
        let start = Instant::now();
        let mut fence = raised(start);
        let mut told = 0;
        for second in 0..3600 {
            let now = start + Duration::from_secs(second);
            // Bursts of 20 every ten seconds, as of a plant whose units speak together.
            if second % 10 == 0 {
                (0..20).for_each(|_| assert!(fence.message(now)));
            }
            match fence.overdue(now) {
                Overdue::No => {}
                Overdue::GivenUp => panic!("given up after {second} s: what comes may have waited"),
                again => {
                    told += u32::from(again == Overdue::InVain);
                    fence.raise_again(format!("after {second}"), now);
                }
            }
        }
        assert_eq!(told, 1);
    }
}
