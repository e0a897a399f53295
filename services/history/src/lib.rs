//! Readings to Parquet by day, and from there to exposures.
//!
//! [`import`] checks a historian's files and stages them by day; [`Store`] keeps one Parquet file per UTC day and is told
//! which one is current; [`Exposures`] walks along each unit's readings and sums what its tube went through, hour by
//! hour: stage one ([`HourSeen`]) from a day's readings and what is carried into it, stage two ([`Settler`]) with the
//! hour meter's word on time that nobody saw. [`Baseline`] says what torque is usual; what lies above is excess.
//!
//! Everything here blocks, on files or on all cores: callers keep it off the threads of a runtime. Frames are eager and
//! named in few modules (`frame`, `groups`, `cache`, `table`, `typed`, `import_parquet`), all behind one door that turns a panic into an
//! error.

mod baseline;
mod baseline_fit;
mod by_units;
mod cache;
mod columns;
mod cores;
mod error;
mod exposures;
mod frame;
mod groups;
mod hour;
mod hour_meters;
mod import;
mod import_csv;
mod import_parquet;
mod import_row;
mod intake;
mod known;
mod layout;
mod meter;
mod robust;
mod sample;
mod settings;
mod settle;
mod slot;
mod spool;
mod staging;
mod step;
mod store;
mod sums;
mod table;
mod tally;
mod typed;
mod unit_hours;
mod walk;
mod whole_file;
mod workbook;

pub use baseline::{Baseline, Level, Slope, Spread};
pub use baseline_fit::Excluded;
pub use columns::{DayReadings, SignalColumns};
pub use cores::on_all_cores;
pub use error::HistoryError;
pub use exposures::Exposures;
pub use hour::{Carry, HourSeen};
pub use hour_meters::hour_meters;
pub use import::{
    BadFile, Header, ImportError, ImportSettings, Progress, QualityCodes, STRETCH_BYTES, Staged, WideColumn,
    identity_of, import,
};
pub use import_row::status_word;
pub use intake::Intake;
pub use known::{DayKnown, day_known};
pub use sample::sample;
pub use settings::{BadSettings, DryRule, ExcursionLimit, ExposureSettings, Hold, Running, UnitSettings};
pub use settle::Settler;
pub use staging::{Merged, Staging};
pub use store::Store;
pub use table::{TableError, Tables, read_table, read_tables, write_table};
pub use tally::{Added, ByTrack, Tally};
pub use typed::{Cells, write_columns};
pub use unit_hours::UnitHours;
