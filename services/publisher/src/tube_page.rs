//! The page of one tube: its chance and why, and everything that is written down about it.

use std::collections::BTreeSet;

use askama::Template;
use axum::extract::Path;
use axum::extract::rejection::PathRejection;
use axum::http::StatusCode;
use axum::response::Response;
use plant::{Aside, Finding, Fitting, Kind, Life, Look, Quantity, Score, Work};

use crate::advice::advice;
use crate::api::shortened;
use crate::chance::{Chance, chances};
use crate::drivers::{DriverBar, bars, greatest};
use crate::exposure_table::{BandTable, MonthTable, band_table, month_table};
use crate::look_words::findings_of;
use crate::next_step::{defers, next_step};
use crate::pages::{Frame, Standing, refused, rendered};
use crate::problem::Problem;
use crate::shown::Shown;
use crate::suspicions::{self, Doubt};
use crate::wall::{Wall, wall};
use crate::{Interval, Site, Snapshot, TubeDetail, Voice, standing, until};

#[derive(Template)]
#[template(path = "tube.html")]
struct TubePage {
    voice: Voice,
    frame: Frame,
    standing: Standing,
    limit: String,
    defers: String,
    tube: String,
    unit: Option<String>,
    facts: Vec<(String, String)>,
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
    state: String,
    state_meaning: String,
    reason: String,
    chances: Vec<Chance>,
    last_known: bool,
    drivers: Vec<DriverBar>,
    driver_words: Option<String>,
    until: Vec<String>,
    equivalent: String,
    facts: Vec<(String, String)>,
}

/// `GET /tubes/{tube}`
pub(crate) async fn page(Shown(publisher): Shown, tube: Result<Path<String>, PathRejection>) -> Response {
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
        voice: publisher.site.voice.clone(),
        frame: Frame::of(&publisher, &snapshot),
        standing: Standing::of(site),
        limit: site.limit_words(),
        defers: defers(&site.voice),
        tube,
        unit: detail.unit.as_ref().map(ToString::to_string),
        facts: tube_facts(detail, &site.voice),
        score: score.map(|score| score_view(score, &snapshot, site)),
        next: usual_next(detail, &site.voice),
        wall: wall(detail, site),
        looks: look_rows(detail, &snapshot.asides, site),
        findings: detail.findings.iter().rev().map(|finding| finding_row(finding, site)).collect(),
        lives: detail.lives.iter().rev().map(|life| life_row(life, site)).collect(),
        fittings: detail.fittings.iter().rev().map(|fitting| fitting_row(fitting, site)).collect(),
        work: detail.work.iter().rev().map(|work| work_row(work, site)).collect(),
        months: month_table(&detail.months, &site.voice),
        bands: band_table(&detail.months, &site.bands, &site.voice),
        doubts: suspicions::of_tube(&snapshot, &detail.tube.tube, site),
    };
    rendered(StatusCode::OK, &page)
}

