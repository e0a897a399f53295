//! Taking the plant's files into the record: all or nothing, every bad row named, twice the same as once.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use plant::{BadRow, Campaign, Finding, Fitting, Table, Tube, TubeId, UnitId, Work, Zone};

use crate::cells::Cells;
use crate::change::By;
use crate::error::LedgerError;
use crate::finding_rules::{FINDING, FindingRules, LONGEST_NOTE, finding};
use crate::open::Ledger;
use crate::record::read_record;

/// What a row is held against.
#[derive(Debug, Clone)]
pub struct Rules {
    /// The units of the config.
    pub units: BTreeSet<UnitId>,
    /// The zones of the config.
    pub zones: Vec<Zone>,
    /// The surfaces that may be named.
    pub surfaces: Vec<String>,
    /// The zone in which times without an offset are taken.
    pub time_zone: TimeZone,
    /// The present instant: nothing can have been found after it.
    pub now: Timestamp,
}

/// What became of one file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileImport {
    /// Which file.
    pub path: PathBuf,
    /// What it was taken for.
    pub kind: &'static str,
    /// Rows that were not there before.
    pub added: u64,
    /// Rows that replaced what was known of the same tube, fitting or campaign.
    pub changed: u64,
    /// Rows that were there already.
    pub unchanged: u64,
    /// Times without an offset, taken in the plant's zone.
    pub zone_assumed: u64,
}

/// Why an import took nothing.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// Files with rows that cannot be taken.
    #[error("{} rows cannot be taken; nothing was imported", .0.iter().map(|(_, rows)| rows.len()).sum::<usize>())]
    BadRows(Vec<(PathBuf, Vec<BadRow>)>),
    /// The database failed.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

const TUBE: (&[&str], &[&str]) =
    (&["tube", "surface"], &["bore_mm", "length_mm", "plating_um", "run_h_before", "note"]);
const FITTING: (&[&str], &[&str]) = (&["tube", "unit", "from"], &["to"]);
const WORK: (&[&str], &[&str]) = (&["at", "tube", "work"], &["note"]);
const CAMPAIGN: (&[&str], &[&str]) = (&["unit", "from", "to", "product"], &["planned", "run_h"]);

/// Longest name of a product, in characters: names are shown in tables (house limit).
const LONGEST_PRODUCT: usize = 200;

/// The rows of one file, with what was wrong in it.
struct Parsed<'a> {
    table: &'a Table,
    kind: &'static str,
    bad: Vec<BadRow>,
    zone_assumed: u64,
}

impl<'a> Parsed<'a> {
    fn new(table: &'a Table, kind: &'static str, (needed, optional): (&[&str], &[&str])) -> Self {
        let bad = table.check_columns(needed, optional).err().unwrap_or_default();
        Self { table, kind, bad, zone_assumed: 0 }
    }

    fn rows<T>(&mut self, mut read: impl FnMut(&mut Cells) -> Option<T>) -> Vec<(u64, T)> {
        if !self.bad.is_empty() {
            return Vec::new();
        }
        let table = self.table;
        let (bad, zone_assumed) = (&mut self.bad, &mut self.zone_assumed);
        let rows = table.rows.iter();
        rows.filter_map(|row| {
            let mut cells = Cells::new(table, row, bad, zone_assumed);
            read(&mut cells).map(|value| (cells.line(), value))
        })
        .collect()
    }
}

fn refuse_bad(files: &mut [Parsed]) -> Result<(), ImportError> {
    let bad: Vec<_> = files
        .iter_mut()
        .filter(|f| !f.bad.is_empty())
        .map(|f| (f.table.path.clone(), std::mem::take(&mut f.bad)))
        .collect();
    if bad.is_empty() { Ok(()) } else { Err(ImportError::BadRows(bad)) }
}

/// Counts of one file while it is stored.
#[derive(Default)]
pub(crate) struct Counts {
    pub(crate) added: u64,
    pub(crate) changed: u64,
    pub(crate) unchanged: u64,
}

