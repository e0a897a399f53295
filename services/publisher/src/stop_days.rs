//! The days on which units stop, as the plan has them.

use jiff::Timestamp;
use jiff::civil::Date;
use plant::{Campaign, UnitId};

use crate::changeovers::changeovers;
use crate::{Site, Snapshot};

/// A day on which the plan stops units.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct StopDay {
    pub day: Date,
    /// The units whose stop begins that day, in order of time.
    pub units: Vec<UnitId>,
}

/// The days on which stops begin that are not over, in order. A stop that lasts counts as of the day that is now.
pub(crate) fn stop_days(snapshot: &Snapshot, site: &Site) -> Vec<StopDay> {
    let mut days: Vec<StopDay> = Vec::new();
    for stop in changeovers(snapshot, &site.voice) {
        let day = site.date(stop.stop_from().max(snapshot.at));
        match days.last_mut().filter(|last| last.day == day) {
            Some(last) if last.units.contains(stop.unit) => {}
            Some(last) => last.units.push(stop.unit.clone()),
            None => days.push(StopDay { day, units: vec![stop.unit.clone()] }),
        }
    }
    days
}

/// What lies ahead of one unit from a stop on.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Ahead {
    /// When the unit stops.
    pub stop_at: Timestamp,
    /// Run hours from now until then, h.
    pub until_stop_h: f64,
    /// The next chance to open after it; `None` if nothing is planned or asked.
    pub next: Option<Next>,
    /// Some of these hours are not in the plan: then the unit is taken to run all the time.
    pub taken_as_running: bool,
}

/// The next chance to open.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Next {
    pub at: Timestamp,
    /// Run hours from the stop until then, h.
    pub run_h: f64,
    /// What runs between the two, where the plan says it.
    pub products: Vec<String>,
}

/// What is asked for all units instead of what the plan says.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Instead {
    pub next_at: Option<Timestamp>,
    pub run_h: Option<f64>,
}

/// What the plan says of a unit from the stop on a day on. A unit that the plan does not stop that day stops with it.
pub(crate) fn ahead(unit: &UnitId, day: Date, snapshot: &Snapshot, site: &Site, instead: Instead) -> Ahead {
    let mut campaigns: Vec<&Campaign> = snapshot.campaigns.iter().filter(|campaign| campaign.unit == *unit).collect();
    campaigns.sort_by_key(|campaign| (campaign.from, campaign.to));
    let now = snapshot.at;
    let pair = campaigns.windows(2).find(|pair| {
        let from = pair[0].to.min(pair[1].from).max(now);
        pair[1].from > now && site.date(from) == day
    });
    let stop_at = match pair {
        Some(pair) => pair[0].to.min(pair[1].from).max(now),
        None => site.begin(day).max(now),
    };
    let mut hours = Hours::default();
    let until_stop_h = hours.of_span(&campaigns, now, stop_at);
    // Campaigns that end before anybody can open do not end the wait.
    let ends = campaigns.iter().filter(|campaign| campaign.to > stop_at).map(|campaign| campaign.to);
    let planned_end = ends.clone().find(|end| site.opening.has_crew(*end)).or(ends.max());
    let next = instead.next_at.or(planned_end).map(|at| {
        let run_h = instead.run_h.unwrap_or_else(|| hours.of_span(&campaigns, stop_at, at));
        let mut products: Vec<String> =
            campaigns.iter().filter(|c| c.from < at && c.to > stop_at).map(|c| c.product.clone()).collect();
        products.dedup();
        Next { at, run_h, products }
    });
    Ahead { stop_at, until_stop_h, next, taken_as_running: hours.taken_as_running }
}

/// Adds up run hours, and remembers if some had to be taken as running all the time.
#[derive(Default)]
struct Hours {
    taken_as_running: bool,
}

