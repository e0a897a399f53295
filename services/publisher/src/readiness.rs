//! Whether the service does its work: connected, storing, evaluating.

use jiff::Timestamp;
use serde::Serialize;

use crate::figures::age;
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
    let mut lacks = Vec::new();
    if !snapshot.link.connected {
        let since =
            snapshot.link.since.map_or("never since the start".to_owned(), |since| format!("lost {}", age(since, now)));
        let error = snapshot.link.error.as_deref().unwrap_or("no error was reported");
        let detail = format!("no connection to the message broker ({since}): {error}");
        lacks.push(Lack { code: "broker_away", detail });
    }
    let refused = &snapshot.link.refused_filters;
    if snapshot.link.connected && !refused.is_empty() {
        let detail = format!(
            "the broker refuses to send what is subscribed to: {}; give this client the right to read it",
            refused.join(", ")
        );
        lacks.push(Lack { code: "filter_refused", detail });
    }
    if let Some(error) = &snapshot.journal.error {
        let last = snapshot.journal.last_commit_at.map_or("none yet".to_owned(), |at| age(at, now));
        let detail = format!("readings cannot be stored (last commit: {last}): {error}");
        lacks.push(Lack { code: "commits_failing", detail });
    }
    match snapshot.evaluated_at {
        None => {
            let detail = "no score has been evaluated since the start".to_owned();
            lacks.push(Lack { code: "not_evaluated", detail });
        }
        Some(at) if now.duration_since(at) > site.late_after => {
            let limit = site.late_after.as_secs() / 60;
            let detail = format!("the scores are old: evaluated {}, right would be within {limit} min", age(at, now));
            lacks.push(Lack { code: "evaluation_late", detail });
        }
        Some(_) => {}
    }
    lacks
}
