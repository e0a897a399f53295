//! Which score comes first.

use std::cmp::Ordering;

use plant::{Horizon, Score, State};

use crate::{Interval, Site, Snapshot};

/// The scores in the order in which they are read, in groups that are never mixed.
#[derive(Debug, Default)]
pub(crate) struct Ranking<'a> {
    /// Hold and assess, then limit reached.
    pub urgent: Vec<&'a Score>,
    /// The plant's own interval is over, or counts as over: no chance outweighs that. The unknown first, then by chance.
    pub due: Vec<&'a Score>,
    /// By the chance now, highest first.
    pub ranked: Vec<&'a Score>,
    /// Fitted, or without a tube, and nothing fresh to say: inspected on the fixed schedule.
    pub unsaid: Vec<&'a Score>,
    /// Tubes that sit in no unit.
    pub shelf: Vec<&'a Score>,
}

impl<'a> Ranking<'a> {
    /// Puts the scores of a snapshot in order.
    pub(crate) fn of(snapshot: &'a Snapshot, site: &Site) -> Self {
        let mut ranking = Ranking::default();
        for score in &snapshot.scores {
            if score.unit.is_none() {
                ranking.shelf.push(score);
            } else if score.hold_and_assess || score.state == State::Reached {
                ranking.urgent.push(score);
            } else if Interval::of(score, snapshot, site).is_due() {
                ranking.due.push(score);
            } else if sayable(score).is_empty() || matches!(score.state, State::Stale | State::NoTube) {
                ranking.unsaid.push(score);
            } else {
                ranking.ranked.push(score);
            }
        }
        ranking.urgent.sort_by(|a, b| b.hold_and_assess.cmp(&a.hold_and_assess).then_with(|| by_chance(a, b)));
        ranking.due.sort_by(|a, b| by_chance(a, b));
        ranking.ranked.sort_by(|a, b| by_chance(a, b));
        ranking.unsaid.sort_by(|a, b| by_name(a, b));
        ranking.shelf.sort_by(|a, b| b.hold_and_assess.cmp(&a.hold_and_assess).then_with(|| by_name(a, b)));
        ranking
    }

    /// All scores, group after group.
    pub(crate) fn all(&self) -> impl Iterator<Item = &'a Score> {
        [&self.urgent, &self.due, &self.ranked, &self.unsaid, &self.shelf].into_iter().flatten().copied()
    }
}

/// The risks of a score, or none: of a tube to be held, since a number beside the hold would read as comfort; and if one
/// of them is no probability inside its interval, since then none can be believed.
pub(crate) fn sayable(score: &Score) -> &[Horizon] {
    if score.hold_and_assess {
        return &[];
    }
    let believable = score.risks.iter().all(|ahead| {
        ahead.horizon_h >= 0.0
            && 0.0 <= ahead.lower
            && ahead.lower <= ahead.risk
            && ahead.risk <= ahead.upper
            && ahead.upper <= 1.0
    });
    if believable { &score.risks } else { &[] }
}

/// A horizon as it is published for programs: six significant digits, so that the noise of binary sums does not read as
/// precision. The order of risk and interval is kept.
pub(crate) fn rounded(ahead: &Horizon) -> Horizon {
    let six = |number: f64| format!("{number:.5e}").parse().expect("a number written by Rust is one that it reads");
    Horizon { horizon_h: ahead.horizon_h, risk: six(ahead.risk), lower: six(ahead.lower), upper: six(ahead.upper) }
}

fn by_chance(a: &Score, b: &Score) -> Ordering {
    let current = |score: &Score| if score.state == State::Stale { None } else { sayable(score).first().cloned() };
    let key = |score: &Score| current(score).map_or((2.0, 2.0), |now| (now.risk, now.upper));
    let ((risk_a, upper_a), (risk_b, upper_b)) = (key(a), key(b));
    risk_b.total_cmp(&risk_a).then(upper_b.total_cmp(&upper_a)).then_with(|| by_name(a, b))
}

