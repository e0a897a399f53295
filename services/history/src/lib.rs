//! Readings to Parquet by day, and from there to exposures.

mod baseline;
mod cache;
mod columns;
mod error;
mod exposures;
mod frame;
mod hour;
mod meter;
mod settings;
mod settle;
mod slot;
mod step;
mod store;
mod sums;
mod unit_hours;
mod walk;

pub use baseline::{Baseline, Level, Slope, Spread};
pub use columns::{DayReadings, SignalColumns};
pub use error::HistoryError;
pub use exposures::Exposures;
pub use hour::{Carry, HourSeen};
pub use settings::{BadSettings, DryRule, ExcursionLimit, ExposureSettings, Hold, Running, UnitSettings};
pub use settle::Settler;
pub use store::Store;
pub use unit_hours::UnitHours;
