//! The page of findings, of one tube or of all.

use std::cmp::Reverse;

use askama::Template;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use plant::Finding;
use serde::Deserialize;

use crate::Publisher;
use crate::api::shortened;
use crate::figures::count;
use crate::pages::{Frame, refused, rendered};
use crate::tube_page::finding_row;

/// Findings on one page; the API and its CSV have all of them.
const MOST: usize = 400;

#[derive(Template)]
#[template(path = "findings.html")]
struct FindingsPage {
    frame: Frame,
    tube: Option<String>,
    rows: Vec<Row>,
    /// How many there are, if not all are shown.
    left_out: Option<String>,
}

#[derive(Debug)]
struct Row {
    tube: String,
    cells: [String; 9],
    asks_to_hold: bool,
}

/// Whose findings are wanted.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct FindingsPageQuery {
    tube: Option<String>,
}

/// `GET /findings`
pub(crate) async fn page(
    State(publisher): State<Publisher>,
    query: Result<Query<FindingsPageQuery>, QueryRejection>,
) -> Response {
    let Query(query) = query.unwrap_or_default();
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let wanted = |tube: &str| query.tube.as_deref().is_none_or(|wanted| wanted == tube);
    if let Some(tube) = query.tube.as_deref()
        && !snapshot.tubes.keys().any(|known| known.as_str() == tube)
    {
        let why = format!("No tube {:?} is in the register.", shortened(tube));
        return refused(StatusCode::NOT_FOUND, &why);
    }
    let mut findings: Vec<&Finding> = snapshot
        .tubes
        .values()
        .filter(|detail| wanted(detail.tube.tube.as_str()))
        .flat_map(|detail| &detail.findings)
        .collect();
    findings.sort_by_key(|finding| Reverse((finding.at, finding.grade)));
    let all = findings.len();
    let rows = findings.into_iter().take(MOST).map(|finding| Row {
        tube: finding.tube.to_string(),
        cells: finding_row(finding, site),
        asks_to_hold: finding.asks_to_hold(),
    });
    let page = FindingsPage {
        frame: Frame::of(&publisher, &snapshot),
        rows: rows.collect(),
        left_out: (all > MOST).then(|| count(all as u64)),
        tube: query.tube,
    };
    rendered(StatusCode::OK, &page)
}
