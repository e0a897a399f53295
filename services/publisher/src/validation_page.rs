//! The report of a validation as a page of the service, and as a file that stands alone.

use askama::Template;
use axum::extract::Path;
use axum::extract::rejection::PathRejection;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::api::shortened;
use crate::drawing::DrawError;
use crate::pages::{Frame, STYLE, refused, rendered};
use crate::plot_frame::percent_tick;
use crate::problem::Problem;
use crate::shown::Shown;
use crate::validation::{
    Estimate, ForecastScores, Honesty, RollingScores, RollingYear, Skill, ValidationReport, YearCost,
};
use crate::{Voice, chart_costs, chart_losses, chart_reliability};

/// Why a report could not be written.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// A picture could not be drawn.
    #[error("a picture of the report could not be drawn: {0}")]
    Drawing(String),
    /// The page could not be put together.
    #[error("the report could not be put together: {0}")]
    Page(#[from] askama::Error),
}

impl From<DrawError> for ReportError {
    fn from(error: DrawError) -> Self {
        ReportError::Drawing(error.to_string())
    }
}

/// What a report speaks of.
#[derive(Debug, Clone, PartialEq)]
pub struct ReportSubject {
    /// The plant, or the table.
    pub name: String,
    /// What an event is: `grade 2 (catches a fingernail) or worse`.
    pub event: String,
    /// What was fitted and on what: name and value.
    pub facts: Vec<(String, String)>,
    /// What was left out, and why.
    pub notes: Vec<String>,
    /// The version of the software.
    pub version: String,
}

#[derive(Template)]
#[template(path = "validation_file.html")]
struct ValidationFile<'a> {
    voice: Voice,
    style: &'static str,
    subject: &'a ReportSubject,
    body: Body,
}

/// A report as one HTML file: it asks for nothing from anywhere, runs no script, and prints.
///
/// # Errors
/// [`ReportError`], if it cannot be drawn or put together.
pub fn validation_file(report: &ValidationReport, subject: &ReportSubject) -> Result<String, ReportError> {
    let body = Body::of(report, &subject.event, &subject.facts, &subject.notes, &Voice::default())?;
    Ok(ValidationFile { voice: Voice::default(), style: STYLE, subject, body }.render()?)
}

#[derive(Template)]
#[template(path = "validation.html")]
struct ValidationPage {
    voice: Voice,
    frame: Frame,
    version: i64,
    name: String,
    body: Body,
}

/// `GET /models/{version}/validation`
pub(crate) async fn page(Shown(publisher): Shown, version: Result<Path<String>, PathRejection>) -> Response {
    let Path(version) = match version {
        Ok(version) => version,
        Err(error) => return refused(Problem::new(StatusCode::BAD_REQUEST, "bad_path", error.body_text())),
    };
    let snapshot = publisher.newest();
    let Some(model) = snapshot.models.iter().find(|model| model.version.to_string() == version) else {
        return unknown(format!("No model has version {:?}.", shortened(&version)));
    };
    let Some(report) = &model.report else {
        let why = format!("Of model {version} there is no report: it was not held against tubes that it had not seen.");
        return unknown(why);
    };
    match Body::of(
        report,
        &publisher.site.voice.tell("validation-event", &[("limit", &publisher.site.limit_words())]),
        &[],
        &[],
        &publisher.site.voice,
    ) {
        Ok(body) => {
            let frame = Frame::of(&publisher, &snapshot);
            rendered(
                StatusCode::OK,
                &ValidationPage {
                    voice: publisher.site.voice.clone(),
                    frame,
                    version: model.version,
                    name: model.name.clone(),
                    body,
                },
            )
        }
        Err(error) => {
            tracing::error!(%error, "a report could not be drawn");
            (StatusCode::INTERNAL_SERVER_ERROR, "this report could not be drawn").into_response()
        }
    }
}

fn unknown(why: String) -> Response {
    refused(Problem::new(StatusCode::NOT_FOUND, "unknown_model", why))
}

