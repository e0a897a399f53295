//! Which units to open at a stop that has room for some of them.
//!
//! Opening a unit finds what is in its wall at that stop; what only grows in the campaign after it is found at the next
//! stop either way. So opening saves `chance x late catch - opening` on average, and of a set the sum of it. Where values
//! only add up, the best set of so many is the highest ones that are above nothing: sorted and taken.

use crate::opening::Costs;

/// The chance of a catch at the stop, with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Odds {
    pub risk: f64,
    pub lower: f64,
    pub upper: f64,
}

/// A choice among units, each by its place in the list that it was made from.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Choice {
    /// To open, highest chance first.
    pub open: Vec<usize>,
    /// Would be worth opening, but the room is used up.
    pub no_room: Vec<usize>,
    /// Opening costs more than it saves on average.
    pub wait: Vec<usize>,
    /// How many more could be opened.
    pub room_left: usize,
}

impl Choice {
    /// All that stay closed, highest chance first.
    fn closed(&self) -> impl Iterator<Item = usize> {
        self.no_room.iter().chain(&self.wait).copied()
    }
}

/// Chooses at most `room` units. Without costs every unit counts as worth opening: then only room and chance decide.
pub(crate) fn choose(odds: &[Odds], room: usize, costs: Option<&Costs>) -> Choice {
    let mut places: Vec<usize> = (0..odds.len()).collect();
    places.sort_by(|a, b| {
        let (a, b) = (&odds[*a], &odds[*b]);
        b.risk.total_cmp(&a.risk).then(b.upper.total_cmp(&a.upper))
    });
    let break_even = costs.map_or(0.0, Costs::break_even);
    let mut choice = Choice::default();
    for place in places {
        if odds[place].risk <= break_even && costs.is_some() {
            choice.wait.push(place);
        } else if choice.open.len() < room {
            choice.open.push(place);
        } else {
            choice.no_room.push(place);
        }
    }
    choice.room_left = room - choice.open.len();
    choice
}

/// What a set costs on average: the openings, and the late catches in what stays closed.
pub(crate) fn expected(odds: &[Odds], open: &[usize], costs: &Costs) -> f64 {
    let closed = (0..odds.len()).filter(|place| !open.contains(place));
    let late: f64 = closed.map(|place| odds[place].risk).sum();
    open.len() as f64 * costs.open.mid() + late * costs.late_catch.mid()
}

/// The smallest change of a choice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Change {
    /// Leave this one closed.
    Close(usize),
    /// Open this one too.
    Open(usize),
    /// Open the second instead of the first.
    Swap(usize, usize),
}

/// The change that costs least, and how much more it costs on average: the next best set. `None` if there is no other set.
///
/// With values that only add up the second best set is always one such step away.
pub(crate) fn next_best(odds: &[Odds], choice: &Choice, costs: &Costs) -> Option<(Change, f64)> {
    let saves = |place: usize| odds[place].risk * costs.late_catch.mid() - costs.open.mid();
    let (last, first) = (choice.open.last().copied(), choice.closed().next());
    let close = last.map(|last| (Change::Close(last), saves(last)));
    let open = first.filter(|_| choice.room_left > 0).map(|first| (Change::Open(first), -saves(first)));
    let swap = last.zip(first).map(|(last, first)| (Change::Swap(last, first), saves(last) - saves(first)));
    [close, open, swap].into_iter().flatten().min_by(|a, b| a.1.total_cmp(&b.1))
}

/// How sure the choice is of one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Hold {
    /// The chance at which the choice turns for it, at the middle of the costs and the other units' chances; above 1 if
    /// no chance would.
    pub turns_at: f64,
    /// It stays so at every cost within the ranges.
    pub over_costs: bool,
    /// It stays so over the interval of its own chance.
    pub over_interval: bool,
}

