//! A stop: every unit with its chances then, and which of them to open.

use jiff::Timestamp;
use jiff::civil::Date;
use plant::{Horizon, Score, State, UnitId};

use crate::changeovers::after;
use crate::choice::{Choice, Hold, Odds, choose, hold};
use crate::opening::Costs;
use crate::product_pace::{self, ProductPace};
use crate::stop_ask::{BadAsk, StopAsk};
use crate::stop_days::{Ahead, Instead, StopDay, ahead, stop_days};
use crate::{Interval, Site, Snapshot, Voice, standing};

/// Where a unit stands at a stop. In the order in which they are read, and never mixed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Group {
    /// Hold and assess, or limit reached: no stop is waited for.
    DoesNotWait,
    /// The plant's interval is over, or will be before the next chance to open.
    ByInterval,
    /// Among those that are worth the room.
    Open,
    /// Worth opening, but the room is used up.
    NoRoom,
    /// Opening costs more than it saves on average; at most until the plant's interval ends.
    MayWait,
    /// Nothing fresh to say: inspected on the fixed schedule.
    Unsaid,
}

/// A unit at a stop.
#[derive(Debug)]
pub(crate) struct StopUnit<'a> {
    pub unit: &'a UnitId,
    pub score: &'a Score,
    pub ahead: Ahead,
    pub group: Group,
    pub interval: Interval,
    /// The chance when the unit stops.
    pub at_stop: Result<Horizon, String>,
    /// The chance at the next chance to open, if the tube stays closed at this stop.
    pub at_next: Result<Horizon, String>,
    /// The product that is asked for, and how fast the unit wears with it; `None` if none is, or that is not known.
    pub pace: Option<(String, ProductPace)>,
    /// How sure the choice is of it; only of units that were chosen among.
    pub hold: Option<Hold>,
}

/// A stop and the units that can be opened at it.
#[derive(Debug)]
pub(crate) struct StopBoard<'a> {
    pub day: Date,
    /// The days of the plan, this one or not.
    pub days: Vec<StopDay>,
    /// The plan stops units that day.
    pub planned: bool,
    /// The units are those that the plan stops that day, not all.
    pub as_planned: bool,
    /// How many units can be opened, if anybody said.
    pub room: Option<usize>,
    /// Nobody is there to open.
    pub no_crew: bool,
    pub costs: Option<Costs>,
    /// In the order of [`Group`], and by chance within each.
    pub units: Vec<StopUnit<'a>>,
    /// The units that were chosen among, as they stand in [`Self::choice`].
    pub odds: Vec<(&'a UnitId, Odds)>,
    pub choice: Choice,
    /// How many the plant's own rules ask for.
    pub asked_by_rule: usize,
}

impl<'a> StopBoard<'a> {
    /// The board of the stop that is asked for, or of the next one.
    ///
    /// # Errors
    /// The field that does not go with the plan: a stop that is past, a next chance no later than the stop, or a unit that cannot
    /// be opened.
    pub(crate) fn of(ask: &StopAsk, snapshot: &'a Snapshot, site: &Site) -> Result<StopBoard<'a>, BadAsk> {
        let days = stop_days(snapshot, site);
        let today = site.date(snapshot.at);
        let first = days.first().map(|stop| stop.day);
        if let Some(on) = ask.on.filter(|on| *on < today) {
            let next =
                first.map_or("no stop is planned".to_owned(), |day| format!("the next stop of the plan is {day}"));
            let detail =
                format!("on={on} is past, and no stop of the past is known; right would be {today} or later; {next}");
            return Err(BadAsk::contradicts("on", detail));
        }
        let day = ask.on.or(first).unwrap_or(today);
        if let Some(next) = ask.next.filter(|next| *next <= day) {
            let detail =
                format!("next={next} is not after the stop on {day}; right would be the day of the stop that follows");
            return Err(BadAsk::contradicts("next", detail));
        }
        for unit in &ask.own {
            can_be_opened(unit, snapshot)?;
        }
        if let Some(product) = &ask.product {
            product_pace::is_known(product, snapshot)?;
        }
        let stopped = days.iter().find(|stop| stop.day == day).map(|stop| stop.units.clone());
        let planned = stopped.is_some();
        let as_planned = planned && !ask.all_units;
        let wanted = |unit: &UnitId| !as_planned || stopped.as_ref().is_some_and(|units| units.contains(unit));
        let instead = Instead { next_at: ask.next.map(|next| site.begin(next)), run_h: ask.run_h };
        let fitted = snapshot.scores.iter().filter_map(|score| Some((score.unit.as_ref()?, score)));
        let mut units: Vec<StopUnit<'a>> = fitted
            .filter(|(unit, _)| wanted(unit))
            .map(|(unit, score)| StopUnit::of(unit, score, day, snapshot, site, (instead, ask.product.as_deref())))
            .collect();
        let no_crew = !site.opening.has_crew(site.begin(day).max(snapshot.at));
        let room = if no_crew { Some(0) } else { ask.room.or(site.opening.room) };
        let own = site.opening.costs.clone();
        let money = own.as_ref().map_or(String::new(), |costs| costs.money.clone());
        let open = ask.open_cost.or(own.as_ref().map(|costs| costs.open));
        let late_catch = ask.late_cost.or(own.as_ref().map(|costs| costs.late_catch));
        let costs = open.zip(late_catch).map(|(open, late_catch)| Costs { open, late_catch, money });

        let asked_by_rule = units.iter().filter(|unit| unit.group <= Group::ByInterval).count();
        let choosing: Vec<usize> = (0..units.len()).filter(|place| units[*place].group == Group::Open).collect();
        let odds: Vec<(&UnitId, Odds)> =
            choosing.iter().filter_map(|place| Some((units[*place].unit, units[*place].odds()?))).collect();
        let bare: Vec<Odds> = odds.iter().map(|(_, odds)| *odds).collect();
        let left = room.map_or(bare.len(), |room| room.saturating_sub(asked_by_rule));
        let choice = choose(&bare, left, costs.as_ref());
        for (place, unit) in choosing.iter().enumerate() {
            let unit = &mut units[*unit];
            unit.hold = Some(hold(&bare, &choice, costs.as_ref(), place));
            unit.group = if choice.open.contains(&place) {
                Group::Open
            } else if choice.no_room.contains(&place) {
                Group::NoRoom
            } else if unit.score.state == State::Blind || unit.score.is_guess() {
                // A floor or a guess below what pays does not say that the unit may wait.
                Group::Unsaid
            } else {
                Group::MayWait
            };
        }
        units.sort_by(|a, b| a.group.cmp(&b.group).then_with(|| b.urgency().total_cmp(&a.urgency())));
        Ok(StopBoard { day, days, planned, as_planned, room, no_crew, costs, units, odds, choice, asked_by_rule })
    }

    /// The units that are proposed to be opened, by rule or by chance.
    pub(crate) fn proposed(&self) -> impl Iterator<Item = &StopUnit<'a>> {
        self.units.iter().filter(|unit| unit.group <= Group::Open)
    }

