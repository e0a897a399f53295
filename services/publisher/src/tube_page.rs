//! The page of one tube: its chance and why, and everything that is written down about it.

use std::collections::BTreeSet;

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::Response;
use plant::{Aside, Finding, Fitting, Kind, Life, Look, Score, Work};

use crate::advice::advice;
use crate::api::shortened;
use crate::chance::{Chance, chances};
use crate::drivers::{DriverBar, bars, greatest};
use crate::exposure_table::{BandTable, MonthTable, band_table, month_table};
use crate::figures::{hours, number, share};
use crate::look_words::findings_of;
use crate::next_step::{DEFERS, next_step};
use crate::pages::{Frame, Standing, refused, rendered};
use crate::problem::Problem;
use crate::suspicions::{self, Doubt};
use crate::wall::{Wall, kind_words, wall};
use crate::{Interval, Publisher, Site, Snapshot, TubeDetail, standing, until};

#[derive(Template)]
#[template(path = "tube.html")]
struct TubePage {
    frame: Frame,
    standing: Standing,
    limit: String,
    defers: &'static str,
    tube: String,
    unit: Option<String>,
    facts: Vec<(&'static str, String)>,
    score: Option<ScoreView>,
    /// The worst mark of this life and what usually comes next.
    next: Option<[String; 2]>,
    wall: Wall,
    looks: Vec<[String; 6]>,
    findings: Vec<[String; 9]>,
    lives: Vec<[String; 5]>,
    fittings: Vec<[String; 3]>,
    work: Vec<[String; 3]>,
    months: MonthTable,
    bands: Option<BandTable>,
    doubts: Vec<Doubt>,
}

struct ScoreView {
    hold: bool,
    advice: String,
    state: &'static str,
    state_meaning: &'static str,
    reason: String,
    chances: Vec<Chance>,
    last_known: bool,
    drivers: Vec<DriverBar>,
    driver_words: Option<String>,
    until: Vec<String>,
    equivalent: String,
    facts: Vec<(&'static str, String)>,
}

/// `GET /tubes/{tube}`
pub(crate) async fn page(State(publisher): State<Publisher>, tube: Result<Path<String>, PathRejection>) -> Response {
    let Path(tube) = match tube {
        Ok(tube) => tube,
        Err(error) => return refused(Problem::new(StatusCode::BAD_REQUEST, "bad_path", error.body_text())),
    };
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let Some(detail) = snapshot.tubes.values().find(|detail| detail.tube.tube.as_str() == tube) else {
        let why = format!("No tube {:?} is in the register.", shortened(&tube));
        return refused(Problem::new(StatusCode::NOT_FOUND, "unknown_tube", why));
    };
    let score = snapshot.score_of(&detail.tube.tube);
    let page = TubePage {
        frame: Frame::of(&publisher, &snapshot),
        standing: Standing::of(site),
        limit: site.limit_words(),
        defers: DEFERS,
        tube,
        unit: detail.unit.as_ref().map(ToString::to_string),
        facts: tube_facts(detail),
        score: score.map(|score| score_view(score, &snapshot, site)),
        next: usual_next(detail),
        wall: wall(detail, site),
        looks: look_rows(detail, &snapshot.asides, site),
        findings: detail.findings.iter().rev().map(|finding| finding_row(finding, site)).collect(),
        lives: detail.lives.iter().rev().map(|life| life_row(life, site)).collect(),
        fittings: detail.fittings.iter().rev().map(|fitting| fitting_row(fitting, site)).collect(),
        work: detail.work.iter().rev().map(|work| work_row(work, site)).collect(),
        months: month_table(&detail.months),
        bands: band_table(&detail.months, &site.bands),
        doubts: suspicions::of_tube(&snapshot, &detail.tube.tube, site),
    };
    rendered(StatusCode::OK, &page)
}

fn tube_facts(detail: &TubeDetail) -> Vec<(&'static str, String)> {
    let tube = &detail.tube;
    let measured =
        |name, value: Option<f64>, unit: &str| value.map(|value| (name, format!("{}\u{a0}{unit}", number(value))));
    [
        Some(("Surface", spaced(&tube.surface))),
        measured("Bore", tube.bore_mm, "mm"),
        measured("Scraped length", tube.length_mm, "mm"),
        measured("Plating when new", tube.plating_um, "µm"),
        measured("Plating left by honing", detail.plating.map(|plating| plating.left_um), "µm"),
        measured("Deepest groove measured in this life", detail.plating.and_then(|plating| plating.deepest_um), "µm"),
        measured(
            "Plating under it",
            detail.plating.filter(|plating| plating.deepest_um.is_some()).map(|plating| plating.reserve_um),
            "µm",
        ),
        detail.surface_h.map(|run_h| ("Run on this surface", hours(run_h))),
        measured("Run before the records", tube.run_h_before, "h"),
        tube.note.clone().map(|note| ("Note", note)),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// What usually comes after the worst mark that this life has shown.
fn usual_next(detail: &TubeDetail) -> Option<[String; 2]> {
    let life = detail.lives.last();
    let of_this_life = |look: &&Look| life.is_none_or(|life| life.holds(look.at));
    let worst = detail.looks.iter().filter(of_this_life).filter_map(|look| look.worst_mark).max()?;
    let mark = format!("grade {worst} ({}) on {}", worst.meaning(), spaced(&detail.tube.surface));
    Some([mark, next_step(worst, &detail.tube.surface).to_owned()])
}

fn score_view(score: &Score, snapshot: &Snapshot, site: &Site) -> ScoreView {
    let interval = Interval::of(score, snapshot, site);
    let day = |at: Option<jiff::Timestamp>| at.map_or("not known".to_owned(), |at| site.day(at));
    let grade = standing::grade_words(score).unwrap_or("none read".to_owned());
    let covered = score.coverage.map_or("no run hours since".to_owned(), share);
    let window = match (score.data_from, score.data_to) {
        (None, None) => "none".to_owned(),
        (from, to) => format!("{} to {}", day(from), day(to)),
    };
    ScoreView {
        hold: score.hold_and_assess,
        advice: advice(score, &interval, site),
        state: standing::short(score),
        state_meaning: standing::meaning(score),
        reason: standing::reason(score).into_owned(),
        chances: chances(score),
        last_known: score.state == plant::State::Stale,
        drivers: bars(&score.drivers),
        driver_words: greatest(score, site),
        until: until::words(score),
        equivalent: hours(score.equivalent_h),
        facts: vec![
            ("Last complete look in this life", score.last_look_at.map_or("none".to_owned(), |at| site.day(at))),
            ("Worst grade in this life", grade),
            ("Run since that look, or the life's start", hours(score.run_h)),
            ("Of these blind", hours(score.blind_h)),
            ("Covered by readings", covered),
            ("Plant's longest interval", interval.words(site).join(", ")),
            ("Model", score.model.clone()),
            ("Fitted on data", window),
        ],
    }
}

/// Looks, newest first.
fn look_rows(detail: &TubeDetail, asides: &[Aside], site: &Site) -> Vec<[String; 6]> {
    let row = |(place, look): (usize, &Look)| {
        let mut row = look_row(look, worst_mark(look, findings_of(detail, place)), site);
        let holds = |aside: &Aside| findings_of(detail, place).any(|finding| finding.at == aside.look);
        if asides.iter().any(|aside| aside.stands() && aside.tube == detail.tube.tube && holds(aside)) {
            row[3].push_str(", set aside");
        }
        row
    };
    let mut rows: Vec<_> = detail.looks.iter().enumerate().map(row).collect();
    rows.reverse();
    rows
}

/// The worst mark of a look with its kind; of two alike the one that is no groove.
fn worst_mark<'a>(look: &Look, findings: impl Iterator<Item = &'a Finding>) -> String {
    let Some(worst) = look.worst_mark else { return "none written down".to_owned() };
    let placed = look.others.values().filter(|(grade, _)| *grade == worst).map(|(_, kind)| *kind);
    let stated = findings.filter(|finding| finding.grade == worst).filter_map(|finding| finding.kind);
    match placed.chain(stated).max_by_key(|kind| *kind != Kind::Groove) {
        Some(kind) if kind != Kind::Groove => format!("{}, grade {worst}", kind_words(kind)),
        _ => format!("grade {worst}, {}", worst.meaning()),
    }
}

fn look_row(look: &Look, worst_mark: String, site: &Site) -> [String; 6] {
    let grade = match look.grade {
        Some(grade) => format!("grade {grade}, {}", grade.meaning()),
        None => "no groove grade read".to_owned(),
    };
    let stations = look.stations.keys().chain(look.others.keys()).collect::<BTreeSet<_>>().len();
    [
        site.day(look.at),
        worst_mark,
        grade,
        if look.complete {
            "complete".to_owned()
        } else {
            format!("in part ({stations} {})", if stations == 1 { "station" } else { "stations" })
        },
        look.reason.map_or("–".to_owned(), |reason| reason.as_str().to_owned()),
        if look.hold_and_assess { "hold and assess".to_owned() } else { String::new() },
    ]
}

/// A finding as a row: when, zone, clock, grade, kind, method, depth, inspector, note.
pub(crate) fn finding_row(finding: &Finding, site: &Site) -> [String; 9] {
    let word = |text: Option<&str>| text.map_or("–".to_owned(), spaced);
    [
        site.minute(finding.at),
        finding.zone.as_ref().map_or("whole tube".to_owned(), |zone| zone.0.clone()),
        finding.clock.map_or("–".to_owned(), |clock| format!("{clock} o'clock")),
        format!("{}, {}", finding.grade, finding.grade.meaning()),
        word(finding.kind.map(|kind| kind.as_str())),
        word(finding.method.map(|method| method.as_str())),
        finding.depth_um.map_or("–".to_owned(), |depth| format!("{}\u{a0}µm", number(depth))),
        finding.inspector.clone().unwrap_or("–".to_owned()),
        finding.note.clone().unwrap_or_default(),
    ]
}

fn life_row(life: &Life, site: &Site) -> [String; 5] {
    [
        life.number.to_string(),
        life.from.map_or("before the records".to_owned(), |from| site.day(from)),
        life.to.map_or("lasts".to_owned(), |to| site.day(to)),
        life.ended_by.map_or("–".to_owned(), |work| spaced(work.as_str())),
        life.grade_at_start.map_or("not known".to_owned(), |grade| grade.meaning().to_owned()),
    ]
}

fn fitting_row(fitting: &Fitting, site: &Site) -> [String; 3] {
    let to = fitting.to.map_or("still there".to_owned(), |to| site.day(to));
    [fitting.unit.to_string(), site.day(fitting.from), to]
}

fn work_row(work: &Work, site: &Site) -> [String; 3] {
    [site.day(work.at), spaced(work.work.as_str()), work.note.clone().unwrap_or_default()]
}

/// A word of files and JSON as people read it: `hard_chrome` is set `hard chrome`.
fn spaced(word: &str) -> String {
    word.replace('_', " ")
}
