//! Risks, signals and findings as CSV: one header line, comma, UTF-8, lines ending in CRLF (RFC 4180).

use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use ledger::StoredFinding;
use plant::{Finding, Score, SignalReport};

use crate::advice::advice;
use crate::finding_json::last_said;
use crate::problem::Problem;
use crate::rank::{rounded, sayable};
use crate::{Interval, Site, Snapshot, standing};

/// Columns of `risks.csv`.
const RISK_COLUMNS: [&str; 22] = [
    "unit",
    "tube",
    "at",
    "state",
    "hold_and_assess",
    "limit_grade",
    "horizon_h",
    "risk",
    "lower",
    "upper",
    "last_look_at",
    "last_grade",
    "run_h",
    "blind_h",
    "coverage",
    "equivalent_h",
    "model",
    "data_from",
    "data_to",
    "longest_interval",
    "reason",
    "advice",
];

/// Columns of `signals.csv`.
const SIGNAL_COLUMNS: [&str; 15] = [
    "unit",
    "signal",
    "value",
    "measure",
    "last_at",
    "arrived_at",
    "per_min",
    "count",
    "faults",
    "fault_reasons",
    "unprotected",
    "topic",
    "raw",
    "known_day",
    "known_week",
];

/// Columns of `findings.csv`: those of the findings file, behind which version it is and who entered it.
const FINDING_COLUMNS: [&str; 18] = [
    "id",
    "version",
    "withdrawn",
    "entered_at",
    "entered_by",
    "at",
    "tube",
    "grade",
    "zone",
    "clock",
    "method",
    "kind",
    "depth_um",
    "reason",
    "inspector",
    "run_h",
    "recorded_at",
    "note",
];

/// One row per score and horizon. A score without a risk has one row in which horizon, risk and interval are empty:
/// it must not vanish from a table, and an empty cell is no 0.
pub(crate) fn risks<'a>(scores: impl Iterator<Item = &'a Score>, snapshot: &Snapshot, site: &Site) -> Response {
    let mut rows = Vec::new();
    for score in scores {
        let interval = Interval::of(score, snapshot, site);
        let mut ahead: Vec<[String; 4]> = sayable(score)
            .iter()
            .map(rounded)
            .map(|ahead| [ahead.horizon_h, ahead.risk, ahead.lower, ahead.upper].map(|number| number.to_string()))
            .collect();
        if ahead.is_empty() {
            ahead.push(Default::default());
        }
        for [horizon_h, risk, lower, upper] in ahead {
            rows.push([
                key(score.unit.as_ref()),
                key(score.tube.as_ref()),
                score.at.to_string(),
                score.state.to_string(),
                score.hold_and_assess.to_string(),
                site.limit.to_string(),
                horizon_h,
                risk,
                lower,
                upper,
                time(score.last_look_at),
                key(standing::bare_grade(score, site).as_ref()),
                finite(score.run_h),
                finite(score.blind_h),
                score.coverage.map(finite).unwrap_or_default(),
                finite(score.equivalent_h),
                free(&score.model),
                time(score.data_from),
                time(score.data_to),
                interval.word().to_owned(),
                free(&standing::reason(score, &site.voice)),
                free(&advice(score, &interval, site)),
            ]);
        }
    }
    answer(&RISK_COLUMNS, &rows)
}

/// One row per signal.
pub(crate) fn signals(snapshot: &Snapshot, signals: &[&SignalReport]) -> Response {
    let rows: Vec<_> = signals
        .iter()
        .map(|report| {
            let known = snapshot.known_share(report);
            let reasons: Vec<&str> = report.faults.iter().map(|fault| fault.reason.as_str()).collect();
            [
                key(Some(&report.unit)),
                report.signal.to_string(),
                free(&report.value),
                report.measure.clone(),
                time(report.last_at),
                time(report.arrived_at),
                finite(report.per_min),
                report.count.to_string(),
                report.faults.iter().map(|fault| fault.count).sum::<u64>().to_string(),
                free(&reasons.join(" ")),
                report.unprotected.to_string(),
                free(&report.topic),
                free(&report.raw),
                known.map(|share| finite(share.day)).unwrap_or_default(),
                known.map(|share| finite(share.week)).unwrap_or_default(),
            ]
        })
        .collect();
    answer(&SIGNAL_COLUMNS, &rows)
}

