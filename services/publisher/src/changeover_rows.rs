//! The next changeover of each unit, as rows under the board.

use std::collections::BTreeSet;

use plant::{Campaign, Horizon, State};

use crate::changeovers::{Changeover, changeovers};
use crate::figures::{hours, percent, percent_range};
use crate::{Interval, Site, Snapshot};

/// One changeover, ready to be set.
#[derive(Debug)]
pub(crate) struct Stop {
    pub unit: String,
    pub tube: String,
    pub from: String,
    pub lasts: String,
    pub ends: String,
    pub begins: String,
    pub now: String,
    pub at_the_end: String,
    /// At which horizon that is, or why there is none.
    pub by: String,
}

/// The first changeover of each unit, in order of time.
pub(crate) fn next_stops(snapshot: &Snapshot, site: &Site) -> Vec<Stop> {
    let stops = changeovers(snapshot);
    let mut seen = BTreeSet::new();
    stops.iter().filter(|stop| seen.insert(stop.unit)).map(|stop| row(stop, snapshot, site)).collect()
}

fn row(stop: &Changeover<'_>, snapshot: &Snapshot, site: &Site) -> Stop {
    let state = stop.score.map(|score| score.state);
    let floor = if state == Some(State::Blind) { "at least " } else { "" };
    let say = |ahead: &Horizon| format!("{floor}{} ({})", percent(ahead.risk), percent_range(ahead.lower, ahead.upper));
    let unknown = || "no chance can be given".to_owned();
    let held = stop.score.is_some_and(|score| score.hold_and_assess);
    let (now, (at_the_end, by)) = match (state, &stop.if_not_opened) {
        _ if held => ("hold and assess".to_owned(), ("does not wait for it".to_owned(), String::new())),
        (Some(State::Reached), _) => ("limit reached".to_owned(), ("does not wait for it".to_owned(), String::new())),
        (Some(State::Stale), _) => {
            let last = stop.now().map_or_else(unknown, |now| format!("{}, last known, no longer current", say(now)));
            (last, (unknown(), stop.score.map(|score| score.reason.clone()).unwrap_or_default()))
        }
        (_, Ok(ahead)) => (stop.now().map_or_else(unknown, say), (say(ahead), planned(stop))),
        (_, Err(why)) => (stop.now().map_or_else(unknown, say), (unknown(), why.clone())),
    };
    let due = stop.score.is_some_and(|score| Interval::of(score, snapshot, site).is_due());
    let by = match (due, by.is_empty()) {
        (true, true) => "the plant's interval is over: inspect".to_owned(),
        (true, false) => format!("the plant's interval is over: inspect; {by}"),
        (false, _) => by,
    };
    let tube = stop.score.and_then(|score| score.tube.as_ref());
    Stop {
        unit: stop.unit.to_string(),
        tube: tube.map_or("no tube".to_owned(), |tube| format!("tube {tube}")),
        from: site.minute(stop.stop_from()),
        lasts: match stop.stop_to().duration_since(stop.stop_from()).as_secs_f64() / 3600.0 {
            lasts if lasts > 0.0 => format!("{} long", hours(lasts)),
            _ => "no time between the two".to_owned(),
        },
        ends: campaign(stop.ends, site),
        begins: campaign(stop.begins, site),
        now,
        at_the_end,
        by,
    }
}

fn planned(stop: &Changeover<'_>) -> String {
    stop.run_h_ahead.as_ref().map_or(String::new(), |run_h| format!("{} planned", hours(*run_h)))
}

fn campaign(campaign: &Campaign, site: &Site) -> String {
    let run = campaign.run_h.map_or(String::new(), |h| format!(", {} of running", hours(h)));
    format!("{} until {}{run}", campaign.product, site.day(campaign.to))
}
