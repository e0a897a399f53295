//! What the newest proposed model would say beside the approved one. It is shown to be compared, and published nowhere else.

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use plant::{Horizon, Score, State as Standing, TubeId, UnitId};
use serde::Serialize;

use crate::api::Pretty;
use crate::rank::{Ranking, rounded, sayable};
use crate::{Publisher, Site, Snapshot};

/// A tube under both models.
#[derive(Debug, Serialize)]
pub(crate) struct Beside<'a> {
    pub unit: Option<&'a UnitId>,
    pub tube: &'a TubeId,
    /// What is published.
    pub approved_state: Standing,
    pub approved: Option<Horizon>,
    /// What the proposed model would say.
    pub proposed_state: Standing,
    pub proposed: Option<Horizon>,
}

#[derive(Serialize)]
struct ProposedJson<'a> {
    at: Timestamp,
    /// When the proposed model was asked last; `null` without one.
    asked_at: Option<Timestamp>,
    version: Option<i64>,
    scores: Vec<Beside<'a>>,
}

/// `GET /api/v1/models/proposed`
pub(crate) async fn proposed(State(publisher): State<Publisher>) -> Response {
    let snapshot = publisher.newest();
    let trial = snapshot.trial.as_ref();
    Pretty(ProposedJson {
        at: snapshot.at,
        asked_at: trial.and_then(|trial| trial.scores.first()).map(|score| score.at),
        version: trial.map(|trial| trial.version),
        scores: beside(&snapshot, &publisher.site),
    })
    .into_response()
}

/// The tubes under both models, in the order of the board.
pub(crate) fn beside<'a>(snapshot: &'a Snapshot, site: &Site) -> Vec<Beside<'a>> {
    let Some(trial) = &snapshot.trial else { return Vec::new() };
    let now = |score: &Score| sayable(score).first().map(rounded);
    let both = |approved: &'a Score| {
        let tube = approved.tube.as_ref()?;
        let proposed = trial.scores.iter().find(|score| score.tube.as_ref() == Some(tube))?;
        Some(Beside {
            unit: approved.unit.as_ref(),
            tube,
            approved_state: approved.state,
            approved: now(approved),
            proposed_state: proposed.state,
            proposed: now(proposed),
        })
    };
    Ranking::of(snapshot, site).all().filter_map(both).collect()
}
