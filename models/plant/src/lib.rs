//! The words of the plant: ids, units of measure, readings, findings, lives, exposures, scores.
//!
//! Every other room speaks with these types; nothing here does input, output or arithmetic beyond
//! conversion and addition. Times are UTC instants ([`jiff::Timestamp`]) kept to the microsecond,
//! quantities stand in the house unit that their field name ends in.

mod advice;
mod arrival;
mod aside;
mod bad_row;
mod clock;
mod correction;
mod day_file;
mod exposure;
mod finding;
mod id;
mod measure;
mod person;
mod plating;
mod reading;
mod record;
mod register;
mod score;
mod signal;
mod status;
mod suspicion;
mod table;
mod time;

pub use advice::{Advice, AdviceKind, PutOff, Seen};
pub use arrival::{Fault, SignalReport, UnmappedTopic};
pub use aside::Aside;
pub use bad_row::BadRow;
pub use clock::{Clock, SystemClock};
pub use correction::Correction;
pub use day_file::DayFile;
pub use exposure::{Bands, Exposure, HourExposure, Term, hour_of, hour_start};
pub use finding::{BadWord, ClockPosition, Finding, Grade, Kind, Method, Reason, Zone};
pub use id::{BadId, TubeId, UnitId};
pub use measure::{BadMeasure, Measure, Quantity};
pub use person::Role;
pub use plating::Plating;
pub use reading::{Quality, Reading, TimeSource, Value};
pub use record::{Life, Look, Record, Span};
pub use register::{Campaign, Fitting, Tube, Work, WorkEffect, WorkEffects, WorkKind};
pub use score::{Driver, Horizon, Score, State};
pub use signal::{Signal, is_sentinel};
pub use status::{Origin, Status};
pub use suspicion::{Suspicion, SuspicionKind, Suspicions};
pub use table::Table;
pub use time::{BadTime, ReadTime, micros, read_clock, read_time};