/// How sure a choice is of the unit at a place.
pub(crate) fn hold(odds: &[Odds], choice: &Choice, costs: Option<&Costs>, place: usize) -> Hold {
    let own = odds[place];
    let opened = choice.open.contains(&place);
    let break_even = costs.map_or(0.0, Costs::break_even);
    let full = choice.room_left == 0;
    let rival = match (opened, full) {
        (_, false) => 0.0,
        // The best that stays closed would take its room.
        (true, true) => choice.no_room.first().map_or(0.0, |other| odds[*other].risk),
        // It would have to take the room of the last one that is opened.
        (false, true) => choice.open.last().map_or(f64::INFINITY, |other| odds[*other].risk),
    };
    let turns_at = break_even.max(rival);
    let ends = costs.map(Costs::break_even_ends);
    let over_costs = if opened {
        ends.is_none_or(|ends| own.risk > ends.high)
    } else {
        // Costs move where opening begins to pay, never the order: those before it in the order take the room first.
        let before = choice.wait.iter().position(|other| *other == place).unwrap_or(0);
        before >= choice.room_left || ends.is_none_or(|ends| own.risk <= ends.low)
    };
    let over_interval = if opened { own.lower > turns_at || turns_at == 0.0 } else { own.upper <= turns_at };
    Hold { turns_at, over_costs, over_interval }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::opening::Span;

    fn odds(risks: &[f64]) -> Vec<Odds> {
        risks.iter().map(|risk| Odds { risk: *risk, lower: risk * 0.6, upper: (risk * 1.6).min(1.0) }).collect()
    }

    fn costs(open: (f64, f64), late: (f64, f64)) -> Costs {
        let span = |(low, high)| Span { low, high };
        Costs { open: span(open), late_catch: span(late), money: "EUR".to_owned() }
    }

    #[test]
    fn a_hand_worked_stop() {
        // Opening 2000 to 4000, middle 3000; a late catch 20 000 to 40 000, middle 30 000: opening pays from 10 % on, and
        // at the ends from 2000/40 000 = 5 % or only from 4000/20 000 = 20 % on.
        // Saved: 30 % -> 9000 - 3000 = 6000; 4 % -> 1200 - 3000 = -1800; 12 % -> 3600 - 3000 = 600; 25 % -> 7500 - 3000 = 4500.
        let (odds, costs) = (odds(&[0.30, 0.04, 0.12, 0.25]), costs((2e3, 4e3), (20e3, 40e3)));
        let choice = choose(&odds, 2, Some(&costs));
        assert_eq!((&choice.open[..], &choice.no_room[..], &choice.wait[..]), (&[0, 3][..], &[2][..], &[1][..]));
        // 2 x 3000 + (0.04 + 0.12) x 30 000 = 10 800. Instead of the 25 % the 12 %: 2 x 3000 + 0.29 x 30 000 = 14 700.
        assert!((expected(&odds, &choice.open, &costs) - 10_800.0).abs() < 1e-9);
        let (change, more) = next_best(&odds, &choice, &costs).unwrap();
        assert_eq!(change, Change::Swap(3, 2));
        assert!((more - 3_900.0).abs() < 1e-9, "{more}");
        // The 25 % turns at the 12 % that wants its room: its interval, 15 to 40 %, stays above; and 25 % is above 20 %.
        assert_eq!(
            hold(&odds, &choice, Some(&costs), 3),
            Hold { turns_at: 0.12, over_costs: true, over_interval: true }
        );
        // The 4 % turns at the 25 % that it would have to oust; 4 % is below 5 %: it waits at any cost.
        assert_eq!(
            hold(&odds, &choice, Some(&costs), 1),
            Hold { turns_at: 0.25, over_costs: true, over_interval: true }
        );
        // With room for all the 12 % is opened, but not if opening pays from 20 % on only, or at its lower end, 7.2 %.
        let roomy = choose(&odds, 4, Some(&costs));
        assert_eq!((&roomy.open[..], roomy.room_left), (&[0, 3, 2][..], 1));
        let of_third = hold(&odds, &roomy, Some(&costs), 2);
        assert!((of_third.turns_at - 0.1).abs() < 1e-12 && !of_third.over_costs && !of_third.over_interval);
        // The next best is to leave it closed: 600 more.
        let (change, more) = next_best(&odds, &roomy, &costs).unwrap();
        assert!(change == Change::Close(2) && (more - 600.0).abs() < 1e-9, "{change:?} {more}");
    }

    #[test]
    fn without_costs_the_room_is_filled_by_chance_and_nothing_counts_as_not_worth_it() {
        let odds = odds(&[0.01, 0.3, 0.02]);
        let choice = choose(&odds, 2, None);
        assert_eq!((&choice.open[..], &choice.no_room[..]), (&[1, 2][..], &[0][..]));
        assert!(choice.wait.is_empty());
        assert!(choose(&odds, 0, None).open.is_empty());
    }

    /// All sets of at most `room` of `n`, as bits.
    fn sets(n: usize, room: usize) -> impl Iterator<Item = Vec<usize>> {
        (0_u32..1 << n)
            .filter(move |bits| bits.count_ones() as usize <= room)
            .map(move |bits| (0..n).filter(|place| bits & (1 << place) != 0).collect())
    }

    /// Chances from a small linear congruential generator (Knuth, TAOCP 2, 3.3.4, line 26: 1664525, 1013904223).
    fn invented(seed: u32, n: usize) -> Vec<f64> {
        let step = |state: &mut u32| {
            *state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            Some(f64::from(*state >> 8) / f64::from(1 << 24))
        };
        std::iter::repeat(()).scan(seed, |state, ()| step(state)).skip(3).take(n).map(|u| u * u).collect()
    }

    #[test]
    fn no_other_set_of_all_is_better_and_the_next_best_is_the_second() {
        for seed in 0..200 {
            let odds = odds(&invented(seed, 8));
            let costs = costs((1e3, 3e3 + 20.0 * f64::from(seed)), (8e3, 30e3));
            for room in 0..=8 {
                let choice = choose(&odds, room, Some(&costs));
                let own = expected(&odds, &choice.open, &costs);
                let mut all: Vec<f64> = sets(8, room).map(|set| expected(&odds, &set, &costs)).collect();
                all.sort_by(f64::total_cmp);
                assert!((own - all[0]).abs() < 1e-6, "seed {seed}, room {room}: {own}, and {} would do", all[0]);
                match next_best(&odds, &choice, &costs) {
                    Some((_, more)) => assert!((own + more - all[1]).abs() < 1e-6, "seed {seed}, room {room}"),
                    None => assert_eq!(all.len(), 1),
                }
            }
        }
    }

    #[test]
    fn a_choice_that_holds_over_costs_or_interval_is_made_again_at_their_ends() {
        for seed in 0..200 {
            let odds = odds(&invented(seed, 6));
            let costs = costs((1e3, 3e3), (10e3, 30e3));
            let room = seed as usize % 6 + 1;
            let choice = choose(&odds, room, Some(&costs));
            let point = |open, late| self::costs((open, open), (late, late));
            for place in 0..6 {
                let opened = choice.open.contains(&place);
                let of_it = hold(&odds, &choice, Some(&costs), place);
                let mut same = true;
                for (open, late) in [(1e3, 30e3), (3e3, 10e3), (1e3, 10e3), (3e3, 30e3)] {
                    same &= choose(&odds, room, Some(&point(open, late))).open.contains(&place) == opened;
                }
                assert_eq!(of_it.over_costs, same, "seed {seed}, place {place}: costs");
                let mut same = true;
                for end in [odds[place].lower, odds[place].upper] {
                    let mut moved = odds.clone();
                    moved[place].risk = end;
                    same &= choose(&moved, room, Some(&costs)).open.contains(&place) == opened;
                }
                assert_eq!(of_it.over_interval, same, "seed {seed}, place {place}: interval");
            }
        }
    }
}
