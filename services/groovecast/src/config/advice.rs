//! When a chance raises advice, and when it clears it again.

use jiff::SignedDuration;

use super::check::Checker;
use super::place::Place;
use super::raw;
use crate::advising::AdviceLimits;

/// The limits of the config, held against their ranges and against each other. `horizons_h` are those that are scored.
pub fn limits(checker: &mut Checker, raw: &raw::Advice, horizons_h: &[f64], place: &Place) -> AdviceLimits {
    let raise_at = checker.within(&place.key("raise_at"), raw.raise_at, 0.01, 1.0, "(a chance)");
    let clear = place.key("clear_at");
    let clear_at = checker.within(&clear, raw.clear_at, 0.0, 1.0, "(a chance)");
    if clear_at >= raise_at {
        checker.refuse(&clear, format!("{clear_at} is not below raise_at = {raise_at}; advice would flicker"));
    }
    let longest = horizons_h.iter().copied().fold(0.0, f64::max);
    let ahead_h = checker.within(&place.key("ahead_h"), raw.ahead_h, 0.0, longest, "h");
    let mut lasts = |key: &str, hours: f64| {
        SignedDuration::from_secs((checker.within(&place.key(key), hours, 0.0, 8760.0, "h") * 3600.0) as i64)
    };
    let raise_after = lasts("raise_after_h", raw.raise_after_h);
    let clear_after = lasts("clear_after_h", raw.clear_after_h);
    AdviceLimits { raise_at, clear_at, ahead_h, raise_after, clear_after }
}
