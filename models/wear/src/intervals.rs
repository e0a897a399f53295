//! What happened between looks: one row per tube, life and pair of looks, cut into cells of running.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use linfa::DatasetBase;
use linfa::dataset::Records;
use ndarray::Array1;

use crate::WearError;

/// The head of a row; its cells follow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Row<'a> {
    /// The tube: rows of one group are never split between training and test.
    pub group: &'a str,
    /// Which life of the tube.
    pub life: u32,
    /// Worst grade in this life up to the earlier look.
    pub grade_start: u8,
    /// Worst grade in this life up to the later look.
    pub grade_end: u8,
}

#[derive(Debug, Clone)]
struct Head {
    group: u32,
    life: u32,
    grade_start: u8,
    grade_end: u8,
    first_cell: usize,
    end_cell: usize,
}

#[derive(Debug, Default)]
struct Cells {
    from_h: Vec<f64>,
    to_h: Vec<f64>,
    x: Vec<f64>,
}

/// Rows with their cells, in flat arrays that subsets share.
///
/// A cell is a piece of running from age `from_h` to `to_h` (run hours since the life began) under constant
/// conditions `x`, one value per term. A row of a table has one cell; a row built from hourly exposures has
/// thousands. Cells of a row need not touch.
#[derive(Debug, Clone)]
pub struct Intervals {
    terms: Arc<[String]>,
    groups: Arc<[String]>,
    cells: Arc<Cells>,
    rows: Vec<Head>,
}

impl Intervals {
    /// Starts a table with these terms.
    pub fn builder<T: Into<String>>(terms: impl IntoIterator<Item = T>) -> IntervalsBuilder {
        IntervalsBuilder {
            terms: terms.into_iter().map(Into::into).collect(),
            groups: Vec::new(),
            known: HashMap::new(),
            cells: Cells::default(),
            rows: Vec::new(),
        }
    }

    /// Names of the terms, in the order of the covariates.
    pub fn terms(&self) -> &[String] {
        &self.terms
    }

