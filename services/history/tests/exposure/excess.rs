//! Torque above what is usual: recovered from noise, and not made up from it.
//!
//! No plant's data are public; the truth is planted: units whose product, temperature and speed change together,
//! autocorrelated noise, and episodes of excess.

use history::{Baseline, DryRule, Exposures, Level, Running, Slope, Spread, Store, UnitHours, UnitSettings};
use jiff::Timestamp;
use plant::{Campaign, Quality, Reading, Signal, Term, TimeSource, UnitId, Value};

use crate::plant_of_one::{at, every, number, plant, reference, unit, word};

/// A small generator of known quality (splitmix64, Steele, Lea & Flood 2014), so that seeds mean the same everywhere.
struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((mixed ^ (mixed >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

struct Past {
    readings: Vec<Reading>,
    campaigns: Vec<Campaign>,
    /// Planted excess and all work, MJ.
    excess_mj: f64,
    work_mj: f64,
}

const MINUTES: usize = 21 * 24 * 60;
const UNITS: usize = 4;

/// `share`: the part of the time in episodes. Three products, each with its own speed, temperature and answer to both:
/// product, temperature and speed change together, and drift within a campaign.
fn past(seed: u64, noise_sd: f64, share: f64) -> Past {
    let mut random = Random(seed);
    let mut past = Past { readings: Vec::new(), campaigns: Vec::new(), excess_mj: 0.0, work_mj: 0.0 };
    for number in 0..UNITS {
        let unit = UnitId::new(&format!("C{number}")).unwrap();
        let own = 1.0 + 0.3 * random.normal();
        let (mut noise, mut episode, mut drift) = (0.0, (0usize, 0.0), 0.0);
        let mut product = 0;
        for minute in 0..MINUTES {
            if minute % (30 * 60) == 0 {
                product = (random.uniform() * 3.0) as usize;
                let to = at(((minute + 30 * 60) * 60) as f64);
                past.campaigns.push(Campaign {
                    unit: unit.clone(),
                    from: at((minute * 60) as f64),
                    to,
                    product: ["sorbet", "cream", "sauce"][product].to_owned(),
                    planned: false,
                    run_h: None,
                });
            }
            drift += 0.02 * random.normal() - 0.002 * drift;
            let speed = [250.0, 320.0, 400.0][product] * (1.0 + 0.05 * drift);
            let temp_degc = [-5.0, 2.0, 30.0][product] + 2.0 * drift;
            let slope_k = [5000.0, 4000.0, 2500.0][product];
            let level = [110.0, 80.0, 60.0][product] * own.abs().max(0.4);
            let usual = level
                * (speed / 300.0f64).powf([0.6, 0.75, 0.8][product])
                * (slope_k * (1.0 / (temp_degc + 273.15) - 1.0 / ([-5.0, 2.0, 30.0][product] + 273.15))).exp();
            // Correlation time of some 20 min: the noise does not average out within a slot.
            noise = 0.95 * noise + noise_sd * (1.0f64 - 0.95 * 0.95).sqrt() * random.normal();
            if episode.0 == 0 && share > 0.0 && random.uniform() < share / 35.0 / (1.0 - share) {
                episode = (10 + (random.uniform() * 50.0) as usize, 0.15 + 0.65 * random.uniform());
            }
            let extra = if episode.0 > 0 { episode.1 } else { 0.0 };
            episode.0 = episode.0.saturating_sub(1);
            let torque = usual * (1.0 + extra) * f64::exp(noise);
            let omega_dt = speed / 60.0 * std::f64::consts::TAU * 60.0;
            past.work_mj += torque * omega_dt * 1e-6;
            past.excess_mj += usual * extra * omega_dt * 1e-6;
            let mut push = |signal, value| {
                let at = at((minute * 60) as f64);
                let value = Value::Number(value);
                let unit = unit.clone();
                past.readings.push(Reading {
                    unit,
                    signal,
                    at,
                    value,
                    quality: Quality::Good,
                    time_source: TimeSource::Own,
                });
            };
            push(Signal::Torque, torque);
            push(Signal::Speed, speed);
            push(Signal::ProductTemp, temp_degc);
        }
    }
    past
}

fn settings() -> history::ExposureSettings {
    let signals = [Signal::Torque, Signal::Speed, Signal::ProductTemp];
    let unit = UnitSettings::new(signals, Running::SpeedAboveRpm(10.0));
    let units = (0..UNITS).map(|number| (UnitId::new(&format!("C{number}")).unwrap(), unit.clone()));
    history::ExposureSettings::new(units.collect())
}

fn fitted(past: &Past) -> (tempfile::TempDir, Baseline) {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::new(folder.path());
    let exposures = Exposures::new(settings(), None, &past.campaigns).unwrap();
    let until = at((MINUTES * 60) as f64);
    let baseline = exposures.fit_baseline(&store, &[], &past.readings, until, &Default::default()).unwrap().unwrap();
    assert!(baseline.converged);
    (folder, baseline)
}

fn excess_mj(past: &Past) -> f64 {
    let (folder, baseline) = fitted(past);
    let exposures = Exposures::new(settings(), Some(&baseline), &past.campaigns).unwrap();
    let until = at((MINUTES * 60) as f64);
    let hours = exposures.fleet_hours(&Store::new(folder.path()), &[], &past.readings, until).unwrap();
    hours.values().map(|unit| unit.sum(Timestamp::MIN, Timestamp::MAX).get(Term::ExcessWorkMj).unwrap()).sum()
}

#[test]
fn planted_excess_is_found_within_a_tenth() {
    for (seed, noise_sd, share) in [(1, 0.03, 0.02), (2, 0.05, 0.05), (3, 0.04, 0.15), (4, 0.05, 0.15), (5, 0.03, 0.08)]
    {
        let past = past(seed, noise_sd, share);
        let ratio = excess_mj(&past) / past.excess_mj;
        assert!((ratio - 1.0).abs() < 0.1, "seed {seed}, noise {noise_sd}, share {share}: found {ratio} of it");
    }
}

#[test]
fn noise_alone_makes_no_excess() {
    for (seed, noise_sd) in [(11, 0.03), (12, 0.05), (13, 0.05)] {
        let past = past(seed, noise_sd, 0.0);
        let part = excess_mj(&past) / past.work_mj;
        assert!(part < 0.005, "seed {seed}, noise {noise_sd}: {part} of all work");
    }
}

#[test]
fn the_answer_to_speed_and_temperature_is_found_under_episodes() {
    let (_folder, baseline) = fitted(&past(3, 0.04, 0.15));
    for (product, exponent, slope_k) in [("cream", 0.75, 4000.0), ("sauce", 0.8, 2500.0), ("sorbet", 0.6, 5000.0)] {
        let slope = baseline.slopes.iter().find(|slope| slope.product == product).unwrap();
        // Speed and temperature drift together, so only what they do together is well determined.
        let together = |b: f64, c: f64| b * 0.05 - c * 2.0 / 275.0f64.powi(2);
        let (got, right) = (together(slope.speed_exponent, slope.inverse_temp_k), together(exponent, slope_k));
        assert!((got - right).abs() < 0.02, "{product}: {got} per drift instead of {right}");
    }
}

#[test]
fn a_product_with_few_slots_has_no_expectation() {
    let mut past = past(6, 0.03, 0.0);
    past.readings.retain(|reading| reading.unit.as_str() == "C0" || reading.at < at(5.0 * 3600.0));
    let (_folder, baseline) = fitted(&past);
    assert!(baseline.levels.iter().all(|level| level.unit.as_str() == "C0"), "{:?}", baseline.levels);
    assert_eq!(baseline.expected_nm(&UnitId::new("C1").unwrap(), "cream", 300.0, Some(2.0)), None);
}

#[test]
fn excluded_periods_teach_nothing() {
    let past = past(7, 0.03, 0.0);
    let exposures = Exposures::new(settings(), None, &past.campaigns).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let until = at((MINUTES * 60) as f64);
    let barred = [("C1", at(0.0), until), ("C2", at(10.0 * 86_400.0), until)];
    let excluded = barred.into_iter().map(|(unit, from, to)| (UnitId::new(unit).unwrap(), vec![(from, to)])).collect();
    let store = Store::new(folder.path());
    let baseline = exposures.fit_baseline(&store, &[], &past.readings, until, &excluded).unwrap().unwrap();
    let slots =
        |unit: &str| baseline.levels.iter().filter(|level| level.unit.as_str() == unit).map(|l| l.slots).sum::<u64>();
    assert_eq!((slots("C1"), slots("C2"), slots("C0")), (0, 10 * 144 - 3, 21 * 144 - 3));
}

/// 95 N·m are usual for C1 with sorbet at 300 1/min; nobody knows what is with anything else.
fn sorbet() -> Baseline {
    Baseline {
        fitted_from: at(0.0),
        fitted_to: at(0.0),
        slots: 100,
        converged: true,
        levels: vec![Level { unit: unit(), product: "sorbet".into(), ln_nm: 95f64.ln(), slots: 100 }],
        slopes: vec![Slope { product: "sorbet".into(), speed_exponent: 0.75, inverse_temp_k: 0.0 }],
        spreads: vec![Spread { unit: unit(), ln_sd: 0.05 }],
    }
}

fn sorbet_hours(store: &Store, files: &[plant::DayFile], tail: &[Reading], until_s: f64) -> UnitHours {
    let mut settings = reference();
    settings.signals.extend([Signal::Product, Signal::Mode]);
    settings.excluded_modes.insert("cip".into());
    settings.dry = Some(DryRule::TorqueBelowShare(0.3));
    let exposures = Exposures::new(plant(settings), Some(&sorbet()), &[]).unwrap();
    exposures.fleet_hours(store, files, tail, at(until_s)).unwrap().remove(&unit()).unwrap()
}

#[test]
fn production_without_an_expectation_is_not_free_of_excess() {
    const H: f64 = 3600.0;
    let mut readings = every(600.0, Signal::Speed, 0.0, 24.0 * H, 300.0);
    readings.extend(every(300.0, Signal::Torque, 0.0, 24.0 * H, 95.0));
    readings.push(word(Signal::Product, 0.0, "sorbet"));
    // A new product in the third hour, for a while; cleaning in the fifth, which expects nothing.
    readings.push(word(Signal::Product, 2.2 * H, "novelty"));
    readings.push(word(Signal::Product, 2.6 * H, "sorbet"));
    readings.push(word(Signal::Product, 4.0 * H, "nothing"));
    readings.push(word(Signal::Mode, 4.0 * H, "cip"));
    readings.push(word(Signal::Mode, 5.0 * H, "run"));
    readings.push(word(Signal::Product, 5.0 * H, "sorbet"));
    let folder = tempfile::tempdir().unwrap();
    let store = Store::new(folder.path());
    let file = store.merge(jiff::civil::date(2026, 3, 2), None, 1, readings).unwrap();
    for kept in ["computed", "cached"] {
        let unit = sorbet_hours(&store, std::slice::from_ref(&file), &[], 25.0 * H);
        for term in [Term::ExcessWorkMj, Term::TorqueExcursions, Term::DryH] {
            let given: Vec<bool> = unit.hours()[..6].iter().map(|hour| hour.exposure.get(term).is_some()).collect();
            assert_eq!(given, [true, true, false, true, true, true], "{term} {kept}");
        }
        assert!(unit.hours().iter().all(|hour| hour.exposure.get(Term::ShaftWorkMj).is_some()));
        assert_eq!(unit.sum(at(0.0), at(2.0 * H)).get(Term::ExcessWorkMj), Some(0.0));
        assert_eq!(unit.sum(at(0.0), at(3.0 * H)).get(Term::ExcessWorkMj), None);
    }
}

/// Time that has passed cannot be taken back: with everything before it fixed, a sum only grows.
#[test]
fn excess_is_never_taken_back_while_a_slot_fills() {
    let mut readings = every(60.0, Signal::Speed, 0.0, 3600.0, 300.0);
    readings.extend(every(60.0, Signal::Torque, 0.0, 3600.0, 95.0));
    readings.push(word(Signal::Product, 0.0, "sorbet"));
    // Slot 1: high, then low, usual on the whole. Slot 2: high throughout.
    let torques = [(600.0, 240.0, 200.0), (840.0, 360.0, 20.0), (1200.0, 600.0, 150.0)];
    for (from_s, length_s, nm) in torques {
        let inside = |reading: &Reading| {
            reading.signal == Signal::Torque && reading.at >= at(from_s) && reading.at < at(from_s + length_s)
        };
        readings.retain(|reading| !inside(reading));
        readings.extend(every(60.0, Signal::Torque, from_s, from_s + length_s, nm));
    }
    let folder = tempfile::tempdir().unwrap();
    let store = Store::new(folder.path());
    let mut last = 0.0;
    for minute in 1..=60 {
        let unit = sorbet_hours(&store, &[], &readings, f64::from(minute) * 60.0);
        let excess_mj = unit.sum(Timestamp::MIN, Timestamp::MAX).get(Term::ExcessWorkMj).unwrap();
        assert!(excess_mj >= last, "{excess_mj} MJ after {minute} min, {last} MJ before");
        last = excess_mj;
    }
    // (150 - 95) N·m at 10 pi rad/s over 600 s (by hand); slot 1 has (200 * 4 + 20 * 6) / 10 = 92 N·m.
    assert!((last - 55.0 * 10.0 * std::f64::consts::PI * 600.0 * 1e-6).abs() < 1e-9, "{last} MJ");
}

/// A sensor at absolute zero, or below, measures nothing.
#[test]
fn a_temperature_that_cannot_be_is_no_temperature() {
    let mut settings = reference();
    settings.signals.insert(Signal::ProductTemp);
    settings.cold_start_below_degc = Some(-3.0);
    let mut readings = every(600.0, Signal::Speed, 60.0, 3600.0, 300.0);
    readings.push(number(Signal::Speed, 0.0, 0.0));
    readings.extend(every(300.0, Signal::Torque, 0.0, 3600.0, 95.0));
    readings.push(number(Signal::ProductTemp, 0.0, -273.15));
    readings.push(number(Signal::ProductTemp, 1800.0, 4.0));
    let mut baseline = sorbet();
    baseline.levels[0].product = String::new();
    baseline.slopes[0].product = String::new();
    baseline.slopes[0].inverse_temp_k = 5000.0;
    let exposures = Exposures::new(plant(settings), Some(&baseline), &[]).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let hours = exposures.fleet_hours(&Store::new(folder.path()), &[], &readings, at(3600.0)).unwrap();
    let sum = hours[&unit()].sum(Timestamp::MIN, Timestamp::MAX);
    assert_eq!(sum.get(Term::ColdStarts), Some(0.0));
    assert!((sum.blind_h() - 29.0 / 60.0).abs() < 1e-12, "{} h", sum.blind_h());
    assert!(sum.get(Term::ExcessWorkMj).is_some_and(f64::is_finite));
    assert_eq!(baseline.expected_nm(&unit(), "", 300.0, Some(-273.15)), None);
}
