//! How readings came does not matter: order, batches, duplicates, files or journal, cached or not.

use std::collections::BTreeMap;

use history::{ExcursionLimit, Exposures, Store, UnitHours};
use jiff::civil::Date;
use plant::{DayFile, Quality, Reading, Signal, Value};
use proptest::prelude::*;

use crate::plant_of_one::{at, every, number, plant, reading, reference, unit, word};

const UNTIL_S: f64 = 4.2 * 86_400.0;

fn exposures() -> Exposures {
    exposures_of(false)
}

/// Signals that keep what was read, or numbers that change evenly towards the next reading.
fn exposures_of(evenly: bool) -> Exposures {
    let mut settings = reference();
    settings.signals.extend([Signal::ProductTemp, Signal::RunHours, Signal::Mode]);
    settings.cold_start_below_degc = Some(0.0);
    settings.excursion = ExcursionLimit::AboveNm(150.0);
    let mut plant = plant(settings);
    plant.bands = plant::Bands { torque_nm: vec![80.0], temp_degc: vec![0.0] };
    if evenly {
        plant.lines = [Signal::Torque, Signal::Speed, Signal::ProductTemp].into();
    }
    Exposures::new(plant, None, &[]).unwrap()
}

fn any_reading() -> impl Strategy<Value = Reading> {
    let signal =
        prop::sample::select(&[Signal::Torque, Signal::Speed, Signal::ProductTemp, Signal::RunHours, Signal::Mode][..]);
    let quality = prop::sample::select(&[Quality::Good, Quality::Good, Quality::Uncertain, Quality::Bad][..]);
    (signal, 0u32..5800, 0u8..6, quality).prop_map(|(signal, minute, level, quality)| {
        let s = f64::from(minute) * 60.0;
        let level = f64::from(level);
        match signal {
            Signal::Mode => word(signal, s, if level > 4.0 { "cip" } else { "run" }),
            Signal::RunHours => reading(signal, s, Value::Number(100.0 + s / 3600.0 * level / 6.0), quality),
            Signal::ProductTemp => reading(signal, s, Value::Number(level * 4.0 - 10.0), quality),
            _ => reading(signal, s, Value::Number(if level < 2.0 { 0.0 } else { level * 40.0 }), quality),
        }
    })
}

fn by_day(readings: &[Reading]) -> BTreeMap<Date, Vec<Reading>> {
    let mut days: BTreeMap<Date, Vec<Reading>> = BTreeMap::new();
    for reading in readings {
        let day = jiff::tz::TimeZone::UTC.to_datetime(reading.at).date();
        days.entry(day).or_default().push(reading.clone());
    }
    days
}

fn written(store: &Store, readings: &[Reading], generation: i64, current: &[DayFile]) -> Vec<DayFile> {
    let mut files: BTreeMap<Date, DayFile> = current.iter().map(|file| (file.day, file.clone())).collect();
    for (day, readings) in by_day(readings) {
        let file = store.merge(day, files.get(&day), generation, readings).unwrap();
        files.insert(day, file);
    }
    files.into_values().collect()
}

fn hours(store: &Store, files: &[DayFile], tail: &[Reading]) -> UnitHours {
    hours_of(&exposures(), store, files, tail)
}

fn hours_of(exposures: &Exposures, store: &Store, files: &[DayFile], tail: &[Reading]) -> UnitHours {
    exposures.fleet_hours(store, files, tail, at(UNTIL_S)).unwrap().remove(&unit()).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]
    #[test]
    fn any_order_batch_and_repetition_gives_the_same_hours(
        readings in prop::collection::vec(any_reading(), 1..400),
        cut in 0usize..400,
        again in 0usize..400,
        seed in any::<u64>(),
        evenly in any::<bool>(),
    ) {
        let exposures = exposures_of(evenly);
        let hours = |store: &Store, files: &[DayFile], tail: &[Reading]| hours_of(&exposures, store, files, tail);
        let folder = tempfile::tempdir().unwrap();
        let store = Store::new(folder.path());
        let at_once = hours(&store, &[], &readings);
        let mut shuffled = readings.clone();
        shuffled.extend_from_slice(&readings[..again.min(readings.len())]);
        let mut state = seed | 1;
        for place in (1..shuffled.len()).rev() {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            shuffled.swap(place, (state >> 33) as usize % (place + 1));
        }
        let (early, late) = shuffled.split_at(cut.min(shuffled.len()));
        let files = written(&store, early, 1, &[]);
        let tailed = hours(&store, &files, late);
        prop_assert_eq!(tailed.hours(), at_once.hours(), "from files and journal");
        let files = written(&store, late, 2, &files);
        let filed = hours(&store, &files, &[]);
        prop_assert_eq!(filed.hours(), at_once.hours(), "from files, computed");
        let cached = hours(&store, &files, &[]);
        prop_assert_eq!(cached.hours(), at_once.hours(), "from files, cached");
        prop_assert_eq!(cached.last_reading_at(), at_once.last_reading_at());
        let first = readings.iter().map(|reading| reading.at).min();
        prop_assert_eq!([&at_once, &tailed, &filed, &cached].map(UnitHours::first_reading_at), [first; 4]);
    }
}

