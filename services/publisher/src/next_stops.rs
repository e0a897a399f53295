//! When each unit stops next, as the plan has it, and what to open at the first of these stops.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use plant::UnitId;

use crate::changeovers::changeovers;
use crate::stop_ask::StopAsk;
use crate::stop_board::StopBoard;
use crate::stop_words::{headline, listed, units};
use crate::{Site, Snapshot};

/// Units that are named one by one; more are counted.
const NAMED: usize = 6;

/// The next stop of each unit: when it begins and when it ends.
pub(crate) struct NextStops(BTreeMap<UnitId, (Timestamp, Timestamp)>);

/// The next stop of one unit, ready to be set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct NextStop {
    /// Its day, for the address of its page.
    pub day: Date,
    /// `stops 22 May 2026`, or until when the unit stands still.
    pub words: String,
}

impl NextStops {
    pub(crate) fn of(snapshot: &Snapshot, site: &Site) -> Self {
        let mut next = BTreeMap::new();
        for stop in changeovers(snapshot, &site.voice) {
            next.entry(stop.unit.clone()).or_insert((stop.stop_from(), stop.stop_to()));
        }
        NextStops(next)
    }

    /// Whether the plan stops any unit.
    pub(crate) fn are_known(&self) -> bool {
        !self.0.is_empty()
    }

    /// When a unit stops next; `None` if no stop of it is planned.
    pub(crate) fn of_unit(&self, unit: &UnitId, now: Timestamp, site: &Site) -> Option<NextStop> {
        let (from, to) = self.0.get(unit)?;
        let voice = &site.voice;
        let words = if *from <= now {
            voice.tell("next-stands-until", &[("day", &site.day(*to))])
        } else {
            voice.tell("next-stops", &[("day", &site.day(*from))])
        };
        Some(NextStop { day: site.date((*from).max(now)), words })
    }
}

/// The next stop of the plan in a line: which one, of which units, and what to open. `None` if the plan has none.
pub(crate) fn lead(snapshot: &Snapshot, site: &Site) -> Option<String> {
    let voice = &site.voice;
    let stop = StopBoard::of(&StopAsk::default(), snapshot, site).ok().filter(|stop| stop.planned)?;
    let names: Vec<String> =
        stop.days.iter().find(|day| day.day == stop.day)?.units.iter().map(ToString::to_string).collect();
    let which = if names.len() > NAMED { units(names.len(), voice) } else { listed(&names, voice) };
    let (day, says) = (voice.weekday_and_day(stop.day), headline(&stop, voice));
    Some(voice.html("board-next-stop", &[("day", &day), ("units", &which), ("says", &says)]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use plant::Campaign;

    #[test]
    fn a_unit_that_stands_still_says_until_when_and_one_without_a_stop_says_nothing() {
        let (site, now) = (crate::rank::tests::site(), "2026-05-12T04:30:00Z".parse().unwrap());
        let campaign = |unit: &str, from: &str, to: &str| Campaign {
            unit: UnitId::new(unit).unwrap(),
            from: from.parse().unwrap(),
            to: to.parse().unwrap(),
            product: "ice mix".to_owned(),
            planned: true,
            run_h: None,
        };
        let campaigns = vec![
            campaign("C1", "2026-05-01T00:00:00Z", "2026-05-20T06:00:00Z"),
            campaign("C1", "2026-05-21T00:00:00Z", "2026-05-30T00:00:00Z"),
            campaign("C1", "2026-06-01T00:00:00Z", "2026-06-30T00:00:00Z"),
            campaign("C2", "2026-04-01T00:00:00Z", "2026-05-02T00:00:00Z"),
            campaign("C2", "2026-05-19T00:00:00Z", "2026-05-30T00:00:00Z"),
            campaign("C3", "2026-05-01T00:00:00Z", "2026-05-30T00:00:00Z"),
        ];
        let snapshot = Snapshot { at: now, campaigns, ..Snapshot::default() };
        let stops = NextStops::of(&snapshot, &site);
        let told = |unit: &str| {
            let next = stops.of_unit(&UnitId::new(unit).unwrap(), now, &site)?;
            Some((next.day.to_string(), next.words.replace('\u{a0}', " ")))
        };
        assert_eq!(told("C1"), Some(("2026-05-20".to_owned(), "stops 20 May 2026".to_owned())));
        assert_eq!(told("C2"), Some(("2026-05-12".to_owned(), "stands still until 19 May 2026".to_owned())));
        assert_eq!(told("C3"), None);
        assert!(stops.are_known() && !NextStops::of(&Snapshot::default(), &site).are_known());
    }
}
