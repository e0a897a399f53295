//! What models fitted at dates of the last year would have said of the looks that followed, and what that would have cost.

use std::io::IsTerminal;

use jiff::{SignedDuration, Timestamp};
use plant::{State, TubeId};
use publisher::{RollingScores, RollingYear, YearCost};
use wear::WearError;
use wear::track::{self, Mark};

use crate::config::Config;
use crate::exit::Failure;
use crate::fleet::Fleet;
use crate::intervals::{self, IntervalRow};
use crate::model::{self, Model};
use crate::plant_store::PlantStore;
use crate::scoring::Scorer;
use crate::show::cannot_fit;

/// From one fit to the next.
const QUARTER: SignedDuration = SignedDuration::from_hours(91 * 24);
/// How many fits; they make a year.
const FITS: i32 = 4;
/// A stop lasts no longer than this: what was said so long before its last finding knew of none of them.
const BEFORE: SignedDuration = SignedDuration::from_hours(24);
/// What opening costs as a share of a late catch (house choice; the decision curve has those between).
const RATIOS: [f64; 4] = [0.02, 0.05, 0.1, 0.2];

/// A look of the last year, and what was said of it the day before.
struct Said {
    model: f64,
    hours: f64,
    base: f64,
    found: bool,
}

/// The last year over again; `None` if it had no look that a fit could have spoken of. Each fit knows of torque, too, only what
/// was known then.
///
/// # Errors
/// If disk or database refuse, or the data cannot carry a fit, for another reason than that they are too few.
pub async fn last_year(store: &PlantStore, fleet: &Fleet) -> Result<Option<RollingYear>, Failure> {
    let Some(end) = fleet.data_to() else { return Ok(None) };
    let mut said = Vec::new();
    for quarter in (1..=FITS).rev() {
        if std::io::stderr().is_terminal() {
            eprint!("\rlast year: fit {} of {FITS}", FITS + 1 - quarter);
        }
        let origin = end - QUARTER * quarter;
        let fleet = store.with_torque_known_at(origin, end).await?;
        said.extend(of_quarter(&fleet, &store.config, origin).map_err(cannot_fit)?);
    }
    if std::io::stderr().is_terminal() {
        eprintln!();
    }
    Ok(drawn_up(end - QUARTER * FITS, end, &said))
}

/// What a fit at an instant says of the looks of the quarter that follows.
fn of_quarter(fleet: &Fleet, config: &Config, origin: Timestamp) -> Result<Vec<Said>, WearError> {
    let known = fleet.before(origin);
    let rows = intervals::rows(&known, config.model.limit, config.model.rows);
    let rows: Vec<&IntervalRow> = rows.iter().collect();
    let model = model::fit(&known, &rows, &config.model)?;
    // Where not even hours could be fitted the belief would have spoken, for both.
    let hours =
        model::hours_alone(&known, &rows, &config.model).unwrap_or_else(|_| Model::prior(&config.model, Vec::new()));
    let base = (model.n_events as f64 + 0.5) / (model.n_rows as f64 + 1.0);
    let (by_model, by_hours) = (Scorer::new(fleet, &model, config, &[]), Scorer::new(fleet, &hours, config, &[]));
    let mut said = Vec::new();
    for tube in fleet.record.tubes.keys() {
        let looks = fleet.record.looks(tube);
        let lives = fleet.record.lives(tube);
        let mut last = None;
        for look in looks.iter().filter(|look| look.complete) {
            let before = last.replace(look.at);
            // Not of a wall that was worked on since, nor of one that was seen since.
            let told_of = |at: Timestamp| lives.iter().any(|life| life.holds(at) && life.holds(look.at));
            let foretold = told_of(look.at - BEFORE) && before.is_none_or(|before| before < look.at - BEFORE);
            let own = look.at > origin && look.at <= origin + QUARTER;
            let Some(grade) = look.grade.filter(|_| own && foretold) else { continue };
            let view = fleet.as_of(look.at - BEFORE, fleet.record.known_at(look.at - BEFORE));
            let chance = |scorer: &Scorer, tube: &TubeId| {
                let score = scorer.tube(&view, tube).filter(|score| score.state != State::Reached)?;
                Some(score.risks.first()?.risk)
            };
            if let (Some(model), Some(hours)) = (chance(&by_model, tube), chance(&by_hours, tube)) {
                said.push(Said { model, hours, base, found: grade >= config.model.limit });
            }
        }
    }
    Ok(said)
}

fn drawn_up(from: Timestamp, to: Timestamp, said: &[Said]) -> Option<RollingYear> {
    let scores = |of: fn(&Said) -> f64| {
        let marks: Vec<Mark> = said.iter().map(|said| Mark { chance: of(said), found: said.found }).collect();
        let tally = track::tally(&marks, 0.95)?;
        Some(RollingScores { expected: tally.expected, log_loss: tally.log_loss, brier: tally.brier })
    };
    let cost = |ratio: f64| {
        let spared = said.iter().filter(|said| said.model < ratio);
        let late = spared.clone().filter(|said| said.found).count() as u64;
        YearCost { ratio, spared: spared.count() as u64, late }
    };
    Some(RollingYear {
        from,
        to,
        fits: FITS as u64,
        looks: said.len() as u64,
        found: said.iter().filter(|said| said.found).count() as u64,
        base_rate: scores(|said| said.base)?,
        hours_only: scores(|said| said.hours)?,
        model: scores(|said| said.model)?,
        costs: RATIOS.map(cost).to_vec(),
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "all of this is tests")]
mod tests {
    use super::*;

    #[test]
    fn what_was_not_opened_was_spared_and_a_groove_left_in_is_late() {
        // By hand.
        let said = |model: f64, found: bool| Said { model, hours: 0.1, base: 0.1, found };
        let all = [said(0.01, false), said(0.03, true), said(0.07, false), said(0.3, true), said(0.3, false)];
        let at = |second| Timestamp::from_second(second).unwrap();
        let year = drawn_up(at(0), at(1), &all).unwrap();
        let told: Vec<_> = year.costs.iter().map(|cost| (cost.spared, cost.late)).collect();
        assert_eq!(told, [(1, 0), (2, 1), (3, 1), (3, 1)]);
        assert!(
            (year.model.brier - (0.01f64.powi(2) + 0.97f64.powi(2) + 0.07f64.powi(2) + 0.7f64.powi(2) + 0.09) / 5.0)
                .abs()
                < 1e-12
        );
        // At a share of 0.05: three opened cost 0.15 and one catch comes late, against 0.25 for opening all five.
        assert!((year.costs[1].saved(year.looks) - (0.25 - 1.15)).abs() < 1e-12);
        assert!(drawn_up(at(0), at(1), &[]).is_none());
    }
}
