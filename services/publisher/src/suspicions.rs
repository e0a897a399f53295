//! Doubts about the record: as JSON, and as a page that says what to check.

use askama::Template;
use axum::extract;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::{SignedDuration, Timestamp};
use plant::{Suspicion, SuspicionKind, Suspicions, TubeId};
use serde::Serialize;

use crate::api::Pretty;
use crate::figures::count;
use crate::pages::{Frame, rendered};
use crate::{Publisher, Site, Snapshot};

/// Doubts about what happened so recently are told on the board.
const RECENT: SignedDuration = SignedDuration::from_hours(30 * 24);

#[derive(Serialize)]
struct SuspicionsJson<'a> {
    at: Timestamp,
    suspicions: &'a [Suspicion],
    grades_one_lower: u64,
    grades_compared: u64,
}

/// `GET /api/v1/suspicions`, newest first.
pub(crate) async fn suspicions(extract::State(publisher): extract::State<Publisher>) -> Response {
    let snapshot = publisher.newest();
    let Suspicions { doubts, one_lower, compared } = &snapshot.suspicions;
    Pretty(SuspicionsJson {
        at: snapshot.at,
        suspicions: doubts,
        grades_one_lower: *one_lower,
        grades_compared: *compared,
    })
    .into_response()
}

/// A doubt as people read it.
#[derive(Debug)]
pub(crate) struct Doubt {
    pub day: String,
    pub title: &'static str,
    pub tube: Option<String>,
    pub units: String,
    pub what: String,
    pub check: String,
}

impl Doubt {
    fn of(doubt: &Suspicion, site: &Site) -> Doubt {
        let units: Vec<_> = doubt.units.iter().map(|unit| unit.as_str()).collect();
        Doubt {
            day: site.day(doubt.at),
            title: title(doubt.kind),
            tube: doubt.tube.as_ref().map(ToString::to_string),
            units: units.join(", "),
            what: doubt.what.clone(),
            check: doubt.check.clone(),
        }
    }
}

const fn title(kind: SuspicionKind) -> &'static str {
    match kind {
        SuspicionKind::TradedTorque => "torque traded",
        SuspicionKind::GradeFell => "grade fell",
        SuspicionKind::DepthUnit => "unit of depth",
        SuspicionKind::EndsMirrored => "ends mirrored",
        SuspicionKind::WrongMeter => "wrong hour meter",
        SuspicionKind::EnteredLate => "entered late",
        SuspicionKind::TwoGrades => "two grades",
    }
}

/// The doubts that touch a tube, newest first.
pub(crate) fn of_tube(snapshot: &Snapshot, tube: &TubeId, site: &Site) -> Vec<Doubt> {
    let own = snapshot.suspicions.doubts.iter().filter(|doubt| doubt.tube.as_ref() == Some(tube));
    own.map(|doubt| Doubt::of(doubt, site)).collect()
}

/// How many doubts the board tells of; `None` if there are none of late.
pub(crate) fn recent(snapshot: &Snapshot) -> Option<String> {
    let doubts = &snapshot.suspicions.doubts;
    let recent = doubts.iter().filter(|doubt| snapshot.at.duration_since(doubt.at) < RECENT).count();
    match recent {
        0 => None,
        1 => Some("One thing of the last 30 days is doubted".to_owned()),
        many => Some(format!("{} things of the last 30 days are doubted", count(many as u64))),
    }
}

#[derive(Template)]
#[template(path = "suspicions.html")]
struct SuspicionsPage {
    frame: Frame,
    doubts: Vec<Doubt>,
    one_lower: String,
    compared: String,
    agreement: String,
    kappas: Vec<[String; 3]>,
}

/// `GET /suspicions`
pub(crate) async fn page(extract::State(publisher): extract::State<Publisher>) -> Response {
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let all = &snapshot.suspicions;
    let page = SuspicionsPage {
        frame: Frame::of(&publisher, &snapshot),
        doubts: all.doubts.iter().map(|doubt| Doubt::of(doubt, site)).collect(),
        one_lower: count(all.one_lower),
        compared: count(all.compared),
        agreement: snapshot.agreement.sentence(),
        kappas: snapshot.agreement.rows(),
    };
    rendered(StatusCode::OK, &page)
}
