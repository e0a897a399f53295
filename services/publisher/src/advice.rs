//! What to do about a score, in a sentence that never says that a look may be skipped.

use plant::{Score, State};

use crate::figures::hours;
use crate::rank::sayable;
use crate::{Interval, Site};

/// The advice that goes with a score. It ranks, it refers to the plant's own rules, and it permits nothing.
pub(crate) fn advice(score: &Score, interval: &Interval, site: &Site) -> String {
    if score.hold_and_assess {
        return "Flakes or exposed metal are on record: stop, hold the product, and call the responsible food-safety and \
                pressure-equipment persons before restarting."
            .to_owned();
    }
    match score.state {
        State::Reached => {
            return "The limit has been found in this life: have the tube assessed, honed, re-plated or replaced as the \
                    plant's procedure asks."
                .to_owned();
        }
        State::NotFitted => return "In no unit: nothing to open. Look at it before it is fitted again.".to_owned(),
        State::NoTube => return unavailable("no tube is entered as fitted in this unit"),
        _ => {}
    }
    let current = score.state != State::Stale && !sayable(score).is_empty();
    if !current && !interval.is_due() {
        return unavailable(&score.reason);
    }
    let latest = match interval {
        Interval::Left { run_h_left, until } => {
            let run = run_h_left.map(|h| format!("within {} of running", hours(h)));
            let day = until.map(|until| format!("by {}", site.day(until)));
            let ends: Vec<String> = run.into_iter().chain(day).collect();
            let first = if ends.len() > 1 { ", whichever comes first" } else { "" };
            format!("Opening may wait, at most until the plant's longest interval ends: {}{first}.", ends.join(" or "))
        }
        Interval::Over => "The plant's longest interval is over: inspect.".to_owned(),
        Interval::Unknown => {
            "Nobody knows when this wall was last seen whole: inspect as the plant's longest interval asks.".to_owned()
        }
        Interval::NotEntered | Interval::DoesNotWait | Interval::NotRunning => {
            "The plant's own longest interval governs.".to_owned()
        }
    };
    if interval.is_due() {
        return if current { latest } else { format!("{latest} {}", no_score(&score.reason)) };
    }
    let floor = if score.state == State::Blind {
        "Most run hours are blind, or the wall was never seen whole: take the chance as a floor. "
    } else {
        ""
    };
    format!("{floor}Weigh this chance against the work of opening at the next changeover. {latest}")
}

/// What to do where there is no score to give.
pub(crate) fn unavailable(reason: &str) -> String {
    format!("{} Inspect on the fixed schedule.", no_score(reason))
}

fn no_score(reason: &str) -> String {
    format!("No current score, because: {}.", reason.trim_end_matches('.'))
}
