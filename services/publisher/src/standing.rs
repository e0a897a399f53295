//! What stands on every page with scores, and the plain words for states.

use std::borrow::Cow;

use plant::{Grade, Score, State};

use crate::{Site, Voice};

/// What a score is and is not. Shown wherever scores are.
pub(crate) fn what_it_is(site: &Site) -> String {
    let voice = &site.voice;
    voice.tell("standing-what-it-is", &[("limit", &site.limit_words())])
}

/// What a score is not, and what outranks it.
pub(crate) fn what_it_is_not(site: &Site) -> String {
    let voice = &site.voice;
    voice.tell("standing-what-it-is-not", &[("longest", &site.longest_interval.words(voice))])
}

/// What goes with scores where there is no page around them.
pub(crate) fn notice(site: &Site) -> Vec<String> {
    vec![what_it_is(site), what_it_is_not(site), flakes(&site.voice)]
}

/// Before anybody opens a unit.
pub(crate) fn before_opening(voice: &Voice) -> String {
    voice.say("caution-before-opening")
}

/// What asks to stop.
pub(crate) fn flakes(voice: &Voice) -> String {
    voice.say("caution-flakes")
}

/// A score's state in two or three words. A hold outranks every state.
pub(crate) fn short(score: &Score, voice: &Voice) -> String {
    if score.hold_and_assess {
        return voice.say("state-hold");
    }
    match score.state {
        State::Ok => voice.say("state-ok"),
        State::Baseline => voice.say("state-baseline"),
        State::Prior => voice.say("state-prior"),
        State::Reached => voice.say("state-reached"),
        State::Blind => voice.say("state-blind"),
        State::Stale => voice.say("state-stale"),
        State::NoTube => voice.say("state-no-tube"),
        State::NotFitted => voice.say("state-not-fitted"),
    }
}

/// A score's state in a sentence.
pub(crate) fn meaning(score: &Score, voice: &Voice) -> String {
    if score.hold_and_assess {
        return voice.say("meaning-hold");
    }
    match score.state {
        State::Ok | State::Baseline | State::Prior | State::Blind if score.is_guess() && score.now().is_some() => {
            voice.say("meaning-guess")
        }
        State::Ok => voice.say("meaning-ok"),
        State::Baseline => voice.say("meaning-baseline"),
        State::Prior => voice.say("meaning-prior"),
        State::Reached => voice.say("meaning-reached"),
        State::Blind => voice.say("meaning-blind"),
        State::Stale => voice.say("meaning-stale"),
        State::NoTube => voice.say("meaning-no-tube"),
        State::NotFitted => voice.say("meaning-not-fitted"),
    }
}

/// Why a score is what it is; for a tube to be held the hold comes first.
pub(crate) fn reason<'s>(score: &'s Score, voice: &Voice) -> Cow<'s, str> {
    if score.hold_and_assess {
        let besides = score.reason.trim_end_matches('.');
        Cow::Owned(voice.tell("reason-hold", &[("besides", &besides)]))
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
pub(crate) fn grade_words(score: &Score, voice: &Voice) -> Option<String> {
    let groove = score.last_grade.map(|grade| voice.grade_and_meaning(grade));
    if !score.hold_and_assess {
        return groove;
    }
    let groove = score.last_grade.map_or_else(|| voice.say("word-not-read"), |grade| voice.grade(grade));
    Some(voice.tell("grade-held", &[("groove", &groove)]))
}
