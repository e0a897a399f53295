//! What a new service still lacks, and whose next step that is.

use crate::Snapshot;
use crate::figures::count;

/// What one person can do next.
#[derive(Debug)]
pub(crate) struct Step {
    /// Whose step it is.
    pub who: &'static str,
    /// What there is and what is missing.
    pub missing: String,
    /// What to do.
    pub next: &'static str,
    /// A command that helps; empty if none does.
    pub command: &'static str,
}

/// The next step of each of the three, until there are tubes, findings and scores of them.
pub(crate) fn steps(snapshot: &Snapshot) -> Vec<Step> {
    let looked = snapshot.tubes.values().any(|detail| !detail.findings.is_empty());
    if looked && !snapshot.scores.is_empty() {
        return Vec::new();
    }
    vec![controls_engineer(snapshot), analyst(snapshot), manager(snapshot)]
}

fn controls_engineer(snapshot: &Snapshot) -> Step {
    let arriving = snapshot.signals.iter().filter(|signal| signal.count > 0).count() as u64;
    let silent = snapshot.signals.len() as u64 - arriving;
    let unmapped = snapshot.unmapped.len() as u64;
    if snapshot.link.connected && arriving > 0 && silent == 0 {
        return Step {
            who: "Controls engineer",
            missing: format!("All mapped signals arrive ({}).", count(arriving)),
            next: "Import their past from the historian, unless that is done.",
            command: "groovecast import history FILE... --config FILE",
        };
    }
    let (missing, next) = match (snapshot.link.connected, arriving, unmapped) {
        (false, ..) => {
            let error = snapshot.link.error.as_deref().unwrap_or("no connection yet");
            (
                format!("The message broker is not connected: {error}."),
                "Check broker host, port and account in the config.",
            )
        }
        (true, 0, 0) => (
            "The broker is connected, but no message has come.".to_owned(),
            "Check the topic patterns in the config, and that the plant publishes.",
        ),
        (true, 0, _) => (
            format!(
                "Messages come on {} {}, but no mapping takes them.",
                count(unmapped),
                if unmapped == 1 { "topic" } else { "topics" }
            ),
            "Map topics to units and signals in the config; the page Signals lists what came.",
        ),
        (true, ..) => (
            format!(
                "{} of {} mapped signals {}; {} {} not mapped.",
                count(arriving),
                count(arriving + silent),
                if arriving == 1 { "arrives" } else { "arrive" },
                count(unmapped),
                if unmapped == 1 { "topic is" } else { "topics are" }
            ),
            "See the page Signals for what does not arrive and why.",
        ),
    };
    Step { who: "Controls engineer", missing, next, command: "groovecast listen --config FILE" }
}

fn analyst(snapshot: &Snapshot) -> Step {
    let tubes = snapshot.tubes.len() as u64;
    let findings: usize = snapshot.tubes.values().map(|detail| detail.findings.len()).sum();
    let who = "Reliability analyst";
    if tubes == 0 {
        let missing = "No tube is in the register, so nothing is known to wear.".to_owned();
        let next = "Import tubes, fittings and work; then findings.";
        return Step { who, missing, next, command: "groovecast import register FILE... --config FILE" };
    }
    if findings == 0 {
        let missing = format!(
            "{} {} in the register, but no finding.",
            count(tubes),
            if tubes == 1 { "tube is" } else { "tubes are" }
        );
        return Step {
            who,
            missing,
            next: "Import the findings of past looks.",
            command: "groovecast import findings FILE --config FILE",
        };
    }
    let missing = format!(
        "{} {} and {} {} are there, but no score yet.",
        count(tubes),
        if tubes == 1 { "tube" } else { "tubes" },
        count(findings as u64),
        if findings == 1 { "finding" } else { "findings" }
    );
    Step {
        who,
        missing,
        next: "Wait for the first evaluation, or score by hand.",
        command: "groovecast score --config FILE",
    }
}

fn manager(snapshot: &Snapshot) -> Step {
    let ranks = "No unit can be ranked by its own record yet. That says nothing about the tubes.";
    let (missing, next, command) = if snapshot.campaigns.is_empty() {
        let missing = format!("{ranks} No production run is known either, so no changeover is.");
        let next = "Inspect on the fixed schedule. Have past and planned runs imported.";
        (missing, next, "groovecast import campaigns FILE --config FILE")
    } else {
        (ranks.to_owned(), "Inspect on the fixed schedule.", "")
    };
    Step { who: "Operations manager", missing, next, command }
}