    /// Number of rows.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// Whether there are no rows.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// The head of a row, counted from 0.
    pub fn row(&self, row: usize) -> Row<'_> {
        let head = &self.rows[row];
        Row {
            group: &self.groups[head.group as usize],
            life: head.life,
            grade_start: head.grade_start,
            grade_end: head.grade_end,
        }
    }

    /// The cells of a row: from and to, run hours, and one covariate per term.
    pub fn cells(&self, row: usize) -> impl Iterator<Item = (f64, f64, &[f64])> {
        let head = &self.rows[row];
        let p = self.terms.len();
        (head.first_cell..head.end_cell)
            .map(move |cell| (self.cells.from_h[cell], self.cells.to_h[cell], &self.cells.x[cell * p..(cell + 1) * p]))
    }

    /// Age at the earlier look, run hours.
    pub fn start_h(&self, row: usize) -> f64 {
        self.cells(row).fold(f64::INFINITY, |least, (from_h, ..)| least.min(from_h))
    }

    /// Age at the later look, run hours.
    pub fn end_h(&self, row: usize) -> f64 {
        self.cells(row).fold(0.0, |most, (_, to_h, _)| most.max(to_h))
    }

    /// Run hours in the cells of a row.
    pub fn run_h(&self, row: usize) -> f64 {
        self.cells(row).map(|(from_h, to_h, _)| to_h - from_h).sum()
    }

    /// Mean of each term over the run hours of a row.
    pub fn means(&self, row: usize) -> Vec<f64> {
        let mut means = vec![0.0; self.terms.len()];
        let run_h = self.run_h(row);
        for (from_h, to_h, x) in self.cells(row) {
            for (mean, x) in means.iter_mut().zip(x) {
                *mean += x * ((to_h - from_h) / run_h);
            }
        }
        means
    }

    /// Whether a row ends in an event: it starts below the limit and reaches it.
    pub fn event(&self, row: usize, limit: u8) -> bool {
        self.rows[row].grade_start < limit && self.rows[row].grade_end >= limit
    }

    /// These rows, in this order, counted from 0. Cells are shared, not copied.
    ///
    /// # Panics
    /// If there is no such row.
    pub fn select(&self, rows: &[usize]) -> Intervals {
        Intervals { rows: rows.iter().map(|row| self.rows[*row].clone()).collect(), ..self.clone() }
    }

    /// The rows that start below the limit.
    pub fn at_risk(&self, limit: u8) -> Intervals {
        let rows = self.rows.iter().filter(|head| head.grade_start < limit).cloned().collect();
        Intervals { rows, ..self.clone() }
    }

    /// The rows at risk and whether each ends in an event, ready for [`linfa::traits::Fit`].
    pub fn dataset(&self, limit: u8) -> DatasetBase<Intervals, Array1<bool>> {
        let records = self.at_risk(limit);
        let events = (0..records.len()).map(|row| records.event(row, limit)).collect();
        DatasetBase::new(records, events)
    }

    /// The same rows by age alone: no terms, one starting grade, one cell from first to last age.
    pub fn ages_only(&self) -> Intervals {
        let mut cells = Cells::default();
        let rows = (0..self.len())
            .map(|row| {
                cells.from_h.push(self.start_h(row));
                cells.to_h.push(self.end_h(row));
                Head { grade_start: 0, first_cell: row, end_cell: row + 1, ..self.rows[row].clone() }
            })
            .collect();
        Intervals { terms: Arc::new([]), groups: self.groups.clone(), cells: Arc::new(cells), rows }
    }

    /// Distinct (group, life) among the rows that are marked, one mark per row.
    pub fn lives_of(&self, marked: &[bool]) -> usize {
        let marked = self.rows.iter().zip(marked).filter(|(_, marked)| **marked);
        marked.map(|(head, _)| (head.group, head.life)).collect::<BTreeSet<_>>().len()
    }

    /// The place of each row's group in the sorted groups of these rows; numbers sort as numbers if all groups are.
    pub fn group_ranks(&self) -> Vec<usize> {
        let mut names: Vec<&str> = self.rows.iter().map(|head| self.groups[head.group as usize].as_str()).collect();
        names.sort_unstable();
        names.dedup();
        let numbers: Option<Vec<i64>> = names.iter().map(|name| name.parse().ok()).collect();
        if let Some(numbers) = numbers {
            let mut order: Vec<usize> = (0..names.len()).collect();
            order.sort_by_key(|i| numbers[*i]);
            names = order.into_iter().map(|i| names[i]).collect();
        }
        let rank: HashMap<&str, usize> = names.into_iter().zip(0..).collect();
        self.rows.iter().map(|head| rank[self.groups[head.group as usize].as_str()]).collect()
    }

    /// The columns of these terms.
    ///
    /// # Errors
    /// [`WearError::UnknownTerm`] for a name that is no term of this table.
    pub(crate) fn columns<'a>(&self, names: impl IntoIterator<Item = &'a str>) -> Result<Vec<usize>, WearError> {
        let column = |name: &str| {
            self.terms
                .iter()
                .position(|term| term == name)
                .ok_or_else(|| WearError::UnknownTerm { name: name.to_owned(), known: self.terms.join(", ") })
        };
        names.into_iter().map(column).collect()
    }
}

impl Records for Intervals {
    type Elem = f64;

    fn nsamples(&self) -> usize {
        self.rows.len()
    }

    fn nfeatures(&self) -> usize {
        self.terms.len()
    }
}

/// Takes rows and their cells one after the other.
#[derive(Debug)]
pub struct IntervalsBuilder {
    terms: Vec<String>,
    groups: Vec<String>,
    known: HashMap<String, u32>,
    cells: Cells,
    rows: Vec<Head>,
}

impl IntervalsBuilder {
    /// Begins a row; the cells that follow belong to it.
    ///
    /// # Errors
    /// [`WearError::GradeFell`].
    pub fn row(&mut self, row: Row<'_>) -> Result<(), WearError> {
        if row.grade_end < row.grade_start {
            let (grade_start, grade_end) = (row.grade_start, row.grade_end);
            return Err(WearError::GradeFell { row: self.rows.len() + 1, grade_start, grade_end });
        }
        let group = match self.known.get(row.group) {
            Some(group) => *group,
            None => {
                let group = u32::try_from(self.groups.len()).expect("fewer than four thousand million tubes");
                self.groups.push(row.group.to_owned());
                self.known.insert(row.group.to_owned(), group);
                group
            }
        };
        let cell = self.cells.from_h.len();
        self.rows.push(Head {
            group,
            life: row.life,
            grade_start: row.grade_start,
            grade_end: row.grade_end,
            first_cell: cell,
            end_cell: cell,
        });
        Ok(())
    }

