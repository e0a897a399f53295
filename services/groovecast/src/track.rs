//! The track record: each complete look marks the chance that was published before it.

use jiff::{SignedDuration, Timestamp};
use plant::{Grade, Horizon, Look, Reason, Score, State, TubeId};
use publisher::{Drift, MarkedScore, TrackLine, TrackRecord};
use wear::track::{self, DriftWatch, Mark};

use crate::fleet::Fleet;
use crate::plant_store::PlantStore;

/// A stop lasts no longer than this: what was published so long before its last finding knew of none of them.
const BEFORE: SignedDuration = SignedDuration::from_hours(24);
/// Level of the intervals.
const LEVEL: f64 = 0.95;
/// Evidence from which on drift is told: right chances reach it no sooner, in the mean, than after as many looks. A plant
/// makes some fifty to a hundred and fifty a year (house choice).
const TOLD: f64 = 100.0;
/// Evidence from which on the next looks are worth watching.
const WATCHED: f64 = 10.0;
/// Ends of the groups by chance.
const GROUPS: [f64; 6] = [0.02, 0.05, 0.1, 0.2, 0.4, 1.0];

/// What looks made of the published chances; `model` is the name of the one that speaks now.
///
/// # Errors
/// If the database refuses.
pub async fn record(store: &PlantStore, fleet: &Fleet, model: &str) -> anyhow::Result<TrackRecord> {
    let limit = store.config.model.limit;
    let (mut marks, mut unmarked) = (Vec::new(), 0);
    for tube in fleet.record.tubes.keys() {
        let mut before = None;
        for look in fleet.record.looks(tube).iter().filter(|look| look.complete) {
            let kept = store.ledger.score_at(tube.as_str(), look.at - BEFORE).await?.map(|kept| kept.score);
            match kept.filter(|score| before.is_none_or(|before| score.at > before)) {
                // A groove that was known already was not foretold.
                Some(score) if score.state == State::Reached => {}
                Some(score) => match marked(fleet, tube, look, &score, limit) {
                    Some(mark) => marks.push(mark),
                    None => unmarked += 1,
                },
                None => unmarked += 1,
            }
            before = Some(look.at);
        }
    }
    marks.sort_by(|a, b| (b.look_at, &b.tube).cmp(&(a.look_at, &a.tube)));
    Ok(told(marks, unmarked, model))
}

fn marked(fleet: &Fleet, tube: &TubeId, look: &Look, score: &Score, limit: Grade) -> Option<MarkedScore> {
    let same_life = |life: &plant::Life| life.holds(score.at) && life.holds(look.at);
    fleet.record.lives(tube).iter().find(|life| same_life(life))?;
    let run_h = fleet.exposure(tube, Some(score.at), look.at).run_h();
    Some(MarkedScore {
        tube: tube.clone(),
        unit: score.unit.clone(),
        look_at: look.at,
        reason: look.reason,
        said_at: score.at,
        model: score.model.clone(),
        state: score.state,
        run_h,
        chance: Horizon::after(&score.risks, run_h)?.risk,
        found: look.grade? >= limit,
    })
}

/// Published as a floor: more finds than it says are no surprise.
fn floor(mark: &MarkedScore) -> bool {
    matches!(mark.state, State::Blind | State::Stale)
}

/// The tube was opened because something looked bad.
fn looked_bad(mark: &MarkedScore) -> bool {
    matches!(mark.reason, Some(Reason::Advice | Reason::Complaint))
}

/// The record of marks that stand newest first.
fn told(marks: Vec<MarkedScore>, unmarked: u64, model: &str) -> TrackRecord {
    let mut lines = Vec::new();
    let mut add = |which: String, of: &dyn Fn(&MarkedScore) -> bool| {
        lines.extend(line(which, marks.iter().filter(|mark| of(mark))));
    };
    add("all but floors".to_owned(), &|mark| !floor(mark));
    add("on schedule, at a changeover, or for no stated reason".to_owned(), &|mark| !floor(mark) && !looked_bad(mark));
    add("because something looked bad (advice, complaint)".to_owned(), &|mark| !floor(mark) && looked_bad(mark));
    add("published as floors".to_owned(), &floor);
    let mut models: Vec<&str> = marks.iter().map(|mark| mark.model.as_str()).collect();
    models.dedup();
    let mut seen = Vec::new();
    models.retain(|model| {
        !seen.contains(model) && {
            seen.push(*model);
            true
        }
    });
    for model in models {
        add(format!("by {model}"), &|mark| !floor(mark) && mark.model == model);
    }
    let mut bins = Vec::new();
    let mut from = 0.0;
    for to in GROUPS {
        let inside = |mark: &&MarkedScore| !floor(mark) && mark.chance >= from && (mark.chance < to || to == 1.0);
        let which = format!("{:.0}\u{a0}% to {:.0}\u{a0}%", from * 100.0, to * 100.0);
        bins.extend(line(which, marks.iter().filter(inside)));
        from = to;
    }
    let drift = drift(marks.iter().rev().filter(|mark| mark.model == model && !floor(mark)), model);
    TrackRecord { lines, bins, drift, marks, unmarked }
}

