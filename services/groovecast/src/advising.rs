//! Advice from scores: raised after a while, cleared after a while, and never by silence.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};
use plant::{Advice, AdviceKind, Horizon, Score, State, TubeId, UnitId};

/// When a chance raises advice, and when it clears it again.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AdviceLimits {
    /// From which chance on.
    pub raise_at: f64,
    /// Below which chance it is cleared. Between the two, what stands stays.
    pub clear_at: f64,
    /// So many run hours ahead the chance is read, h.
    pub ahead_h: f64,
    /// How long the chance stands there before it is raised.
    pub raise_after: SignedDuration,
    /// How long it stays below before it is cleared.
    pub clear_after: SignedDuration,
}

/// What a score says of one kind of advice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Cause {
    /// It asks for it.
    Stands,
    /// It neither asks for it nor clears it, or cannot say.
    Unclear,
    /// It is gone.
    Gone,
}

/// The advice that is new or has changed, from the scores of now and what is open. `interval_over` says of a score whether
/// the plant's own interval is over.
pub fn step(
    open: &[Advice],
    scores: &[Score],
    interval_over: impl Fn(&Score) -> bool,
    limits: &AdviceLimits,
    now: Timestamp,
) -> Vec<Advice> {
    let mut kept: BTreeMap<(&TubeId, &UnitId, AdviceKind), &Advice> =
        open.iter().map(|advice| ((&advice.tube, &advice.unit, advice.kind), advice)).collect();
    let mut changed = Vec::new();
    for score in scores {
        let (Some(tube), Some(unit)) = (&score.tube, &score.unit) else { continue };
        for kind in AdviceKind::ALL {
            let old = kept.remove(&(tube, unit, *kind));
            let cause = match kind {
                AdviceKind::Hold => told(score.hold_and_assess),
                AdviceKind::Reached => told(score.state == State::Reached),
                AdviceKind::Interval => told(interval_over(score)),
                AdviceKind::Chance => chance(score, limits),
            };
            let waits = *kind == AdviceKind::Chance;
            let raise_after = if waits { limits.raise_after } else { SignedDuration::ZERO };
            // A look since it was raised is what it asked for: then nothing waits.
            let looked = old.and_then(|old| old.raised_at).is_some_and(|raised| score.last_look_at > Some(raised));
            let clear_after = if waits && !looked { limits.clear_after } else { SignedDuration::ZERO };
            let new = match old {
                Some(old) => moved(old, cause, chance_is_low(score, limits), raise_after, clear_after, now),
                None if cause == Cause::Stands => Some(Advice {
                    id: 0,
                    tube: tube.clone(),
                    unit: unit.clone(),
                    kind: *kind,
                    cause_since: now,
                    raised_at: raise_after.is_zero().then_some(now),
                    gone_since: None,
                    cleared_at: None,
                    seen: None,
                    put_off: None,
                }),
                None => None,
            };
            changed.extend(new.filter(|new| Some(new) != old));
        }
    }
    // The tube does not sit there any more: there is nothing to open.
    changed.extend(kept.into_values().map(|old| Advice { cleared_at: Some(now), ..old.clone() }));
    changed
}

const fn told(stands: bool) -> Cause {
    if stands { Cause::Stands } else { Cause::Gone }
}

fn risk(score: &Score, limits: &AdviceLimits) -> Option<f64> {
    if matches!(score.state, State::Stale | State::NoTube | State::NotFitted) {
        return None;
    }
    Horizon::after(&score.risks, limits.ahead_h).map(|ahead| ahead.risk).filter(|risk| !risk.is_nan())
}

/// A held tube or one at the limit has advice of its own, and no chance beside it.
fn chance(score: &Score, limits: &AdviceLimits) -> Cause {
    if score.hold_and_assess || score.state == State::Reached {
        return Cause::Gone;
    }
    match risk(score, limits) {
        Some(risk) if risk >= limits.raise_at => Cause::Stands,
        // A floor or a guess does not say that the chance is low.
        Some(risk) if risk < limits.clear_at && score.state != State::Blind && !score.is_guess() => Cause::Gone,
        _ => Cause::Unclear,
    }
}

