//! The invented plant holds together: its parts agree with each other and with its hidden truth.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use jiff::{SignedDuration, Timestamp};
use plant::{Grade, Quality, Reading, Signal, UnitId, Value, WorkKind, hour_of, hour_start};
use simulation::{CATCH_UM, HourTruth, Plant};

const SEEDS: [u64; 3] = [1, 2, 3];

fn time(text: &str) -> Timestamp {
    text.parse().expect("tests write times well")
}

fn days(start: &str, days: i64) -> (Timestamp, Timestamp) {
    (time(start), time(start) + SignedDuration::from_hours(24 * days))
}

/// Two years of three plants.
fn two_years() -> &'static [Plant] {
    static PLANTS: OnceLock<Vec<Plant>> = OnceLock::new();
    PLANTS.get_or_init(|| {
        let (start, end) = days("2024-01-01T00:00:00Z", 731);
        SEEDS.iter().map(|seed| Plant::new(*seed, start, end)).collect()
    })
}

#[test]
fn a_seed_makes_one_plant() {
    let (start, end) = days("2026-01-01T00:00:00Z", 40);
    let (a, b) = (Plant::new(5, start, end), Plant::new(5, start, end));
    assert_eq!(a.record(), b.record());
    assert!(a.past().eq(b.past()));
    assert_ne!(a.record(), Plant::new(6, start, end).record());
}

#[test]
fn steps_do_not_matter() {
    let (start, end) = days("2026-01-01T00:00:00Z", 5);
    let plant = Plant::new(5, start, end);
    let later = end + SignedDuration::from_hours(24 * 4);
    let at_once = plant.live(end).advance(later);
    let mut live = plant.live(end);
    let mut in_steps = Vec::new();
    let mut step_ms = 1;
    while live.now() < later {
        let to = (live.now() + SignedDuration::from_millis(step_ms)).min(later);
        let arrived = live.advance(to);
        assert!(arrived.iter().all(|reading| reading.at < to), "nothing arrives before it was read");
        in_steps.extend(arrived);
        step_ms = step_ms * 7 % 1_234_577;
    }
    assert!(at_once.len() > 20_000);
    assert_eq!(at_once, in_steps);
    assert!(live.advance(end).is_empty(), "what has passed gives nothing");
}

#[test]
fn the_present_goes_on_where_the_past_ends() {
    let (start, end) = days("2026-01-01T05:00:00Z", 60);
    let later = end + SignedDuration::from_hours(24 * 6 + 5);
    let (short, long) = (Plant::new(8, start, end), Plant::new(8, start, later));
    let mut readings: Vec<Reading> = short.past().flatten().collect();
    let handed = readings.len();
    readings.extend(short.live(end).advance(later));
    assert!(readings.len() > handed);
    assert!(readings == long.past().flatten().collect::<Vec<_>>());
    let middle = start + SignedDuration::from_hours(100);
    let from_middle = short.live(middle).advance(end);
    assert!(from_middle[..] == readings[handed - from_middle.len()..handed]);
}

#[test]
fn two_years_are_about_five_million_readings_with_honest_faults() {
    for plant in &two_years()[..1] {
        let (mut readings, mut bad, mut uncertain, mut late) = (0_u64, 0_u64, 0_u64, 0_u64);
        for day in plant.past() {
            readings += day.len() as u64;
            bad += day.iter().filter(|reading| reading.quality == Quality::Bad).count() as u64;
            uncertain += day.iter().filter(|reading| reading.quality == Quality::Uncertain).count() as u64;
            late += day.windows(2).filter(|pair| pair[1].at < pair[0].at - SignedDuration::from_mins(5)).count() as u64;
            assert!(day.len() < 20_000, "a day stays small: {}", day.len());
        }
        assert!((4_000_000..6_500_000).contains(&readings), "{readings}");
        assert!(bad > 500 && uncertain > 500 && late > 100, "bad {bad}, uncertain {uncertain}, late {late}");
        assert!(bad + uncertain < readings / 500, "most readings are good");
    }
}

#[test]
fn looks_and_catches_are_as_many_as_a_plant_of_twelve_units_has() {
    let mut all_catches = 0;
    for plant in two_years() {
        let record = plant.record();
        let looks: usize = record.tubes.keys().map(|tube| record.looks(tube).len()).sum();
        assert!((120..=200).contains(&looks), "{looks} looks");
        let spans = record.tubes.keys().flat_map(|tube| record.spans(tube, Grade::CATCH));
        let catches = spans.filter(|span| span.grade_start < Grade::CATCH && span.grade_end >= Grade::CATCH).count();
        assert!((20..=60).contains(&catches), "{catches} catches");
        all_catches += catches;
    }
    let mean = all_catches / SEEDS.len();
    assert!((30..=50).contains(&mean), "{mean} catches per plant");
}

