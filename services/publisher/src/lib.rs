//! What people and dashboards read: HTTP, pages and MQTT messages.
//!
//! The room holds no state of its own. Everything it says comes from the newest [`Snapshot`], which the caller
//! evaluates and sends through a watch channel; socket, clock and shutdown are the caller's too. A chance that is
//! not known is said to be unknown in every form: never null drawn as zero, never at the end of a ranking as if safe.

mod advice;
mod api;
mod app;
mod board;
mod chance;
mod drivers;
mod exposure_table;
mod figures;
mod interval;
mod messages;
mod missing;
mod pages;
mod problem;
mod published;
mod rank;
mod readiness;
mod serve;
mod signals_page;
mod site;
mod snapshot;
mod standing;
mod tube_page;
mod wall;

pub use app::{Publisher, app};
pub use interval::{Interval, LongestInterval};
pub use messages::{Message, offline_message, online_message, risk_messages};
pub use readiness::{Lack, lacks};
pub use serve::{ServeError, serve};
pub use site::Site;
pub use snapshot::{Journal, Link, Month, Snapshot, Totals, TubeDetail};