    /// The unit of a place in the choice.
    pub(crate) fn name(&self, place: usize) -> &'a UnitId {
        self.odds[place].0
    }
}

impl<'a> StopUnit<'a> {
    fn of(
        unit: &'a UnitId,
        score: &'a Score,
        day: Date,
        snapshot: &'a Snapshot,
        site: &Site,
        (instead, product): (Instead, Option<&str>),
    ) -> StopUnit<'a> {
        let mut ahead = ahead(unit, day, snapshot, site, instead);
        let pace_of = |product: &str| snapshot.product_paces.get(unit)?.get(product).copied();
        let pace = product.and_then(pace_of);
        let interval = Interval::of(score, snapshot, site);
        let voice = &site.voice;
        let at_stop = risk_after(score, ahead.until_stop_h, voice);
        let at_next = match (&ahead.next, product, pace) {
            (None, ..) => Err(voice.say("stop-no-next")),
            (_, Some(product), None) => Err(voice.tell("stop-pace-unknown", &[("product", &product)])),
            (Some(next), _, pace) => {
                // Hours with another product count as so many at the pace of late.
                let times = pace.map_or(1.0, |pace| pace.times);
                risk_after(score, ahead.until_stop_h + next.run_h * times, voice)
            }
        };
        if let (Some(next), Some(product)) = (&mut ahead.next, product) {
            next.products = vec![product.to_owned()];
        }
        let group = if score.hold_and_assess || score.state == State::Reached {
            Group::DoesNotWait
        } else if interval.is_due() || ends_before_next(&interval, &ahead) {
            Group::ByInterval
        } else if at_stop.is_err() {
            Group::Unsaid
        } else {
            Group::Open
        };
        let pace = product.map(ToOwned::to_owned).zip(pace);
        StopUnit { unit, score, ahead, group, interval, at_stop, at_next, pace, hold: None }
    }

    fn odds(&self) -> Option<Odds> {
        let at_stop = self.at_stop.as_ref().ok()?;
        Some(Odds { risk: at_stop.risk, lower: at_stop.lower, upper: at_stop.upper })
    }

    /// By what units of a group are put in order; what is not known comes first.
    fn urgency(&self) -> f64 {
        if self.score.hold_and_assess { 3.0 } else { self.at_stop.as_ref().map_or(2.0, |ahead| ahead.risk) }
    }
}

/// Units that are named where one is asked for that is not known.
const NAMED: usize = 12;

/// Whether there is a tube to look into in a unit.
fn can_be_opened(unit: &UnitId, snapshot: &Snapshot) -> Result<(), BadAsk> {
    let tube_of = |score: &Score| score.unit.clone().filter(|_| score.tube.is_some());
    let known = snapshot.scores.iter().any(|score| score.unit.as_ref() == Some(unit));
    let mut right: Vec<String> = snapshot.scores.iter().filter_map(tube_of).map(|unit| unit.to_string()).collect();
    if right.iter().any(|own| own == unit.as_str()) {
        return Ok(());
    }
    right.sort();
    let more = if right.len() > NAMED { " or another unit of the board" } else { "" };
    right.truncate(NAMED);
    let right = right.join(", ");
    let why = if known {
        "no tube is entered as fitted in it, so there is nothing to open"
    } else {
        "no such unit is known, or it has not been evaluated"
    };
    Err(BadAsk::contradicts("open", format!("open={unit}: {why}; right would be {right}{more}")))
}

/// Whether the plant's interval ends at or before the next chance to open; at the stop itself if no next one is known.
pub(crate) fn ends_before_next(interval: &Interval, ahead: &Ahead) -> bool {
    let Interval::Left { run_h_left, until } = interval else { return false };
    let (run_h, at): (f64, Timestamp) = match &ahead.next {
        Some(next) => (ahead.until_stop_h + next.run_h, next.at),
        None => (ahead.until_stop_h, ahead.stop_at),
    };
    run_h_left.is_some_and(|left| left <= run_h) || until.is_some_and(|until| until <= at)
}

/// The risk after so many further run hours, or why there is none to give.
fn risk_after(score: &Score, run_h: f64, voice: &Voice) -> Result<Horizon, String> {
    if matches!(score.state, State::Stale | State::NoTube) {
        return Err(standing::reason(score, voice).trim_end_matches('.').to_owned());
    }
    after(score, run_h, voice).map_err(|why| why.trim_end_matches('.').to_owned())
}
