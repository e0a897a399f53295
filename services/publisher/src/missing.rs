//! What a new service still lacks, and whose next step that is.

use crate::{Snapshot, Voice};

/// What one person can do next.
#[derive(Debug)]
pub(crate) struct Step {
    /// Whose step it is.
    pub who: String,
    /// What there is and what is missing.
    pub missing: String,
    /// What to do.
    pub next: String,
    /// A command that helps; empty if none does.
    pub command: &'static str,
}

/// The next step of each of the three, until there are tubes, findings and scores of them.
pub(crate) fn steps(snapshot: &Snapshot, voice: &Voice) -> Vec<Step> {
    let looked = snapshot.tubes.values().any(|detail| !detail.findings.is_empty());
    if looked && !snapshot.scores.is_empty() {
        return Vec::new();
    }
    vec![controls_engineer(snapshot, voice), analyst(snapshot, voice), manager(snapshot, voice)]
}

fn controls_engineer(snapshot: &Snapshot, voice: &Voice) -> Step {
    let arriving = snapshot.signals.iter().filter(|signal| signal.count > 0).count() as u64;
    let silent = snapshot.signals.len() as u64 - arriving;
    let unmapped = snapshot.unmapped.len() as u64;
    if snapshot.link.connected && arriving > 0 && silent == 0 {
        return Step {
            who: voice.say("missing-controls"),
            missing: voice.tell("missing-all-arrive", &[("signals", &voice.count(arriving))]),
            next: voice.say("missing-all-arrive-next"),
            command: "groovecast import history FILE... --config FILE",
        };
    }
    let (missing, next) = match (snapshot.link.connected, arriving, unmapped) {
        (false, ..) => {
            let error = snapshot.link.error.clone().unwrap_or_else(|| voice.say("missing-no-connection"));
            (voice.tell("missing-broker", &[("error", &error)]), voice.say("missing-broker-next"))
        }
        (true, 0, 0) => (voice.say("missing-messages"), voice.say("missing-messages-next")),
        (true, 0, _) => (
            voice.tell("missing-mapping", &[("count", &unmapped), ("topics", &voice.count(unmapped))]),
            voice.say("missing-mapping-next"),
        ),
        (true, ..) => (
            format!(
                "{}; {}",
                voice.tell(
                    "missing-arriving",
                    &[
                        ("count", &arriving),
                        ("signals", &voice.count(arriving)),
                        ("mapped", &voice.count(arriving + silent)),
                    ]
                ),
                voice.tell("missing-unmapped", &[("count", &unmapped), ("topics", &voice.count(unmapped))])
            ),
            voice.say("missing-arriving-next"),
        ),
    };
    Step { who: voice.say("missing-controls"), missing, next, command: "groovecast listen --config FILE" }
}

fn analyst(snapshot: &Snapshot, voice: &Voice) -> Step {
    let tubes = snapshot.tubes.len() as u64;
    let findings: usize = snapshot.tubes.values().map(|detail| detail.findings.len()).sum();
    let who = voice.say("missing-analyst");
    if snapshot.evaluated_at.is_none() {
        let (missing, next) = (voice.say("missing-first"), voice.say("missing-first-next"));
        return Step { who, missing, next, command: "" };
    }
    if tubes == 0 {
        let missing = voice.say("missing-tubes");
        let next = voice.say("missing-tubes-next");
        return Step { who, missing, next, command: "groovecast import register FILE... --config FILE" };
    }
    if findings == 0 {
        let missing = voice.tell("missing-findings", &[("count", &tubes), ("tubes", &voice.count(tubes))]);
        return Step {
            who,
            missing,
            next: voice.say("missing-findings-next"),
            command: "groovecast import findings FILE --config FILE",
        };
    }
    let missing = voice.tell(
        "missing-score",
        &[
            ("tubes", &voice.tell("count-tubes", &[("count", &tubes), ("tubes", &voice.count(tubes))])),
            (
                "findings",
                &voice.tell("count-findings", &[("count", &findings), ("findings", &voice.count(findings as u64))]),
            ),
        ],
    );
    Step { who, missing, next: voice.say("missing-score-next"), command: "groovecast score --config FILE" }
}

fn manager(snapshot: &Snapshot, voice: &Voice) -> Step {
    let (missing, next, command) = if snapshot.evaluated_at.is_none() {
        ("missing-first-ranking", "missing-ranking-next", "")
    } else if snapshot.campaigns.is_empty() {
        ("missing-ranking-and-plan", "missing-plan-next", "groovecast import campaigns FILE --config FILE")
    } else {
        ("missing-ranking", "missing-ranking-next", "")
    };
    Step { who: voice.say("missing-manager"), missing: voice.say(missing), next: voice.say(next), command }
}
