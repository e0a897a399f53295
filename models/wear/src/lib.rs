//! Wear statistics: intervals in, fitted hazard and risk out. No I/O, no clock.
//!
//! The way through the room: [`Intervals`] are what happened between looks; [`HazardParams`] fits a [`Hazard`] to
//! them; [`validate`] holds it against [`BaseRate`] and [`HoursOnly`] on tubes that it has not seen; a [`Course`] is
//! what one tube went through since its last look, and an [`Outlook`] the risk that follows, with its interval and
//! its drivers. Where there are no findings yet, [`Prior`] speaks the plant's stated belief.
//!
//! Ages are run hours since the life of the tube began. Everything is deterministic.

mod baseline;
mod choice;
mod concordance;
mod course;
mod decision;
mod design;
mod error;
mod fit;
pub mod folds;
mod hazard;
mod intervals;
mod kappa;
mod latent;
mod likelihood;
pub mod metrics;
mod newton;
mod null;
mod outlook;
mod params;
mod prior;
mod reliability;
mod report;
mod symmetric;
pub mod track;
pub mod validate;
mod weibull;

pub use baseline::{BaseRate, HoursOnly};
pub use concordance::{Concordance, interval_concordance};
pub use course::{BlindPace, Course, Pace};
pub use decision::{DecisionCost, cost_of_opening, decision_curve};
pub use design::{Design, DesignTerm, blind_covariates, median_covariates};
pub use error::WearError;
pub use hazard::{FittedTerm, Hazard, Intercept};
pub use intervals::{Intervals, IntervalsBuilder, Row};
pub use kappa::{Agreement, Kappa, kappa};
pub use latent::{
    Ahead, Belief, DosePiece, Filtered, Histories, Latent, LatentCandidate, LatentOutlook, LatentParams, LatentValid,
    LifeHistory, PaceAhead, Parameter, Place, Readings, Recalibration, Stretch, TubeHistory, blind_dose,
};
pub use null::{BinInNull, Reliability, reliability};
pub use outlook::{Outlook, Risk};
pub use params::{HazardParams, HazardValid, RidgeScale, Se, Shape};
pub use prior::Prior;
pub use reliability::{
    Bin, Calibration, CalibrationIntervals, Estimate, calibration, calibration_intervals, reliability_bins,
};
pub use report::{Counts, Honesty, Report, Skill};
pub use weibull::{Interval, IntervalWeibull};
