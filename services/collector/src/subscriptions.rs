//! Which topic filters we want, and what the broker has said to them. Pure: it knows no broker.

use std::collections::BTreeMap;

use crate::mqtt::Grant;

/// The filters of one session. One question is open at a time, so that each answer belongs to it.
#[derive(Debug, Default)]
pub(crate) struct Subscriptions {
    wanted: Vec<String>,
    /// What the broker has said. A session may hold filters of an older config too, or none: only answers count.
    answers: BTreeMap<String, Grant>,
    asked: Option<Vec<String>>,
}

impl Subscriptions {
    pub(crate) fn new(wanted: Vec<String>) -> Self {
        Self { wanted, ..Self::default() }
    }

    /// A new connection. What was not granted in full is asked for again: somebody may have mended the rights.
    pub(crate) fn connected(&mut self, session_present: bool) {
        self.asked = None;
        self.answers.retain(|_, grant| session_present && *grant == Grant::Full);
    }

    /// What to ask for now, if anything. It counts as asked.
    pub(crate) fn next(&mut self) -> Option<Vec<String>> {
        if self.asked.is_some() {
            return None;
        }
        let open: Vec<String> =
            self.wanted.iter().filter(|filter| !self.answers.contains_key(*filter)).cloned().collect();
        (!open.is_empty()).then(|| self.asked.insert(open).clone())
    }

    /// Notes the answer to what was asked, and returns it filter by filter.
    pub(crate) fn answered(&mut self, grants: Vec<Grant>) -> Vec<(String, Grant)> {
        let answers: Vec<_> = self.asked.take().unwrap_or_default().into_iter().zip(grants).collect();
        self.answers.extend(answers.iter().cloned());
        answers
    }

    /// Filters that are wanted and not granted in full.
    pub(crate) fn poor(&self) -> Vec<String> {
        let poor = |filter: &&String| self.answers.get(*filter).is_some_and(|grant| *grant != Grant::Full);
        self.wanted.iter().filter(poor).cloned().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn filters(names: &[&str]) -> Vec<String> {
        names.iter().map(|name| (*name).to_owned()).collect()
    }

    #[test]
    fn what_is_granted_is_asked_for_once_while_the_session_lasts() {
        let mut subscriptions = Subscriptions::new(filters(&["a", "b"]));
        assert_eq!(subscriptions.next(), Some(filters(&["a", "b"])));
        assert_eq!(subscriptions.next(), None, "one question at a time");
        subscriptions.answered(vec![Grant::Full, Grant::Full]);
        assert_eq!(subscriptions.next(), None);
        subscriptions.connected(true);
        assert_eq!(subscriptions.next(), None);
        subscriptions.connected(false);
        assert_eq!(subscriptions.next(), Some(filters(&["a", "b"])), "the broker has forgotten them");
    }

    #[test]
    fn what_is_refused_is_asked_for_again_at_the_next_connection_only() {
        let mut subscriptions = Subscriptions::new(filters(&["a", "b", "c"]));
        subscriptions.next();
        let answers = subscriptions.answered(vec![Grant::Full, Grant::Refused("no"), Grant::Qos0]);
        assert_eq!(answers[1], ("b".to_owned(), Grant::Refused("no")));
        assert_eq!((subscriptions.poor(), subscriptions.next()), (filters(&["b", "c"]), None));
        subscriptions.connected(true);
        assert_eq!(subscriptions.next(), Some(filters(&["b", "c"])));
    }

    #[test]
    fn a_question_of_a_broken_connection_is_asked_again() {
        let mut subscriptions = Subscriptions::new(filters(&["a"]));
        subscriptions.next();
        subscriptions.connected(true);
        assert_eq!(subscriptions.next(), Some(filters(&["a"])));
    }
}
