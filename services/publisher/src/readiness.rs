//! Whether the service does its work: connected, storing, evaluating.

use jiff::Timestamp;
use serde::Serialize;

use crate::{Site, Snapshot};

/// One thing that keeps the service from being ready.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Lack {
    /// A stable word: `broker_away`, `filter_refused`, `commits_failing`, `not_evaluated`, `evaluation_late`.
    pub code: &'static str,
    /// What is wrong, and since when.
    pub detail: String,
}

/// What keeps the service from being ready at `now`; empty if nothing does.
pub fn lacks(snapshot: &Snapshot, site: &Site, now: Timestamp) -> Vec<Lack> {
    let (mut lacks, voice) = (Vec::new(), &site.voice);
    if !snapshot.link.connected {
        let since = snapshot.link.since.map_or_else(
            || voice.say("lack-never"),
            |since| voice.tell("lack-lost", &[("ago", &voice.age(since, now))]),
        );
        let error = snapshot.link.error.clone().unwrap_or_else(|| voice.say("lack-no-error"));
        let detail = voice.tell("lack-broker", &[("since", &since), ("error", &error)]);
        lacks.push(Lack { code: "broker_away", detail });
    }
    let refused = &snapshot.link.refused_filters;
    if snapshot.link.connected && !refused.is_empty() {
        let detail = voice.tell("lack-filters", &[("filters", &refused.join(", "))]);
        lacks.push(Lack { code: "filter_refused", detail });
    }
    if let Some(error) = &snapshot.journal.error {
        let last = snapshot.journal.last_commit_at.map_or_else(|| voice.say("lack-no-commit"), |at| voice.age(at, now));
        let detail = voice.tell("lack-commits", &[("last", &last), ("error", &error)]);
        lacks.push(Lack { code: "commits_failing", detail });
    }
    match snapshot.evaluated_at {
        None => {
            let detail = voice.say("lack-score");
            lacks.push(Lack { code: "not_evaluated", detail });
        }
        Some(at) if now.duration_since(at) > site.late_after => {
            let limit = site.late_after.as_secs() / 60;
            let detail = voice.tell("lack-late", &[("ago", &voice.age(at, now)), ("minutes", &limit)]);
            lacks.push(Lack { code: "evaluation_late", detail });
        }
        Some(_) => {}
    }
    lacks
}
