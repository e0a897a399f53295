//! What stands on every page with scores, and the plain words for states.

use std::borrow::Cow;

use plant::{Grade, Score, State};

use crate::Site;

/// What a score is and is not. Shown wherever scores are.
pub(crate) fn what_it_is(site: &Site) -> String {
    format!(
        "A score is the chance that the next complete look into a tube finds a groove of {} or worse, reading error \
         included. The range in brackets is its interval.",
        site.limit_words()
    )
}

/// What a score is not, and what outranks it.
pub(crate) fn what_it_is_not(site: &Site) -> String {
    format!(
        "It is decision support for planning a changeover, not a safety function. It does not measure wall thickness or \
         plating, and it says nothing on whether a unit is fit for food contact or for pressure service. A low score is \
         not permission to skip a required inspection: the plant's longest interval between looks governs ({}).",
        site.longest_interval.words()
    )
}

/// What goes with scores where there is no page around them.
pub(crate) fn notice(site: &Site) -> Vec<String> {
    vec![what_it_is(site), what_it_is_not(site), FLAKES.to_owned()]
}

/// Before anybody opens a unit.
pub(crate) const BEFORE_OPENING: &str = "Follow the site's own procedures for energy control, refrigerant, pressure equipment, \
    lifting, chemicals and food safety, and the codes that apply where you are. Where they ask for a licensed or authorised \
    person, only that person does or approves the work. Where this page and a procedure differ, the procedure governs.";

/// What asks to stop.
pub(crate) const FLAKES: &str = "Flakes, exposed metal, cracks or missing parts: stop, hold the product, and call the \
    responsible food-safety and pressure-equipment persons before restarting.";

/// A score's state in two or three words. A hold outranks every state.
pub(crate) const fn short(score: &Score) -> &'static str {
    if score.hold_and_assess {
        return "hold and assess";
    }
    match score.state {
        State::Ok => "fitted model",
        State::Baseline => "run hours alone",
        State::Prior => "stated belief",
        State::Reached => "limit reached",
        State::Blind => "blind, or never seen whole",
        State::Stale => "no fresh data",
        State::NoTube => "no tube fitted",
        State::NotFitted => "in no unit",
    }
}

/// A score's state in a sentence.
pub(crate) const fn meaning(score: &Score) -> &'static str {
    if score.hold_and_assess {
        return "Hold and assess: flakes or exposed metal are on record in this life. No chance is given beside that.";
    }
    match score.state {
        State::Ok => "A fitted and approved model stands behind this score.",
        State::Baseline => "No model did better than run hours alone, so run hours alone stand behind this score.",
        State::Prior => "Too few findings yet: the plant's stated belief stands behind this score, not its own record.",
        State::Reached => "A look in this life has already found the limit.",
        State::Blind => {
            "Most run hours since the last complete look are not covered by readings, or the wall was never seen whole in \
             these records: the risk is a floor, if any can be given."
        }
        State::Stale => "No reading has arrived for longer than the plant allows: the risk is the last one known.",
        State::NoTube => "No tube is entered as fitted in this unit.",
        State::NotFitted => "The tube sits in no unit.",
    }
}

/// Why a score is what it is; for a tube to be held the hold comes first.
pub(crate) fn reason(score: &Score) -> Cow<'_, str> {
    if score.hold_and_assess {
        let why = "hold and assess: flakes or exposed metal are on record in this life, so no chance is given";
        Cow::Owned(format!("{why} (besides: {})", score.reason.trim_end_matches('.')))
    } else {
        Cow::Borrowed(&score.reason)
    }
}

/// The worst groove grade of this life as a bare number; of a tube to be held only at the limit, since a low grade of its
/// grooves says nothing of its flakes.
pub(crate) fn bare_grade(score: &Score, site: &Site) -> Option<Grade> {
    score.last_grade.filter(|grade| !score.hold_and_assess || *grade >= site.limit)
}

/// The worst groove grade of this life in words, the hold first; `None` if none was read and nothing is held.
pub(crate) fn grade_words(score: &Score) -> Option<String> {
    let groove = score.last_grade.map(|grade| format!("grade {grade}, {}", grade.meaning()));
    if !score.hold_and_assess {
        return groove;
    }
    let groove = score.last_grade.map_or("not read".to_owned(), |grade| format!("grade {grade}"));
    Some(format!("hold and assess: flakes or exposed metal; worst groove: {groove}"))
}