impl Counts {
    fn of(self, file: &Parsed) -> FileImport {
        FileImport {
            path: file.table.path.clone(),
            kind: file.kind,
            added: self.added,
            changed: self.changed,
            unchanged: self.unchanged,
            zone_assumed: file.zone_assumed,
        }
    }
}

impl Ledger {
    /// Imports the register: tubes, fittings and work, told apart by their columns, in any order.
    ///
    /// A tube or a fitting that is known already is brought up to date (a fitting may gain its end).
    ///
    /// # Errors
    /// [`ImportError::BadRows`] names every row that cannot be taken; then nothing is imported.
    pub async fn import_register(
        &self,
        tables: &[Table],
        rules: &Rules,
        by: &By,
    ) -> Result<Vec<FileImport>, ImportError> {
        // What is there is read in the transaction that writes: nobody fits a tube in between.
        let mut change = self.change("store the register", by).await?;
        let known = read_record(&mut change.tx, &rules.zones).await?;
        let mut files: Vec<Parsed> = tables.iter().map(register_kind).collect();
        let mut tubes = Vec::new();
        let mut fittings = Vec::new();
        let mut work = Vec::new();
        for (index, file) in files.iter_mut().enumerate() {
            match file.kind {
                "tubes" => {
                    let read = file.rows(|row| tube(row, rules));
                    tubes.extend(read.into_iter().map(|(_, tube)| (index, kept(tube, file.table, &known.tubes))));
                }
                "fittings" => fittings.extend(file.rows(|row| fitting(row, rules)).into_iter().map(|row| (index, row))),
                "work" => work.extend(file.rows(|row| work_row(row, rules)).into_iter().map(|row| (index, row))),
                _ => {}
            }
        }
        let serials: BTreeSet<&TubeId> = known.tubes.keys().chain(tubes.iter().map(|(_, tube)| &tube.tube)).collect();
        for (index, (line, tube)) in fittings
            .iter()
            .map(|(index, (line, f))| (*index, (*line, &f.tube)))
            .chain(work.iter().map(|(index, (line, w))| (*index, (*line, &w.tube))))
        {
            if !serials.contains(tube) {
                files[index].bad.push(BadRow::new(line, "tube", format!("tube {tube} is not in the register")));
            }
        }
        overlaps(&known.fittings, &fittings, &mut files);
        refuse_bad(&mut files)?;
        let mut counts: Vec<Counts> = files.iter().map(|_| Counts::default()).collect();
        for (index, tube) in &tubes {
            change.store_tube(tube, &mut counts[*index]).await?;
        }
        for (index, (_, fitting)) in &fittings {
            change.store_fitting(fitting, &mut counts[*index]).await?;
        }
        for (index, (_, work)) in &work {
            change.store_work(work, &mut counts[*index]).await?;
        }
        change.commit().await?;
        Ok(counts.into_iter().zip(&files).map(|(counts, file)| counts.of(file)).collect())
    }

    /// Imports findings. A finding that is there already stays once.
    ///
    /// # Errors
    /// [`ImportError::BadRows`] names every row that cannot be taken; then nothing is imported.
    pub async fn import_findings(
        &self,
        tables: &[Table],
        rules: &Rules,
        by: &By,
    ) -> Result<Vec<FileImport>, ImportError> {
        let mut change = self.change("store findings", by).await?;
        let known = read_record(&mut change.tx, &rules.zones).await?;
        let rules =
            FindingRules { zones: &rules.zones, time_zone: &rules.time_zone, now: rules.now, tubes: &known.tubes };
        let mut files: Vec<Parsed> = tables.iter().map(|table| Parsed::new(table, "findings", FINDING)).collect();
        let rows: Vec<Vec<Finding>> = files
            .iter_mut()
            .map(|file| file.rows(|row| finding(row, &rules)).into_iter().map(|(_, f)| f).collect())
            .collect();
        refuse_bad(&mut files)?;
        let mut counts: Vec<Counts> = files.iter().map(|_| Counts::default()).collect();
        for (counts, rows) in counts.iter_mut().zip(&rows) {
            for finding in rows {
                change.store_finding(finding, counts).await?;
            }
        }
        change.commit().await?;
        Ok(counts.into_iter().zip(&files).map(|(counts, file)| counts.of(file)).collect())
    }