#[test]
fn a_late_reading_renews_only_the_days_it_touches() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::new(folder.path());
    let mut readings = every(600.0, Signal::Speed, 0.0, UNTIL_S, 300.0);
    readings.extend(every(300.0, Signal::Torque, 0.0, UNTIL_S, 95.0));
    readings.extend(every(900.0, Signal::ProductTemp, 0.0, UNTIL_S, 4.0));
    let files = written(&store, &readings, 1, &[]);
    hours(&store, &files, &[]);
    let kept = |day: &str| {
        let folder = folder.path().join("exposures").join(day);
        let mut names: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        names.sort();
        names
    };
    let days = ["2026-03-02", "2026-03-03", "2026-03-04", "2026-03-05"];
    let before = days.map(kept);
    assert!(before.iter().all(|names| names.len() == 2), "{before:?}");
    let late = [number(Signal::Torque, 86_400.0 + 30.0, 140.0)];
    let files = written(&store, &late, 2, &files);
    let after = hours(&store, &files, &[]);
    let changed: Vec<bool> = days.map(kept).iter().zip(&before).map(|(after, before)| after != before).collect();
    assert_eq!(changed, [false, true, false, false]);
    assert_eq!(after.hours(), hours(&store, &[], &[&readings[..], &late].concat()).hours());
}

/// As a service, an import and a what-if do: one cache, several readers with baselines of their own, all at once.
#[test]
fn many_may_use_the_cache_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::new(folder.path());
    let mut readings = every(600.0, Signal::Speed, 0.0, UNTIL_S, 300.0);
    readings.extend(every(300.0, Signal::Torque, 0.0, UNTIL_S, 95.0));
    readings.extend(every(900.0, Signal::ProductTemp, 0.0, UNTIL_S, 4.0));
    let files = written(&store, &readings, 1, &[]);
    let right = hours(&store, &[], &readings);
    std::thread::scope(|scope| {
        for reader in 0..4 {
            let (store, files, right) = (&store, &files, &right);
            scope.spawn(move || {
                for round in 0..20 {
                    let mut settings = exposures().settings().clone();
                    settings.min_stop_s += f64::from((reader + round) % 5);
                    let exposures = Exposures::new(settings, None, &[]).unwrap();
                    let got = exposures.fleet_hours(store, files, &[], at(UNTIL_S)).unwrap().remove(&unit()).unwrap();
                    assert_eq!(got.hours(), right.hours());
                }
            });
        }
    });
}

#[test]
fn a_cache_that_cannot_be_written_costs_time_and_no_hours() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::new(folder.path());
    let mut readings = every(600.0, Signal::Speed, 0.0, UNTIL_S, 300.0);
    readings.extend(every(300.0, Signal::Torque, 0.0, UNTIL_S, 95.0));
    let files = written(&store, &readings, 1, &[]);
    std::fs::write(folder.path().join("exposures"), b"a file where the folder should be").unwrap();
    assert_eq!(hours(&store, &files, &[]).hours(), hours(&store, &[], &readings).hours());
}

#[test]
fn a_day_file_that_went_away_is_told_from_a_broken_one() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::new(folder.path());
    let file = store.merge(jiff::civil::date(2026, 3, 2), None, 1, [number(Signal::Torque, 0.0, 1.0)]).unwrap();
    let fails = || exposures().fleet_hours(&store, std::slice::from_ref(&file), &[], at(UNTIL_S)).unwrap_err();
    std::fs::write(folder.path().join(&file.path), b"torn").unwrap();
    assert!(!fails().is_gone());
    std::fs::remove_file(folder.path().join(&file.path)).unwrap();
    assert!(fails().is_gone());
}

#[test]
fn a_damaged_cache_is_computed_anew() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::new(folder.path());
    let mut readings = every(600.0, Signal::Speed, 0.0, UNTIL_S, 300.0);
    readings.extend(every(300.0, Signal::Torque, 0.0, UNTIL_S, 95.0));
    let files = written(&store, &readings, 1, &[]);
    let right = hours(&store, &files, &[]);
    for day in ["2026-03-02", "2026-03-05"] {
        for entry in std::fs::read_dir(folder.path().join("exposures").join(day)).unwrap() {
            std::fs::write(entry.unwrap().path(), b"torn").unwrap();
        }
    }
    assert_eq!(hours(&store, &files, &[]).hours(), right.hours());
}

#[test]
fn the_better_and_then_the_larger_of_two_values_counts() {
    let mut readings = every(600.0, Signal::Speed, 0.0, 3600.0, 300.0);
    readings.push(number(Signal::Torque, 0.0, 50.0));
    readings.push(number(Signal::Torque, 0.0, 60.0));
    readings.push(reading(Signal::Torque, 0.0, Value::Number(900.0), Quality::Uncertain));
    let work =
        |readings: &[Reading]| crate::plant_of_one::total(reference(), readings, 600.0).known(plant::Term::ShaftWorkMj);
    let both = work(&readings);
    readings.retain(|reading| !matches!(reading.value, Value::Number(50.0 | 900.0)));
    assert_eq!(both, work(&readings));
}
