//! Depth that nobody sees whole: latent wear per station, read through grades and depths.
//!
//! A station's depth, in logarithm against the depth that catches, is
//!
//! ```text
//! x = level + surface + tube + life + zone + clock + place + power * ln(S / S_ref)
//! ```
//!
//! where `S` is the dose of the life so far: hours, plus an amount of each exposure times a weight that is never
//! negative, each stretch between looks scaled by a random factor of its own (what no signal shows). Depth therefore
//! only grows. `tube`, `life` and `place` are normal random effects, integrated over: tube, life and stretches on a
//! fixed set of nodes (a Latin hypercube; McKay, Beckman & Conover 1979), places by Gauss-Hermite nodes given these.
//! Grades are thresholds on `x` with a blur, misread by one step now and then; depths are read with a lognormal error.
//! The parameters maximise the marginal likelihood plus weak normal priors on their unbounded scales; weights have a
//! log-normal prior and so stay above 0. Weighting the nodes by what was read in one tube is the filter: every look
//! updates that tube's own rate.

mod ahead;
mod ascent;
mod bend;
mod blind;
mod filter;
mod fit;
mod history;
mod judge;
mod nodes;
mod outlook;
mod parameters;
mod proposal;
mod reading;
#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "all of this is tests")]
mod tests;

pub use ahead::PaceAhead;
pub use blind::{DosePiece, blind_dose};
pub use fit::{Latent, LatentParams, LatentValid};
pub use history::{Histories, LifeHistory, Place, Readings, Stretch, TubeHistory};
pub(crate) use judge::out_of_fold;
pub use judge::{LatentCandidate, Recalibration};
pub use outlook::{Ahead, Filtered, LatentOutlook};
pub use parameters::{Belief, Parameter};