fn chance_is_low(score: &Score, limits: &AdviceLimits) -> bool {
    risk(score, limits).is_some_and(|risk| risk < limits.raise_at)
}

fn moved(
    old: &Advice,
    cause: Cause,
    below_raise: bool,
    raise_after: SignedDuration,
    clear_after: SignedDuration,
    now: Timestamp,
) -> Option<Advice> {
    // What began under a clock that ran ahead begins now.
    let mut new = Advice { cause_since: old.cause_since.min(now), ..old.clone() };
    if old.raised_at.is_none() {
        match cause {
            Cause::Stands if now.duration_since(new.cause_since) >= raise_after => new.raised_at = Some(now),
            // It has to stand without a break, and silence is no break.
            Cause::Gone => new.cleared_at = Some(now),
            Cause::Unclear if below_raise => new.cleared_at = Some(now),
            _ => {}
        }
    } else if cause == Cause::Gone {
        let since = *new.gone_since.insert(old.gone_since.map_or(now, |since| since.min(now)));
        if now.duration_since(since) >= clear_after {
            new.cleared_at = Some(now);
        }
    } else {
        new.gone_since = None;
    }
    Some(new)
}

#[cfg(test)]
mod tests {
    use super::*;
    use plant::Horizon;

    const LIMITS: AdviceLimits = AdviceLimits {
        raise_at: 0.3,
        clear_at: 0.15,
        ahead_h: 0.0,
        raise_after: SignedDuration::from_hours(24),
        clear_after: SignedDuration::from_hours(48),
    };

    fn at(hour: i64) -> Timestamp {
        Timestamp::UNIX_EPOCH + SignedDuration::from_hours(hour)
    }

    fn score(risk: Option<f64>) -> Score {
        let risks = risk.map(|risk| Horizon { horizon_h: 0.0, risk, lower: risk, upper: risk });
        Score {
            at: at(0),
            tube: Some(TubeId::new("T1").unwrap()),
            unit: Some(UnitId::new("C1").unwrap()),
            state: State::Ok,
            reason: String::new(),
            risks: risks.into_iter().collect(),
            last_look_at: None,
            last_grade: None,
            run_h: 0.0,
            blind_h: 0.0,
            assumed_h: 0.0,
            coverage: None,
            equivalent_h: 0.0,
            drivers: vec![],
            hold_and_assess: false,
            model: String::new(),
            data_from: None,
            data_to: None,
        }
    }

    /// What stands after each of a row of scores, one an hour step; the store keeps what changed, as the ledger does.
    fn story(scores: &[(i64, Score)]) -> Vec<(i64, bool)> {
        let mut open: Vec<Advice> = Vec::new();
        scores
            .iter()
            .map(|(hour, score)| {
                for new in step(&open, std::slice::from_ref(score), |_| false, &LIMITS, at(*hour)) {
                    open.retain(|old| old.kind != new.kind);
                    open.extend(Some(new).filter(|new| new.cleared_at.is_none()));
                }
                (*hour, open.iter().any(|advice| advice.raised_at.is_some()))
            })
            .collect()
    }

    #[test]
    fn a_chance_is_raised_after_its_delay_and_cleared_after_its_own() {
        // By hand: above 0.3 from hour 0, so raised from hour 24 on; below 0.15 from hour 40, cleared 48 h later.
        let told = story(&[
            (0, score(Some(0.31))),
            (23, score(Some(0.35))),
            (24, score(Some(0.31))),
            (30, score(Some(0.2))),
            (40, score(Some(0.14))),
            (87, score(Some(0.1))),
            (88, score(Some(0.1))),
        ]);
        assert_eq!(told, [(0, false), (23, false), (24, true), (30, true), (40, true), (87, true), (88, false)]);
    }

