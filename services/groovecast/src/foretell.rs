//! What would have been published at each past inspection, in two honest ways: without the tube, or without the future.

use std::collections::{BTreeMap, BTreeSet};
use std::io::IsTerminal;
use std::sync::atomic::{AtomicUsize, Ordering};

use jiff::{SignedDuration, Timestamp};
use plant::{Record, Score, TubeId};
use wear::{WearError, folds};

use crate::config::Config;
use crate::fleet::Fleet;
use crate::intervals::{self, IntervalRow};
use crate::model::{self, Model};
use crate::scoring::Scorer;

/// Work on a tube so soon after a look was done at the same visit.
const SAME_VISIT: SignedDuration = SignedDuration::from_hours(24);

/// A past inspection, as things stood just after it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Visit {
    /// When the visit ended: its work is done.
    pub left_at: Timestamp,
    /// Which tube.
    pub tube: TubeId,
    /// When it was looked at.
    pub looked_at: Timestamp,
}

/// What was foretold just after a visit.
pub struct Foretold {
    /// The visit.
    pub visit: Visit,
    /// The score just after it: its last horizon is the one asked for.
    pub score: Score,
}

/// Every past inspection, in order of time.
pub fn visits(record: &Record) -> Vec<Visit> {
    let mut visits: Vec<Visit> = Vec::new();
    for tube in record.tubes.keys() {
        let looks = record.looks(tube);
        for (position, look) in looks.iter().enumerate() {
            let next = looks.get(position + 1).map(|next| next.at);
            let same_visit = |at: Timestamp| {
                at >= look.at && at.duration_since(look.at) < SAME_VISIT && next.is_none_or(|next| at < next)
            };
            let work = record.work.iter().filter(|work| work.tube == *tube && same_visit(work.at)).map(|work| work.at);
            // Findings come before work at equal times: what is left behind begins just after.
            let left_at = work.max().unwrap_or(look.at) + SignedDuration::from_micros(1);
            visits.push(Visit { left_at, tube: tube.clone(), looked_at: look.at });
        }
    }
    visits.sort();
    visits
}

/// By tube: each tube's visits from a fit (terms, baseline or model and all) that has not seen this tube.
///
/// # Errors
/// [`WearError`] if the data cannot carry a fit.
pub fn without_the_tube(fleet: &Fleet, config: &Config, horizon_h: f64) -> Result<Vec<Foretold>, WearError> {
    let rows = intervals::rows(fleet, config.model.limit, config.model.rows);
    let tubes: Vec<&TubeId> = rows.iter().map(|row| &row.span.tube).collect();
    let distinct: BTreeSet<&TubeId> = tubes.iter().copied().collect();
    let folds = config.model.folds.min(distinct.len()).max(1);
    let fold_of: BTreeMap<&TubeId, usize> = tubes.iter().copied().zip(folds::by_group(&tubes, folds)).collect();
    let visits = visits(&fleet.record);
    let of_fold = |fold: usize| {
        let training: Vec<&IntervalRow> = rows.iter().filter(|row| fold_of[&row.span.tube] != fold).collect();
        let mut model = model::fit(fleet, &training, &config.model)?;
        model.name = format!("fold {}", fold + 1);
        let scorer = Scorer::new(fleet, &model, config, &[horizon_h]);
        let own = visits.iter().filter(|visit| fold_of.get(&visit.tube).copied().unwrap_or(0) == fold);
        Ok(own.filter_map(|visit| after(&scorer, fleet, visit)).collect::<Vec<_>>())
    };
    let mut foretold = on_all_cores(folds, of_fold)?;
    foretold.sort_by(|a, b| a.visit.cmp(&b.visit));
    Ok(foretold)
}

/// Works through folds on all cores, and says on a terminal how far it has come.
fn on_all_cores(
    folds: usize,
    of_fold: impl Fn(usize) -> Result<Vec<Foretold>, WearError> + Sync,
) -> Result<Vec<Foretold>, WearError> {
    let done = AtomicUsize::new(0);
    let told = std::io::stderr().is_terminal();
    let numbers: Vec<usize> = (0..folds).collect();
    let parts = history::on_all_cores(&numbers, |fold| {
        let own = of_fold(*fold)?;
        let done = done.fetch_add(1, Ordering::Relaxed) + 1;
        if told {
            eprint!("\r{done} of {folds} folds");
        }
        Ok::<_, WearError>(own)
    });
    if told {
        eprintln!();
    }
    Ok(parts?.into_iter().flatten().collect())
}

/// By time: visits of one day from a model that knows nothing of that day or later.
pub fn without_the_future(
    fleet: &Fleet,
    model: &Model,
    config: &Config,
    horizon_h: f64,
    visits: &[Visit],
) -> Vec<Foretold> {
    let scorer = Scorer::new(fleet, model, config, &[horizon_h]);
    visits.iter().filter_map(|visit| after(&scorer, fleet, visit)).collect()
}

fn after(scorer: &Scorer, fleet: &Fleet, visit: &Visit) -> Option<Foretold> {
    let view = fleet.as_of(visit.left_at, own_record(&fleet.record, visit));
    let score = scorer.tube(&view, &visit.tube)?;
    Some(Foretold { visit: visit.clone(), score })
}

/// What the visit itself left behind of its tube: findings count from when they were seen, and as they read then.
fn own_record(record: &Record, visit: &Visit) -> Record {
    let known = record.known_at(visit.left_at);
    let read = record.findings_as_read(visit.left_at).into_iter();
    let own = read.filter(|finding| finding.tube == visit.tube && finding.at <= visit.left_at);
    Record { findings: own.collect(), ..known }
}

/// The table of predictions, in the columns of the contract.
///
/// # Errors
/// If it cannot be written.
pub fn write(out: &std::path::Path, foretold: &[Foretold]) -> anyhow::Result<()> {
    let mut file = csv::Writer::from_path(out)?;
    file.write_record(["tube", "at", "horizon_h", "risk", "lower", "upper", "last_grade", "state", "model"])?;
    for Foretold { visit, score } in foretold {
        let Some(risk) = score.risks.last() else { continue };
        file.write_record([
            visit.tube.to_string(),
            visit.looked_at.to_string(),
            risk.horizon_h.to_string(),
            risk.risk.to_string(),
            risk.lower.to_string(),
            risk.upper.to_string(),
            score.last_grade.map_or(String::new(), |grade| grade.to_string()),
            score.state.to_string(),
            score.model.clone(),
        ])?;
    }
    file.flush()?;
    Ok(())
}
