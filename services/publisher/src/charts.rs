//! The routes of charts: pictures that any dashboard can show by their address.

use axum::extract::rejection::{PathRejection, QueryRejection};
use axum::extract::{Path, Query};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use crate::api::shortened;
use crate::drawing::DrawError;
use crate::ink::{DARK, Ink, LIGHT};
use crate::problem::Problem;
use crate::shown::Shown;
use crate::{
    BadDisplay, DISPLAY_KEYS, Publisher, Snapshot, TubeDetail, chart_board, chart_life, chart_tube, chart_walls,
};

/// Least and greatest width and height, px.
const SIDE_PX: std::ops::RangeInclusive<u32> = 200..=2000;

/// How a chart is wanted. Texts, so that a refusal can say what would be right.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ChartQuery {
    width: Option<String>,
    height: Option<String>,
    theme: Option<String>,
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

/// `GET /charts/tubes/{tube}.svg`
pub(crate) async fn tube(
    Shown(publisher): Shown,
    file: Result<Path<String>, PathRejection>,
    query: Asked,
) -> Result<Response, Problem> {
    let file = segment(file)?;
    let query = read(query)?;
    let publisher = query.told(&publisher)?;
    let size = (side("width", query.width.as_deref(), 640)?, side("height", query.height.as_deref(), 320)?);
    let ink = theme(query.theme.as_deref())?;
    let snapshot = publisher.newest();
    let wanted = file.strip_suffix(".svg");
    let Some(detail) = snapshot.tubes.values().find(|detail| wanted == Some(detail.tube.tube.as_str())) else {
        let file = shortened(&file);
        let detail = format!("no chart {file:?}; right would be TUBE.svg with a tube of GET /api/v1/tubes");
        return Err(Problem::new(StatusCode::NOT_FOUND, "unknown_tube", detail));
    };
    picture(chart_tube::draw(detail, &snapshot, &publisher.site, size, ink))
}

/// `GET /charts/tubes/{tube}/walls.svg`
pub(crate) async fn walls(
    Shown(publisher): Shown,
    tube: Result<Path<String>, PathRejection>,
    query: Asked,
) -> Result<Response, Problem> {
    let tube = segment(tube)?;
    let query = read(query)?;
    let publisher = query.told(&publisher)?;
    fixed_height(&query, "looks")?;
    let (width, ink) = (side("width", query.width.as_deref(), 720)?, theme(query.theme.as_deref())?);
    let snapshot = publisher.newest();
    picture(chart_walls::draw(known(&snapshot, &tube)?, &snapshot, &publisher.site, width, ink))
}

/// `GET /charts/tubes/{tube}/life.svg`
pub(crate) async fn life(
    Shown(publisher): Shown,
    tube: Result<Path<String>, PathRejection>,
    query: Asked,
) -> Result<Response, Problem> {
    let tube = segment(tube)?;
    let query = read(query)?;
    let publisher = query.told(&publisher)?;
    let size = (side("width", query.width.as_deref(), 720)?, side("height", query.height.as_deref(), 320)?);
    let ink = theme(query.theme.as_deref())?;
    let snapshot = publisher.newest();
    picture(chart_life::draw(known(&snapshot, &tube)?, &snapshot, &publisher.site, size, ink))
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

/// `GET /charts/board.svg`
pub(crate) async fn board(Shown(publisher): Shown, query: Asked) -> Result<Response, Problem> {
    let query = read(query)?;
    let publisher = query.told(&publisher)?;
    fixed_height(&query, "units")?;
    let (width, ink) = (side("width", query.width.as_deref(), 640)?, theme(query.theme.as_deref())?);
    picture(chart_board::draw(&publisher.newest(), &publisher.site, width, ink))
}

fn read(query: Asked) -> Result<ChartQuery, Problem> {
    query.map(|Query(query)| query).map_err(|error| {
        let detail = format!("{}; right would be ?width=PX&height=PX&theme=light|dark, and how numbers are shown: torque, temperature, length, decimal, group", error.body_text());
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

fn picture(drawn: Result<String, DrawError>) -> Result<Response, Problem> {
    match drawn {
        Ok(svg) => Ok(([(header::CONTENT_TYPE, "image/svg+xml"), (header::VARY, "cookie")], svg).into_response()),
        Err(error) => {
            tracing::error!(%error, "a chart could not be drawn");
            let detail = "this chart could not be drawn".to_owned();
            Err(Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "not_drawn", detail))
        }
    }
}
