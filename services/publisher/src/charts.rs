//! The routes of charts: pictures that any dashboard can show by their address.

use axum::extract::rejection::{PathRejection, QueryRejection};
use axum::extract::{Path, Query};
use axum::http::{StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use tokio::sync::Semaphore;

use crate::api::shortened;
use crate::drawing::DrawError;
use crate::ink::{DARK, Ink, LIGHT};
use crate::png::{PngError, png};
use crate::problem::Problem;
use crate::shown::Shown;
use crate::{
    BadDisplay, DISPLAY_KEYS, Publisher, Snapshot, TubeDetail, chart_board, chart_life, chart_tube, chart_walls,
};

/// Least and greatest width and height, px.
const SIDE_PX: std::ops::RangeInclusive<u32> = 200..=2000;

/// Pictures that are drawn at once as PNG: each keeps a core busy.
static AT_ONCE: Semaphore = Semaphore::const_new(2);

/// As what a chart is wanted: the ending of its address says so.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Svg,
    /// With so many pixels a side for each px.
    Png {
        scale: u8,
    },
}

impl Form {
    fn of(path: &str, query: &ChartQuery) -> Result<Self, Problem> {
        match (path.ends_with(".png"), query.scale.as_deref()) {
            (false, None) => Ok(Form::Svg),
            (true, None | Some("1")) => Ok(Form::Png { scale: 1 }),
            (true, Some("2")) => Ok(Form::Png { scale: 2 }),
            (true, Some("3")) => Ok(Form::Png { scale: 3 }),
            (true, Some(other)) => {
                let detail = format!("scale {:?} is not taken; right would be 1, 2 or 3", shortened(other));
                Err(Problem::new(StatusCode::BAD_REQUEST, "bad_size", detail))
            }
            (false, Some(_)) => {
                let detail = "an SVG is sharp at every scale; right would be no ?scale=, or .png".to_owned();
                Err(Problem::new(StatusCode::BAD_REQUEST, "bad_query", detail))
            }
        }
    }
}

/// How a chart is wanted. Texts, so that a refusal can say what would be right.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ChartQuery {
    width: Option<String>,
    height: Option<String>,
    theme: Option<String>,
    scale: Option<String>,
    torque: Option<String>,
    temperature: Option<String>,
    length: Option<String>,
    decimal: Option<String>,
    group: Option<String>,
}

impl ChartQuery {
    /// The publisher as this picture is wanted: the address outranks what its reader chose elsewhere.
    fn told(&self, publisher: &Publisher) -> Result<Publisher, Problem> {
        let words = [&self.torque, &self.temperature, &self.length, &self.decimal, &self.group];
        let mut shown = publisher.site.voice.display;
        for (key, word) in DISPLAY_KEYS.iter().zip(words) {
            let Some(word) = word else { continue };
            let bad = |error: BadDisplay| Problem::new(StatusCode::BAD_REQUEST, "bad_display", error.to_string());
            shown = shown.with(key, word).map_err(bad)?;
        }
        Ok(publisher.to_people(|_| shown))
    }
}

type Asked = Result<Query<ChartQuery>, QueryRejection>;

/// `GET /charts/tubes/{tube}.svg`, and `.png`
pub(crate) async fn tube(
    Shown(publisher): Shown,
    file: Result<Path<String>, PathRejection>,
    query: Asked,
) -> Result<Response, Problem> {
    let file = segment(file)?;
    let query = read(query)?;
    let form = Form::of(&file, &query)?;
    let publisher = query.told(&publisher)?;
    let size = (side("width", query.width.as_deref(), 640)?, side("height", query.height.as_deref(), 320)?);
    let ink = theme(query.theme.as_deref())?;
    let snapshot = publisher.newest();
    let wanted = match form {
        Form::Svg => file.strip_suffix(".svg"),
        Form::Png { .. } => file.strip_suffix(".png"),
    };
    let Some(detail) = snapshot.tubes.values().find(|detail| wanted == Some(detail.tube.tube.as_str())) else {
        let file = shortened(&file);
        let detail = format!("no chart {file:?}; right would be TUBE.svg or TUBE.png with a tube of GET /api/v1/tubes");
        return Err(Problem::new(StatusCode::NOT_FOUND, "unknown_tube", detail));
    };
    picture(form, chart_tube::draw(detail, &snapshot, &publisher.site, size, ink)).await
}

/// `GET /charts/tubes/{tube}/walls.svg`, and `.png`
pub(crate) async fn walls(
    Shown(publisher): Shown,
    uri: Uri,
    tube: Result<Path<String>, PathRejection>,
    query: Asked,
) -> Result<Response, Problem> {
    let tube = segment(tube)?;
    let query = read(query)?;
    let form = Form::of(uri.path(), &query)?;
    let publisher = query.told(&publisher)?;
    fixed_height(&query, "looks")?;
    let (width, ink) = (side("width", query.width.as_deref(), 720)?, theme(query.theme.as_deref())?);
    let snapshot = publisher.newest();
    picture(form, chart_walls::draw(known(&snapshot, &tube)?, &snapshot, &publisher.site, width, ink)).await
}

