//! Which topic filters we want, and what the broker has said to them. Pure: it knows no broker.

use std::collections::BTreeMap;
use std::time::Instant;

use crate::fence::{Came, Fence, Overdue};
use crate::mqtt::Grant;

/// What is to be said to the broker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Step {
    Subscribe(Vec<String>),
    /// A marker on the fence's topic.
    Mark(String),
    Unsubscribe(String),
}

/// The filters of one session. One question is open at a time, so that each answer belongs to it.
///
/// A filter that is no longer wanted is left late: not before what is wanted instead has been granted, and not before a marker
/// has come back twice without much before it. A broker may throw away what it still holds for a filter that is left (MQTT 3.1.1,
/// 3.10.4; the embedded one does), and another filter may want those messages.
#[derive(Debug)]
pub(crate) struct Subscriptions {
    online: bool,
    wanted: Vec<String>,
    /// What the broker has said. A session may hold filters of an older config too, or none: only answers count.
    answers: BTreeMap<String, Grant>,
    asked: Option<Vec<String>>,
    /// Filters that are no longer wanted, and whether this connection was told.
    unwanted: BTreeMap<String, bool>,
    fence: Fence,
    life: i64,
    /// Markers that were sent, and how many in a row came back calmly.
    marked: u64,
    calm: u32,
}

impl Subscriptions {
    /// `former`: what an earlier life may have wanted; a session that the broker has kept may hold it still. `life`: no other life
    /// of this service has it, so that markers of another one are told from ours.
    pub(crate) fn new(wanted: Vec<String>, former: Vec<String>, fence: Fence, life: i64) -> Self {
        // Who shares now may have taken everything before.
        let unshared = wanted.iter().filter_map(|filter| unshared(filter)).map(str::to_owned);
        let mut unwanted: BTreeMap<_, _> = unshared.chain(former).map(|filter| (filter, false)).collect();
        unwanted.retain(|filter, _| !wanted.contains(filter));
        Self { online: false, wanted, answers: BTreeMap::new(), asked: None, unwanted, fence, life, marked: 0, calm: 0 }
    }

    /// A new connection. What was not granted in full is asked for again: somebody may have mended the rights.
    pub(crate) fn connected(&mut self, session_present: bool, now: Instant) -> Vec<Step> {
        (self.online, self.asked) = (true, None);
        self.answers.retain(|_, grant| session_present && *grant == Grant::Full);
        self.unwanted.retain(|_, told| {
            *told = false;
            session_present
        });
        self.next(now)
    }

    /// The connection is gone: nothing is said until the next.
    pub(crate) fn lost(&mut self) {
        self.online = false;
        self.calm = 0;
        self.fence.drop();
    }

    /// Whether a connection stands.
    pub(crate) fn is_online(&self) -> bool {
        self.online
    }

    /// From now on these are wanted, and no others.
    pub(crate) fn want(&mut self, wanted: Vec<String>, now: Instant) -> Vec<Step> {
        for filter in std::mem::replace(&mut self.wanted, wanted) {
            if !self.wanted.contains(&filter) {
                self.answers.remove(&filter);
                self.unwanted.insert(filter, false);
            }
        }
        self.unwanted.retain(|filter, _| !self.wanted.contains(filter));
        self.next(now)
    }

    /// Notes the answer to what was asked; returns it filter by filter, and what is next.
    pub(crate) fn answered(&mut self, grants: Vec<Grant>, now: Instant) -> (Vec<(String, Grant)>, Vec<Step>) {
        let mut answers: Vec<_> = self.asked.take().unwrap_or_default().into_iter().zip(grants).collect();
        // Some may no longer be wanted.
        answers.retain(|(filter, _)| self.wanted.contains(filter));
        self.answers.extend(answers.iter().cloned());
        (answers, self.next(now))
    }

    /// Notes a message on the fence's topic.
    pub(crate) fn marker(&mut self, payload: &[u8], now: Instant) -> Vec<Step> {
        match self.fence.came(payload) {
            Came::Nothing => return Vec::new(),
            Came::Crowded => self.calm = 0,
            Came::Over => self.calm += 1,
        }
        if self.calm >= 2 && self.asked.is_none() {
            return self.leave();
        }
        self.next(now)
    }

    /// Notes another message.
    pub(crate) fn message(&mut self, now: Instant) {
        self.fence.message(now);
    }

    /// What was said has not gone out yet, or nothing can come just now.
    pub(crate) fn put_off(&mut self, now: Instant) {
        self.fence.put_off(now);
    }