/// What page and file share.
struct Body {
    event: String,
    /// How much stands behind every number.
    counts: Vec<(String, String)>,
    /// The same in one line, under each table and picture.
    behind: String,
    scores: Vec<[String; 4]>,
    stand_ins: Vec<String>,
    losses: String,
    skills: Vec<[String; 4]>,
    reliability: Vec<(String, String)>,
    calibration: Vec<[String; 5]>,
    draws: String,
    concordance: Option<[String; 3]>,
    costs: String,
    folds: Vec<[String; 4]>,
    rolling: Option<Rolling>,
    /// What was fitted; a page leaves it to the page of the model.
    facts: Vec<(String, String)>,
    notes: Vec<String>,
    publish: bool,
    sentence: String,
}

/// The last year over again.
struct Rolling {
    lead: String,
    scores: Vec<[String; 4]>,
    costs: Vec<[String; 5]>,
}

impl Rolling {
    fn of(year: &RollingYear, voice: &Voice) -> Rolling {
        let day = |at: Timestamp| voice.day(at.to_zoned_datetime(TimeZone::UTC).date());
        let row = |words: String, scores: &RollingScores| {
            [words, voice.decimal(scores.expected, 1), decimals(scores.log_loss, voice), decimals(scores.brier, voice)]
        };
        let cost = |at: &YearCost| {
            let saved = at.saved(year.looks);
            [
                percent_tick(at.ratio, voice),
                voice.count(year.looks - at.spared),
                voice.count(at.spared),
                voice.count(at.late),
                voice.tell("validation-late-catches", &[("catches", &voice.decimal(saved, 1))]),
            ]
        };
        Rolling {
            lead: voice.tell(
                "validation-rolling",
                &[
                    ("from", &day(year.from)),
                    ("to", &day(year.to)),
                    ("fits", &voice.count(year.fits)),
                    ("looks", &voice.count(year.looks)),
                    ("found", &voice.count(year.found)),
                ],
            ),
            scores: vec![
                row(voice.say("forecast-base-rate"), &year.base_rate),
                row(voice.say("state-baseline"), &year.hours_only),
                row(voice.say("validation-published"), &year.model),
            ],
            costs: year.costs.iter().map(cost).collect(),
        }
    }
}

impl Body {
    fn of(
        report: &ValidationReport,
        event: &str,
        facts: &[(String, String)],
        notes: &[String],
        voice: &Voice,
    ) -> Result<Body, DrawError> {
        let counts = report.counts;
        let number = |number: usize| voice.count(number as u64);
        let mut reliability = Vec::new();
        for (place, honesty) in report.honesty.iter().enumerate() {
            reliability.push((
                honesty.forecast.words(voice),
                chart_reliability::draw(honesty, &format!("reliability-{place}"), voice)?,
            ));
        }
        let draws = report.honesty.first().map_or(0, |honesty| honesty.draws);
        Ok(Body {
            event: event.to_owned(),
            counts: vec![
                (voice.say("validation-intervals"), number(counts.rows)),
                (voice.say("validation-ended"), number(counts.events)),
                (voice.say("validation-tubes"), number(counts.tubes)),
                (voice.say("validation-lives"), number(counts.lives)),
                (voice.say("validation-lives-reached"), number(counts.event_lives)),
                (voice.say("validation-lives-censored"), number(counts.censored_lives)),
            ],
            behind: voice.tell(
                "validation-behind",
                &[
                    ("rows", &number(counts.rows)),
                    ("tubes", &number(counts.tubes)),
                    ("events", &number(counts.events)),
                    ("reached", &number(counts.event_lives)),
                    ("lives", &number(counts.lives)),
                    ("censored", &number(counts.censored_lives)),
                ],
            ),
            scores: report.forecasts.iter().map(|scores| score_row(scores, voice)).collect(),
            stand_ins: report.forecasts.iter().flat_map(|scores| stand_ins(scores, voice)).collect(),
            losses: chart_losses::draw(&report.forecasts, "losses", voice)?,
            skills: report.skills.iter().map(|skill| skill_row(skill, voice)).collect(),
            reliability,
            calibration: report.honesty.iter().map(|honesty| calibration_row(honesty, voice)).collect(),
            draws: number(draws),
            concordance: report.concordance.map(|found| {
                [number(found.pairs), half(found.won, voice), voice.decimal(found.won / found.pairs as f64, 3)]
            }),
            costs: chart_costs::draw(&report.decision, "costs", voice)?,
            folds: report
                .folds
                .iter()
                .enumerate()
                .map(|(place, fold)| [number(place + 1), number(fold.tubes), number(fold.rows), number(fold.events)])
                .collect(),
            rolling: report.rolling.as_ref().map(|year| Rolling::of(year, voice)),
            facts: facts.to_vec(),
            notes: notes.to_vec(),
            publish: report.publish,
            sentence: report.sentence.clone(),
        })
    }
}

