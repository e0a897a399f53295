//! The JSON of scores and tubes: stable names, the unit in each name, times in UTC.

use std::borrow::Cow;
use std::collections::BTreeMap;

use jiff::Timestamp;
use plant::{
    ClockPosition, Driver, Finding, Fitting, Grade, Horizon, Kind, Plating, Reason, Score, State, Suspicion, Term,
    Tube, TubeId, UnitId, Work, WorkKind, Zone,
};
use serde::Serialize;

use crate::advice::advice;
use crate::rank::{rounded, sayable};
use crate::until::{self, Until};
use crate::{Interval, Site, Snapshot, TubeDetail, Voice, drivers, standing};

/// One score, as the API and the messages give it.
#[derive(Debug, Serialize)]
pub(crate) struct ScoreJson<'a> {
    unit: Option<&'a UnitId>,
    tube: Option<&'a TubeId>,
    at: Timestamp,
    state: State,
    state_meaning: String,
    reason: Cow<'a, str>,
    advice: String,
    hold_and_assess: bool,
    limit_grade: Grade,
    /// Empty if there is none to give: an empty list can be drawn as nothing, but not as zero.
    risks: Vec<Horizon>,
    last_look_at: Option<Timestamp>,
    last_grade: Option<Grade>,
    last_grade_meaning: Option<Cow<'static, str>>,
    run_h: f64,
    blind_h: f64,
    assumed_h: f64,
    coverage: Option<f64>,
    equivalent_h: f64,
    drivers: Vec<Driver>,
    until: Vec<Until>,
    longest_interval: Interval,
    model: &'a str,
    data_from: Option<Timestamp>,
    data_to: Option<Timestamp>,
}

impl<'a> ScoreJson<'a> {
    pub(crate) fn of(score: &'a Score, snapshot: &Snapshot, site: &Site) -> Self {
        let longest_interval = Interval::of(score, snapshot, site);
        ScoreJson {
            unit: score.unit.as_ref(),
            tube: score.tube.as_ref(),
            at: score.at,
            state: score.state,
            state_meaning: standing::meaning(score, &site.voice),
            reason: standing::reason(score, &site.voice),
            advice: advice(score, &longest_interval, site),
            hold_and_assess: score.hold_and_assess,
            limit_grade: site.limit,
            risks: sayable(score).iter().map(rounded).collect(),
            last_look_at: score.last_look_at,
            last_grade: standing::bare_grade(score, site),
            last_grade_meaning: if score.hold_and_assess {
                standing::grade_words(score, &site.voice).map(Cow::Owned)
            } else {
                score.last_grade.map(|grade| Cow::Borrowed(grade.meaning()))
            },
            run_h: score.run_h,
            blind_h: score.blind_h,
            assumed_h: score.assumed_h,
            coverage: score.coverage,
            equivalent_h: score.equivalent_h,
            drivers: (score.drivers.iter())
                .map(|driver| Driver { text: drivers::line(driver, &Voice::default()), ..driver.clone() })
                .collect(),
            until: until::until(score),
            longest_interval,
            model: &score.model,
            data_from: score.data_from,
            data_to: score.data_to,
        }
    }
}

/// One line of the list of tubes.
#[derive(Debug, Serialize)]
pub(crate) struct TubeLineJson<'a> {
    tube: &'a TubeId,
    unit: Option<&'a UnitId>,
    surface: &'a str,
    lives: usize,
    looks: usize,
    findings: usize,
    last_look_at: Option<Timestamp>,
    state: Option<State>,
    hold_and_assess: Option<bool>,
}

impl<'a> TubeLineJson<'a> {
    pub(crate) fn of(detail: &'a TubeDetail, snapshot: &Snapshot) -> Self {
        let score = snapshot.score_of(&detail.tube.tube);
        TubeLineJson {
            tube: &detail.tube.tube,
            unit: detail.unit.as_ref(),
            surface: &detail.tube.surface,
            lives: detail.lives.len(),
            looks: detail.looks.len(),
            findings: detail.findings.len(),
            last_look_at: detail.looks.last().map(|look| look.at),
            state: score.map(|score| score.state),
            hold_and_assess: score.map(|score| score.hold_and_assess),
        }
    }
}