    /// Adds a cell to the row: running from one age to another, run hours since the life began, under `x`.
    ///
    /// # Errors
    /// [`WearError::BadCell`], [`WearError::WrongWidth`], [`WearError::NotFinite`], [`WearError::CellWithoutRow`].
    pub fn cell(&mut self, from_h: f64, to_h: f64, x: &[f64]) -> Result<(), WearError> {
        let row = self.rows.len();
        let Some(head) = self.rows.last_mut() else {
            return Err(WearError::CellWithoutRow);
        };
        if !(from_h >= 0.0 && from_h <= to_h && to_h.is_finite()) {
            return Err(WearError::BadCell { row, from_h, to_h });
        }
        if x.len() != self.terms.len() {
            return Err(WearError::WrongWidth { row, found: x.len(), expected: self.terms.len() });
        }
        if let Some(j) = x.iter().position(|x| !x.is_finite()) {
            return Err(WearError::NotFinite { row, term: self.terms[j].clone(), value: x[j] });
        }
        self.cells.from_h.push(from_h);
        self.cells.to_h.push(to_h);
        self.cells.x.extend_from_slice(x);
        head.end_cell += 1;
        Ok(())
    }

    /// The finished table.
    ///
    /// # Errors
    /// [`WearError::EmptyRow`] for a row without running, [`WearError::TermTwice`].
    pub fn build(self) -> Result<Intervals, WearError> {
        if let Some(at) = (1..self.terms.len()).find(|i| self.terms[..*i].contains(&self.terms[*i])) {
            return Err(WearError::TermTwice { name: self.terms[at].clone() });
        }
        let intervals = Intervals {
            terms: self.terms.into(),
            groups: self.groups.into(),
            cells: Arc::new(self.cells),
            rows: self.rows,
        };
        match (0..intervals.len()).find(|row| intervals.run_h(*row) <= 0.0) {
            Some(row) => Err(WearError::EmptyRow { row: row + 1, group: intervals.row(row).group.to_owned() }),
            None => Ok(intervals),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(group: &str, grade_start: u8, grade_end: u8) -> Row<'_> {
        Row { group, life: 1, grade_start, grade_end }
    }

    #[test]
    fn a_nan_names_its_row_and_term() {
        let mut builder = Intervals::builder(["a", "b"]);
        builder.row(row("t", 0, 0)).unwrap();
        let error = builder.cell(0.0, 1.0, &[1.0, f64::NAN]).unwrap_err();
        assert_eq!(error.to_string(), "row 1: term b is NaN; right would be a finite number");
    }

    #[test]
    fn a_row_of_zero_width_cells_is_empty() {
        let mut builder = Intervals::builder(["a"]);
        builder.row(row("t", 0, 0)).unwrap();
        builder.cell(5.0, 5.0, &[1.0]).unwrap();
        assert!(matches!(builder.build(), Err(WearError::EmptyRow { row: 1, .. })));
    }

    #[test]
    fn means_weigh_by_run_hours_and_zero_width_weighs_nothing() {
        let mut builder = Intervals::builder(["a"]);
        builder.row(row("t", 0, 0)).unwrap();
        for (from_h, to_h, x) in [(0.0, 1.0, 4.0), (1.0, 1.0, 1000.0), (1.0, 4.0, 8.0)] {
            builder.cell(from_h, to_h, &[x]).unwrap();
        }
        let table = builder.build().unwrap();
        assert_eq!(table.means(0), [7.0]);
        assert_eq!((table.start_h(0), table.end_h(0), table.run_h(0)), (0.0, 4.0, 4.0));
    }

    #[test]
    fn rows_at_the_limit_are_not_at_risk_and_lives_are_counted_once() {
        let mut builder = Intervals::builder(Vec::<String>::new());
        for (group, start, end) in [("a", 0, 2), ("a", 1, 3), ("b", 2, 3), ("b", 0, 1)] {
            builder.row(row(group, start, end)).unwrap();
            builder.cell(0.0, 1.0, &[]).unwrap();
        }
        let table = builder.build().unwrap();
        let dataset = table.dataset(2);
        assert_eq!(dataset.targets.to_vec(), [true, true, false]);
        assert_eq!(dataset.records.lives_of(&dataset.targets.to_vec()), 1);
    }

    #[test]
    fn numbered_groups_sort_as_numbers() {
        let ranks = |names: &[&str]| {
            let mut builder = Intervals::builder(Vec::<String>::new());
            for name in names {
                builder.row(row(name, 0, 0)).unwrap();
                builder.cell(0.0, 1.0, &[]).unwrap();
            }
            builder.build().unwrap().group_ranks()
        };
        assert_eq!(ranks(&["10", "9", "10"]), [1, 0, 1]);
        assert_eq!(ranks(&["t10", "t9"]), [0, 1]);
    }
}
