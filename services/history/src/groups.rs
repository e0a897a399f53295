//! Files of readings, row group by row group: a day is read, merged and written without being held as a whole.

use std::fs::File;
use std::path::{Path, PathBuf};

use plant::UnitId;
use polars::io::parquet::write::BatchedWriter;
use polars::prelude::*;

use crate::columns::DayReadings;
use crate::frame::{frame, partition, schema, split};
use crate::{HistoryError, error::guarded};

/// Whole units share a row group until it holds this many rows: one unit can be read without the others, and small
/// plants get few groups.
const GROUP_ROWS: u64 = 500_000;

/// A file's row groups, in order: units by name, and of each all signals. A unit may go on in the next group.
pub(crate) struct Groups {
    path: PathBuf,
    file: File,
    metadata: FileMetadataRef,
    next: usize,
    /// The first row of the next group.
    row: usize,
}

impl Groups {
    /// Opens a file; no row is read yet.
    pub(crate) fn open(path: &Path) -> Result<Self, HistoryError> {
        let file = File::open(path).map_err(HistoryError::io("open", path))?;
        let copy = file.try_clone().map_err(HistoryError::io("open", path))?;
        let metadata = guarded(path, || ParquetReader::new(copy).get_metadata().cloned())?;
        Ok(Self { path: path.to_owned(), file, metadata, next: 0, row: 0 })
    }

    /// Whether the last group was handed out.
    pub(crate) fn is_over(&self) -> bool {
        self.next == self.metadata.row_groups.len()
    }

    fn frame(&self, rows: (usize, usize), columns: Option<Vec<String>>) -> Result<DataFrame, HistoryError> {
        let file = self.file.try_clone().map_err(HistoryError::io("read", &self.path))?;
        guarded(&self.path, || {
            let mut reader = ParquetReader::new(file);
            reader.set_metadata(self.metadata.clone());
            reader.set_rechunk(true).with_slice(Some(rows)).with_columns(columns).finish()
        })
    }

    fn readings(&self, rows: (usize, usize)) -> Result<DayReadings, HistoryError> {
        let frame = self.frame(rows, None)?;
        if frame.schema().as_ref() != &schema() {
            return Err(HistoryError::layout(&self.path, format!("its columns are {:?}", frame.schema())));
        }
        guarded(&self.path, || split(&frame))?.map_err(|why| HistoryError::layout(&self.path, why))
    }

    /// The first rows of all groups, and the number of rows at the end.
    fn bounds(&self) -> Vec<usize> {
        let mut bounds = vec![0];
        for group in &self.metadata.row_groups {
            bounds.push(bounds[bounds.len() - 1] + group.num_rows());
        }
        bounds
    }

    fn units(&self, rows: (usize, usize)) -> Result<StringChunked, HistoryError> {
        let frame = self.frame(rows, Some(vec!["unit".to_owned()]))?;
        guarded(&self.path, || frame.column("unit")?.str().cloned())
    }

    /// The readings of one unit: only its groups are decoded.
    pub(crate) fn of_unit(self, unit: &UnitId) -> Result<DayReadings, HistoryError> {
        let bounds = self.bounds();
        let mut firsts = Vec::new();
        for first in &bounds[..bounds.len() - 1] {
            firsts.push(self.units((*first, 1))?.get(0).unwrap_or("").to_owned());
        }
        let begins = firsts.partition_point(|first| first.as_str() < unit.as_str()).saturating_sub(1);
        let ends = firsts.partition_point(|first| first.as_str() <= unit.as_str());
        let (from, to) = (bounds[begins.min(ends)], bounds[ends]);
        let names = self.units((from, to - from))?;
        let first = partition(names.len(), |row| names.get(row).unwrap_or("") < unit.as_str());
        let end = partition(names.len(), |row| names.get(row).unwrap_or("") <= unit.as_str());
        self.readings((from + first, end - first))
    }
}

impl Iterator for Groups {
    type Item = Result<DayReadings, HistoryError>;

    fn next(&mut self) -> Option<Self::Item> {
        let rows = self.metadata.row_groups.get(self.next)?.num_rows();
        let readings = self.readings((self.row, rows));
        self.next += 1;
        self.row += rows;
        Some(readings)
    }
}

/// Writes sorted readings that come unit after unit.
pub(crate) struct Writer<'f> {
    path: PathBuf,
    writer: BatchedWriter<&'f File>,
    group: DayReadings,
}

impl<'f> Writer<'f> {
    /// Into an open file.
    pub(crate) fn new(path: &Path, file: &'f File) -> Result<Self, HistoryError> {
        let writer = ParquetWriter::new(file).with_compression(ParquetCompression::Lz4Raw);
        let writer = guarded(path, || writer.batched(&schema()))?;
        Ok(Self { path: path.to_owned(), writer, group: DayReadings::default() })
    }

    /// Readings of units that come after all that were written before.
    pub(crate) fn write(&mut self, readings: DayReadings) -> Result<(), HistoryError> {
        for unit in readings.into_units() {
            self.group.append(unit);
            if self.group.rows() >= GROUP_ROWS {
                self.write_group()?;
            }
        }
        Ok(())
    }

    /// The same in a row group of its own.
    #[cfg(test)]
    pub(crate) fn write_apart(&mut self, readings: DayReadings) -> Result<(), HistoryError> {
        self.group = readings;
        self.write_group()
    }

    fn write_group(&mut self) -> Result<(), HistoryError> {
        let group = std::mem::take(&mut self.group);
        guarded(&self.path, || self.writer.write_batch(&frame(&group)?))
    }

    /// Writes what is left, and the end of the file.
    pub(crate) fn finish(mut self) -> Result<(), HistoryError> {
        if self.group.rows() > 0 {
            self.write_group()?;
        }
        guarded(&self.path, || self.writer.finish())?;
        Ok(())
    }
}
