//! What can go wrong with files of readings, and the one door to the frame library.

use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use polars::prelude::PolarsError;

/// A file of readings or exposures that could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum HistoryError {
    /// The operating system refused.
    #[error("cannot {doing} {}: {source}", path.display())]
    Io {
        /// What was tried.
        doing: &'static str,
        /// On which file or folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The frame library refused, or panicked.
    #[error("cannot take {} as Parquet: {why}", path.display())]
    Frame {
        /// Which file.
        path: PathBuf,
        /// What the library said.
        why: String,
    },
    /// A Parquet file, but not one of ours.
    #[error("{} is not a file that this program wrote: {why}", path.display())]
    Layout {
        /// Which file.
        path: PathBuf,
        /// What is missing or wrong, and what would be right.
        why: String,
    },
    /// No readings at all for a day that should be written.
    #[error("no readings for {day}: a day without readings has no file")]
    EmptyDay {
        /// The day.
        day: jiff::civil::Date,
    },
    /// A reading of another day than the one that is written.
    #[error("a reading at {at} was handed in for {day}: readings are sorted into UTC days before they are stored")]
    WrongDay {
        /// The day.
        day: jiff::civil::Date,
        /// Its instant.
        at: jiff::Timestamp,
    },
    /// The torque baseline ran away.
    #[error(
        "the torque of {unit} with product {product:?} cannot be fitted: logarithm of its level in N·m, exponent of speed, slope over 1/K and spread come out as {numbers:?}, not as finite numbers; are there readings that cannot be?"
    )]
    Runaway {
        /// Which unit.
        unit: plant::UnitId,
        /// With which product.
        product: String,
        /// Logarithm of its level in N·m, exponent of speed, slope over the inverse temperature in K, spread.
        numbers: [f64; 4],
    },
    /// A setting that contradicts itself.
    #[error(transparent)]
    Settings(#[from] crate::BadSettings),
}

impl HistoryError {
    /// Whether a file is not there any more: another process has written a newer generation of the day since the
    /// manifest was read. List the days again and retry.
    pub fn is_gone(&self) -> bool {
        matches!(self, HistoryError::Io { source, .. } if source.kind() == io::ErrorKind::NotFound)
    }

    pub(crate) fn io(doing: &'static str, path: &Path) -> impl FnOnce(io::Error) -> HistoryError {
        let path = path.to_owned();
        move |source| HistoryError::Io { doing, path, source }
    }

    pub(crate) fn layout(path: &Path, why: impl Into<String>) -> HistoryError {
        HistoryError::Layout { path: path.to_owned(), why: why.into() }
    }
}

/// Runs frame work. The library panics on some broken files: here that becomes an error like any other.
pub(crate) fn guarded<T>(path: &Path, work: impl FnOnce() -> Result<T, PolarsError>) -> Result<T, HistoryError> {
    let frame = |why: String| HistoryError::Frame { path: path.to_owned(), why };
    match catch_unwind(AssertUnwindSafe(work)) {
        Ok(Ok(done)) => Ok(done),
        Ok(Err(error)) => Err(frame(error.to_string())),
        Err(panic) => {
            let said = panic.downcast_ref::<String>().map(String::as_str);
            let said = said.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("without a word");
            Err(frame(format!("the library panicked: {said}")))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_in_frame_work_is_an_error() {
        let error = guarded::<()>(Path::new("x.parquet"), || panic!("torn page {}", 7)).unwrap_err();
        assert!(error.to_string().contains("torn page 7"), "{error}");
    }
}