    #[test]
    fn one_peak_raises_nothing_and_one_dip_clears_nothing() {
        let told = story(&[
            (0, score(Some(0.4))),
            (20, score(Some(0.29))),
            (21, score(Some(0.4))),
            (44, score(Some(0.4))),
            (45, score(Some(0.4))),
        ]);
        assert_eq!(told[3..], [(44, false), (45, true)], "the break at hour 20 begins it anew");
        let told = story(&[
            (0, score(Some(0.4))),
            (24, score(Some(0.4))),
            (30, score(Some(0.1))),
            (70, score(Some(0.16))),
            (71, score(Some(0.1))),
            (118, score(Some(0.1))),
            (119, score(Some(0.1))),
        ]);
        assert_eq!(told[3..], [(70, true), (71, true), (118, true), (119, false)], "the dip begins anew at hour 71");
    }

    #[test]
    fn silence_neither_raises_nor_clears() {
        let mut stale = score(Some(0.01));
        stale.state = State::Stale;
        let told = story(&[
            (0, score(Some(0.4))),
            (24, score(Some(0.4))),
            (30, stale.clone()),
            (500, stale.clone()),
            (501, score(None)),
        ]);
        assert!(told[1..].iter().all(|(_, raised)| *raised), "{told:?}");
        let mut floor = score(Some(0.01));
        floor.state = State::Blind;
        let told = story(&[(0, score(Some(0.4))), (24, score(Some(0.4))), (30, floor.clone()), (500, floor)]);
        assert!(told[1..].iter().all(|(_, raised)| *raised), "a floor clears nothing: {told:?}");
        let guess = Score { run_h: 100.0, assumed_h: 40.0, ..score(Some(0.01)) };
        let told = story(&[(0, score(Some(0.4))), (24, score(Some(0.4))), (30, guess.clone()), (500, guess)]);
        assert!(told[1..].iter().all(|(_, raised)| *raised), "a guess clears nothing: {told:?}");
        assert!(story(&[(0, stale.clone()), (100, stale)]).iter().all(|(_, raised)| !raised));
    }

    #[test]
    fn a_look_that_found_little_clears_at_once_and_one_before_does_not() {
        let looked = |hour: i64| Score { last_look_at: Some(at(hour)), ..score(Some(0.02)) };
        let told = story(&[(0, score(Some(0.4))), (24, score(Some(0.4))), (30, looked(29))]);
        assert_eq!(told[2], (30, false));
        let told = story(&[(0, score(Some(0.4))), (24, score(Some(0.4))), (30, looked(10))]);
        assert_eq!(told[2], (30, true));
    }

    #[test]
    fn rules_are_raised_at_once_and_stand_beside_each_other() {
        let mut held = score(None);
        (held.hold_and_assess, held.state) = (true, State::Reached);
        let raised = step(&[], std::slice::from_ref(&held), |_| true, &LIMITS, at(0));
        let kinds: Vec<AdviceKind> = raised.iter().filter(|a| a.raised_at == Some(at(0))).map(|a| a.kind).collect();
        assert_eq!(kinds, [AdviceKind::Hold, AdviceKind::Reached, AdviceKind::Interval]);
        // Nothing of it changes while it stands, also without any reading.
        let kept: Vec<Advice> = (1..).zip(raised).map(|(id, advice)| Advice { id, ..advice }).collect();
        assert_eq!(step(&kept, std::slice::from_ref(&held), |_| true, &LIMITS, at(9)), []);
    }

    #[test]
    fn a_tube_that_left_takes_its_advice_along() {
        let mut held = score(None);
        held.hold_and_assess = true;
        let raised = step(&[], std::slice::from_ref(&held), |_| false, &LIMITS, at(0));
        held.unit = None;
        let after = step(&raised, std::slice::from_ref(&held), |_| false, &LIMITS, at(5));
        assert_eq!(after.len(), 1);
        assert_eq!(after[0].cleared_at, Some(at(5)));
    }
}
