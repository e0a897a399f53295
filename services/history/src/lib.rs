//! Readings to Parquet by day, and from there to exposures.

mod baseline;
mod baseline_fit;
mod cache;
mod columns;
mod error;
mod exposures;
mod frame;
mod hour;
mod import;
mod import_csv;
mod import_parquet;
mod import_row;
mod meter;
mod robust;
mod settings;
mod settle;
mod slot;
mod spool;
mod step;
mod store;
mod sums;
mod table;
mod unit_hours;
mod walk;

pub use baseline::{Baseline, Level, Slope, Spread};
pub use baseline_fit::Excluded;
pub use columns::{DayReadings, SignalColumns};
pub use error::HistoryError;
pub use exposures::Exposures;
pub use hour::{Carry, HourSeen};
pub use import::{BadFile, ImportError, ImportSettings, Progress, QualityCodes, Staged, import};
pub use settings::{BadSettings, DryRule, ExcursionLimit, ExposureSettings, Hold, Running, UnitSettings};
pub use settle::Settler;
pub use store::Store;
pub use table::{TableError, read_table, write_table};
pub use unit_hours::UnitHours;
