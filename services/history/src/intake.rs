//! Readings that somebody else reads from elsewhere and hands over as tables of text, stretch by stretch.

use std::path::{Path, PathBuf};

use plant::{BadRow, Table};

use crate::HistoryError;
use crate::import::{Gathered, ImportError, ImportSettings, Outcome, Staged};
use crate::import_row::{Cell, Rows};
use crate::layout::Layout;
use crate::spool::Spool;
use crate::staging::{Resumed, Source, Staging, Stretch};

/// An import whose rows are handed in. What lies in stretches that were closed is not asked for again after a kill.
pub struct Intake<'a> {
    settings: &'a ImportSettings,
    staging: &'a Staging,
    source: Source,
    name: PathBuf,
    layout: Layout,
    read: Resumed,
    open: Option<(Rows<'a>, Spool<'a>, u64)>,
}

impl<'a> Intake<'a> {
    /// Begins an import of rows with these columns, or goes on with one that was killed. `name` says where they come from, and
    /// `from` where the first stretch begins.
    ///
    /// # Errors
    /// If the columns are not those of a table of readings, or the folder cannot be used.
    pub fn open(
        name: &Path,
        columns: &[&str],
        settings: &'a ImportSettings,
        staging: &'a Staging,
        from: i64,
    ) -> Result<Self, ImportError> {
        let columns: Vec<String> = columns.iter().map(|name| (*name).to_owned()).collect();
        let source = staging.source(0)?;
        let layout = match Layout::of(&columns, settings, None) {
            Ok(layout) => layout,
            Err(bad) => {
                let mut gathered = Gathered::default();
                gathered.add(name, &source.folder, Outcome::bad_header(bad), settings.listed_bad_rows);
                return Err(gathered.bad());
            }
        };
        let read = source.resume(from, 1);
        Ok(Self { settings, staging, source, name: name.to_owned(), layout, read, open: None })
    }

    /// Where the next stretch begins.
    pub fn next(&self) -> i64 {
        self.read.next
    }

    /// The number of the next row.
    pub fn line(&self) -> u64 {
        self.read.line
    }

    /// Takes rows of the open stretch.
    ///
    /// # Errors
    /// If the folder cannot be written.
    pub fn take(&mut self, table: &Table) -> Result<(), HistoryError> {
        if self.open.is_none() {
            let rows = Rows::new(self.settings, self.read.outcome.bad_count > 0);
            let name = self.read.number.to_string();
            let spool = Spool::new(&self.source.folder, name, self.settings.units.iter().collect());
            self.open = Some((rows, spool, 0));
        }
        let Some((rows, spool, count)) = &mut self.open else { return Ok(()) };
        for (line, cells) in &table.rows {
            *count += 1;
            if cells.len() != table.columns.len() {
                let problem = format!("the row has {} cells, not {}", cells.len(), table.columns.len());
                rows.refuse(BadRow::new(*line, "", problem));
                continue;
            }
            self.layout.take(*line, |place| Cell::Text(cells[place].trim().as_bytes()), rows, spool)?;
        }
        Ok(())
    }

    /// Forgets the open stretch: it is read again.
    pub fn forget(&mut self) {
        self.open = None;
    }

    /// The open stretch is whole, and the next one begins at `next`.
    ///
    /// # Errors
    /// If the folder cannot be written.
    pub fn close(&mut self, next: i64) -> Result<(), HistoryError> {
        let outcome = match self.open.take() {
            Some((rows, spool, count)) => rows.outcome(spool.finish()?, count),
            None => Outcome::default(),
        };
        let line = self.read.line + outcome.rows;
        let stretch = Stretch { next, line, outcome };
        self.source.keep(self.read.number, &stretch)?;
        self.read.number += 1;
        self.read.next = next;
        self.read.line = line;
        self.read.outcome.add(stretch.outcome);
        Ok(())
    }

    /// All stretches are closed.
    ///
    /// # Errors
    /// If any row was bad (all are named or counted), or the folder cannot be written.
    pub fn finish(self) -> Result<Staged, ImportError> {
        let mut gathered = Gathered::default();
        gathered.add(&self.name, &self.source.folder, self.read.outcome, self.settings.listed_bad_rows);
        gathered.finish(self.staging)
    }
}
