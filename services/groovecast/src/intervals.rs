//! The intervals table: what a tube went through between two looks, and what the looks saw.

use std::path::Path;

use anyhow::Context;
use jiff::Timestamp;
use plant::{Bands, Exposure, Grade, Span, Term, TubeId};

use crate::args::Rows;
use crate::fleet::{Fleet, Piece};

/// One row: a span between looks with its exposures.
pub struct IntervalRow {
    /// The span.
    pub span: Span,
    /// The earlier look, or the beginning of the life; `None` if that lies before the records.
    pub begins_at: Option<Timestamp>,
    /// The tube's surface.
    pub surface: String,
    /// Run hours of the life at the earlier look.
    pub start_h: f64,
    /// Run hours of the life at the later look.
    pub end_h: f64,
    /// Run hours since the surface was plated or came new, at the earlier look.
    pub surface_h: f64,
    /// What happened in between, hours before the records included as blind ones.
    pub exposure: Exposure,
}

/// All rows of the fleet, tube by tube.
pub fn rows(fleet: &Fleet, limit: Grade, which: Rows) -> Vec<IntervalRow> {
    let mut tubes: Vec<&TubeId> = fleet.record.tubes.keys().collect();
    tubes.sort();
    tubes.into_iter().flat_map(|tube| rows_of(fleet, tube, limit, which)).collect()
}

fn rows_of(fleet: &Fleet, tube: &TubeId, limit: Grade, which: Rows) -> Vec<IntervalRow> {
    let spans = match which {
        Rows::Worst => fleet.record.spans(tube, limit),
        Rows::Station => fleet.record.station_spans(tube),
    };
    let lives = fleet.record.lives(tube);
    let surface = fleet.record.tubes.get(tube).map_or_else(String::new, |tube| tube.surface.clone());
    spans
        .into_iter()
        .filter_map(|span| {
            let life = lives.iter().find(|life| life.number == span.life)?;
            let begins_at = span.start_at.or(life.from);
            let mut exposure = fleet.exposure(tube, begins_at, span.end_at);
            let start_h = if span.start_at.is_some() {
                fleet.exposure(tube, life.from, span.start_at?).run_h() + life.run_h_before
            } else {
                exposure.add(Term::RunH, life.run_h_before);
                exposure.add(Term::BlindH, life.run_h_before);
                0.0
            };
            let end_h = start_h + exposure.run_h();
            let surface_h = begins_at.map_or(0.0, |at| fleet.surface_h(tube, life, at));
            Some(IntervalRow { span, begins_at, surface: surface.clone(), start_h, end_h, surface_h, exposure })
        })
        .collect()
}

/// The pieces of a row's span, in order of time.
pub fn pieces<'a>(fleet: &'a Fleet, row: &'a IntervalRow) -> impl Iterator<Item = Piece<'a>> {
    fleet.pieces(&row.span.tube, row.begins_at, row.span.end_at)
}

/// The table as text columns, in the order of the contract; a sum that a unit cannot give is empty.
pub fn table(rows: &[IntervalRow], bands: &Bands) -> (Vec<String>, Vec<Vec<String>>) {
    let fixed = [
        "tube",
        "life",
        "station",
        "surface",
        "start_at",
        "end_at",
        "start_h",
        "end_h",
        "grade_start",
        "grade_end",
        "grade_end_seen",
        "surface_h",
    ];
    let header = fixed.map(str::to_owned).into_iter();
    let header = header.chain(Term::ALL.iter().map(|term| term.as_str().to_owned())).chain(bands.names()).collect();
    let body = rows.iter().map(|row| cells(row, bands.cells())).collect();
    (header, body)
}

fn cells(row: &IntervalRow, bands: usize) -> Vec<String> {
    let span = &row.span;
    let station = span.station.as_ref().map_or("worst".to_owned(), |(zone, clock)| format!("{} {clock}", zone.0));
    let mut cells = vec![
        span.tube.to_string(),
        span.life.to_string(),
        station,
        row.surface.clone(),
        row.begins_at.map_or(String::new(), |at| at.to_string()),
        span.end_at.to_string(),
        row.start_h.to_string(),
        row.end_h.to_string(),
        span.grade_start.to_string(),
        span.grade_end.to_string(),
        span.grade_end_seen.to_string(),
        row.surface_h.to_string(),
    ];
    cells.extend(Term::ALL.iter().map(|term| row.exposure.get(*term).map_or(String::new(), |sum| sum.to_string())));
    cells.extend((0..bands).map(|cell| row.exposure.band_h.get(cell).copied().unwrap_or(0.0).to_string()));
    cells
}

/// Writes the table as CSV or, if the name ends so, as Parquet.
pub fn write(out: &Path, rows: &[IntervalRow], bands: &Bands) -> anyhow::Result<()> {
    let (header, body) = table(rows, bands);
    if out.extension().is_some_and(|extension| extension == "parquet") {
        const WORDS: [&str; 5] = ["tube", "station", "surface", "start_at", "end_at"];
        history::write_table(out, &header, &body, &WORDS).with_context(|| format!("cannot write {}", out.display()))?;
    } else {
        let mut file = csv::Writer::from_path(out).with_context(|| format!("cannot write {}", out.display()))?;
        file.write_record(&header)?;
        for row in &body {
            file.write_record(row)?;
        }
        file.flush()?;
    }
    Ok(())
}
