//! The plant's own longest interval between complete looks, and how much of it is left.

use jiff::{SignedDuration, Timestamp};
use plant::{Score, State};
use serde::Serialize;

use crate::{Site, Snapshot, Voice};

/// The longest interval between complete looks that the plant allows itself. Whichever limit comes first ends it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LongestInterval {
    /// In run hours, h.
    pub run_h: Option<f64>,
    /// In days of the calendar.
    pub days: Option<u32>,
}

impl LongestInterval {
    /// In words: `2 000 run hours or 365 days, whichever comes first`.
    pub(crate) fn words(&self, voice: &Voice) -> String {
        let run = self.run_h.map(|h| voice.tell("interval-run", &[("hours", &voice.hours(h))]));
        match (run, self.days) {
            (Some(run), Some(days)) => {
                voice.tell("interval-either", &[("run", &run), ("days", &voice.days(i64::from(days)))])
            }
            (Some(run), None) => run,
            (None, Some(days)) => voice.days(i64::from(days)),
            (None, None) => voice.say("interval-none"),
        }
    }
}

/// What is left of the plant's longest interval for one tube.
///
/// It counts from the last complete look of this life, or from the life's smooth beginning: the tube was in hand then.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "state", rename_all = "snake_case")]
pub enum Interval {
    /// Some of it is left.
    Left {
        /// Run hours left, h; absent if the plant sets no limit in run hours.
        #[serde(skip_serializing_if = "Option::is_none")]
        run_h_left: Option<f64>,
        /// Until when; absent if the plant sets no limit in days.
        #[serde(skip_serializing_if = "Option::is_none")]
        until: Option<Timestamp>,
    },
    /// It is over: a look is due.
    Over,
    /// Nobody knows when the wall was last seen whole: it counts as over.
    Unknown,
    /// The plant entered none; its own rules hold all the same.
    NotEntered,
    /// The limit is reached or the tube is to be held: no interval gives it time.
    DoesNotWait,
    /// There is no tube, or the tube sits in no unit.
    NotRunning,
}

impl Interval {
    /// What is left for the tube of a score.
    pub fn of(score: &Score, snapshot: &Snapshot, site: &Site) -> Interval {
        let LongestInterval { run_h, days } = site.longest_interval;
        let Some(tube) = score.tube.as_ref().filter(|_| score.unit.is_some()) else { return Interval::NotRunning };
        if score.hold_and_assess || score.state == State::Reached {
            return Interval::DoesNotWait;
        }
        if run_h.is_none() && days.is_none() {
            return Interval::NotEntered;
        }
        let life = snapshot.tubes.get(tube).and_then(|detail| detail.lives.last());
        let began = life.filter(|life| life.grade_at_start.is_some()).and_then(|life| life.from);
        let Some(since) = score.last_look_at.or(began) else { return Interval::Unknown };
        let until = days.and_then(|days| since.checked_add(SignedDuration::from_hours(24 * i64::from(days))).ok());
        let run_h_left = run_h.map(|longest| longest - score.run_h);
        // A count of hours that is no number must not hold the interval open.
        let hours_over = run_h_left.is_some_and(|left| left.is_nan() || left <= 0.0);
        if hours_over || until.is_some_and(|until| until <= score.at) {
            Interval::Over
        } else {
            Interval::Left { run_h_left, until }
        }
    }

    /// In words, for a table.
    pub(crate) fn words(&self, site: &Site) -> Vec<String> {
        let voice = &site.voice;
        match self {
            Interval::Left { run_h_left, until } => {
                let run = run_h_left.map(|h| voice.tell("interval-left", &[("hours", &voice.hours(h))]));
                let day = until.map(|until| voice.tell("interval-ends", &[("day", &site.day(until))]));
                run.into_iter().chain(day).collect()
            }
            Interval::Over => vec![voice.say("interval-over")],
            Interval::Unknown => vec![voice.say("interval-unknown")],
            Interval::NotEntered => vec![voice.say("interval-not-entered")],
            Interval::DoesNotWait => vec![voice.say("interval-does-not-wait")],
            Interval::NotRunning => vec!["–".to_owned()],
        }
    }

    /// Its state as one word, the same as in JSON.
    pub(crate) const fn word(&self) -> &'static str {
        match self {
            Interval::Left { .. } => "left",
            Interval::Over => "over",
            Interval::Unknown => "unknown",
            Interval::NotEntered => "not_entered",
            Interval::DoesNotWait => "does_not_wait",
            Interval::NotRunning => "not_running",
        }
    }

    /// Whether a look is due by it.
    pub fn is_due(&self) -> bool {
        matches!(self, Interval::Over | Interval::Unknown)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rank::tests::score;
    use crate::{Site, Snapshot};

    fn left_of(score: &Score, run_h: Option<f64>, days: Option<u32>) -> Interval {
        let site = Site { longest_interval: LongestInterval { run_h, days }, ..crate::rank::tests::site() };
        Interval::of(score, &Snapshot::default(), &site)
    }

    fn looked_at(days_ago: i64, run_h: f64) -> Score {
        let mut score = score("C1", "T1", Some(0.01));
        score.last_look_at = score.at.checked_sub(SignedDuration::from_hours(24 * days_ago)).ok();
        score.run_h = run_h;
        score
    }

    #[test]
    fn whichever_limit_comes_first_ends_it() {
        assert!(matches!(left_of(&looked_at(10, 100.0), Some(2000.0), Some(365)), Interval::Left { .. }));
        assert_eq!(left_of(&looked_at(10, 2000.0), Some(2000.0), Some(365)), Interval::Over);
        assert_eq!(left_of(&looked_at(365, 100.0), Some(2000.0), Some(365)), Interval::Over);
        assert_eq!(left_of(&looked_at(365, 100.0), None, None), Interval::NotEntered);
    }

    #[test]
    fn an_unknown_start_or_count_of_hours_never_leaves_time() {
        let mut never = looked_at(10, 100.0);
        never.last_look_at = None;
        assert_eq!(left_of(&never, Some(2000.0), None), Interval::Unknown);
        assert!(Interval::Unknown.is_due());
        assert_eq!(left_of(&looked_at(10, f64::NAN), Some(2000.0), Some(365)), Interval::Over);
    }

    #[test]
    fn a_reached_limit_gets_no_time_from_the_interval() {
        let mut reached = looked_at(1, 1.0);
        reached.state = State::Reached;
        assert_eq!(left_of(&reached, Some(2000.0), Some(365)), Interval::DoesNotWait);
    }
}