fn score_row(scores: &ForecastScores, voice: &Voice) -> [String; 4] {
    [
        format!("{}: {}", scores.forecast.words(voice), scores.forecast.about(voice)),
        decimals(scores.log_loss, voice),
        decimals(scores.brier, voice),
        scores.auc.map_or("–".to_owned(), |auc| voice.decimal(auc, 3)),
    ]
}

fn stand_ins(scores: &ForecastScores, voice: &Voice) -> impl Iterator<Item = String> {
    let words = scores.forecast.words(voice);
    scores.stand_ins.iter().map(move |why| voice.tell("validation-stand-in", &[("forecast", &words), ("why", &why)]))
}

fn skill_row(skill: &Skill, voice: &Voice) -> [String; 4] {
    let saved =
        |part: Option<f64>| part.map_or("–".to_owned(), |part| format!("{}\u{a0}%", voice.decimal(part * 100.0, 1)));
    [
        skill.against.words(voice),
        saved(skill.log_loss),
        saved(skill.brier),
        skill.saved.map_or("–".to_owned(), |saved| interval(saved, 4, voice)),
    ]
}

fn calibration_row(honesty: &Honesty, voice: &Voice) -> [String; 5] {
    let (slope, level) = match honesty.slope_and_level {
        Some((slope, level)) => (interval(slope, 2, voice), interval(level, 2, voice)),
        None => ("–".to_owned(), "–".to_owned()),
    };
    let percent = |part: f64| format!("{}\u{a0}%", voice.decimal(part * 100.0, 1));
    [
        honesty.forecast.words(voice),
        slope,
        level,
        percent(honesty.error),
        voice
            .tell("validation-null", &[("mean", &percent(honesty.null_mean)), ("upper", &percent(honesty.null_upper))]),
    ]
}

/// A score with four decimals.
pub(crate) fn decimals(value: f64, voice: &Voice) -> String {
    if value.is_finite() { voice.decimal(value, 4) } else { "–".to_owned() }
}

/// A number with its interval: `0.93 (0.61 to 1.25)`.
fn interval(it: Estimate, digits: usize, voice: &Voice) -> String {
    let signed = |value| voice.decimal(value, digits);
    if !(it.value.is_finite() && it.lower.is_finite() && it.upper.is_finite()) {
        return "–".to_owned();
    }
    voice.tell(
        "validation-estimate",
        &[("value", &signed(it.value)), ("low", &signed(it.lower)), ("high", &signed(it.upper))],
    )
}

/// A count of wins, of which equal ones count half.
fn half(won: f64, voice: &Voice) -> String {
    let whole = voice.count(won.floor() as u64);
    if won.fract() == 0.0 { whole } else { format!("{whole}½") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_rounds_to_nothing_has_no_sign() {
        let voice = &Voice::default();
        assert_eq!([-0.004, -0.05, 1.256].map(|value| voice.decimal(value, 2)), ["0.00", "−0.05", "1.26"]);
        assert_eq!(interval(Estimate { value: -0.03, lower: -0.19, upper: 0.13 }, 2, voice), "−0.03 (−0.19 to 0.13)");
        assert_eq!(half(8.5, voice), "8½");
    }
}
