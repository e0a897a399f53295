//! The page of the track record: what was said, what was found, and whether the chances still mean what they say.

use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use serde::Serialize;

use crate::api::Pretty;
use crate::figures::{count, hours, percent};
use crate::pages::{Frame, rendered};
use crate::{Publisher, TrackLine, TrackRecord, chart_track};

/// So many marks stand on the page; the API has all.
const MOST: usize = 60;

#[derive(Serialize)]
struct TrackJson<'a> {
    at: Timestamp,
    #[serde(flatten)]
    track: &'a TrackRecord,
}

/// `GET /api/v1/track`
pub(crate) async fn track(State(publisher): State<Publisher>) -> Response {
    let snapshot = publisher.newest();
    Pretty(TrackJson { at: snapshot.at, track: &snapshot.track }).into_response()
}

#[derive(Template)]
#[template(path = "track.html")]
struct TrackPage {
    frame: Frame,
    lead: String,
    drift: Option<DriftView>,
    picture: String,
    lines: Vec<[String; 7]>,
    bins: Vec<[String; 7]>,
    marks: Vec<[String; 8]>,
    more: Option<String>,
    unmarked: String,
}

struct DriftView {
    told: bool,
    sentence: String,
    evidence: String,
    limit: String,
    looks: String,
}

/// `GET /track`
pub(crate) async fn page(State(publisher): State<Publisher>) -> Response {
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let track = &snapshot.track;
    let picture = match chart_track::draw(&track.marks, "track") {
        Ok(picture) => picture,
        Err(error) => {
            tracing::error!(%error, "the track record could not be drawn");
            return (StatusCode::INTERNAL_SERVER_ERROR, "this page could not be drawn").into_response();
        }
    };
    let mark = |mark: &crate::MarkedScore| {
        [
            site.day(mark.look_at),
            mark.tube.to_string(),
            mark.unit.as_ref().map_or("in no unit".to_owned(), ToString::to_string),
            percent(mark.chance),
            if mark.found { "found" } else { "not found" }.to_owned(),
            site.day(mark.said_at),
            hours(mark.run_h),
            mark.model.clone(),
        ]
    };
    let hidden = track.marks.len().saturating_sub(MOST);
    let page = TrackPage {
        frame: Frame::of(&publisher, &snapshot),
        lead: lead(track),
        drift: track.drift.as_ref().map(|drift| DriftView {
            told: drift.since.is_some(),
            sentence: drift.sentence.clone(),
            evidence: format!("{:.1}", drift.evidence),
            limit: format!("{:.0}", drift.limit),
            looks: count(drift.looks),
        }),
        picture,
        lines: track.lines.iter().map(cells).collect(),
        bins: track.bins.iter().map(cells).collect(),
        marks: track.marks.iter().take(MOST).map(mark).collect(),
        more: (hidden > 0).then(|| format!("{} older ones are at /api/v1/track.", count(hidden as u64))),
        unmarked: count(track.unmarked),
    };
    rendered(StatusCode::OK, &page)
}

fn lead(track: &TrackRecord) -> String {
    let Some(all) = track.lines.first() else {
        return "No complete look has come yet before which a chance was published.".to_owned();
    };
    let found = format!(
        "{} of {} complete looks found the limit reached; by the chances published before them it should have been {:.1}",
        count(all.found),
        count(all.looks),
        all.expected
    );
    let range = format!("{} to {}", count(all.at_least), count(all.at_most));
    if all.explained() {
        format!("{found}. Chances that are right would lie between {range} in 19 of 20 cases: they do.")
    } else {
        format!("{found}. Chances that are right would lie between {range} in 19 of 20 cases: they do not.")
    }
}

fn cells(line: &TrackLine) -> [String; 7] {
    [
        line.which.clone(),
        count(line.looks),
        count(line.found),
        format!("{:.1}", line.expected),
        format!("{} to {}{}", line.at_least, line.at_most, if line.explained() { "" } else { ", outside" }),
        format!("{} to {}", percent(line.share_lower), percent(line.share_upper)),
        format!("{:.3}", line.brier),
    ]
}
