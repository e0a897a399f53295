//! The page on which a finding is logged, and the scripts that keep what was typed through a lost network.

use std::collections::{BTreeMap, BTreeSet};

use askama::Template;
use axum::extract::Query;
use axum::extract::rejection::QueryRejection;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use plant::{ClockPosition, Grade, Kind, Method, Reason};
use serde::Deserialize;

use crate::api::shortened;
use crate::next_step::{defers, next_step};
use crate::pages::{Frame, rendered, unframed};
use crate::shown::Shown;
use crate::{LengthUnit, Publisher, Snapshot, Voice, standing};

const SCRIPT: &str = include_str!("../../../dashboards/scripts/finding.js");
const ENTRIES: &str = include_str!("../../../dashboards/scripts/entries.js");
const WAITING: &str = include_str!("../../../dashboards/scripts/waiting.js");
const WORDS: &str = include_str!("../../../dashboards/scripts/words.js");
const WORKER: &str = include_str!("../../../dashboards/scripts/worker.js");

/// More zones than this do not fit across a phone: there the wall is turned, zones down.
const ACROSS_A_PHONE: usize = 4;

/// The texts of the scripts, each with what a script puts into it by `{name}`. `$count` chooses nothing here: scripts ask for
/// the text of one thing by its own key.
const SCRIPT_WORDS: [(&str, &[&str]); 46] = [
    ("script-waiting", &[]),
    ("script-login", &[]),
    ("script-refused", &[]),
    ("script-photos", &[]),
    ("script-sent", &[]),
    ("script-entry", &["seen", "tube"]),
    ("script-log-in", &[]),
    ("script-change", &[]),
    ("script-look", &[]),
    ("script-count-waiting", &["count"]),
    ("script-count-refused", &["count"]),
    ("script-count-sent", &["count"]),
    ("script-keeps-nothing", &[]),
    ("script-answered", &["status"]),
    ("script-station", &["clock", "zone"]),
    ("script-as-entered", &[]),
    ("script-unknown", &[]),
    ("script-not-read", &[]),
    ("script-legend", &["station", "words"]),
    ("script-next", &["step"]),
    ("script-everywhere", &[]),
    ("script-smooth", &["count"]),
    ("script-could-not", &["places"]),
    ("script-in-part", &["count"]),
    ("script-by", &["who"]),
    ("script-lacks-unit", &[]),
    ("script-lacks-mark", &[]),
    ("script-lacks-serial", &[]),
    ("script-lacks-read", &[]),
    ("script-lacks-wall", &[]),
    ("script-lacks-depth", &["example", "station"]),
    ("script-lacks-hours", &["example"]),
    ("script-lacks-at", &[]),
    ("script-note-register", &["entered", "tube", "unit"]),
    ("script-no-tube", &[]),
    ("script-no-unit", &[]),
    ("script-note-unread", &[]),
    ("script-note-could-not", &["places"]),
    ("script-not-chosen", &[]),
    ("script-nothing", &[]),
    ("script-lost", &[]),
    ("script-take-off", &[]),
    ("script-take-off-name", &["name"]),
    ("script-cannot-keep", &["names"]),
    ("script-smooth-one", &["count"]),
    ("script-in-part-one", &["count"]),
];

#[derive(Template)]
#[template(path = "entry.html")]
struct EntryPage {
    voice: Voice,
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
    methods: Vec<[String; 2]>,
    reasons: Vec<[String; 2]>,
    script_words: Vec<(&'static str, String)>,
    zone_name: String,
    /// In which style numbers are typed, and whether depths are in mil unless something else is chosen.
    decimal: &'static str,
    mil: bool,
    /// Now on the plant's clock, for the script and as a field has it.
    now_utc: String,
    now_local: String,
    defers: String,
    before_opening: String,
    flakes: String,
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
    meaning: String,
    steps: Vec<(String, String)>,
}

/// Which unit or tube is to be chosen already.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct EntryQuery {
    unit: Option<String>,
    tube: Option<String>,
}

/// `GET /findings/new`
pub(crate) async fn page(Shown(publisher): Shown, query: Result<Query<EntryQuery>, QueryRejection>) -> Response {
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

/// `GET /words.js`
pub(crate) async fn words() -> Response {
    javascript(WORDS)
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
        let (site, voice) = (&publisher.site, &publisher.site.voice);
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
        let unknown = no_unit
            .map(|unit| voice.tell("entry-no-unit", &[("unit", &format!("{:?}", shortened(unit)))]))
            .or(no_tube.map(|tube| voice.tell("entry-no-tube", &[("tube", &format!("{:?}", shortened(tube)))])));
        let surfaces: BTreeSet<&str> = tubes.iter().map(|tube| tube.surface.as_str()).collect();
        let grades = (0..=4).filter_map(|number| Grade::try_from(number).ok()).map(|grade| GradeRow {
            grade: grade.get(),
            meaning: voice.meaning_of(grade),
            steps: surfaces.iter().map(|surface| ((*surface).to_owned(), next_step(grade, surface, voice))).collect(),
        });
        let now = publisher.clock.now();
        EntryPage {
            voice: publisher.site.voice.clone(),
            frame: Frame::of(publisher, snapshot),
            unknown,
            clocks: ClockPosition::ALL,
            many_zones: site.zones.len() > ACROSS_A_PHONE,
            zones: site.zones.iter().map(|zone| zone.0.clone()).collect(),
            grades: grades.collect(),
            surfaces: surfaces.iter().map(|surface| [(*surface).to_owned(), voice.surface(surface)]).collect(),
            kinds: Kind::ALL.iter().map(|kind| [kind.as_str().to_owned(), voice.kind(*kind)]).collect(),
            methods: Method::ALL
                .iter()
                .map(|method| [method.as_str().to_owned(), method_words(*method, voice)])
                .collect(),
            reasons: Reason::ALL
                .iter()
                .map(|reason| [reason.as_str().to_owned(), reason_words(*reason, voice)])
                .collect(),
            script_words: SCRIPT_WORDS.iter().map(|(key, names)| (*key, script_words(key, names, voice))).collect(),
            zone_name: site.zone.iana_name().unwrap_or("UTC").to_owned(),
            decimal: site.voice.display.word("decimal"),
            mil: site.voice.display.length == LengthUnit::Inch,
            now_utc: now.to_string(),
            now_local: now.to_zoned_datetime(site.zone.clone()).strftime("%Y-%m-%dT%H:%M").to_string(),
            defers: defers(voice),
            before_opening: standing::before_opening(voice),
            flakes: standing::flakes(voice),
            units,
            tubes,
        }
    }
}

/// A text as a script takes it: with the names of what it puts in, in braces.
fn script_words(key: &str, names: &[&str], voice: &Voice) -> String {
    let braced: Vec<String> = names.iter().map(|name| format!("{{{name}}}")).collect();
    let told: Vec<_> =
        names.iter().zip(&braced).map(|(name, braced)| (*name, braced as &dyn std::fmt::Display)).collect();
    voice.tell(key, &told)
}

fn method_words(method: Method, voice: &Voice) -> String {
    match method {
        Method::Light => voice.say("how-light"),
        Method::Nail => voice.say("how-nail"),
        Method::Gauge => voice.say("how-gauge"),
        Method::Replica => voice.say("how-replica"),
    }
}

fn reason_words(reason: Reason, voice: &Voice) -> String {
    match reason {
        Reason::Scheduled => voice.say("why-scheduled"),
        Reason::Changeover => voice.say("why-changeover"),
        Reason::Advice => voice.say("why-advice"),
        Reason::Complaint => voice.say("why-complaint"),
    }
}
