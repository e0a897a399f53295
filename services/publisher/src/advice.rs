//! What to do about a score, in a sentence that never says that a look may be skipped.

use jiff::Timestamp;
use plant::{Score, State};

use crate::rank::sayable;
use crate::{Interval, Site, Voice};

/// The advice that goes with a score. It ranks, it refers to the plant's own rules, and it permits nothing.
pub(crate) fn advice(score: &Score, interval: &Interval, site: &Site) -> String {
    let voice = &site.voice;
    if score.hold_and_assess {
        return voice.say("caution-hold");
    }
    match score.state {
        State::Reached => {
            return voice.say("advice-reached");
        }
        State::NotFitted => return voice.say("advice-not-fitted"),
        State::NoTube => return unavailable(&voice.say("advice-no-tube"), voice),
        _ => {}
    }
    let current = score.state != State::Stale && !sayable(score).is_empty();
    if !current && !interval.is_due() {
        return unavailable(&score.reason, voice);
    }
    let latest = match interval {
        Interval::Left { run_h_left, until } => {
            let ends = ends_within(*run_h_left, *until, site);
            voice.tell("advice-may-wait", &[("ends", &ends)])
        }
        Interval::Over => voice.say("advice-over"),
        Interval::Unknown => voice.say("advice-unknown"),
        Interval::NotEntered | Interval::DoesNotWait | Interval::NotRunning => voice.say("advice-governs"),
    };
    if interval.is_due() {
        return if current { latest } else { format!("{latest} {}", no_score(&score.reason, voice)) };
    }
    let weigh = voice.tell("advice-weigh", &[("latest", &latest)]);
    if score.is_guess() {
        return format!("{} {weigh}", voice.say("advice-guess"));
    }
    if score.is_floor() {
        return format!("{} {weigh}", voice.say("advice-floor"));
    }
    weigh
}

/// When the plant's interval ends: in run hours, by the calendar, or whichever of both comes first.
pub(crate) fn ends_within(run_h_left: Option<f64>, until: Option<Timestamp>, site: &Site) -> String {
    let voice = &site.voice;
    let run = run_h_left.map(|h| voice.tell("advice-within", &[("hours", &voice.hours(h))]));
    let day = until.map(|until| voice.tell("advice-by", &[("day", &site.day(until))]));
    match (run, day) {
        (Some(run), Some(day)) => voice.tell("advice-first", &[("run", &run), ("day", &day)]),
        (run, day) => run.or(day).unwrap_or_default(),
    }
}

/// What to do where there is no score to give.
pub(crate) fn unavailable(reason: &str, voice: &Voice) -> String {
    let why = no_score(reason, voice);
    voice.tell("advice-unavailable", &[("why", &why)])
}

fn no_score(reason: &str, voice: &Voice) -> String {
    let reason = reason.trim_end_matches('.');
    voice.tell("advice-no-score", &[("reason", &reason)])
}