fn mark(of: &MarkedScore) -> Mark {
    Mark { chance: of.chance, found: of.found }
}

fn line<'a>(which: String, of: impl Iterator<Item = &'a MarkedScore>) -> Option<TrackLine> {
    let tally = track::tally(&of.map(mark).collect::<Vec<_>>(), LEVEL)?;
    let (share_lower, share_upper) = track::share_interval(tally.found, tally.looks, LEVEL);
    Some(TrackLine {
        which,
        looks: tally.looks as u64,
        found: tally.found as u64,
        expected: tally.expected,
        at_least: tally.at_least as u64,
        at_most: tally.at_most as u64,
        share_lower,
        share_upper,
        brier: tally.brier,
        log_loss: tally.log_loss,
    })
}

/// Drift over the marks of a model, oldest first.
fn drift<'a>(marks: impl Iterator<Item = &'a MarkedScore>, model: &str) -> Option<Drift> {
    let mut watch = DriftWatch::default();
    let (mut since, mut found, mut expected): (Option<Timestamp>, u32, f64) = (None, 0, 0.0);
    for marked in marks {
        found += u32::from(marked.found);
        expected += marked.chance;
        if watch.next(mark(marked)) >= TOLD && since.is_none() {
            since = Some(marked.look_at);
        }
    }
    if watch.looks() == 0 {
        return None;
    }
    // Beyond this it says nothing more.
    let evidence = watch.evidence().min(1e6);
    let sums = format!("{found} found where its chances said {expected:.1}, in {} looks", watch.looks());
    let sentence = if since.is_some() {
        format!(
            "The chances of {model} do not mean what they say any more: {sums}. Ask what has changed, fit anew, and go by the \
             plant's longest interval until somebody has decided"
        )
    } else if evidence >= WATCHED {
        format!("Something begins to speak against the chances of {model}: {sums}. Watch the next looks")
    } else {
        format!("Nothing speaks against the chances of {model}: {sums}")
    };
    Some(Drift { model: model.to_owned(), looks: watch.looks() as u64, evidence, limit: TOLD, since, sentence })
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "all of this is tests")]
mod tests {
    use super::*;

    fn marks(n: i64, chance: f64, every: i64) -> Vec<MarkedScore> {
        let one = |day: i64| MarkedScore {
            tube: TubeId::new("T1").unwrap(),
            unit: None,
            look_at: Timestamp::from_second(86_400 * day).unwrap(),
            reason: (day % 10 == 0).then_some(Reason::Complaint),
            said_at: Timestamp::from_second(86_400 * (day - 1)).unwrap(),
            model: if day < n / 2 { "model 1" } else { "model 2" }.to_owned(),
            state: if day % 9 == 0 { State::Blind } else { State::Ok },
            run_h: 20.0,
            chance,
            found: day % every == 0,
        };
        (0..n).rev().map(one).collect()
    }

    #[test]
    fn every_look_counts_in_one_group_only_and_floors_stand_apart() {
        let told = told(marks(90, 0.3, 3), 4, "model 2");
        let looks = |which: &str| told.lines.iter().find(|line| line.which.starts_with(which)).unwrap().looks;
        assert_eq!(looks("all but"), 80);
        assert_eq!(looks("on schedule") + looks("because"), 80);
        assert_eq!(looks("published as floors"), 10);
        assert_eq!(looks("by model 1") + looks("by model 2"), 80);
        assert_eq!(told.bins.iter().map(|bin| bin.looks).sum::<u64>(), 80);
        assert_eq!(told.drift.unwrap().looks, looks("by model 2"));
    }

    #[test]
    fn chances_that_are_far_too_low_are_told_and_good_ones_are_not() {
        assert_eq!(told(marks(90, 0.3, 3), 0, "model 2").drift.unwrap().since, None);
        let low = told(marks(90, 0.02, 3), 0, "model 2").drift.unwrap();
        assert!(low.since.is_some() && low.sentence.contains("do not mean"), "{low:?}");
        let high = told(marks(90, 0.9, 3), 0, "model 2").drift.unwrap();
        assert!(high.since.is_some(), "{high:?}");
    }
}
