//! What usually comes after a grade, by the surface of the tube.
//!
//! Common practice, no source. It is a reminder for who stands in front of the tube; the plant's and the maker's
//! procedures decide, and who may do the work is theirs to say.

use plant::Grade;

/// What stands wherever a next step is shown.
pub(crate) const DEFERS: &str = "Common practice only. The plant's and the maker's procedures decide what is done, and who may do it; a tube is usually \
     also a pressure boundary, so the wall that is left after honing is for the competent person to check.";

/// The usual next step after a grade on a surface: `hard_chrome`, `stainless`, `nitrided`, or any other.
pub(crate) fn next_step(grade: Grade, surface: &str) -> &'static str {
    match (grade.get(), surface) {
        (0, _) => "Nothing beyond the plant's own interval.",
        (1, "nitrided") => "Watch: note place and depth, look again at the next changeover. The hard layer is thin.",
        (1, _) => "Watch: note place and depth, look again at the next changeover.",
        (2, "hard_chrome") => {
            "Formal inspection: measure the depth against the plating that is left. Hone and polish if enough remains, \
             else renew the plating."
        }
        (2, "stainless") => "Formal inspection: measure the depth. Usually hone and polish.",
        (2, "nitrided") => {
            "Formal inspection: measure the depth. Polish within the hard layer if it allows, else have it treated again \
             or replace the tube."
        }
        (2, _) => "Formal inspection: measure the depth. Hone and polish if the surface allows it.",
        (3, "hard_chrome") => "Not back into service before a formal inspection. Usually renew the plating.",
        (3, "stainless") => {
            "Not back into service before a formal inspection. Hone and polish if the wall allows, else replace the tube."
        }
        (3, "nitrided") => {
            "Not back into service before a formal inspection. Usually replace the tube, or have it ground and treated \
             again."
        }
        (3, _) => "Not back into service before a formal inspection. Renew the surface or replace the tube.",
        (_, "hard_chrome") => "Stop, hold the product, assess. Then renew the plating or replace the tube.",
        (_, _) => "Stop, hold the product, assess. Then renew the surface or replace the tube.",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grades() -> impl Iterator<Item = Grade> {
        (0..=4).map(|number| Grade::try_from(number).unwrap())
    }

    /// The steps in their order as the trade has them (common practice, no source): watch, formal inspection, hone and
    /// polish, renew the plating, replace.
    #[test]
    fn each_grade_asks_for_more_than_the_one_before() {
        for (grade, word) in grades().zip(["interval", "Watch", "Formal inspection", "Not back into service", "hold"]) {
            for surface in ["hard_chrome", "stainless", "nitrided", "other", "a name of the config"] {
                assert!(next_step(grade, surface).contains(word), "{grade} on {surface}");
            }
        }
    }

    #[test]
    fn only_plated_tubes_are_plated_again_and_nothing_is_called_safe() {
        for grade in grades() {
            for surface in ["stainless", "nitrided", "other"] {
                assert!(!next_step(grade, surface).contains("plating"), "{grade} on {surface}");
            }
            for surface in ["hard_chrome", "stainless", "nitrided", "other"] {
                assert!(!next_step(grade, surface).to_lowercase().contains("safe"), "{grade} on {surface}");
            }
        }
    }
}
