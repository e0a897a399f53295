//! The page on which a finding is logged, and the scripts that keep what was typed through a lost network.

use std::collections::{BTreeMap, BTreeSet};

use askama::Template;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use plant::{ClockPosition, Grade, Kind, Method, Reason};
use serde::Deserialize;

use crate::api::shortened;
use crate::next_step::{DEFERS, next_step};
use crate::pages::{Frame, rendered, unframed};
use crate::wall::kind_words;
use crate::{Publisher, Snapshot, standing};

const SCRIPT: &str = include_str!("../../../dashboards/scripts/finding.js");
const ENTRIES: &str = include_str!("../../../dashboards/scripts/entries.js");
const WAITING: &str = include_str!("../../../dashboards/scripts/waiting.js");
const WORKER: &str = include_str!("../../../dashboards/scripts/worker.js");

/// More zones than this do not fit across a phone: there the wall is turned, zones down.
const ACROSS_A_PHONE: usize = 4;

#[derive(Template)]
#[template(path = "entry.html")]
struct EntryPage {
    frame: Frame,
    /// What the address asked for and is not there.
    unknown: Option<String>,
    units: Vec<UnitChoice>,
    tubes: Vec<TubeChoice>,
    clocks: &'static [ClockPosition],
    zones: Vec<String>,
    many_zones: bool,
    grades: Vec<GradeRow>,
    /// Surfaces of the fleet and how they read.
    surfaces: Vec<[String; 2]>,
    kinds: Vec<[String; 2]>,
    methods: Vec<[&'static str; 2]>,
    reasons: Vec<[&'static str; 2]>,
    zone_name: String,
    /// Now on the plant's clock, for the script and as a field has it.
    now_utc: String,
    now_local: String,
    defers: &'static str,
    before_opening: &'static str,
    flakes: &'static str,
}

#[derive(Debug)]
struct UnitChoice {
    unit: String,
    tube: Option<String>,
    chosen: bool,
}

#[derive(Debug)]
struct TubeChoice {
    tube: String,
    unit: Option<String>,
    surface: String,
    chosen: bool,
}

/// A grade with its usual next step, one per surface.
#[derive(Debug)]
struct GradeRow {
    grade: u8,
    meaning: &'static str,
    steps: Vec<(String, &'static str)>,
}

/// Which unit or tube is to be chosen already.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct EntryQuery {
    unit: Option<String>,
    tube: Option<String>,
}

/// `GET /findings/new`
pub(crate) async fn page(
    State(publisher): State<Publisher>,
    query: Result<Query<EntryQuery>, QueryRejection>,
) -> Response {
    let query = query.map(|Query(query)| query).unwrap_or_default();
    let page = EntryPage::of(&publisher, &publisher.newest(), &query);
    unframed(rendered(StatusCode::OK, &page))
}

/// `GET /finding.js`
pub(crate) async fn script() -> Response {
    javascript(SCRIPT)
}

/// `GET /entries.js`
pub(crate) async fn entries() -> Response {
    javascript(ENTRIES)
}

/// `GET /waiting.js`
pub(crate) async fn waiting() -> Response {
    javascript(WAITING)
}

/// `GET /worker.js`: keeps the page for a reload without network.
pub(crate) async fn worker() -> Response {
    javascript(WORKER)
}

/// A script; one imports the other, so they are asked for again together.
fn javascript(text: &'static str) -> Response {
    let headers = [(header::CONTENT_TYPE, "text/javascript; charset=utf-8"), (header::CACHE_CONTROL, "no-cache")];
    (headers, text).into_response()
}

impl EntryPage {
    fn of(publisher: &Publisher, snapshot: &Snapshot, query: &EntryQuery) -> Self {
        let site = &publisher.site;
        let mut sits: BTreeMap<String, Option<String>> = snapshot
            .scores
            .iter()
            .filter_map(|score| score.unit.as_ref())
            .map(|unit| (unit.to_string(), None))
            .collect();
        for detail in snapshot.tubes.values() {
            if let Some(unit) = &detail.unit {
                sits.insert(unit.to_string(), Some(detail.tube.tube.to_string()));
            }
        }
        let tubes: Vec<TubeChoice> = snapshot
            .tubes
            .values()
            .map(|detail| TubeChoice {
                tube: detail.tube.tube.to_string(),
                unit: detail.unit.as_ref().map(ToString::to_string),
                surface: detail.tube.surface.clone(),
                chosen: query.tube.as_deref() == Some(detail.tube.tube.as_str()),
            })
            .collect();
        // A tube that sits somewhere is chosen by its unit.
        let by_tube = tubes.iter().find(|tube| tube.chosen).and_then(|tube| tube.unit.clone());
        let wanted = query.unit.clone().or(by_tube);
        let mut units: Vec<UnitChoice> = sits
            .into_iter()
            .map(|(unit, tube)| UnitChoice { chosen: wanted.as_ref() == Some(&unit), unit, tube })
            .collect();
        // K2 stands before K10: by what comes before the number, then the shorter first.
        let stem = |unit: &str| unit.trim_end_matches(|letter: char| letter.is_ascii_digit()).to_owned();
        units.sort_by_cached_key(|choice| (stem(&choice.unit), choice.unit.len(), choice.unit.clone()));
        let no_unit = query.unit.as_deref().filter(|unit| !units.iter().any(|known| known.unit == **unit));
        let no_tube = query.tube.as_deref().filter(|tube| !tubes.iter().any(|known| known.tube == **tube));
        let unknown = no_unit.map(|unit| ("unit", unit)).or(no_tube.map(|tube| ("tube", tube)));
        let surfaces: BTreeSet<&str> = tubes.iter().map(|tube| tube.surface.as_str()).collect();
        let grades = (0..=4).filter_map(|number| Grade::try_from(number).ok()).map(|grade| GradeRow {
            grade: grade.get(),
            meaning: grade.meaning(),
            steps: surfaces.iter().map(|surface| ((*surface).to_owned(), next_step(grade, surface))).collect(),
        });
        let now = publisher.clock.now();
        EntryPage {
            frame: Frame::of(publisher, snapshot),
            unknown: unknown.map(|(what, name)| format!("No {what} {:?} is known here.", shortened(name))),
            clocks: ClockPosition::ALL,
            many_zones: site.zones.len() > ACROSS_A_PHONE,
            zones: site.zones.iter().map(|zone| zone.0.clone()).collect(),
            grades: grades.collect(),
            surfaces: surfaces.iter().map(|surface| [(*surface).to_owned(), surface.replace('_', " ")]).collect(),
            kinds: Kind::ALL.iter().map(|kind| [kind.as_str().to_owned(), kind_words(*kind)]).collect(),
            methods: Method::ALL.iter().map(|method| [method.as_str(), method_words(*method)]).collect(),
            reasons: Reason::ALL.iter().map(|reason| [reason.as_str(), reason_words(*reason)]).collect(),
            zone_name: site.zone.iana_name().unwrap_or("UTC").to_owned(),
            now_utc: now.to_string(),
            now_local: now.to_zoned_datetime(site.zone.clone()).strftime("%Y-%m-%dT%H:%M").to_string(),
            defers: DEFERS,
            before_opening: standing::BEFORE_OPENING,
            flakes: standing::FLAKES,
            units,
            tubes,
        }
    }
}

const fn method_words(method: Method) -> &'static str {
    match method {
        Method::Light => "by eye, with a light",
        Method::Nail => "by fingernail",
        Method::Gauge => "with a depth gauge",
        Method::Replica => "from a replica",
    }
}

const fn reason_words(reason: Reason) -> &'static str {
    match reason {
        Reason::Scheduled => "the plant's interval",
        Reason::Changeover => "a changeover",
        Reason::Advice => "a score or a torque",
        Reason::Complaint => "something in the product, or it ran badly",
    }
}