    /// Imports campaigns. A campaign of the same unit and beginning is brought up to date.
    ///
    /// # Errors
    /// [`ImportError::BadRows`] names every row that cannot be taken; then nothing is imported.
    pub async fn import_campaigns(
        &self,
        tables: &[Table],
        rules: &Rules,
        by: &By,
    ) -> Result<Vec<FileImport>, ImportError> {
        let mut files: Vec<Parsed> = tables.iter().map(|table| Parsed::new(table, "campaigns", CAMPAIGN)).collect();
        let rows: Vec<Vec<Campaign>> = files
            .iter_mut()
            .map(|file| file.rows(|row| campaign(row, rules)).into_iter().map(|(_, c)| c).collect())
            .collect();
        refuse_bad(&mut files)?;
        let mut counts: Vec<Counts> = files.iter().map(|_| Counts::default()).collect();
        let mut change = self.change("store campaigns", by).await?;
        for (counts, rows) in counts.iter_mut().zip(&rows) {
            for campaign in rows {
                change.store_campaign(campaign, counts).await?;
            }
        }
        change.commit().await?;
        Ok(counts.into_iter().zip(&files).map(|(counts, file)| counts.of(file)).collect())
    }
}

fn register_kind(table: &Table) -> Parsed<'_> {
    if table.column("surface").is_some() {
        Parsed::new(table, "tubes", TUBE)
    } else if table.column("unit").is_some() {
        Parsed::new(table, "fittings", FITTING)
    } else if table.column("work").is_some() {
        Parsed::new(table, "work", WORK)
    } else {
        let problem =
            "this is no register file; tubes have a column surface, fittings a column unit, work a column work";
        let bad = vec![BadRow::new(1, "", problem)];
        Parsed { table, kind: "nothing", bad, zone_assumed: 0 }
    }
}

fn tube_id(row: &mut Cells) -> Option<TubeId> {
    let tube = row.take("tube", TubeId::new);
    row.needed("tube", tube)
}

fn unit_id(row: &mut Cells, rules: &Rules) -> Option<UnitId> {
    let unit = row.take("unit", UnitId::new);
    let unit = row.needed("unit", unit)?;
    if !rules.units.contains(&unit) {
        let known: Vec<_> = rules.units.iter().map(UnitId::as_str).collect();
        row.refuse("unit", format!("unit {unit} is not in the config; known are {}", known.join(", ")));
        return None;
    }
    Some(unit)
}

fn tube(row: &mut Cells, rules: &Rules) -> Option<Tube> {
    let tube = tube_id(row);
    let surface = row.text("surface");
    let surface = row.needed("surface", surface);
    if let Some(surface) = surface.as_ref().filter(|surface| !rules.surfaces.contains(surface)) {
        row.refuse("surface", format!("{surface:?} is no known surface; known are {}", rules.surfaces.join(", ")));
    }
    let (bore_mm, length_mm) = (row.number("bore_mm", 1.0), row.number("length_mm", 1.0));
    let (plating_um, run_h_before) = (row.number("plating_um", 0.0), row.number("run_h_before", 0.0));
    let note = row.words("note", LONGEST_NOTE);
    Some(Tube { tube: tube?, surface: surface?, bore_mm, length_mm, plating_um, run_h_before, note })
}

/// The tube with what is known of it in columns that the file does not have.
fn kept(tube: Tube, table: &Table, known: &BTreeMap<TubeId, Tube>) -> Tube {
    let Some(old) = known.get(&tube.tube).cloned() else { return tube };
    let absent = |column: &str| table.column(column).is_none();
    Tube {
        bore_mm: if absent("bore_mm") { old.bore_mm } else { tube.bore_mm },
        length_mm: if absent("length_mm") { old.length_mm } else { tube.length_mm },
        plating_um: if absent("plating_um") { old.plating_um } else { tube.plating_um },
        run_h_before: if absent("run_h_before") { old.run_h_before } else { tube.run_h_before },
        note: if absent("note") { old.note } else { tube.note },
        ..tube
    }
}

