//! Letting readings go that the plant does not want to keep any longer.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};
use plant::{Clock, DayFile, Signal};
use tokio::sync::watch;

use crate::config::Config;
use crate::history_in;
use crate::plant_store::{PlantStore, blocking};
use crate::run::pause;

/// How often it is looked whether something is due: days grow old once a day.
const EVERY: Duration = Duration::from_secs(3600);
/// Days rewritten before others may have the right to change day files again.
const DAYS_AT_ONCE: usize = 30;

/// What a check of the config tells about it.
pub fn told(config: &Config) -> Vec<String> {
    let line = |(signal, days): (&Signal, &u32)| {
        format!(
            "readings of {signal} are let go after {days} days; hours whose exposures need them then count as not covered"
        )
    };
    config.keep_days.iter().map(line).collect()
}

/// Lets go what is due, again and again until the service is told to stop.
///
/// # Errors
/// None: what goes wrong is logged, and tried again.
pub async fn keep_up(
    store: Arc<PlantStore>,
    clock: Arc<dyn Clock>,
    stopped: watch::Receiver<bool>,
) -> anyhow::Result<()> {
    loop {
        if let Err(error) = let_go(&store, clock.now()).await {
            tracing::warn!(error = format!("{error:#}"), "readings that are due could not be let go; trying again");
        }
        if let Err(error) = history_in::sweep(&store, clock.now()).await {
            tracing::warn!(error = format!("{error:#}"), "what killed imports left could not be removed; trying again");
        }
        if !pause(EVERY, &stopped).await {
            return Ok(());
        }
    }
}

/// Lets go what is due at an instant.
async fn let_go(store: &PlantStore, now: Timestamp) -> anyhow::Result<()> {
    let keep = &store.config.keep_days;
    if keep.is_empty() {
        return Ok(());
    }
    loop {
        // Whoever has the right now is at work; it is looked again in an hour.
        let Some(mut lock) = store.try_lock_days().await? else { return Ok(()) };
        let files = store.ledger.day_files().await?;
        let Some(today) = today(&files, now) else { return Ok(()) };
        let due: Vec<_> = files.into_iter().filter_map(|file| due(file, keep, today)).take(DAYS_AT_ONCE).collect();
        if due.is_empty() {
            return Ok(());
        }
        let generation = store.ledger.next_generation().await?;
        let (mut less, mut gone) = (Vec::new(), Vec::new());
        let (mut rows, mut left) = (0, 0);
        for (file, signals) in due {
            let (days, day) = (store.store.clone(), file.day);
            rows += file.rows;
            match blocking(move || days.without(&file, generation, &signals)).await? {
                Some(file) => {
                    left += file.rows;
                    less.push(file);
                }
                None => gone.push(day),
            }
        }
        store.ledger.commit_days(&mut lock.right, &less, None).await?;
        store.ledger.forget_days(&mut lock.right, &gone).await?;
        store.remove_unlisted(generation).await?;
        tracing::info!(days = less.len() + gone.len(), readings = rows - left, "readings that were due are let go");
    }
}

/// The day by which readings are old, UTC: never beyond the day after the newest one that holds readings, so that a clock that
/// runs ahead lets nothing go.
fn today(files: &[DayFile], now: Timestamp) -> Option<Date> {
    let newest = files.iter().map(|file| file.day).max()?;
    Some(now.to_zoned_datetime(TimeZone::UTC).date().min(newest.tomorrow().unwrap_or(newest)))
}

/// The signals of a day that are due. A file that does not list its signals is taken to hold all of them; written again it does.
fn due(file: DayFile, keep: &BTreeMap<Signal, u32>, today: Date) -> Option<(DayFile, BTreeSet<Signal>)> {
    let holds = |signal: &Signal| file.signals.as_ref().is_none_or(|signals| signals.contains(signal));
    let old = |day: Date, days: u32| day.checked_add(Span::new().days(days)).is_ok_and(|until| until < today);
    let signals: BTreeSet<Signal> = keep
        .iter()
        .filter(|(signal, days)| holds(signal) && old(file.day, **days))
        .map(|(signal, _)| *signal)
        .collect();
    (!signals.is_empty()).then_some((file, signals))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(day: Date, signals: Option<BTreeSet<Signal>>) -> DayFile {
        let at = Timestamp::UNIX_EPOCH;
        DayFile {
            day,
            generation: 1,
            path: String::new(),
            rows: 1,
            conflicts: 0,
            first_at: at,
            last_at: at,
            bytes: 1,
            signals,
        }
    }

    #[test]
    fn a_day_is_due_when_its_last_reading_is_older_than_its_signal_is_kept() {
        let keep = BTreeMap::from([(Signal::Flow, 31), (Signal::Torque, 100)]);
        let today = jiff::civil::date(2026, 5, 1);
        let both: BTreeSet<_> = [Signal::Flow, Signal::Torque, Signal::RunHours].into();
        let due_of = |day: Date, signals| due(file(day, signals), &keep, today).map(|(_, signals)| signals);
        let date = |month, day| jiff::civil::date(2026, month, day);
        // The last reading of 30 March may be of its last second: 31 days later it is 30 April, over on 1 May.
        assert_eq!(due_of(date(3, 30), Some(both.clone())), Some([Signal::Flow].into()));
        assert_eq!(due_of(date(3, 31), Some(both.clone())), None, "of that day some are not 31 days old yet");
        assert_eq!(due_of(date(1, 1), Some(both)), Some([Signal::Flow, Signal::Torque].into()));
        assert_eq!(due_of(date(1, 1), Some([Signal::RunHours].into())), None);
        assert_eq!(due_of(date(3, 30), None), Some([Signal::Flow].into()), "an older file may hold anything");
    }

    #[test]
    fn a_clock_that_runs_ahead_lets_nothing_go() {
        let files = [date_file(4, 29), date_file(4, 30)];
        let by = |now: &str| today(&files, now.parse().unwrap());
        assert_eq!(by("2026-04-30T12:00:00Z"), Some(jiff::civil::date(2026, 4, 30)));
        assert_eq!(by("2036-01-01T00:00:00Z"), Some(jiff::civil::date(2026, 5, 1)), "the day after the newest reading");
        assert_eq!(today(&[], Timestamp::UNIX_EPOCH), None);
    }

    fn date_file(month: i8, day: i8) -> DayFile {
        file(jiff::civil::date(2026, month, day), None)
    }
}
