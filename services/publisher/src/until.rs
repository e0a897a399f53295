//! After how many run hours a chance is expected to pass a level.

use plant::{Horizon, Score, State};
use serde::Serialize;

use crate::Voice;
use crate::rank::sayable;

/// The levels that are told (house choice).
const LEVELS: [f64; 3] = [0.1, 0.25, 0.5];

/// When a chance passes a level, in further run hours. It is read off the published chances, on straight lines between
/// them; beyond the last of them nothing is said.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub(crate) struct Until {
    /// The level, 0 to 1.
    pub level: f64,
    /// After so many run hours, h; 0 if it has passed already, `None` if not within the published horizons, or if the chance
    /// is only a floor.
    pub run_h: Option<f64>,
    /// At the earliest: by the upper end of the interval.
    pub earliest_h: Option<f64>,
    /// At the latest: by the lower end.
    pub latest_h: Option<f64>,
}

/// For every level; empty where no chance can be given or the limit was found already.
pub(crate) fn until(score: &Score) -> Vec<Until> {
    let risks = sayable(score);
    if risks.is_empty() || score.is_guess() || matches!(score.state, State::Reached | State::Stale) {
        return Vec::new();
    }
    // A floor says only when the level is passed at the latest.
    let floor = score.is_floor();
    let at = |level: f64| Until {
        level,
        run_h: passes(risks, level, |ahead| ahead.risk).filter(|_| !floor),
        earliest_h: passes(risks, level, |ahead| ahead.upper).filter(|_| !floor),
        latest_h: passes(risks, level, |ahead| ahead.lower),
    };
    LEVELS.map(at).to_vec()
}

fn passes(risks: &[Horizon], level: f64, of: fn(&Horizon) -> f64) -> Option<f64> {
    let first = risks.iter().position(|ahead| of(ahead) >= level)?;
    let after = &risks[first];
    let Some(before) = first.checked_sub(1).map(|before| &risks[before]) else { return Some(after.horizon_h) };
    let part = (level - of(before)) / (of(after) - of(before));
    Some(before.horizon_h + part * (after.horizon_h - before.horizon_h))
}

/// In words, the lowest level first that has not passed yet; none beyond the last horizon.
pub(crate) fn words(score: &Score, voice: &Voice) -> Vec<String> {
    let last_h = sayable(score).last().map_or(0.0, |ahead| ahead.horizon_h);
    let bound = |run_h: Option<f64>| {
        run_h.map_or_else(|| voice.tell("until-beyond", &[("hours", &voice.hours(last_h))]), |run_h| voice.hours(run_h))
    };
    let floor = score.is_floor();
    let told = |until: &Until| {
        let level = voice.percent(until.level);
        if floor {
            return voice.tell("until-at-the-latest", &[("level", &level), ("run", &bound(until.latest_h))]);
        }
        match until.run_h {
            Some(0.0) => voice.tell("until-above", &[("level", &level)]),
            run_h => voice.tell(
                "until-passes",
                &[
                    ("level", &level),
                    ("run", &bound(run_h)),
                    ("earliest", &bound(until.earliest_h)),
                    ("latest", &bound(until.latest_h)),
                ],
            ),
        }
    };
    until(score).iter().filter(|until| until.earliest_h.or(until.latest_h).is_some()).map(told).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn score(risks: &[(f64, f64, f64, f64)]) -> Score {
        let ahead = |(horizon_h, risk, lower, upper): &(f64, f64, f64, f64)| Horizon {
            horizon_h: *horizon_h,
            risk: *risk,
            lower: *lower,
            upper: *upper,
        };
        let mut score = crate::rank::tests::score("C1", "T1", Some(0.2));
        score.risks = risks.iter().map(ahead).collect();
        score
    }

    #[test]
    fn a_level_is_passed_on_the_line_between_two_horizons() {
        // By hand.
        let score = score(&[(0.0, 0.05, 0.02, 0.12), (200.0, 0.15, 0.06, 0.28), (400.0, 0.3, 0.12, 0.5)]);
        let told = until(&score);
        let near = |found: Option<f64>, right: f64| found.is_some_and(|found| (found - right).abs() < 1e-9);
        assert!(near(told[0].run_h, 100.0) && near(told[0].earliest_h, 0.0));
        assert!(near(told[0].latest_h, 200.0 + 200.0 * 0.04 / 0.06));
        assert!(near(told[1].run_h, 200.0 + 200.0 * 0.1 / 0.15) && told[1].latest_h.is_none());
        assert!(told[2].run_h.is_none() && near(told[2].earliest_h, 400.0));
        assert_eq!(words(&score, &Voice::default()).len(), 3);
        assert!(words(&score, &Voice::default())[2].contains("beyond"), "{:?}", words(&score, &Voice::default()));
    }

    #[test]
    fn a_floor_says_only_when_a_level_is_passed_at_the_latest() {
        let mut blind = score(&[(0.0, 0.05, 0.02, 0.12), (200.0, 0.15, 0.06, 0.28), (400.0, 0.3, 0.12, 0.5)]);
        blind.state = State::Blind;
        let said = words(&blind, &Voice::default());
        // By hand: the lower end goes from 6 % at 200 h to 12 % at 400 h.
        assert_eq!(said, ["The chance passes 10\u{a0}% after 333\u{a0}h of running at the latest."]);
        (blind.run_h, blind.assumed_h) = (1.0, 1.0);
        assert!(until(&blind).is_empty(), "the hours are a guess");
        blind.assumed_h = 0.0;
        blind.state = State::Stale;
        assert!(until(&blind).is_empty());
    }

    #[test]
    fn of_a_limit_that_was_found_nothing_is_foretold() {
        let mut found = score(&[(0.0, 0.97, 0.97, 1.0)]);
        found.state = State::Reached;
        assert!(until(&found).is_empty() && words(&found, &Voice::default()).is_empty());
    }
}