    /// What follows from the time that has passed.
    pub(crate) fn wait(&mut self, now: Instant) -> Vec<Step> {
        match self.fence.overdue(now) {
            Overdue::No => Vec::new(),
            Overdue::Again | Overdue::InVain => {
                let marker = self.new_marker();
                self.fence.raise_again(marker.clone(), now);
                vec![Step::Mark(marker)]
            }
            // Without the right to mark, the time that has passed must do.
            Overdue::GivenUp if self.asked.is_none() => self.leave(),
            Overdue::GivenUp => Vec::new(),
        }
    }

    fn next(&mut self, now: Instant) -> Vec<Step> {
        if !self.online || self.asked.is_some() {
            return Vec::new();
        }
        let open: Vec<String> =
            self.wanted.iter().filter(|filter| !self.answers.contains_key(*filter)).cloned().collect();
        if !open.is_empty() {
            self.asked = Some(open.clone());
            self.calm = 0;
            return vec![Step::Subscribe(open)];
        }
        if self.unwanted.values().all(|told| *told) || self.fence.is_raised() {
            return Vec::new();
        }
        if self.fence.topic().is_none() {
            return self.leave();
        }
        let marker = self.new_marker();
        self.fence.raise(marker.clone(), now);
        vec![Step::Mark(marker)]
    }

    fn new_marker(&mut self) -> String {
        self.marked += 1;
        format!("leave-{}-{}", self.life, self.marked)
    }

    fn leave(&mut self) -> Vec<Step> {
        self.calm = 0;
        let untold = self.unwanted.iter_mut().filter_map(|(filter, told)| {
            let before = std::mem::replace(told, true);
            (!before).then(|| Step::Unsubscribe(filter.clone()))
        });
        untold.collect()
    }

    /// Filters that are wanted and were refused, and those that were granted with QoS 0 only.
    pub(crate) fn poor(&self) -> (Vec<String>, Vec<String>) {
        let answered = |with: fn(&Grant) -> bool| {
            let poor = |filter: &&String| self.answers.get(*filter).is_some_and(with);
            self.wanted.iter().filter(poor).cloned().collect()
        };
        (answered(|grant| matches!(grant, Grant::Refused(_))), answered(|grant| *grant == Grant::Qos0))
    }
}