/// One row per finding in its present version; one that was withdrawn has an empty grade and says so.
pub(crate) fn findings(findings: &[StoredFinding]) -> Response {
    let rows: Vec<_> = findings.iter().map(finding).collect();
    answer(&FINDING_COLUMNS, &rows)
}

fn finding(stored: &StoredFinding) -> [String; 18] {
    let finding = stored.finding.as_ref();
    let text = |of: fn(&Finding) -> Option<String>| finding.and_then(of).map(|text| free(&text)).unwrap_or_default();
    let number = |of: fn(&Finding) -> Option<f64>| finding.and_then(of).map(finite).unwrap_or_default();
    [
        stored.id.to_string(),
        stored.version.to_string(),
        finding.is_none().to_string(),
        stored.entered_at.to_string(),
        free(&stored.entered_by),
        time(finding.map(|finding| finding.at)),
        key(last_said(stored).map(|finding| &finding.tube)),
        text(|finding| Some(finding.grade.to_string())),
        text(|finding| finding.zone.as_ref().map(|zone| zone.0.clone())),
        text(|finding| finding.clock.map(|clock| clock.to_string())),
        text(|finding| finding.method.map(|method| method.to_string())),
        text(|finding| finding.kind.map(|kind| kind.to_string())),
        number(|finding| finding.depth_um),
        text(|finding| finding.reason.map(|reason| reason.to_string())),
        text(|finding| finding.inspector.clone()),
        number(|finding| finding.run_h),
        time(finding.and_then(|finding| finding.recorded_at)),
        text(|finding| finding.note.clone()),
    ]
}

fn key<T: ToString>(name: Option<&T>) -> String {
    name.map(|name| free(&name.to_string())).unwrap_or_default()
}

fn time(at: Option<Timestamp>) -> String {
    at.map(|at| at.to_string()).unwrap_or_default()
}

/// A number that is none is left empty, as in JSON it is null.
fn finite(number: f64) -> String {
    if number.is_finite() { number.to_string() } else { String::new() }
}

/// What a spreadsheet takes for the start of a formula, in either width, and what it skips before one (Open Web Application
/// Security Project, "CSV Injection", from memory).
const FORMULA: [char; 11] = ['=', '+', '-', '@', '\t', '\r', '\n', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}'];

/// A text that anybody may have written: where a spreadsheet would take it for a formula, an apostrophe keeps it a text.
/// A plain number stays as it is.
fn free(text: &str) -> String {
    let formula = text.trim_start_matches(' ').starts_with(FORMULA);
    if formula && text.parse::<f64>().is_err() { format!("'{text}") } else { text.to_owned() }
}

fn answer<const N: usize>(columns: &[&str; N], rows: &[[String; N]]) -> Response {
    match written(columns, rows) {
        Ok(table) => ([(header::CONTENT_TYPE, "text/csv; charset=utf-8; header=present")], table).into_response(),
        Err(error) => {
            tracing::error!(%error, "a table could not be written as CSV");
            let detail = "this table could not be written as CSV".to_owned();
            Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "not_csv", detail).into_response()
        }
    }
}

fn written<const N: usize>(columns: &[&str; N], rows: &[[String; N]]) -> Result<Vec<u8>, csv::Error> {
    let mut table = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    table.write_record(columns)?;
    for row in rows {
        table.write_record(row)?;
    }
    table.into_inner().map_err(|error| csv::Error::from(error.into_error()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_is_no_formula_and_a_number_stays_a_number() {
        for text in
            ["=1+1", "+cmd", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =1+1", "\u{ff1d}1", "\u{ff20}SUM(A1)"]
        {
            assert_eq!(free(text), format!("'{text}"));
        }
        for text in ["-5.1", "+3", "-1e-3", "works/C-103", "", "a=b"] {
            assert_eq!(free(text), text);
        }
    }

    #[test]
    fn quotes_commas_and_line_ends_stay_inside_a_cell() {
        // RFC 4180, section 2, rules 6 and 7.
        let table = written(&["a", "b"], &[["x,\"y\"".to_owned(), "1\r\n2".to_owned()]]).unwrap();
        assert_eq!(table, b"a,b\r\n\"x,\"\"y\"\"\",\"1\r\n2\"\r\n");
    }
}
