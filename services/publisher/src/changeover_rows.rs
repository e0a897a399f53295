//! The next changeover of each unit, as rows under the board.

use std::collections::BTreeSet;

use plant::{Campaign, Horizon, State};

use crate::chance::said;
use crate::changeovers::{Changeover, changeovers};
use crate::figures::percent_range;
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
    let stops = changeovers(snapshot, &site.voice);
    let mut seen = BTreeSet::new();
    stops.iter().filter(|stop| seen.insert(stop.unit)).map(|stop| row(stop, snapshot, site)).collect()
}

fn row(stop: &Changeover<'_>, snapshot: &Snapshot, site: &Site) -> Stop {
    let state = stop.score.map(|score| score.state);
    let voice = &site.voice;
    let say = |ahead: &Horizon| {
        let chance = said(ahead, stop.score, voice);
        voice.tell("chance-with-range", &[("chance", &chance), ("range", &percent_range(ahead.lower, ahead.upper))])
    };
    let unknown = || voice.say("chance-unknown");
    let no_wait = || (voice.say("interval-does-not-wait"), String::new());
    let held = stop.score.is_some_and(|score| score.hold_and_assess);
    let (now, (at_the_end, by)) = match (state, &stop.if_not_opened) {
        _ if held => (voice.say("state-hold"), no_wait()),
        (Some(State::Reached), _) => (voice.say("state-reached"), no_wait()),
        (Some(State::Stale), _) => {
            let last = stop.now().map_or_else(unknown, |now| voice.tell("stops-last-known", &[("chance", &say(now))]));
            (last, (unknown(), stop.score.map(|score| score.reason.clone()).unwrap_or_default()))
        }
        (_, Ok(ahead)) => (stop.now().map_or_else(unknown, say), (say(ahead), planned(stop, site))),
        (_, Err(why)) => (stop.now().map_or_else(unknown, say), (unknown(), why.clone())),
    };
    let due = stop.score.is_some_and(|score| Interval::of(score, snapshot, site).is_due());
    let by = match (due, by.is_empty()) {
        (true, true) => voice.say("stops-interval-over"),
        (true, false) => voice.tell("stops-interval-over-by", &[("by", &by)]),
        (false, _) => by,
    };
    let tube = stop.score.and_then(|score| score.tube.as_ref());
    Stop {
        unit: stop.unit.to_string(),
        tube: tube.map_or_else(|| voice.say("word-no-tube"), |tube| voice.tell("tube-named", &[("tube", &tube)])),
        from: site.minute(stop.stop_from()),
        lasts: match stop.stop_to().duration_since(stop.stop_from()).as_secs_f64() / 3600.0 {
            lasts if lasts > 0.0 => voice.tell("stops-long", &[("hours", &voice.hours(lasts))]),
            _ => voice.say("stops-no-time"),
        },
        ends: campaign(stop.ends, site),
        begins: campaign(stop.begins, site),
        now,
        at_the_end,
        by,
    }
}

fn planned(stop: &Changeover<'_>, site: &Site) -> String {
    let voice = &site.voice;
    let planned = |run_h: &f64| voice.tell("stops-planned", &[("hours", &voice.hours(*run_h))]);
    stop.run_h_ahead.as_ref().map_or(String::new(), planned)
}

fn campaign(campaign: &Campaign, site: &Site) -> String {
    let (voice, product, day) = (&site.voice, &campaign.product, site.day(campaign.to));
    match campaign.run_h {
        Some(h) => {
            voice.tell("stops-campaign-run", &[("product", &product), ("day", &day), ("hours", &voice.hours(h))])
        }
        None => voice.tell("stops-campaign", &[("product", &product), ("day", &day)]),
    }
}
