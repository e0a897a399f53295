//! The page of the track record: what was said, what was found, and whether the chances still mean what they say.

use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use serde::Serialize;

use crate::api::Pretty;
use crate::pages::{Frame, rendered};
use crate::shown::Shown;
use crate::{Publisher, TrackLine, TrackRecord, Voice, chart_track};

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
    voice: Voice,
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
pub(crate) async fn page(Shown(publisher): Shown) -> Response {
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let (track, voice) = (&snapshot.track, &site.voice);
    let picture = match chart_track::draw(&track.marks, "track", voice) {
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
            mark.unit.as_ref().map_or_else(|| voice.say("state-not-fitted"), ToString::to_string),
            voice.percent(mark.chance),
            if mark.found { voice.say("track-mark-found") } else { voice.say("track-mark-not-found") },
            site.day(mark.said_at),
            voice.hours(mark.run_h),
            mark.model.clone(),
        ]
    };
    let hidden = track.marks.len().saturating_sub(MOST);
    let page = TrackPage {
        voice: publisher.site.voice.clone(),
        frame: Frame::of(&publisher, &snapshot),
        lead: lead(track, voice),
        drift: track.drift.as_ref().map(|drift| DriftView {
            told: drift.since.is_some(),
            sentence: drift.sentence.clone(),
            evidence: voice.decimal(drift.evidence, 1),
            limit: voice.decimal(drift.limit, 0),
            looks: voice.count(drift.looks),
        }),
        picture,
        lines: track.lines.iter().map(|line| cells(line, voice)).collect(),
        bins: track.bins.iter().map(|line| cells(line, voice)).collect(),
        marks: track.marks.iter().take(MOST).map(mark).collect(),
        more: (hidden > 0).then(|| voice.tell("track-more", &[("marks", &voice.count(hidden as u64))])),
        unmarked: voice.count(track.unmarked),
    };
    rendered(StatusCode::OK, &page)
}

fn lead(track: &TrackRecord, voice: &Voice) -> String {
    let Some(all) = track.lines.first() else {
        return voice.say("track-none");
    };
    let found = voice.tell(
        "track-found-of",
        &[
            ("found", &voice.count(all.found)),
            ("looks", &voice.count(all.looks)),
            ("expected", &voice.decimal(all.expected, 1)),
        ],
    );
    let range = voice.tell("range", &[("low", &voice.count(all.at_least)), ("high", &voice.count(all.at_most))]);
    if all.explained() {
        voice.tell("track-explained", &[("found", &found), ("range", &range)])
    } else {
        voice.tell("track-not-explained", &[("found", &found), ("range", &range)])
    }
}

fn cells(line: &TrackLine, voice: &Voice) -> [String; 7] {
    let range = voice.tell("range", &[("low", &line.at_least), ("high", &line.at_most)]);
    let explained = if line.explained() { range } else { voice.tell("track-outside", &[("range", &range)]) };
    [
        line.which.clone(),
        voice.count(line.looks),
        voice.count(line.found),
        voice.decimal(line.expected, 1),
        explained,
        voice.tell("range", &[("low", &voice.percent(line.share_lower)), ("high", &voice.percent(line.share_upper))]),
        voice.decimal(line.brier, 3),
    ]
}