fn by_name(a: &Score, b: &Score) -> Ordering {
    (&a.unit, &a.tube).cmp(&(&b.unit, &b.tube))
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use plant::{TubeId, UnitId};

    /// A score of a fitted tube, with a risk now or none.
    pub(crate) fn score(unit: &str, tube: &str, risk: Option<f64>) -> Score {
        Score {
            at: "2026-05-12T04:30:00Z".parse().unwrap(),
            tube: Some(TubeId::new(tube).unwrap()),
            unit: Some(UnitId::new(unit).unwrap()),
            state: State::Ok,
            reason: "a fitted model".to_owned(),
            risks: risk
                .map(|risk| Horizon { horizon_h: 0.0, risk, lower: risk * 0.5, upper: risk })
                .into_iter()
                .collect(),
            last_look_at: None,
            last_grade: None,
            run_h: 100.0,
            blind_h: 0.0,
            assumed_h: 0.0,
            coverage: Some(1.0),
            equivalent_h: 100.0,
            drivers: vec![],
            hold_and_assess: false,
            model: "m1".to_owned(),
            data_from: None,
            data_to: None,
        }
    }

    /// A site without a longest interval of its own.
    pub(crate) fn site() -> Site {
        Site {
            name: String::new(),
            zone: jiff::tz::TimeZone::UTC,
            version: String::new(),
            limit: plant::Grade::CATCH,
            zones: vec![],
            bands: plant::Bands::default(),
            longest_interval: crate::LongestInterval { run_h: None, days: None },
            opening: crate::Opening::default(),
            late_after: jiff::SignedDuration::from_mins(15),
            frame_origins: vec![],
            reading: crate::ReadAccess::Open,
            https: false,
            address: None,
            session_lasts: jiff::SignedDuration::from_hours(12),
            photo_bytes: 1,
            voice: crate::Voice::default(),
        }
    }

    fn of(scores: impl Into<Vec<Score>>) -> Snapshot {
        Snapshot { scores: scores.into(), ..Snapshot::default() }
    }

    fn units(scores: &[&Score]) -> Vec<String> {
        scores.iter().map(|score| score.unit.as_ref().map_or("-".to_owned(), ToString::to_string)).collect()
    }

    #[test]
    fn hold_comes_before_reached_before_any_chance() {
        let mut hold = score("C4", "T4", Some(0.01));
        hold.hold_and_assess = true;
        let mut reached = score("C3", "T3", None);
        reached.state = State::Reached;
        let snapshot = of([score("C1", "T1", Some(0.2)), score("C2", "T2", Some(0.9)), reached, hold]);
        let site = site();
        let ranking = Ranking::of(&snapshot, &site);
        assert_eq!(units(&ranking.urgent), ["C4", "C3"]);
        assert_eq!(units(&ranking.ranked), ["C2", "C1"]);
    }

    #[test]
    fn what_cannot_be_said_is_not_ranked_at_the_end() {
        let mut stale = score("C2", "T2", Some(0.01));
        stale.state = State::Stale;
        let mut empty = score("C3", "T3", None);
        empty.state = State::NoTube;
        empty.tube = None;
        let mut shelf = score("C9", "T9", Some(0.5));
        (shelf.unit, shelf.state) = (None, State::NotFitted);
        let snapshot = of([score("C1", "T1", Some(0.2)), stale, empty, shelf, score("C4", "T4", None)]);
        let site = site();
        let ranking = Ranking::of(&snapshot, &site);
        assert_eq!(units(&ranking.ranked), ["C1"]);
        assert_eq!(units(&ranking.unsaid), ["C2", "C3", "C4"]);
        assert_eq!(units(&ranking.shelf), ["-"]);
    }

    #[test]
    fn a_risk_that_is_no_probability_is_not_believed() {
        for bad in [f64::NAN, f64::INFINITY, -0.1, 1.2] {
            assert!(sayable(&score("C1", "T1", Some(bad))).is_empty(), "{bad} was believed");
        }
        let mut crossed = score("C1", "T1", Some(0.3));
        crossed.risks[0].upper = 0.2;
        assert!(sayable(&crossed).is_empty());
    }

    #[test]
    fn a_held_tube_has_no_risk_to_give() {
        let mut held = score("C1", "T1", Some(0.01));
        held.hold_and_assess = true;
        assert!(sayable(&held).is_empty());
    }

    #[test]
    fn six_digits_are_published() {
        // 0.4 - 0.38 in binary sums (IEEE 754).
        let noisy = Horizon { horizon_h: 500.0, risk: 0.4 - 0.38, lower: 1.23456789e-7, upper: 0.987_654_321 };
        assert_ne!(noisy.risk, 0.02, "this test needs noise");
        let told = rounded(&noisy);
        assert_eq!((told.horizon_h, told.risk, told.lower, told.upper), (500.0, 0.02, 1.23457e-7, 0.987654));
    }

    #[test]
    fn of_two_equal_chances_the_less_sure_one_comes_first() {
        let mut unsure = score("C2", "T2", Some(0.3));
        unsure.risks[0].upper = 0.8;
        let snapshot = of([score("C1", "T1", Some(0.3)), unsure]);
        assert_eq!(units(&Ranking::of(&snapshot, &site()).ranked), ["C2", "C1"]);
    }

    #[test]
    fn a_low_chance_does_not_outweigh_an_interval_that_is_over() {
        // The house rule: the plant's own longest interval always wins. 2000 h of it, and a look 2001 h ago.
        let mut site = site();
        site.longest_interval.run_h = Some(2000.0);
        let looked = |unit: &str, risk: Option<f64>, run_h: f64| {
            let mut score = score(unit, unit, risk);
            (score.last_look_at, score.run_h) = (Some(score.at), run_h);
            score
        };
        let mut never = looked("C5", Some(0.02), 10.0);
        never.last_look_at = None;
        let mut stale = looked("C3", Some(0.5), 2001.0);
        stale.state = State::Stale;
        let scores = [looked("C1", Some(0.9), 10.0), looked("C2", Some(0.01), 2001.0), stale, never];
        let snapshot = of(scores);
        let ranking = Ranking::of(&snapshot, &site);
        assert_eq!(units(&ranking.due), ["C3", "C5", "C2"]);
        assert_eq!(units(&ranking.ranked), ["C1"]);
        assert!(ranking.unsaid.is_empty());
    }
}
