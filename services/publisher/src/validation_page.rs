//! The report of a validation as a page of the service, and as a file that stands alone.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;

use crate::api::shortened;
use crate::drawing::DrawError;
use crate::figures::count;
use crate::pages::{Frame, STYLE, refused, rendered};
use crate::plot_frame::percent_tick;
use crate::problem::Problem;
use crate::validation::{
    Estimate, ForecastScores, Honesty, RollingScores, RollingYear, Skill, ValidationReport, YearCost,
};
use crate::{Publisher, chart_costs, chart_losses, chart_reliability};

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
    style: &'static str,
    subject: &'a ReportSubject,
    body: Body,
}

/// A report as one HTML file: it asks for nothing from anywhere, runs no script, and prints.
///
/// # Errors
/// [`ReportError`], if it cannot be drawn or put together.
pub fn validation_file(report: &ValidationReport, subject: &ReportSubject) -> Result<String, ReportError> {
    let body = Body::of(report, &subject.event, &subject.facts, &subject.notes)?;
    Ok(ValidationFile { style: STYLE, subject, body }.render()?)
}

#[derive(Template)]
#[template(path = "validation.html")]
struct ValidationPage {
    frame: Frame,
    version: i64,
    name: String,
    body: Body,
}

/// `GET /models/{version}/validation`
pub(crate) async fn page(State(publisher): State<Publisher>, version: Result<Path<String>, PathRejection>) -> Response {
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
    match Body::of(report, &format!("{} or worse", publisher.site.limit_words()), &[], &[]) {
        Ok(body) => {
            let frame = Frame::of(&publisher, &snapshot);
            rendered(StatusCode::OK, &ValidationPage { frame, version: model.version, name: model.name.clone(), body })
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
    counts: Vec<(&'static str, String)>,
    /// The same in one line, under each table and picture.
    behind: String,
    scores: Vec<[String; 4]>,
    stand_ins: Vec<String>,
    losses: String,
    skills: Vec<[String; 4]>,
    reliability: Vec<(&'static str, String)>,
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
    fn of(year: &RollingYear) -> Rolling {
        let day = |at: Timestamp| at.strftime("%-d %b %Y").to_string();
        let row = |words: &str, scores: &RollingScores| {
            [words.to_owned(), format!("{:.1}", scores.expected), decimals(scores.log_loss), decimals(scores.brier)]
        };
        let cost = |at: &YearCost| {
            let saved = at.saved(year.looks);
            [
                percent_tick(at.ratio),
                count(year.looks - at.spared),
                count(at.spared),
                count(at.late),
                format!("{} late catches", signed(saved, 1)),
            ]
        };
        Rolling {
            lead: format!(
                "From {} to {} it was fitted {} times, each time on what was known by then, and asked the day before each of \
                 the {} complete looks that followed; {} of them found the limit reached.",
                day(year.from),
                day(year.to),
                count(year.fits),
                count(year.looks),
                count(year.found)
            ),
            scores: vec![
                row("base rate", &year.base_rate),
                row("run hours alone", &year.hours_only),
                row("what would have been published", &year.model),
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
    ) -> Result<Body, DrawError> {
        let counts = report.counts;
        let number = |number: usize| count(number as u64);
        let mut reliability = Vec::new();
        for (place, honesty) in report.honesty.iter().enumerate() {
            reliability
                .push((honesty.forecast.words(), chart_reliability::draw(honesty, &format!("reliability-{place}"))?));
        }
        let draws = report.honesty.first().map_or(0, |honesty| honesty.draws);
        Ok(Body {
            event: event.to_owned(),
            counts: vec![
                ("Intervals between two looks", number(counts.rows)),
                ("Ended at the limit", number(counts.events)),
                ("Tubes", number(counts.tubes)),
                ("Lives", number(counts.lives)),
                ("Lives that reached the limit", number(counts.event_lives)),
                ("Lives censored: not seen to reach it", number(counts.censored_lives)),
            ],
            behind: format!(
                "Behind it: {} intervals of {} tubes; {} ended at the limit, in {} of {} lives, {} lives are censored.",
                number(counts.rows),
                number(counts.tubes),
                number(counts.events),
                number(counts.event_lives),
                number(counts.lives),
                number(counts.censored_lives)
            ),
            scores: report.forecasts.iter().map(score_row).collect(),
            stand_ins: report.forecasts.iter().flat_map(stand_ins).collect(),
            losses: chart_losses::draw(&report.forecasts, "losses")?,
            skills: report.skills.iter().map(skill_row).collect(),
            reliability,
            calibration: report.honesty.iter().map(calibration_row).collect(),
            draws: number(draws),
            concordance: report
                .concordance
                .map(|found| [number(found.pairs), half(found.won), format!("{:.3}", found.won / found.pairs as f64)]),
            costs: chart_costs::draw(&report.decision, "costs")?,
            folds: report
                .folds
                .iter()
                .enumerate()
                .map(|(place, fold)| [number(place + 1), number(fold.tubes), number(fold.rows), number(fold.events)])
                .collect(),
            rolling: report.rolling.as_ref().map(Rolling::of),
            facts: facts.to_vec(),
            notes: notes.to_vec(),
            publish: report.publish,
            sentence: report.sentence.clone(),
        })
    }
}

fn score_row(scores: &ForecastScores) -> [String; 4] {
    [
        format!("{}: {}", scores.forecast.words(), scores.forecast.about()),
        decimals(scores.log_loss),
        decimals(scores.brier),
        scores.auc.map_or("–".to_owned(), |auc| format!("{auc:.3}")),
    ]
}

fn stand_ins(scores: &ForecastScores) -> impl Iterator<Item = String> {
    let words = scores.forecast.words();
    scores.stand_ins.iter().map(move |why| format!("{words}, {why}: the next simpler one stood in"))
}

fn skill_row(skill: &Skill) -> [String; 4] {
    let saved = |part: Option<f64>| part.map_or("–".to_owned(), |part| format!("{}\u{a0}%", signed(part * 100.0, 1)));
    [
        skill.against.words().to_owned(),
        saved(skill.log_loss),
        saved(skill.brier),
        skill.saved.map_or("–".to_owned(), |saved| interval(saved, 4)),
    ]
}

fn calibration_row(honesty: &Honesty) -> [String; 5] {
    let (slope, level) = match honesty.slope_and_level {
        Some((slope, level)) => (interval(slope, 2), interval(level, 2)),
        None => ("–".to_owned(), "–".to_owned()),
    };
    let percent = |part: f64| format!("{:.1}\u{a0}%", part * 100.0);
    [
        honesty.forecast.words().to_owned(),
        slope,
        level,
        percent(honesty.error),
        format!("{}, one in twenty above {}", percent(honesty.null_mean), percent(honesty.null_upper)),
    ]
}

/// A score with four decimals.
pub(crate) fn decimals(value: f64) -> String {
    if value.is_finite() { format!("{value:.4}") } else { "–".to_owned() }
}

/// A number with its interval: `0.93 (0.61 to 1.25)`.
fn interval(it: Estimate, digits: usize) -> String {
    if !(it.value.is_finite() && it.lower.is_finite() && it.upper.is_finite()) {
        return "–".to_owned();
    }
    format!("{} ({} to {})", signed(it.value, digits), signed(it.lower, digits), signed(it.upper, digits))
}

/// With a true minus; what rounds to nothing has no sign.
fn signed(value: f64, digits: usize) -> String {
    let text = format!("{:.digits$}", value.abs());
    let nothing = text.chars().all(|letter| matches!(letter, '0' | '.'));
    if value < 0.0 && !nothing { format!("−{text}") } else { text }
}

/// A count of wins, of which equal ones count half.
fn half(won: f64) -> String {
    let whole = count(won.floor() as u64);
    if won.fract() == 0.0 { whole } else { format!("{whole}½") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_rounds_to_nothing_has_no_sign() {
        assert_eq!([-0.004, -0.05, 1.256].map(|value| signed(value, 2)), ["0.00", "−0.05", "1.26"]);
        assert_eq!(interval(Estimate { value: -0.03, lower: -0.19, upper: 0.13 }, 2), "−0.03 (−0.19 to 0.13)");
        assert_eq!(half(8.5), "8½");
    }
}
