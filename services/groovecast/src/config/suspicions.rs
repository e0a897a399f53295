//! From where on something is doubted.

use super::check::Checker;
use super::place::Place;
use super::raw;
use crate::suspicion::DoubtLimits;

/// The limits of the config, held against their ranges.
pub fn limits(checker: &mut Checker, raw: &raw::Suspicions, place: &Place) -> DoubtLimits {
    let depths = place.key("catch_depth_um");
    let [least, greatest] = raw.catch_depth_um;
    for (position, depth_um) in [least, greatest].into_iter().enumerate() {
        checker.within(&depths.at(position), depth_um, 0.1, 10_000.0, "µm");
    }
    if greatest <= least {
        checker.refuse(&depths, format!("{greatest} µm is not above {least} µm; right would be [least, greatest]"));
    }
    let fall = place.key("grade_fall");
    checker.within(&fall, f64::from(raw.grade_fall), 1.0, 4.0, "grades");
    DoubtLimits {
        grade_fall: raw.grade_fall,
        catch_depth_um: (least, greatest),
        mirror_correlation: checker.within(&place.key("mirror_correlation"), raw.mirror_correlation, 0.3, 1.0, ""),
        meter_off_h: checker.within(&place.key("meter_off_h"), raw.meter_off_h, 0.1, 10_000.0, "h"),
        entered_after_h: checker.within(&place.key("entered_after_h"), raw.entered_after_h, 1.0, 100_000.0, "h"),
        torque_apart: checker.within(&place.key("torque_apart"), raw.torque_apart, 1.05, 100.0, "times"),
    }
}