/// What a shared filter takes, without the share (MQTT 5, 4.8.2).
fn unshared(filter: &str) -> Option<&str> {
    filter.strip_prefix("$share/")?.split_once('/').map(|(_, filter)| filter)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn filters(names: &[&str]) -> Vec<String> {
        names.iter().map(|name| (*name).to_owned()).collect()
    }

    fn subscribe(names: &[&str]) -> Vec<Step> {
        vec![Step::Subscribe(filters(names))]
    }

    /// Asked for what is wanted.
    fn asking(names: &[&str], topic: Option<&str>) -> Subscriptions {
        let mut subscriptions =
            Subscriptions::new(filters(names), Vec::new(), Fence::new(topic.map(str::to_owned), 20), 7);
        assert_eq!(subscriptions.connected(false, Instant::now()), subscribe(names));
        subscriptions
    }

    fn granted(subscriptions: &mut Subscriptions, number: usize) -> Vec<Step> {
        subscriptions.answered(vec![Grant::Full; number], Instant::now()).1
    }

    #[test]
    fn what_is_granted_is_asked_for_once_while_the_session_lasts() {
        let (mut subscriptions, now) = (asking(&["a", "b"], None), Instant::now());
        assert_eq!(subscriptions.want(filters(&["a", "b"]), now), [], "one question at a time");
        assert_eq!(granted(&mut subscriptions, 2), []);
        assert_eq!(subscriptions.connected(true, now), []);
        assert_eq!(subscriptions.connected(false, now), subscribe(&["a", "b"]), "the broker has forgotten them");
    }

    #[test]
    fn what_is_refused_is_asked_for_again_at_the_next_connection_only() {
        let (mut subscriptions, now) = (asking(&["a", "b", "c"], None), Instant::now());
        let (answers, next) = subscriptions.answered(vec![Grant::Full, Grant::Refused("no"), Grant::Qos0], now);
        assert_eq!((answers[1].clone(), next), (("b".to_owned(), Grant::Refused("no")), vec![]));
        assert_eq!(subscriptions.poor(), (filters(&["b"]), filters(&["c"])));
        assert_eq!(subscriptions.connected(true, now), subscribe(&["b", "c"]));
    }

    #[test]
    fn a_question_of_a_broken_connection_is_asked_again() {
        let (mut subscriptions, now) = (asking(&["a"], None), Instant::now());
        subscriptions.lost();
        assert_eq!(subscriptions.want(filters(&["a", "b"]), now), [], "nobody is there");
        assert_eq!(subscriptions.connected(true, now), subscribe(&["a", "b"]));
    }

    #[test]
    fn what_is_no_longer_wanted_is_left_once_the_rest_is_granted() {
        let (mut subscriptions, now) = (asking(&["a", "b"], None), Instant::now());
        granted(&mut subscriptions, 2);
        assert_eq!(subscriptions.want(filters(&["b", "c"]), now), subscribe(&["c"]), "c may bring what a brought");
        assert_eq!(granted(&mut subscriptions, 1), [Step::Unsubscribe("a".into())]);
        assert_eq!(subscriptions.want(filters(&["b", "c"]), now), [], "told once");
        subscriptions.lost();
        let again = subscriptions.connected(true, now);
        assert_eq!(again, [Step::Unsubscribe("a".into())], "nobody knows whether it arrived");
        assert_eq!(subscriptions.want(filters(&["a", "b", "c"]), now), subscribe(&["a"]), "wanted again");
    }

    #[test]
    fn what_changes_while_a_question_is_open_waits_for_its_answer() {
        let (mut subscriptions, now) = (asking(&["a"], None), Instant::now());
        assert_eq!(subscriptions.want(filters(&["b"]), now), []);
        let (answers, next) = subscriptions.answered(vec![Grant::Refused("no")], now);
        assert_eq!((answers, next), (vec![], subscribe(&["b"])), "nobody wants a any more");
        assert_eq!(granted(&mut subscriptions, 1), [Step::Unsubscribe("a".into())]);
        assert_eq!(subscriptions.poor(), (vec![], vec![]));
    }

    #[test]
    fn what_the_broker_still_holds_for_a_filter_comes_before_it_is_left() {
        let (mut subscriptions, now) = (asking(&["a"], Some("s/fence/c")), Instant::now());
        granted(&mut subscriptions, 1);
        assert_eq!(subscriptions.want(filters(&["b"]), now), subscribe(&["b"]));
        assert_eq!(granted(&mut subscriptions, 1), [Step::Mark("leave-7-1".into())]);
        (0..20).for_each(|_| subscriptions.message(now));
        assert_eq!(
            subscriptions.marker(b"leave-7-1", now),
            [Step::Mark("leave-7-2".into())],
            "20 messages came before it"
        );
        assert_eq!(subscriptions.marker(b"leave-7-1", now), [], "an old one says nothing");
        assert_eq!(subscriptions.marker(b"leave-7-2", now), [Step::Mark("leave-7-3".into())], "calm once");
        assert_eq!(subscriptions.marker(b"leave-7-3", now), [Step::Unsubscribe("a".into())], "calm twice");
        subscriptions.message(now);
        assert_eq!(subscriptions.wait(now), []);
    }

    #[test]
    fn what_an_earlier_life_may_have_wanted_is_left() {
        let now = Instant::now();
        let new = || {
            let (wanted, former) = (filters(&["$share/mill/a/+", "s"]), filters(&["$share/old/a/+", "s", "b"]));
            Subscriptions::new(wanted, former, Fence::new(None, 20), 7)
        };
        let mut kept = new();
        assert_eq!(kept.connected(true, now), subscribe(&["$share/mill/a/+", "s"]));
        let left = ["$share/old/a/+", "a/+", "b"].map(|filter| Step::Unsubscribe(filter.to_owned()));
        assert_eq!(granted(&mut kept, 2), left);
        let mut forgotten = new();
        forgotten.connected(false, now);
        assert_eq!(granted(&mut forgotten, 2), [], "there is nothing to leave");
    }

    #[test]
    fn without_the_right_to_mark_the_time_that_has_passed_must_do() {
        let (mut subscriptions, now) = (asking(&["a"], Some("s/fence/c")), Instant::now());
        granted(&mut subscriptions, 1);
        subscriptions.want(filters(&["b"]), now);
        assert_eq!(granted(&mut subscriptions, 1), [Step::Mark("leave-7-1".into())]);
        let now = Instant::now();
        let minutes = |minutes: u64| now + std::time::Duration::from_secs(60 * minutes);
        assert_eq!(subscriptions.wait(minutes(1)), [Step::Mark("leave-7-2".into())], "the first may be lost");
        // The broker sends what it still holds for the old filter.
        (0..20).for_each(|_| subscriptions.message(minutes(1)));
        assert_eq!(subscriptions.wait(minutes(2)), [Step::Mark("leave-7-3".into())]);
        assert_eq!(subscriptions.wait(minutes(3)), [Step::Mark("leave-7-4".into())]);
        assert_eq!(subscriptions.wait(minutes(4)), [Step::Unsubscribe("a".into())]);
    }
}
