//! What is published: scores, record and arrivals put together.

use std::collections::BTreeMap;

use collector::{ArrivalsReport, LinkState};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use plant::{Score, TubeId, hour_start};
use publisher::{Journal, Link, Month, Snapshot, Totals, TubeDetail};

use crate::fleet::Fleet;

/// The snapshot of an evaluation; what arrives is filled in by [`with_arrivals`].
pub fn evaluated(fleet: &Fleet, scores: Vec<Score>, zone: &TimeZone) -> Snapshot {
    let tubes = fleet.record.tubes.keys().filter_map(|tube| Some((tube.clone(), detail(fleet, tube, zone)?))).collect();
    Snapshot { at: fleet.until, evaluated_at: Some(fleet.until), scores, tubes, ..Snapshot::default() }
}

fn detail(fleet: &Fleet, tube: &TubeId, zone: &TimeZone) -> Option<TubeDetail> {
    let record = &fleet.record;
    Some(TubeDetail {
        tube: record.tubes.get(tube)?.clone(),
        unit: record.unit_of(tube, fleet.until).cloned(),
        fittings: record.fittings_of(tube).cloned().collect(),
        lives: record.lives(tube),
        work: record.work.iter().filter(|work| work.tube == *tube).cloned().collect(),
        looks: record.looks(tube),
        findings: record.findings.iter().filter(|finding| finding.tube == *tube).cloned().collect(),
        months: months(fleet, tube, zone),
    })
}

/// A tube's exposures by month of the plant's calendar, oldest first.
fn months(fleet: &Fleet, tube: &TubeId, zone: &TimeZone) -> Vec<Month> {
    let mut months = BTreeMap::new();
    for piece in fleet.pieces(tube, None, fleet.until) {
        let first_day = hour_start(piece.hour.hour).to_zoned_datetime(zone.clone()).date().first_of_month();
        let exposure: &mut plant::Exposure = months.entry(first_day).or_default();
        *exposure += &piece.hour.exposure.share(piece.share);
    }
    months.into_iter().map(|(first_day, exposure)| Month { first_day, exposure }).collect()
}

/// The same snapshot with what has arrived up to now.
pub fn with_arrivals(evaluated: &Snapshot, report: ArrivalsReport, now: Timestamp) -> Snapshot {
    let link = &report.link;
    let error = match &link.state {
        LinkState::Offline { error } => Some(error.clone()),
        _ => None,
    };
    Snapshot {
        at: now,
        signals: report.signals,
        unmapped: report.unmapped,
        faults: report.faults,
        totals: Totals {
            messages: report.totals.messages,
            readings: report.totals.committed,
            duplicates: report.totals.duplicates,
            kept_out: report.totals.refused,
        },
        link: Link { connected: link.state == LinkState::Online, since: link.since, error },
        journal: Journal { last_commit_at: link.last_commit_at, error: link.commit_error.as_ref().map(|e| e.error.clone()) },
        ..evaluated.clone()
    }
}