fn tube_facts(detail: &TubeDetail, voice: &Voice) -> Vec<(String, String)> {
    let tube = &detail.tube;
    let measured =
        |name: String, value: Option<f64>, quantity| value.map(|value| (name, voice.measured(quantity, value)));
    [
        Some((voice.say("fact-surface"), voice.surface(&tube.surface))),
        measured(voice.say("fact-bore"), tube.bore_mm, Quantity::Length),
        measured(voice.say("fact-length"), tube.length_mm, Quantity::Length),
        measured(voice.say("fact-plating-new"), tube.plating_um, Quantity::Depth),
        measured(voice.say("fact-plating-left"), detail.plating.map(|plating| plating.left_um), Quantity::Depth),
        measured(voice.say("fact-deepest"), detail.plating.and_then(|plating| plating.deepest_um), Quantity::Depth),
        measured(
            voice.say("fact-plating-under"),
            detail.plating.filter(|plating| plating.deepest_um.is_some()).map(|plating| plating.reserve_um),
            Quantity::Depth,
        ),
        detail.surface_h.map(|run_h| (voice.say("fact-surface-run"), voice.hours(run_h))),
        tube.run_h_before.map(|run_h| (voice.say("fact-run-before"), voice.hours(run_h))),
        tube.note.clone().map(|note| (voice.say("word-note"), note)),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// What usually comes after the worst mark that this life has shown.
fn usual_next(detail: &TubeDetail, voice: &Voice) -> Option<[String; 2]> {
    let life = detail.lives.last();
    let of_this_life = |look: &&Look| life.is_none_or(|life| life.holds(look.at));
    let worst = detail.looks.iter().filter(of_this_life).filter_map(|look| look.worst_mark).max()?;
    let (meaning, surface) = (voice.meaning_of(worst), voice.surface(&detail.tube.surface));
    let mark = voice.tell("next-mark", &[("grade", &worst), ("meaning", &meaning), ("surface", &surface)]);
    Some([mark, next_step(worst, &detail.tube.surface, voice)])
}

fn score_view(score: &Score, snapshot: &Snapshot, site: &Site) -> ScoreView {
    let (interval, voice) = (Interval::of(score, snapshot, site), &site.voice);
    let day = |at: Option<jiff::Timestamp>| at.map_or_else(|| voice.say("word-not-known"), |at| site.day(at));
    let grade = standing::grade_words(score, voice).unwrap_or_else(|| voice.say("grade-none"));
    let covered = score.coverage.map_or_else(|| voice.say("look-no-hours"), |part| voice.share(part));
    let window = match (score.data_from, score.data_to) {
        (None, None) => voice.say("list-none"),
        (from, to) => voice.tell("range", &[("low", &day(from)), ("high", &day(to))]),
    };
    ScoreView {
        hold: score.hold_and_assess,
        advice: advice(score, &interval, site),
        state: standing::short(score, voice),
        state_meaning: standing::meaning(score, voice),
        reason: standing::reason(score, voice).into_owned(),
        chances: chances(score, &site.voice),
        last_known: score.state == plant::State::Stale,
        drivers: bars(&score.drivers, &site.voice),
        driver_words: greatest(score, site),
        until: until::words(score, &site.voice),
        equivalent: site.voice.hours(score.equivalent_h),
        facts: vec![
            (voice.say("fact-last-look"), score.last_look_at.map_or_else(|| voice.say("list-none"), |at| site.day(at))),
            (voice.say("fact-worst"), grade),
            (voice.say("fact-run-since"), site.voice.hours(score.run_h)),
            (voice.say("fact-blind"), site.voice.hours(score.blind_h)),
            (voice.say("fact-assumed"), site.voice.hours(score.assumed_h)),
            (voice.say("fact-covered"), covered),
            (voice.say("fact-interval"), interval.words(site).join(", ")),
            (voice.say("word-model"), score.model.clone()),
            (voice.say("fact-data"), window),
        ],
    }
}

/// Looks, newest first.
fn look_rows(detail: &TubeDetail, asides: &[Aside], site: &Site) -> Vec<[String; 6]> {
    let row = |(place, look): (usize, &Look)| {
        let mut row = look_row(look, worst_mark(look, findings_of(detail, place), &site.voice), site);
        let holds = |aside: &Aside| findings_of(detail, place).any(|finding| finding.at == aside.look);
        if asides.iter().any(|aside| aside.stands() && aside.tube == detail.tube.tube && holds(aside)) {
            row[3] = site.voice.tell("look-set-aside", &[("extent", &row[3])]);
        }
        row
    };
    let mut rows: Vec<_> = detail.looks.iter().enumerate().map(row).collect();
    rows.reverse();
    rows
}

/// The worst mark of a look with its kind; of two alike the one that is no groove.
fn worst_mark<'a>(look: &Look, findings: impl Iterator<Item = &'a Finding>, voice: &Voice) -> String {
    let Some(worst) = look.worst_mark else { return voice.say("look-no-mark") };
    let placed = look.others.values().filter(|(grade, _)| *grade == worst).map(|(_, kind)| *kind);
    let stated = findings.filter(|finding| finding.grade == worst).filter_map(|finding| finding.kind);
    match placed.chain(stated).max_by_key(|kind| *kind != Kind::Groove) {
        Some(kind) if kind != Kind::Groove => {
            voice.tell("mark-of-kind", &[("kind", &voice.kind(kind)), ("grade", &worst)])
        }
        _ => voice.grade_and_meaning(worst),
    }
}

fn look_row(look: &Look, worst_mark: String, site: &Site) -> [String; 6] {
    let voice = &site.voice;
    let grade = match look.grade {
        Some(grade) => voice.grade_and_meaning(grade),
        None => voice.say("look-no-groove"),
    };
    let stations = look.stations.keys().chain(look.others.keys()).collect::<BTreeSet<_>>().len();
    [
        site.day(look.at),
        worst_mark,
        grade,
        if look.complete {
            voice.say("look-complete")
        } else {
            voice.tell("look-in-part", &[("count", &stations), ("stations", &stations)])
        },
        look.reason.map_or("–".to_owned(), |reason| voice.reason(reason)),
        if look.hold_and_assess { voice.say("state-hold") } else { String::new() },
    ]
}

/// A finding as a row: when, zone, clock, grade, kind, method, depth, inspector, note.
pub(crate) fn finding_row(finding: &Finding, site: &Site) -> [String; 9] {
    let voice = &site.voice;
    let none = || "–".to_owned();
    [
        site.minute(finding.at),
        finding.zone.as_ref().map_or_else(|| voice.say("place-whole"), |zone| zone.0.clone()),
        finding.clock.map_or_else(none, |clock| voice.clock(clock)),
        format!("{}, {}", finding.grade, voice.meaning_of(finding.grade)),
        finding.kind.map_or_else(none, |kind| voice.kind(kind)),
        finding.method.map_or_else(none, |method| voice.method(method)),
        finding.depth_um.map_or("–".to_owned(), |depth| site.voice.measured(Quantity::Depth, depth)),
        finding.inspector.clone().unwrap_or("–".to_owned()),
        finding.note.clone().unwrap_or_default(),
    ]
}

fn life_row(life: &Life, site: &Site) -> [String; 5] {
    let voice = &site.voice;
    [
        life.number.to_string(),
        life.from.map_or_else(|| voice.say("life-before"), |from| site.day(from)),
        life.to.map_or_else(|| voice.say("life-lasts"), |to| site.day(to)),
        life.ended_by.map_or("–".to_owned(), |work| voice.work(work)),
        life.grade_at_start.map_or_else(|| voice.say("word-not-known"), |grade| voice.meaning_of(grade)),
    ]
}

fn fitting_row(fitting: &Fitting, site: &Site) -> [String; 3] {
    let voice = &site.voice;
    let to = fitting.to.map_or_else(|| voice.say("fitting-lasts"), |to| site.day(to));
    [fitting.unit.to_string(), site.day(fitting.from), to]
}

fn work_row(work: &Work, site: &Site) -> [String; 3] {
    [site.day(work.at), site.voice.work(work.work), work.note.clone().unwrap_or_default()]
}