impl Hours {
    /// Run hours of a span: of each campaign in it its share, and where no campaign says anything every hour of the clock.
    /// A unit cannot run more, so the chance is not made smaller by what nobody wrote down.
    fn of_span(&mut self, campaigns: &[&Campaign], from: Timestamp, to: Timestamp) -> f64 {
        let clock_h = |from: Timestamp, to: Timestamp| (to.duration_since(from).as_secs_f64() / 3600.0).max(0.0);
        if campaigns.is_empty() {
            self.taken_as_running |= to > from;
            return clock_h(from, to);
        }
        let mut sum = 0.0;
        for campaign in campaigns.iter().filter(|campaign| campaign.from < to && campaign.to > from) {
            let inside = clock_h(campaign.from.max(from), campaign.to.min(to));
            let whole = clock_h(campaign.from, campaign.to);
            sum += match campaign.run_h.filter(|run_h| run_h.is_finite() && *run_h >= 0.0) {
                Some(run_h) if whole > 0.0 => run_h * inside / whole,
                Some(run_h) => run_h,
                None => {
                    self.taken_as_running = true;
                    inside
                }
            };
        }
        // Before the first campaign and after the last one the plan says nothing.
        let first = campaigns.iter().map(|campaign| campaign.from).min().unwrap_or(to).min(to);
        if from < first {
            self.taken_as_running = true;
            sum += clock_h(from, first);
        }
        let last = campaigns.iter().map(|campaign| campaign.to).max().unwrap_or(from).max(from);
        if last < to {
            self.taken_as_running = true;
            sum += clock_h(last, to);
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::opening::NoCrew;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn campaign(from: &str, to: &str, run_h: Option<f64>) -> Campaign {
        let unit = UnitId::new("C1").unwrap();
        Campaign { unit, from: at(from), to: at(to), product: "ice mix".to_owned(), planned: true, run_h }
    }

    /// Now is 12 May, 00:00; 10 of 20 days run; then ten days with 150 h, a day's stop, ten days with 120 h.
    fn plant() -> Snapshot {
        let campaigns = vec![
            campaign("2026-05-02T00:00:00Z", "2026-05-22T00:00:00Z", Some(300.0)),
            campaign("2026-05-23T00:00:00Z", "2026-06-02T00:00:00Z", Some(150.0)),
            campaign("2026-06-03T00:00:00Z", "2026-06-13T00:00:00Z", Some(120.0)),
        ];
        Snapshot { at: at("2026-05-12T00:00:00Z"), campaigns, ..Snapshot::default() }
    }

    fn of(day: &str, snapshot: &Snapshot, instead: Instead) -> Ahead {
        ahead(&UnitId::new("C1").unwrap(), day.parse().unwrap(), snapshot, &crate::rank::tests::site(), instead)
    }

    #[test]
    fn the_plan_gives_stop_hours_and_the_next_chance() {
        let site = crate::rank::tests::site();
        let days: Vec<String> = stop_days(&plant(), &site).iter().map(|stop| stop.day.to_string()).collect();
        assert_eq!(days, ["2026-05-22", "2026-06-02"]);
        // By hand: half of 300 h are left; then 150 h.
        let ahead = of("2026-05-22", &plant(), Instead::default());
        assert_eq!((ahead.stop_at, ahead.until_stop_h), (at("2026-05-22T00:00:00Z"), 150.0));
        let next = ahead.next.unwrap();
        assert_eq!((next.at, next.run_h), (at("2026-06-02T00:00:00Z"), 150.0));
        assert!(!ahead.taken_as_running);
    }

    #[test]
    fn a_plain_date_between_stops_takes_its_share() {
        // By hand: 5 of 10 days at 15 h a day; then 5 days more of 75 h, and its end is the next chance.
        let ahead = of("2026-05-17", &plant(), Instead::default());
        assert_eq!(ahead.until_stop_h, 75.0);
        assert_eq!(ahead.next.map(|next| (next.at, next.run_h)), Some((at("2026-05-22T00:00:00Z"), 75.0)));
    }

    #[test]
    fn hours_that_nobody_planned_count_as_running() {
        let mut snapshot = plant();
        snapshot.campaigns[1].run_h = None;
        let ahead = of("2026-05-22", &snapshot, Instead::default());
        assert!(ahead.taken_as_running);
        // 10 days of 24 h.
        assert_eq!(ahead.next.unwrap().run_h, 240.0);
        snapshot.campaigns.clear();
        let none = of("2026-05-14", &snapshot, Instead::default());
        assert_eq!((none.until_stop_h, none.next, none.taken_as_running), (48.0, None, true));
        let asked = Instead { next_at: Some(at("2026-06-01T00:00:00Z")), run_h: Some(200.0) };
        assert_eq!(of("2026-05-14", &snapshot, asked).next.unwrap().run_h, 200.0);
    }

    #[test]
    fn before_the_first_campaign_of_the_plan_a_unit_counts_as_running() {
        let mut snapshot = plant();
        snapshot.campaigns.remove(0);
        // From 12 May to 20 May are 192 h of the clock; nothing is planned before 23 May.
        let ahead = of("2026-05-20", &snapshot, Instead::default());
        assert_eq!((ahead.until_stop_h, ahead.taken_as_running), (192.0, true));
        // Three days more, then 150 h.
        assert_eq!(ahead.next.map(|next| next.run_h), Some(72.0 + 150.0));
    }

    #[test]
    fn a_stop_without_a_crew_is_no_chance_to_open() {
        let mut site = crate::rank::tests::site();
        site.opening.without_crew = vec![NoCrew { from: at("2026-05-30T00:00:00Z"), to: at("2026-06-03T00:00:00Z") }];
        let unit = UnitId::new("C1").unwrap();
        let ahead = ahead(&unit, "2026-05-22".parse().unwrap(), &plant(), &site, Instead::default());
        // By hand: 150 h, and the 120 h after the stop that nobody attends.
        assert_eq!(ahead.next.map(|next| (next.at, next.run_h)), Some((at("2026-06-13T00:00:00Z"), 270.0)));
    }
}
