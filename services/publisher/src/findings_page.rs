//! The page of findings, of one tube or of all.

use std::cmp::Reverse;

use askama::Template;
use axum::extract::Query;
use axum::extract::rejection::QueryRejection;
use axum::http::StatusCode;
use axum::response::Response;
use ledger::StoredFinding;
use serde::Deserialize;

use crate::finding_json::last_said;
use crate::findings::{known_tube, tubes};
use crate::pages::{Frame, refused, rendered};
use crate::problem::Problem;
use crate::shown::Shown;
use crate::tube_page::finding_row;
use crate::{Publisher, Site, Voice};

/// Findings on one page; the API and its CSV have all of them.
const MOST: usize = 400;

#[derive(Template)]
#[template(path = "findings.html")]
struct FindingsPage {
    voice: Voice,
    frame: Frame,
    tube: Option<String>,
    rows: Vec<Row>,
    /// How many there are, if not all are shown.
    left_out: Option<String>,
}

#[derive(Debug)]
struct Row {
    id: i64,
    tube: String,
    cells: [String; 9],
    asks_to_hold: bool,
    /// It counts no more.
    withdrawn: bool,
    /// It was corrected.
    corrected: bool,
}

/// Whose findings are wanted.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct FindingsPageQuery {
    tube: Option<String>,
}

/// `GET /findings`
pub(crate) async fn page(Shown(publisher): Shown, query: Result<Query<FindingsPageQuery>, QueryRejection>) -> Response {
    let Query(query) = query.unwrap_or_default();
    match FindingsPage::of(&publisher, query.tube).await {
        Ok(page) => rendered(StatusCode::OK, &page),
        Err(problem) => refused(problem),
    }
}

impl FindingsPage {
    async fn of(publisher: &Publisher, tube: Option<String>) -> Result<Self, Problem> {
        let wanted = match &tube {
            None => None,
            Some(tube) => Some(known_tube(&tubes(publisher).await?, tube)?),
        };
        let mut findings = publisher.ledger.findings(wanted.as_ref()).await?;
        findings.sort_by_key(|stored| Reverse((last_said(stored).map(|said| (said.at, said.grade)), stored.id)));
        let all = findings.len();
        Ok(FindingsPage {
            voice: publisher.site.voice.clone(),
            frame: Frame::of(publisher, &publisher.newest()),
            rows: findings.iter().take(MOST).filter_map(|stored| row(stored, &publisher.site)).collect(),
            left_out: (all > MOST).then(|| publisher.site.voice.count(all as u64)),
            tube,
        })
    }
}

fn row(stored: &StoredFinding, site: &Site) -> Option<Row> {
    let said = last_said(stored)?;
    let withdrawn = stored.finding.is_none();
    Some(Row {
        id: stored.id,
        tube: said.tube.to_string(),
        cells: finding_row(said, site),
        asks_to_hold: said.asks_to_hold() && !withdrawn,
        withdrawn,
        corrected: stored.version > 1 && !withdrawn,
    })
}
