//! For how much of the last day and week each signal was known, kept up beside the evaluation.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use history::{DayKnown, DayReadings, Hold, Store, day_known};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use plant::{Clock, DayFile, Reading, Signal, UnitId, hour_of, hour_start};
use publisher::KnownShare;
use tokio::sync::watch;

use crate::plant_store::{PlantStore, blocking};
use crate::run::pause;

/// How often it is looked anew.
const EVERY: Duration = Duration::from_secs(300);
/// Hours of a day and of a week, the present one included.
const HOURS: [i64; 2] = [24, 168];
/// Days that a week of hours can touch.
const DAYS: i64 = 8;
/// The generation of a day of which something is not in its file yet.
const GROWS: i64 = -1;

/// For what share of the last day and week each signal was known.
pub type Shares = BTreeMap<(UnitId, Signal), KnownShare>;

/// What is known of each unit and day, and the generation of the day file that it was read from.
type Days = BTreeMap<(UnitId, Date), (i64, DayKnown)>;

/// Readings that are in no day file yet.
type Late = BTreeMap<(UnitId, Date), Vec<Reading>>;

/// Looks again and again until the service is told to stop.
///
/// # Errors
/// None: what goes wrong is logged, and the last shares stand.
pub async fn keep_up(
    store: Arc<PlantStore>,
    clock: Arc<dyn Clock>,
    stopped: watch::Receiver<bool>,
) -> anyhow::Result<()> {
    let mut days = Days::new();
    loop {
        match look(&store, clock.now(), &mut days).await {
            Ok(shares) => store.known.set(Arc::new(shares)),
            Err(error) => tracing::warn!(error = format!("{error:#}"), "the coverage of signals could not be read"),
        }
        if !pause(EVERY, &stopped).await {
            return Ok(());
        }
    }
}

async fn look(store: &PlantStore, now: Timestamp, days: &mut Days) -> anyhow::Result<Shares> {
    let first = now - SignedDuration::from_hours(24 * (DAYS - 1));
    let first_day = first.to_zoned_datetime(TimeZone::UTC).date();
    // The journal first: what is moved in between is then seen twice, which is the same as once.
    let tail = store.ledger.journal_from(day_start(first_day)?).await?;
    let files = store.ledger.day_files().await?;
    let late = by_day(tail);
    let (readings, config) = (store.store.clone(), store.config.clone());
    let mut known = std::mem::take(days);
    *days = blocking(move || {
        let hold = &config.exposure.hold;
        for unit in &config.units {
            walk(&readings, &files, &late, unit, (first_day, now), hold, &mut known)?;
        }
        known.retain(|(_, day), _| *day >= first_day);
        Ok::<_, anyhow::Error>(known)
    })
    .await?;
    Ok(shares(days, now))
}

fn by_day(tail: Vec<Reading>) -> Late {
    let mut late = Late::new();
    for reading in tail {
        let day = reading.at.to_zoned_datetime(TimeZone::UTC).date();
        late.entry((reading.unit.clone(), day)).or_default().push(reading);
    }
    late
}

fn day_start(day: Date) -> anyhow::Result<Timestamp> {
    Ok(TimeZone::UTC.to_timestamp(day.at(0, 0, 0, 0))?)
}

/// Walks along the days of a unit and reads what has changed.
fn walk(
    store: &Store,
    files: &[DayFile],
    late: &Late,
    unit: &UnitId,
    (first_day, now): (Date, Timestamp),
    hold: &Hold,
    known: &mut Days,
) -> anyhow::Result<()> {
    let mut before: Option<DayKnown> = None;
    let mut changed = false;
    for day in first_day.series(jiff::Span::new().days(1)).take(DAYS as usize) {
        let start = day_start(day)?;
        let end = start + SignedDuration::from_hours(24);
        let file = files.iter().find(|file| file.day == day);
        let key = (unit.clone(), day);
        let late = late.get(&key);
        let grows = now < end || late.is_some();
        let generation = if grows { GROWS } else { file.map_or(0, |file| file.generation) };
        let old = known.remove(&key);
        let new = match old {
            Some((then, ref known)) if then == generation && !grows && !changed => known.clone(),
            _ => {
                let mut readings = match file.map(|file| store.read_unit(file, unit)) {
                    // Another process has put a newer file in its place: the next look reads that.
                    Some(Err(error)) if error.is_gone() => DayReadings::default(),
                    Some(read) => read?,
                    None => DayReadings::default(),
                };
                readings.add(late.into_iter().flatten().cloned());
                day_known(readings.unit(unit), start, now, hold, before.as_ref())
            }
        };
        changed = old.is_none_or(|(_, old)| old != new);
        before = Some(new.clone());
        known.insert(key, (generation, new));
    }
    Ok(())
}

/// The shares of the last day and week, the present hour included as far as it has come.
fn shares(days: &Days, now: Timestamp) -> Shares {
    let this_hour = hour_of(now);
    let [day_s, week_s] = HOURS.map(|hours| {
        let from = hour_start(this_hour - hours + 1);
        now.duration_since(from).as_secs_f64()
    });
    let mut seconds: BTreeMap<(UnitId, Signal), [f64; 2]> = BTreeMap::new();
    for ((unit, day), (_, known)) in days {
        let Ok(start) = day_start(*day) else { continue };
        let first_hour = hour_of(start);
        for (signal, by_hour) in &known.known_s {
            let sums = seconds.entry((unit.clone(), *signal)).or_default();
            for (hour, known_s) in (first_hour..).zip(by_hour) {
                for (sum, hours) in sums.iter_mut().zip(HOURS) {
                    *sum += if this_hour - hours < hour { *known_s } else { 0.0 };
                }
            }
        }
    }
    let share = |[day, week]: [f64; 2]| KnownShare { day: (day / day_s).min(1.0), week: (week / week_s).min(1.0) };
    seconds.into_iter().map(|(key, sums)| (key, share(sums))).collect()
}

#[cfg(test)]
mod tests {
    use plant::{Quality, TimeSource, Value};

    use super::*;

    /// Torque every minute from 36 hours ago to 12 hours ago, then silence: half of the last day, a seventh of the week.
    #[test]
    fn shares_are_of_the_last_24_and_168_hours() {
        let now: Timestamp = "2026-05-12T10:59:59Z".parse().unwrap();
        let unit = UnitId::new("K1").unwrap();
        let tail = (12 * 60..36 * 60)
            .map(|minute| Reading {
                unit: unit.clone(),
                signal: Signal::Torque,
                at: now - SignedDuration::from_mins(minute),
                value: Value::Number(90.0),
                quality: Quality::Good,
                time_source: TimeSource::Own,
            })
            .collect();
        let late = by_day(tail);
        let folder = tempfile::tempdir().unwrap();
        let store = Store::new(folder.path());
        let first_day = "2026-05-05".parse().unwrap();
        let mut days = Days::new();
        walk(&store, &[], &late, &unit, (first_day, now), &Hold::HOUSE, &mut days).unwrap();
        let share = shares(&days, now)[&(unit.clone(), Signal::Torque)];
        assert!((share.day - 0.5).abs() < 0.01 && (share.week - 1.0 / 7.0).abs() < 0.002, "{share:?}");
        // A second look reads nothing anew and says the same.
        walk(&store, &[], &late, &unit, (first_day, now), &Hold::HOUSE, &mut days).unwrap();
        assert_eq!(shares(&days, now)[&(unit, Signal::Torque)], share);
    }
}