/// Everything known of one tube.
#[derive(Debug, Serialize)]
pub(crate) struct TubeJson<'a> {
    #[serde(flatten)]
    tube: &'a Tube,
    unit: Option<&'a UnitId>,
    /// `None` while this tube has not been evaluated.
    score: Option<ScoreJson<'a>>,
    fittings: &'a [Fitting],
    lives: Vec<LifeJson>,
    work: &'a [Work],
    looks: Vec<LookJson<'a>>,
    findings: &'a [Finding],
    months: Vec<MonthJson>,
    surface_h: Option<f64>,
    plating: Option<Plating>,
    suspicions: Vec<&'a Suspicion>,
}

impl<'a> TubeJson<'a> {
    pub(crate) fn of(detail: &'a TubeDetail, snapshot: &'a Snapshot, site: &Site) -> Self {
        let score = snapshot.score_of(&detail.tube.tube);
        TubeJson {
            tube: &detail.tube,
            unit: detail.unit.as_ref(),
            score: score.map(|score| ScoreJson::of(score, snapshot, site)),
            fittings: &detail.fittings,
            lives: detail
                .lives
                .iter()
                .map(|life| LifeJson {
                    number: life.number,
                    from: life.from,
                    to: life.to,
                    ended_by: life.ended_by,
                    begins_smooth: life.grade_at_start == Some(Grade::SMOOTH),
                    grade_at_start: life.grade_at_start,
                    run_h_before: life.run_h_before,
                    surface_from: life.surface_from,
                })
                .collect(),
            work: &detail.work,
            looks: detail
                .looks
                .iter()
                .map(|look| LookJson {
                    at: look.at,
                    known_at: look.known_at,
                    complete: look.complete,
                    grade: look.grade,
                    worst_mark: look.worst_mark,
                    hold_and_assess: look.hold_and_assess,
                    reason: look.reason,
                    stations: look
                        .stations
                        .iter()
                        .map(|((zone, clock), grade)| StationJson { zone, clock: *clock, grade: *grade })
                        .collect(),
                    other_marks: look
                        .others
                        .iter()
                        .map(|((zone, clock), (grade, kind))| MarkJson {
                            zone,
                            clock: *clock,
                            grade: *grade,
                            kind: *kind,
                        })
                        .collect(),
                })
                .collect(),
            findings: &detail.findings,
            months: detail.months.iter().map(|month| MonthJson::of(month, site)).collect(),
            surface_h: detail.surface_h,
            plating: detail.plating,
            suspicions: snapshot
                .suspicions
                .doubts
                .iter()
                .filter(|doubt| doubt.tube.as_ref() == Some(&detail.tube.tube))
                .collect(),
        }
    }
}

#[derive(Debug, Serialize)]
struct LifeJson {
    number: u32,
    from: Option<Timestamp>,
    to: Option<Timestamp>,
    ended_by: Option<WorkKind>,
    begins_smooth: bool,
    grade_at_start: Option<Grade>,
    run_h_before: f64,
    surface_from: Option<Timestamp>,
}

#[derive(Debug, Serialize)]
struct LookJson<'a> {
    at: Timestamp,
    known_at: Timestamp,
    complete: bool,
    grade: Option<Grade>,
    worst_mark: Option<Grade>,
    hold_and_assess: bool,
    reason: Option<Reason>,
    stations: Vec<StationJson<'a>>,
    other_marks: Vec<MarkJson<'a>>,
}

#[derive(Debug, Serialize)]
struct MarkJson<'a> {
    zone: &'a Zone,
    clock: ClockPosition,
    grade: Grade,
    kind: Kind,
}

#[derive(Debug, Serialize)]
struct StationJson<'a> {
    zone: &'a Zone,
    clock: ClockPosition,
    grade: Grade,
}

#[derive(Debug, Serialize)]
struct MonthJson {
    month: String,
    /// By term, in the order of the alphabet. A sum that the unit cannot give is absent, never zero.
    exposure: BTreeMap<&'static str, f64>,
    /// Hours by torque band and temperature band; absent without bands.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    band_h: BTreeMap<String, f64>,
}

impl MonthJson {
    fn of(month: &crate::Month, site: &Site) -> Self {
        let exposure = &month.exposure;
        MonthJson {
            month: month.first_day.strftime("%Y-%m").to_string(),
            exposure: Term::ALL.iter().filter_map(|term| Some((term.as_str(), exposure.get(*term)?))).collect(),
            band_h: site.bands.names().into_iter().zip(exposure.band_h.iter().copied()).collect(),
        }
    }
}