#[test]
fn a_hard_chrome_wall_mostly_lasts_one_to_six_thousand_hours() {
    let mut times: Vec<f64> = Vec::new();
    for plant in two_years() {
        let is_chrome = |tube| plant.record().tubes[tube].surface == "hard_chrome";
        let lives = plant.truth().lives.iter().filter(|life| is_chrome(&life.tube));
        times.extend(lives.filter_map(|life| Some(life.caught?.run_h)));
    }
    let inside = times.iter().filter(|time| (1000.0..6000.0).contains(*time)).count();
    assert!(inside * 10 >= times.len() * 8, "{inside} of {}", times.len());
}

#[test]
fn the_register_agrees_with_itself() {
    for plant in two_years() {
        let record = plant.record();
        for tube in record.tubes.keys() {
            let fittings: Vec<_> = record.fittings_of(tube).collect();
            for pair in fittings.windows(2) {
                assert!(pair[0].to.is_some_and(|to| to < pair[1].from), "{tube} is in two units");
            }
        }
        for facts in plant.units() {
            let fittings: Vec<_> = record.fittings.iter().filter(|f| f.unit == facts.unit).collect();
            for pair in fittings.windows(2) {
                assert_eq!(pair[0].to, Some(pair[1].from), "{} has one tube at any time", facts.unit);
            }
            assert!(fittings.iter().all(|f| record.tubes[&f.tube].length_mm == Some(facts.length_mm)));
            assert_eq!(fittings[0].from, plant.start());
        }
        for finding in &record.findings {
            assert!(record.unit_of(&finding.tube, finding.at).is_some(), "{finding:?}: the tube lies on the shelf");
            let meter = plant.truth().units[record.unit_of(&finding.tube, finding.at).unwrap()].clone();
            let hour = hour_of(finding.at);
            assert_eq!(meter.sum(hour, hour + 1).run_h, 0.0, "{finding:?}: the shaft turns");
        }
        assert!(record.fittings.len() > 12, "spares move in");
    }
}

#[test]
fn work_follows_catches_and_nothing_else() {
    for plant in two_years() {
        let record = plant.record();
        let soon = SignedDuration::from_hours(24 * 90);
        for tube in record.tubes.keys() {
            let renewals: Vec<_> =
                record.work.iter().filter(|w| w.tube == *tube && record.effects.of(w.work).starts_life).collect();
            let catches: Vec<_> =
                record.looks(tube).into_iter().filter(|look| look.grade >= Some(Grade::CATCH)).collect();
            for catch in catches.iter().filter(|catch| catch.at < plant.end() - soon) {
                let mended = renewals.iter().any(|w| w.at > catch.at && w.at < catch.at + soon);
                assert!(mended, "{tube} was caught at {} and left", catch.at);
            }
            for work in renewals.iter().filter(|work| work.work != WorkKind::New) {
                let cause = catches.iter().any(|catch| catch.at < work.at && work.at - soon < catch.at);
                assert!(cause, "{tube} had {} at {} without a catch", work.work, work.at);
            }
        }
    }
}

#[test]
fn true_wear_only_grows_within_a_life_and_renewals_are_those_of_the_register() {
    for plant in two_years() {
        for life in &plant.truth().lives {
            assert!(life.worst_um.windows(2).all(|pair| pair[0].1 <= pair[1].1 && pair[0].0 < pair[1].0));
            let deep = life.worst_um.iter().find(|(_, depth)| *depth >= CATCH_UM).map(|(at, _)| *at);
            assert_eq!(life.caught.map(|caught| caught.at), deep);
        }
        for tube in plant.record().tubes.keys() {
            let known: Vec<_> = plant.record().lives(tube).iter().filter_map(|life| life.from).collect();
            let lives = plant.truth().lives.iter().filter(|life| life.tube == *tube);
            assert_eq!(known, lives.filter_map(|life| life.from).collect::<Vec<_>>());
        }
    }
}

#[test]
fn campaigns_cover_every_unit_and_reach_three_weeks_ahead() {
    for plant in two_years() {
        for facts in plant.units() {
            let mine: Vec<_> = plant.record().campaigns.iter().filter(|c| c.unit == facts.unit).collect();
            assert!(mine.windows(2).all(|pair| pair[0].to < pair[1].from && pair[0].product != pair[1].product));
            assert!(mine.iter().all(|c| facts.products.contains(&c.product.as_str())));
            assert!(mine.iter().all(|c| c.planned == (c.from >= plant.end())));
            let last = mine.last().unwrap();
            assert!(last.planned && last.to > plant.end() + SignedDuration::from_hours(14 * 24));
        }
    }
}

/// Readings of one unit and signal that may be believed, in order of time.
fn good(readings: &[Reading], unit: &UnitId, signal: Signal) -> BTreeMap<Timestamp, f64> {
    let mine = readings.iter().filter(|r| r.unit == *unit && r.signal == signal && r.quality != Quality::Bad);
    mine.filter_map(|reading| Some((reading.at, reading.value.number()?))).collect()
}

