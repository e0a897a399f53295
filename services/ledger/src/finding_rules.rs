//! What a finding must be, whether it comes in a file or over HTTP.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use plant::{BadRow, Finding, Table, Tube, TubeId, Zone};

use crate::cells::Cells;

/// Columns of a finding: those that every row needs, and the others.
pub(crate) const FINDING: (&[&str], &[&str]) = (
    &["at", "tube", "grade"],
    &["zone", "clock", "method", "kind", "depth_um", "reason", "inspector", "run_h", "recorded_at", "note"],
);

/// Longest name of an inspector, in characters: names are shown in tables (house limit).
const LONGEST_NAME: usize = 100;
/// Longest note, in characters: a page of writing (house limit).
pub(crate) const LONGEST_NOTE: usize = 2000;

/// What a finding is held against.
#[derive(Debug, Clone, Copy)]
pub struct FindingRules<'a> {
    /// The zones of the config.
    pub zones: &'a [Zone],
    /// The zone in which times without an offset are taken.
    pub time_zone: &'a TimeZone,
    /// The present instant: nothing can have been found after it.
    pub now: Timestamp,
    /// The tubes of the register.
    pub tubes: &'a BTreeMap<TubeId, Tube>,
}

/// The findings of a table whose columns are those of the findings file.
///
/// # Errors
/// Every row and column that cannot be taken; then none is.
pub fn read_findings(table: &Table, rules: &FindingRules) -> Result<Vec<Finding>, Vec<BadRow>> {
    let (needed, optional) = FINDING;
    table.check_columns(needed, optional)?;
    let (mut bad, mut zone_assumed) = (Vec::new(), 0);
    let read = |row| finding(&mut Cells::new(table, row, &mut bad, &mut zone_assumed), rules);
    let findings = table.rows.iter().filter_map(read).collect();
    if bad.is_empty() { Ok(findings) } else { Err(bad) }
}

/// One finding; `None`, and why, if it cannot be taken.
pub(crate) fn finding(row: &mut Cells, rules: &FindingRules) -> Option<Finding> {
    let at = row.past_time("at", rules.time_zone, rules.now);
    let at = row.needed("at", at);
    let tube = row.take("tube", TubeId::new);
    let tube = row.needed("tube", tube).filter(|tube| {
        let known = rules.tubes.contains_key(tube);
        if !known {
            row.refuse("tube", format!("tube {tube} is not in the register; import the register first"));
        }
        known
    });
    let grade = row.value("grade");
    let grade = row.needed("grade", grade);
    let zone = row.text("zone").map(Zone);
    if let Some(zone) = zone.as_ref().filter(|zone| !rules.zones.contains(zone)) {
        let known: Vec<_> = rules.zones.iter().map(|zone| zone.0.as_str()).collect();
        let shown: String = zone.0.chars().take(40).collect();
        row.refuse("zone", format!("{shown:?} is no zone of the config; right would be one of {}", known.join(", ")));
    }
    let clock = row.value("clock");
    if zone.is_some() != clock.is_some() && row.text("clock").is_some() == clock.is_some() {
        row.refuse(
            "clock",
            "a station has both a zone and a clock position; without both it speaks for the whole tube",
        );
    }
    let (method, kind, reason) = (row.value("method"), row.value("kind"), row.value("reason"));
    let (depth_um, run_h) = (row.number("depth_um", 0.0), row.number("run_h", 0.0));
    let recorded_at = row.past_time("recorded_at", rules.time_zone, rules.now);
    let (inspector, note) = (row.words("inspector", LONGEST_NAME), row.words("note", LONGEST_NOTE));
    Some(Finding {
        at: at?,
        tube: tube?,
        grade: grade?,
        zone,
        clock,
        method,
        kind,
        depth_um,
        reason,
        inspector,
        run_h,
        recorded_at,
        note,
    })
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;

    fn read(columns: &[&str], row: &[&str]) -> Result<Vec<Finding>, Vec<String>> {
        let texts = |texts: &[&str]| texts.iter().map(|text| (*text).to_owned()).collect::<Vec<_>>();
        let table = Table { path: PathBuf::new(), columns: texts(columns), rows: vec![(0, texts(row))] };
        let tube = TubeId::new("T1").unwrap();
        let known = Tube {
            tube: tube.clone(),
            surface: "stainless".into(),
            bore_mm: None,
            length_mm: None,
            plating_um: None,
            run_h_before: None,
            note: None,
        };
        let rules = FindingRules {
            zones: &[Zone("drive".into()), Zone("far".into())],
            time_zone: &TimeZone::UTC,
            now: "2026-06-01T00:00:00Z".parse().unwrap(),
            tubes: &[(tube, known)].into(),
        };
        read_findings(&table, &rules).map_err(|bad| bad.into_iter().map(|bad| bad.column).collect())
    }

    #[test]
    fn every_bad_column_is_named_at_once() {
        let columns = ["at", "tube", "grade", "zone", "clock", "kind", "depth_um", "inspector", "note", "recorded_at"];
        let long = "x".repeat(2001);
        let row = ["2027-01-01", "T9", "5", "edge", "4", "dent", "-1", "Eve\u{0}", &long, "soon"];
        let mut bad = read(&columns, &row).unwrap_err();
        bad.sort();
        let mut all = columns.to_vec();
        all.sort_unstable();
        assert_eq!(bad, all);
    }

    #[test]
    fn a_note_may_have_lines_and_a_name_may_not() {
        let columns = ["at", "tube", "grade", "inspector", "note"];
        let row = ["2026-05-01", "T1", "2", "R. Inspector", "first line\nsecond line"];
        let taken = read(&columns, &row).unwrap();
        assert_eq!(taken[0].note.as_deref(), Some("first line\nsecond line"));
        let row = ["2026-05-01", "T1", "2", "R.\nInspector", ""];
        assert_eq!(read(&columns, &row).unwrap_err(), ["inspector"]);
    }

    #[test]
    fn half_a_station_is_none() {
        assert_eq!(read(&["at", "tube", "grade", "zone"], &["2026-05-01", "T1", "2", "far"]).unwrap_err(), ["clock"]);
    }
}
