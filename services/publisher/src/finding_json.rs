//! A finding as it is published: what holds now, and all that was said before.

use jiff::Timestamp;
use ledger::StoredFinding;
use plant::{Finding, TubeId};
use serde::Serialize;

/// A finding in its present version, without its history.
#[derive(Serialize)]
pub(crate) struct FindingLineJson<'a> {
    id: i64,
    version: i64,
    tube: Option<&'a TubeId>,
    withdrawn: bool,
    entered_at: Timestamp,
    entered_by: &'a str,
    /// When it was last corrected or withdrawn.
    changed_at: Option<Timestamp>,
    finding: Option<&'a Finding>,
}

impl<'a> FindingLineJson<'a> {
    pub(crate) fn of(stored: &'a StoredFinding) -> Self {
        FindingLineJson {
            id: stored.id,
            version: stored.version,
            tube: last_said(stored).map(|finding| &finding.tube),
            withdrawn: stored.finding.is_none(),
            entered_at: stored.entered_at,
            entered_by: &stored.entered_by,
            changed_at: last_change(stored),
            finding: stored.finding.as_ref(),
        }
    }
}

/// A finding with every version of it, the oldest first.
#[derive(Serialize)]
pub(crate) struct FindingRecordJson<'a> {
    #[serde(flatten)]
    line: FindingLineJson<'a>,
    history: Vec<VersionJson<'a>>,
}

#[derive(Serialize)]
struct VersionJson<'a> {
    version: i64,
    at: Timestamp,
    who: &'a str,
    /// Why it was changed; null for the first version.
    why: Option<&'a str>,
    /// What was said from then on; null if it was withdrawn.
    finding: Option<&'a Finding>,
}

impl<'a> FindingRecordJson<'a> {
    pub(crate) fn of(stored: &'a StoredFinding) -> Self {
        let history = stored.changed.iter().map(|change| VersionJson {
            version: change.version,
            at: change.at,
            who: &change.who,
            why: change.why.as_deref(),
            finding: change.finding.as_ref(),
        });
        FindingRecordJson { line: FindingLineJson::of(stored), history: history.collect() }
    }
}

/// What holds, or what held before it was withdrawn.
pub(crate) fn last_said(stored: &StoredFinding) -> Option<&Finding> {
    stored.finding.as_ref().or_else(|| stored.changed.iter().rev().find_map(|change| change.finding.as_ref()))
}

/// The instant of the last correction or withdrawal.
pub(crate) fn last_change(stored: &StoredFinding) -> Option<Timestamp> {
    stored.changed.iter().filter(|change| change.version > 1).map(|change| change.at).max()
}

/// The strong entity tag of a version.
pub(crate) fn tag(version: i64) -> String {
    format!("\"{version}\"")
}
