//! Starts, cold starts, excursions, dry running.

use history::{DryRule, ExcursionLimit};
use plant::{Quality, Reading, Signal, Term, Value};

use crate::plant_of_one::{close, every, number, reading, reference, total};

const H: f64 = 3600.0;

fn speeds(steps: &[(f64, f64)]) -> Vec<Reading> {
    steps.iter().map(|(s, rpm)| number(Signal::Speed, *s, *rpm)).collect()
}

fn starts(steps: &[(f64, f64)]) -> f64 {
    total(reference(), &speeds(steps), H).known(Term::Starts)
}

#[test]
fn a_start_is_seen_from_standstill_to_running() {
    assert_eq!(starts(&[(0.0, 300.0)]), 0.0, "who knows what was before");
    assert_eq!(starts(&[(0.0, 0.0), (60.0, 300.0)]), 1.0);
    assert_eq!(starts(&[(0.0, 300.0), (60.0, 0.0), (120.0, 300.0), (180.0, 0.0), (240.0, 300.0)]), 2.0);
}

#[test]
fn chatter_around_the_limit_is_no_start() {
    let chatter: Vec<_> = (0..100).map(|s| (f64::from(s), if s % 2 == 0 { 300.0 } else { 5.0 })).collect();
    assert_eq!(starts(&chatter), 0.0);
}

#[test]
fn a_gap_between_standstill_and_running_hides_one_start_and_none_between_running_and_running() {
    let gap = |s| reading(Signal::Speed, s, Value::Missing, Quality::Bad);
    let mut stopped = speeds(&[(0.0, 300.0), (60.0, 0.0), (600.0, 300.0)]);
    stopped.push(gap(120.0));
    assert_eq!(total(reference(), &stopped, H).known(Term::Starts), 1.0);
    let mut running = speeds(&[(0.0, 300.0), (600.0, 300.0)]);
    running.push(gap(120.0));
    assert_eq!(total(reference(), &running, H).known(Term::Starts), 0.0);
}

#[test]
fn a_cold_start_is_cold_at_that_instant() {
    let mut settings = reference();
    settings.signals.insert(Signal::ProductTemp);
    settings.cold_start_below_degc = Some(-3.0);
    let mut readings =
        speeds(&[(0.0, 0.0), (60.0, 300.0), (120.0, 0.0), (180.0, 300.0), (240.0, 0.0), (1800.0, 300.0)]);
    readings.push(number(Signal::ProductTemp, 0.0, -8.0));
    readings.push(number(Signal::ProductTemp, 90.0, 4.0));
    readings.push(reading(Signal::ProductTemp, 300.0, Value::Missing, Quality::Bad));
    let sum = total(settings, &readings, H);
    assert_eq!((sum.get(Term::Starts), sum.get(Term::ColdStarts)), (Some(3.0), Some(1.0)));
}

#[test]
fn noise_around_the_limit_is_one_excursion() {
    let mut settings = reference();
    settings.excursion = ExcursionLimit::AboveNm(200.0);
    let mut readings = speeds(&[(0.0, 300.0)]);
    for (s, nm) in
        [(0.0, 95.0), (10.0, 205.0), (11.0, 195.0), (12.0, 210.0), (20.0, 100.0), (30.0, 250.0), (40.0, 95.0)]
    {
        readings.push(number(Signal::Torque, s, nm));
    }
    assert_eq!(total(settings, &readings, 60.0).get(Term::TorqueExcursions), Some(2.0));
}

#[test]
fn turning_without_flow_is_dry_and_unknown_flow_is_not() {
    let mut settings = reference();
    settings.signals.insert(Signal::Flow);
    settings.dry = Some(DryRule::FlowBelowM3H(0.1));
    let mut readings = every(60.0, Signal::Torque, 0.0, H, 95.0);
    readings.extend(speeds(&[(0.0, 300.0)]));
    readings.push(number(Signal::Flow, 0.0, 2.0));
    readings.push(number(Signal::Flow, 600.0, 0.0));
    readings.push(reading(Signal::Flow, 1500.0, Value::Missing, Quality::Bad));
    close(&total(settings, &readings, H), Term::DryH, 0.25, 1e-12);
}
