//! `fit --table`: the estimator on anybody's tables of intervals, of one site or of several.

use std::path::Path;

use linfa::traits::Fit as _;
use plant::{BadRow, Table};
use wear::{HazardParams, Intervals, Row, Se, WearError};

use crate::args::{Fit, RidgeScale, Shape, StandardErrors, Validate};
use crate::exit::Failure;
use crate::validation_report;

/// Fits tables and prints or writes the model.
pub fn fit(fit: &Fit) -> Result<(), Failure> {
    let (intervals, params, limit) = read(fit)?;
    let hazard = params.fit(&intervals.dataset(limit)).map_err(|error| unfit(fit, &error))?;
    write(&hazard, fit.out.as_deref())
}

/// Holds a fit of tables against the baselines by group, and prints or writes what came out.
pub fn validate(validate: &Validate) -> Result<(), Failure> {
    let fit = &validate.fit;
    let (intervals, params, limit) = read(fit)?;
    let validation = wear::validate::by_tube(&intervals, limit, std::slice::from_ref(&params), validate.folds)
        .map_err(|error| unfit(fit, &error))?;
    if let (Some(html), Some(path)) = (&validate.html, fit.table.first()) {
        validation_report::write(html, &validation, &validation_report::of_table(path, fit, limit), None)?;
    }
    write(&validation, fit.out.as_deref())
}

fn unfit(fit: &Fit, error: &WearError) -> Failure {
    let paths: Vec<String> = fit.table.iter().map(|path| path.display().to_string()).collect();
    Failure::Input(format!("{}: {error}", paths.join(", ")))
}

/// The tables' rows, the settings of the fit, and the grade that is an event.
fn read(fit: &Fit) -> Result<(Intervals, HazardParams, u8), Failure> {
    let tables =
        fit.table.iter().map(|path| history::read_table(path).map_err(|error| Failure::Input(error.to_string())));
    let tables: Vec<Table> = tables.collect::<Result<_, _>>()?;
    let limit = match (&fit.event, fit.limit) {
        (Some(_), None) => 1,
        (Some(_), Some(_)) => {
            return Err(Failure::Usage("--event says what an event is; leave --limit out".to_owned()));
        }
        (None, Some(limit)) => limit,
        (None, None) => return Err(Failure::Usage("a table needs --limit G, or --event COL".to_owned())),
    };
    let penalised = fit.terms.clone().unwrap_or_default();
    let terms: Vec<String> =
        penalised.iter().chain(&fit.unpenalised).filter(|term| !term.is_empty()).cloned().collect();
    let sites = Sites::of(&tables, fit)?;
    let intervals = intervals(&tables, fit, &terms, &sites)?;
    let offsets = sites.terms();
    let all: Vec<String> = terms.into_iter().chain(offsets.iter().cloned()).collect();
    Ok((intervals, params(fit, &all, &offsets, limit), limit))
}

fn params(fit: &Fit, terms: &[String], offsets: &[String], limit: u8) -> HazardParams {
    HazardParams::new()
        .limit(limit)
        .terms(terms.iter().cloned())
        .unpenalised(fit.unpenalised.iter().filter(|term| !term.is_empty()).chain(offsets).cloned())
        .ridge(fit.ridge.unwrap_or(0.0))
        .ridge_scale(fit.ridge_scale.map_or(wear::RidgeScale::Sd, scale))
        .shape(match fit.shape {
            None => wear::Shape::Fixed(1.0),
            Some(Shape::Fixed(k)) => wear::Shape::Fixed(k),
            Some(Shape::Fitted) => wear::Shape::Fitted,
        })
        .se(standard_errors(fit.se))
}

/// The estimator's word for the scale of a penalty.
pub fn scale(scale: RidgeScale) -> wear::RidgeScale {
    match scale {
        RidgeScale::Raw => wear::RidgeScale::Raw,
        RidgeScale::Sd => wear::RidgeScale::Sd,
    }
}

/// The estimator's word for a kind of standard errors.
pub fn standard_errors(se: StandardErrors) -> Se {
    match se {
        StandardErrors::Observed => Se::Observed,
        StandardErrors::Expected => Se::Expected,
    }
}

/// Writes a fitted model as JSON, to a file or to standard output.
pub fn write(model: &impl serde::Serialize, out: Option<&Path>) -> Result<(), Failure> {
    let text = serde_json::to_string_pretty(model).map_err(anyhow::Error::from)? + "\n";
    match out {
        Some(out) => std::fs::write(out, text)
            .map_err(|error| Failure::Other(anyhow::anyhow!("cannot write {}: {error}", out.display()))),
        None => {
            print!("{text}");
            Ok(())
        }
    }
}

/// One row of the table, still without its place in the intervals.
struct Read<'a> {
    group: &'a str,
    life: u32,
    start_h: f64,
    end_h: f64,
    grades: (u8, u8),
    x: Vec<f64>,
}

/// The sites of tables, in order of their names.
struct Sites<'a> {
    names: Vec<String>,
    column: Option<&'a str>,
}

