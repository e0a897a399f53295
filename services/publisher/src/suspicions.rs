//! Doubts about the record: as JSON, and as a page that says what to check.

use askama::Template;
use axum::extract;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::{SignedDuration, Timestamp};
use plant::{Suspicion, SuspicionKind, Suspicions, TubeId};
use serde::Serialize;

use crate::api::Pretty;
use crate::pages::{Frame, rendered};
use crate::shown::Shown;
use crate::{Publisher, Site, Snapshot, Voice};

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
    pub title: String,
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
            title: title(doubt.kind, &site.voice),
            tube: doubt.tube.as_ref().map(ToString::to_string),
            units: units.join(", "),
            what: doubt.what.clone(),
            check: doubt.check.clone(),
        }
    }
}

fn title(kind: SuspicionKind, voice: &Voice) -> String {
    match kind {
        SuspicionKind::TradedTorque => voice.say("doubt-traded-torque"),
        SuspicionKind::GradeFell => voice.say("doubt-grade-fell"),
        SuspicionKind::DepthUnit => voice.say("doubt-depth-unit"),
        SuspicionKind::EndsMirrored => voice.say("doubt-ends-mirrored"),
        SuspicionKind::WrongMeter => voice.say("doubt-wrong-meter"),
        SuspicionKind::EnteredLate => voice.say("doubt-entered-late"),
        SuspicionKind::TwoGrades => voice.say("doubt-two-grades"),
    }
}

/// The doubts that touch a tube, newest first.
pub(crate) fn of_tube(snapshot: &Snapshot, tube: &TubeId, site: &Site) -> Vec<Doubt> {
    let own = snapshot.suspicions.doubts.iter().filter(|doubt| doubt.tube.as_ref() == Some(tube));
    own.map(|doubt| Doubt::of(doubt, site)).collect()
}

/// How many doubts the board tells of; `None` if there are none of late.
pub(crate) fn recent(snapshot: &Snapshot, voice: &Voice) -> Option<String> {
    let doubts = &snapshot.suspicions.doubts;
    let recent = doubts.iter().filter(|doubt| snapshot.at.duration_since(doubt.at) < RECENT).count();
    (recent > 0).then(|| voice.tell("board-doubts", &[("count", &recent), ("things", &voice.count(recent as u64))]))
}

#[derive(Template)]
#[template(path = "suspicions.html")]
struct SuspicionsPage {
    voice: Voice,
    frame: Frame,
    doubts: Vec<Doubt>,
    one_lower: String,
    compared: String,
    agreement: String,
    kappas: Vec<[String; 3]>,
}

/// `GET /suspicions`
pub(crate) async fn page(Shown(publisher): Shown) -> Response {
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let (all, voice) = (&snapshot.suspicions, &site.voice);
    let page = SuspicionsPage {
        voice: publisher.site.voice.clone(),
        frame: Frame::of(&publisher, &snapshot),
        doubts: all.doubts.iter().map(|doubt| Doubt::of(doubt, site)).collect(),
        one_lower: voice.count(all.one_lower),
        compared: voice.count(all.compared),
        agreement: snapshot.agreement.sentence(voice),
        kappas: snapshot.agreement.rows(voice),
    };
    rendered(StatusCode::OK, &page)
}