fn fitting(row: &mut Cells, rules: &Rules) -> Option<Fitting> {
    let (tube, unit) = (tube_id(row), unit_id(row, rules));
    let from = row.past_time("from", &rules.time_zone, rules.now);
    let from = row.needed("from", from);
    let to = row.past_time("to", &rules.time_zone, rules.now);
    if let (Some(from), Some(to)) = (from, to)
        && to <= from
    {
        row.refuse("to", format!("{to} is not after {from}, when the fitting began"));
        return None;
    }
    Some(Fitting { tube: tube?, unit: unit?, from: from?, to })
}

fn work_row(row: &mut Cells, rules: &Rules) -> Option<Work> {
    let at = row.past_time("at", &rules.time_zone, rules.now);
    let at = row.needed("at", at);
    let tube = tube_id(row);
    let work = row.value("work");
    let work = row.needed("work", work);
    let note = row.words("note", LONGEST_NOTE);
    Some(Work { at: at?, tube: tube?, work: work?, note })
}

fn campaign(row: &mut Cells, rules: &Rules) -> Option<Campaign> {
    let unit = unit_id(row, rules);
    let from = row.time("from", &rules.time_zone);
    let from = row.needed("from", from);
    let to = row.time("to", &rules.time_zone);
    let to = row.needed("to", to);
    let product = row.words("product", LONGEST_PRODUCT);
    let product = row.needed("product", product);
    let planned = row.take("planned", |cell| match cell {
        "yes" => Ok(true),
        "no" => Ok(false),
        _ => Err(format!("{cell:?} is neither yes nor no")),
    });
    if let (Some(from), Some(to)) = (from, to)
        && to <= from
    {
        row.refuse("to", format!("{to} is not after {from}, when the campaign began"));
        return None;
    }
    let run_h = row.number("run_h", 0.0);
    let (from, to) = (from?, to?);
    Some(Campaign { unit: unit?, from, to, product: product?, planned: planned.unwrap_or(from > rules.now), run_h })
}

/// One tube in one unit at a time, one unit with one tube: known fittings and new ones together.
fn overlaps(known: &[Fitting], new: &[(usize, (u64, Fitting))], files: &mut [Parsed]) {
    let replaced = |old: &Fitting| new.iter().any(|(_, (_, f))| f.tube == old.tube && f.from == old.from);
    let mut all: Vec<(&Fitting, Option<(usize, u64)>)> =
        known.iter().filter(|old| !replaced(old)).map(|old| (old, None)).collect();
    all.extend(new.iter().map(|(index, (line, fitting))| (fitting, Some((*index, *line)))));
    let mut clash = |same: fn(&Fitting) -> &str, what: &str| {
        all.sort_by(|(a, _), (b, _)| (same(a), a.from).cmp(&(same(b), b.from)));
        for pair in all.windows(2) {
            let [(a, a_row), (b, b_row)] = pair else { continue };
            let apart = same(a) != same(b) || a.to.is_some_and(|to| to <= b.from) || a == b;
            if let (false, Some((index, line))) = (apart, b_row.or(*a_row)) {
                let until = a.to.map_or("still there".to_owned(), |to| format!("until {to}"));
                files[index].bad.push(BadRow::new(
                    line,
                    "from",
                    format!(
                        "{what}: tube {} in unit {} from {} ({until}) overlaps tube {} in unit {} from {}; give the earlier one its `to`",
                        a.tube, a.unit, a.from, b.tube, b.unit, b.from
                    ),
                ));
            }
        }
    };
    clash(|fitting| fitting.tube.as_str(), "one tube sits in one unit at a time");
    clash(|fitting| fitting.unit.as_str(), "one unit holds one tube at a time");
}
