//! What usually comes after a grade, by the surface of the tube.
//!
//! Common practice, no source. It is a reminder for who stands in front of the tube; the plant's and the maker's
//! procedures decide, and who may do the work is theirs to say.

use plant::Grade;

use crate::Voice;

/// What stands wherever a next step is shown.
pub(crate) fn defers(voice: &Voice) -> String {
    voice.say("next-defers")
}

/// The usual next step after a grade on a surface: `hard_chrome`, `stainless`, `nitrided`, or any other.
pub(crate) fn next_step(grade: Grade, surface: &str, voice: &Voice) -> String {
    match (grade.get(), surface) {
        (0, _) => voice.say("next-0"),
        (1, "nitrided") => voice.say("next-1-nitrided"),
        (1, _) => voice.say("next-1"),
        (2, "hard_chrome") => voice.say("next-2-chrome"),
        (2, "stainless") => voice.say("next-2-stainless"),
        (2, "nitrided") => voice.say("next-2-nitrided"),
        (2, _) => voice.say("next-2"),
        (3, "hard_chrome") => voice.say("next-3-chrome"),
        (3, "stainless") => voice.say("next-3-stainless"),
        (3, "nitrided") => voice.say("next-3-nitrided"),
        (3, _) => voice.say("next-3"),
        (_, "hard_chrome") => voice.say("caution-next-4-chrome"),
        (_, _) => voice.say("caution-next-4"),
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
                assert!(next_step(grade, surface, &Voice::default()).contains(word), "{grade} on {surface}");
            }
        }
    }

    #[test]
    fn only_plated_tubes_are_plated_again_and_nothing_is_called_safe() {
        for grade in grades() {
            for surface in ["stainless", "nitrided", "other"] {
                assert!(!next_step(grade, surface, &Voice::default()).contains("plating"), "{grade} on {surface}");
            }
            for surface in ["hard_chrome", "stainless", "nitrided", "other"] {
                assert!(
                    !next_step(grade, surface, &Voice::default()).to_lowercase().contains("safe"),
                    "{grade} on {surface}"
                );
            }
        }
    }
}