/// `GET /charts/tubes/{tube}/life.svg`, and `.png`
pub(crate) async fn life(
    Shown(publisher): Shown,
    uri: Uri,
    tube: Result<Path<String>, PathRejection>,
    query: Asked,
) -> Result<Response, Problem> {
    let tube = segment(tube)?;
    let query = read(query)?;
    let form = Form::of(uri.path(), &query)?;
    let publisher = query.told(&publisher)?;
    let size = (side("width", query.width.as_deref(), 720)?, side("height", query.height.as_deref(), 320)?);
    let ink = theme(query.theme.as_deref())?;
    let snapshot = publisher.newest();
    picture(form, chart_life::draw(known(&snapshot, &tube)?, &snapshot, &publisher.site, size, ink)).await
}

fn segment(path: Result<Path<String>, PathRejection>) -> Result<String, Problem> {
    path.map(|Path(segment)| segment)
        .map_err(|error| Problem::new(StatusCode::BAD_REQUEST, "bad_path", error.body_text()))
}

fn known<'s>(snapshot: &'s Snapshot, tube: &str) -> Result<&'s TubeDetail, Problem> {
    snapshot.tubes.values().find(|detail| detail.tube.tube.as_str() == tube).ok_or_else(|| {
        let detail = format!("no tube {:?}; right would be a tube of GET /api/v1/tubes", shortened(tube));
        Problem::new(StatusCode::NOT_FOUND, "unknown_tube", detail)
    })
}

/// Refuses a height where it follows from what is drawn.
fn fixed_height(query: &ChartQuery, what: &str) -> Result<(), Problem> {
    if query.height.is_none() {
        return Ok(());
    }
    let detail = format!("the height of this chart follows the number of {what}; right would be no ?height=");
    Err(Problem::new(StatusCode::BAD_REQUEST, "bad_query", detail))
}

/// `GET /charts/board.svg`, and `.png`
pub(crate) async fn board(Shown(publisher): Shown, uri: Uri, query: Asked) -> Result<Response, Problem> {
    let query = read(query)?;
    let form = Form::of(uri.path(), &query)?;
    let publisher = query.told(&publisher)?;
    fixed_height(&query, "units")?;
    let (width, ink) = (side("width", query.width.as_deref(), 640)?, theme(query.theme.as_deref())?);
    picture(form, chart_board::draw(&publisher.newest(), &publisher.site, width, ink)).await
}

fn read(query: Asked) -> Result<ChartQuery, Problem> {
    query.map(|Query(query)| query).map_err(|error| {
        let detail = format!("{}; right would be ?width=PX&height=PX&theme=light|dark, ?scale=1|2|3 of a .png, and how numbers are shown: torque, temperature, length, decimal, group", error.body_text());
        Problem::new(StatusCode::BAD_REQUEST, "bad_query", detail)
    })
}

fn side(name: &str, text: Option<&str>, usual: u32) -> Result<u32, Problem> {
    let Some(text) = text else { return Ok(usual) };
    let digits = text.bytes().all(|byte| byte.is_ascii_digit());
    text.parse().ok().filter(|px| digits && SIDE_PX.contains(px)).ok_or_else(|| {
        let detail = format!(
            "{name} {:?} px is not taken; right would be {} to {}",
            shortened(text),
            SIDE_PX.start(),
            SIDE_PX.end()
        );
        Problem::new(StatusCode::BAD_REQUEST, "bad_size", detail)
    })
}

fn theme(text: Option<&str>) -> Result<Ink, Problem> {
    match text {
        None | Some("light") => Ok(LIGHT),
        Some("dark") => Ok(DARK),
        Some(other) => {
            let detail = format!("theme {:?} is not known; right would be light or dark", shortened(other));
            Err(Problem::new(StatusCode::BAD_REQUEST, "bad_theme", detail))
        }
    }
}

/// A drawing as it is sent. PNG is drawn off the threads that answer.
async fn picture(form: Form, drawn: Result<String, DrawError>) -> Result<Response, Problem> {
    let svg = drawn.map_err(|error| not_drawn(&error))?;
    let Form::Png { scale } = form else { return Ok(shown("image/svg+xml", svg)) };
    let turn = AT_ONCE.acquire().await.map_err(|error| not_drawn(&error))?;
    let drawing = tokio::task::spawn_blocking(move || {
        // Given back when the drawing is done, also if who asked has left.
        let _turn = turn;
        png(&svg, scale)
    });
    match drawing.await.map_err(|error| not_drawn(&error))? {
        Ok(bytes) => Ok(shown("image/png", bytes)),
        Err(large @ PngError::TooLarge { .. }) => {
            // Each of them is right by itself.
            Err(Problem::new(StatusCode::CONFLICT, "bad_size", large.to_string()))
        }
        Err(lacking @ PngError::NoLetter(_)) => {
            Err(Problem::new(StatusCode::NOT_FOUND, "no_letter", lacking.to_string()))
        }
        Err(error) => Err(not_drawn(&error)),
    }
}

fn shown(media: &'static str, body: impl IntoResponse) -> Response {
    ([(header::CONTENT_TYPE, media), (header::VARY, "cookie")], body).into_response()
}

fn not_drawn(error: &dyn std::fmt::Display) -> Problem {
    tracing::error!(%error, "a chart could not be drawn");
    let detail = "this chart could not be drawn".to_owned();
    Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "not_drawn", detail)
}
