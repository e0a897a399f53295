//! The JSON of changeovers and models.

use axum::extract;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use plant::{Campaign, Grade, Horizon, State, TubeId, UnitId};
use serde::Serialize;

use crate::advice::{advice, unavailable};
use crate::api::Pretty;
use crate::changeovers::{self, Changeover};
use crate::rank::rounded;
use crate::{Interval, ModelEntry, Publisher, Site, Snapshot, standing};

#[derive(Serialize)]
struct ChangeoversJson<'a> {
    at: Timestamp,
    limit_grade: Grade,
    limit_meaning: &'static str,
    notice: Vec<String>,
    /// Whether the plant entered any campaign: without, an empty list says nothing.
    campaigns_known: bool,
    changeovers: Vec<ChangeoverJson<'a>>,
}

#[derive(Serialize)]
struct ChangeoverJson<'a> {
    unit: &'a UnitId,
    tube: Option<&'a TubeId>,
    from: Timestamp,
    to: Timestamp,
    ends: &'a Campaign,
    begins: &'a Campaign,
    state: Option<State>,
    hold_and_assess: bool,
    advice: String,
    longest_interval: Option<Interval>,
    risk_now: Option<Horizon>,
    run_h_ahead: Option<f64>,
    risk_if_not_opened: Option<Horizon>,
    no_risk_because: Option<&'a str>,
}

impl<'a> ChangeoverJson<'a> {
    fn of(stop: &'a Changeover<'a>, snapshot: &Snapshot, site: &Site) -> Self {
        let interval = stop.score.map(|score| Interval::of(score, snapshot, site));
        ChangeoverJson {
            unit: stop.unit,
            tube: stop.score.and_then(|score| score.tube.as_ref()),
            from: stop.stop_from(),
            to: stop.stop_to(),
            ends: stop.ends,
            begins: stop.begins,
            state: stop.score.map(|score| score.state),
            hold_and_assess: stop.score.is_some_and(|score| score.hold_and_assess),
            advice: match (stop.score, &interval) {
                (Some(score), Some(interval)) => advice(score, interval, site),
                _ => unavailable("this unit has not been evaluated", &site.voice),
            },
            longest_interval: interval,
            risk_now: stop.now().map(rounded),
            run_h_ahead: stop.run_h_ahead.as_ref().ok().copied(),
            risk_if_not_opened: stop.if_not_opened.as_ref().ok().map(rounded),
            no_risk_because: stop.if_not_opened.as_ref().err().map(String::as_str),
        }
    }
}

/// `GET /api/v1/changeovers`, in order of time.
pub(crate) async fn changeovers(extract::State(publisher): extract::State<Publisher>) -> Response {
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let stops = changeovers::changeovers(&snapshot, &site.voice);
    Pretty(ChangeoversJson {
        at: snapshot.at,
        limit_grade: site.limit,
        limit_meaning: site.limit.meaning(),
        notice: standing::notice(site),
        campaigns_known: !snapshot.campaigns.is_empty(),
        changeovers: stops.iter().map(|stop| ChangeoverJson::of(stop, &snapshot, site)).collect(),
    })
    .into_response()
}

#[derive(Serialize)]
struct ModelsJson<'a> {
    at: Timestamp,
    models: Vec<&'a ModelEntry>,
}

/// `GET /api/v1/models`, newest first.
pub(crate) async fn models(extract::State(publisher): extract::State<Publisher>) -> Response {
    let snapshot = publisher.newest();
    Pretty(ModelsJson { at: snapshot.at, models: newest_first(&snapshot) }).into_response()
}

/// The models of the ledger, newest first.
pub(crate) fn newest_first(snapshot: &Snapshot) -> Vec<&ModelEntry> {
    let mut models: Vec<_> = snapshot.models.iter().collect();
    models.sort_by_key(|model| std::cmp::Reverse(model.version));
    models
}