#[test]
fn the_hour_meter_tells_the_true_hours() {
    let (start, end) = days("2026-01-01T00:00:00Z", 60);
    let plant = Plant::new(4, start, end);
    let readings: Vec<Reading> = plant.past().flatten().collect();
    let mut held = 0;
    for (unit, truth) in &plant.truth().units {
        let meter = good(&readings, unit, Signal::RunHours);
        let before = |at: Timestamp| meter.range(..at).next_back().map(|(at, h)| (*at, *h));
        for day in 1..60 {
            let (from, to) = (hour_of(start) + 24 * day, hour_of(start) + 24 * (day + 1));
            let (Some(a), Some(b)) = (before(hour_start(from)), before(hour_start(to))) else { continue };
            let fresh = |at: Timestamp, hour: i64| hour_start(hour).duration_since(at) < SignedDuration::from_mins(31);
            if fresh(a.0, from) && fresh(b.0, to) {
                held += 1;
                let true_h = truth.sum(from, to).run_h;
                assert!((b.1 - a.1 - true_h).abs() < 0.25, "{unit} day {day}: {} h, truly {true_h} h", b.1 - a.1);
            }
        }
    }
    assert!(held > 600, "{held} days of 708 could be held against the truth");
}

#[test]
fn one_meter_is_replaced_by_one_at_zero() {
    let plant = &two_years()[0];
    let replaced: Vec<_> =
        plant.truth().units.iter().filter_map(|(unit, truth)| Some((unit, truth.meter_replaced_at?))).collect();
    assert_eq!(replaced.len(), 1);
    let (unit, at) = replaced[0];
    let week = SignedDuration::from_hours(7 * 24);
    let mut live = plant.live(at - week);
    let meter = good(&live.advance(at + week), unit, Signal::RunHours);
    let before = *meter.range(..at).next_back().unwrap().1;
    let after = *meter.range(at..).next().unwrap().1;
    assert!(before > 3000.0 && after < 7.0 * 24.0, "from {before} h to {after} h");
}

/// Torque times angular speed, each held as a step until the next reading, is the true shaft work: the definition of
/// mechanical power, P = T ω.
#[test]
fn torque_and_speed_tell_the_true_shaft_work() {
    let (start, end) = days("2026-01-01T00:00:00Z", 30);
    let plant = Plant::new(12, start, end);
    let readings: Vec<Reading> = plant.past().flatten().collect();
    let mut held = 0;
    for (unit, truth) in &plant.truth().units {
        let torque: Vec<_> = good(&readings, unit, Signal::Torque).into_iter().collect();
        let speed = good(&readings, unit, Signal::Speed);
        let gaps = torque.windows(2).filter(|pair| pair[1].0.duration_since(pair[0].0).as_mins() > 32).count();
        if gaps > 0 {
            continue;
        }
        held += 1;
        let mut edges: Vec<Timestamp> = torque.iter().map(|(at, _)| *at).chain(speed.keys().copied()).collect();
        edges.sort();
        let mut work_mj = 0.0;
        for pair in edges.windows(2) {
            let place = torque.partition_point(|(at, _)| *at <= pair[0]);
            let (Some(place), Some((_, rpm))) = (place.checked_sub(1), speed.range(..=pair[0]).next_back()) else {
                continue;
            };
            let seconds = pair[1].duration_since(pair[0]).as_secs_f64();
            work_mj += torque[place].1 * rpm * std::f64::consts::TAU / 60.0 * seconds * 1e-6;
        }
        let true_mj = truth.sum(hour_of(start), hour_of(end)).shaft_work_mj;
        assert!((work_mj / true_mj - 1.0).abs() < 0.01, "{unit}: {work_mj} MJ, truly {true_mj} MJ");
    }
    assert!(held >= 4, "{held} units without a gap in 30 days");
}

#[test]
fn stops_and_episodes_show_in_the_truth_of_every_seed() {
    for plant in two_years() {
        for (unit, truth) in &plant.truth().units {
            let mut sum = HourTruth::default();
            truth.hours.iter().for_each(|hour| sum.include(hour));
            assert!((7_000.0..17_600.0).contains(&sum.run_h), "{unit}: {} h in two years", sum.run_h);
            assert!(sum.starts > 700 && sum.dry_h > 0.0 && sum.excess_work_mj > 0.0, "{unit}: {sum:?}");
            assert!(sum.excess_work_mj < 0.1 * sum.shaft_work_mj && sum.cold_starts < sum.starts / 2);
        }
    }
}

#[test]
fn words_are_words_and_numbers_are_finite() {
    let (start, end) = days("2026-01-01T00:00:00Z", 20);
    for reading in Plant::new(2, start, end).past().flatten() {
        let is_word = reading.signal.quantity().is_none();
        match &reading.value {
            Value::Text(text) => assert!(is_word && !text.is_empty()),
            Value::Number(number) => assert!(!is_word && number.is_finite()),
            Value::Missing => assert_eq!(reading.quality, Quality::Bad),
        }
    }
}