impl<'a> Sites<'a> {
    fn of(tables: &[Table], fit: &'a Fit) -> Result<Sites<'a>, Failure> {
        let column = fit.site.as_deref();
        let mut names: Vec<String> = Vec::new();
        for table in tables {
            match column {
                Some(name) => {
                    let missing = || Failure::Input(format!("{}: there is no column {name:?}", table.path.display()));
                    let place = table.column(name).ok_or_else(missing)?;
                    names.extend(table.rows.iter().map(|(_, cells)| cells[place].clone()));
                }
                None => names.push(called(table)),
            }
        }
        names.sort();
        names.dedup();
        if column.is_none() && names.len() < tables.len() {
            return Err(Failure::Usage(
                "two tables have the same name; a site is called by the name of its file".to_owned(),
            ));
        }
        Ok(Sites { names, column })
    }

    /// The offsets of all but the first.
    fn terms(&self) -> Vec<String> {
        self.names.iter().skip(1).map(|name| format!("site_{name}")).collect()
    }

    /// The site of a row, and its offsets' values.
    fn of_row(&self, table: &Table, cells: &[String]) -> (String, Vec<f64>) {
        let place = self.column.and_then(|name| table.column(name));
        let site = place.map_or_else(|| called(table), |place| cells[place].clone());
        let offsets = self.names.iter().skip(1).map(|name| f64::from(u8::from(*name == site))).collect();
        (site, offsets)
    }
}

fn called(table: &Table) -> String {
    table.path.file_stem().map_or(String::new(), |name| name.to_string_lossy().into_owned())
}

fn intervals(tables: &[Table], fit: &Fit, terms: &[String], sites: &Sites) -> Result<Intervals, Failure> {
    let mut builder = Intervals::builder(terms.iter().cloned().chain(sites.terms()));
    let mut files = Vec::new();
    for table in tables {
        let mut bad = Vec::new();
        let columns = Columns::find(table, fit, terms, &mut bad);
        for (line, cells) in columns.iter().flat_map(|_| &table.rows) {
            let Some(row) = columns.as_ref().and_then(|columns| columns.read(*line, cells, &mut bad)) else { continue };
            let (site, offsets) = sites.of_row(table, cells);
            // A tube of another site is another tube, whatever it is called.
            let group = if sites.names.len() > 1 { format!("{site}/{}", row.group) } else { row.group.to_owned() };
            let x: Vec<f64> = row.x.iter().copied().chain(offsets).collect();
            let head = Row { group: &group, life: row.life, grade_start: row.grades.0, grade_end: row.grades.1 };
            let added = builder.row(head).and_then(|()| builder.cell(row.start_h, row.end_h, &x));
            if let Err(error) = added {
                bad.push(BadRow::new(*line, "", error));
            }
        }
        if !bad.is_empty() {
            files.push((table.path.clone(), bad, 0));
        }
    }
    if files.is_empty() {
        builder.build().map_err(|error: WearError| Failure::Input(error.to_string()))
    } else {
        Err(Failure::Data(files))
    }
}

/// Where the columns stand that a fit needs.
struct Columns<'a> {
    group: usize,
    life: Option<usize>,
    start: usize,
    end: usize,
    outcome: Outcome,
    terms: Vec<(usize, &'a str)>,
    fit: &'a Fit,
}

enum Outcome {
    Event(usize),
    Grades(usize, usize),
}

impl<'a> Columns<'a> {
    fn find(table: &Table, fit: &'a Fit, terms: &'a [String], bad: &mut Vec<BadRow>) -> Option<Self> {
        let mut find = |name: &str| {
            let column = table.column(name);
            if column.is_none() {
                bad.push(BadRow::new(
                    1,
                    name,
                    format!("this column is missing; there are {}", table.columns.join(", ")),
                ));
            }
            column
        };
        let (group, start, end) = (find(&fit.group), find(&fit.start), find(&fit.end));
        let outcome = match &fit.event {
            Some(event) => find(event).map(Outcome::Event),
            None => find("grade_start").zip(find("grade_end")).map(|(start, end)| Outcome::Grades(start, end)),
        };
        let terms: Vec<_> = terms.iter().map(|term| find(term).map(|column| (column, term.as_str()))).collect();
        Some(Columns {
            group: group?,
            life: table.column("life"),
            start: start?,
            end: end?,
            outcome: outcome?,
            terms: terms.into_iter().collect::<Option<_>>()?,
            fit,
        })
    }

    fn read<'t>(&self, line: u64, cells: &'t [String], bad: &mut Vec<BadRow>) -> Option<Read<'t>> {
        let mut number = |column: usize, name: &str| match cells[column].parse::<f64>() {
            Ok(number) if number.is_finite() => Some(number),
            _ => {
                bad.push(BadRow::new(
                    line,
                    name,
                    format!("{:?} is no number; right would be one such as 12.5", cells[column]),
                ));
                None
            }
        };
        let (start_h, end_h) = (number(self.start, &self.fit.start), number(self.end, &self.fit.end));
        let x: Vec<_> = self.terms.iter().map(|(column, name)| number(*column, name)).collect();
        let mut whole = |column: usize, name: &str, most: f64| {
            let value = number(column, name)?;
            if value.fract() == 0.0 && (0.0..=most).contains(&value) {
                return Some(value as u8);
            }
            None
        };
        let grades = match self.outcome {
            Outcome::Event(event) => {
                whole(event, self.fit.event.as_deref().unwrap_or("event"), 1.0).map(|event| (0, event))
            }
            Outcome::Grades(start, end) => whole(start, "grade_start", 4.0).zip(whole(end, "grade_end", 4.0)),
        };
        if grades.is_none() {
            bad.push(BadRow::new(
                line,
                "",
                "the outcome is none; right would be a grade from 0 to 4, or an event of 0 or 1",
            ));
        }
        let life = self.life.and_then(|column| cells[column].parse().ok()).unwrap_or(1);
        Some(Read {
            group: &cells[self.group],
            life,
            start_h: start_h?,
            end_h: end_h?,
            grades: grades?,
            x: x.into_iter().collect::<Option<_>>()?,
        })
    }
}
