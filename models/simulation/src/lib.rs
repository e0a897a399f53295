//! An invented plant, Harrow Mill, for the demo and for tests: telemetry, register, findings, and the wear behind them.
//!
//! Everything follows from a seed. Nothing here reads a file, a socket or a clock, and nothing here is a measurement:
//! all numbers are invented unless a source stands beside them.
//!
//! # What is common practice (no source)
//! Product families with a temperature window each; campaigns with cleaning between them; night and weekend stops;
//! short stops; readings by exception with deadbands and heartbeats; inspections by grade at changeovers, most of them
//! scheduled, some because a unit ran badly; honing at a catch, plating when it is scored; spares that move between units.
//!
//! # The process
//! Every unit is lived through minute by minute. Its shaft torque is
//! `seal + viscous(product, temperature, speed) * (1 + drift) * (1 + noise) * (1 + layer)`, where the viscous part follows
//! Arrhenius and the exponents of the open literature, the drift is a few per cent over months, the noise is AR(1), and
//! a layer (freeze-up, crust) adds 15 to 90 % for 10 to 90 minutes. Layers come with starts on cold product, with bad
//! spells of weeks, and more often in units that are run carelessly. Sometimes the feed fails and the blades run dry: the
//! viscous part falls to a third.
//!
//! Torque holds no term of the grooves: what the telemetry shows is the cause of wear, never the wear itself.
//!
//! # The wear (hidden)
//! A minute wears a wall like so many plain hours: contact load (hidden, per unit, drifting over weeks) times the
//! product's abrasion times a film factor, which is 1 in plain running and rises with a layer's share of torque, with the
//! stiffness of cold product, and in dry running. Groove depth at each of 3 zones x 4 clock positions is a gamma process
//! in these hours, times the tube's frailty (lognormal, sd 0.4), its surface, how it lies, and the unit's pattern (sag wears
//! 6 o'clock in the middle). So hours alone explain part of it, the logged episodes more, and some of it nothing.
//!
//! # What is found
//! Depth is read as a grade with errors between neighbours; looks happen only at changeovers that are long enough. The
//! mill works in UTC.

mod faults;
mod live;
mod looks;
mod mill;
mod process;
mod products;
mod random;
mod report;
mod schedule;
mod trouble;
mod truth;
mod tubes;
mod units;
mod wear;
mod workshop;

pub use live::{Live, Past};
pub use mill::Plant;
pub use truth::{Caught, HourTruth, LifeTruth, Truth, UnitTruth};
pub use units::UnitFacts;
pub use wear::CATCH_UM;
