//! The hour meter against time that no reading covers.

use plant::{Quality, Reading, Signal, Term, Value};

use crate::plant_of_one::{close, every, hours, number, plant, reading, reference, total};

const H: f64 = 3600.0;

fn running(from_s: f64, to_s: f64) -> Vec<Reading> {
    let mut readings = every(60.0, Signal::Speed, from_s, to_s, 300.0);
    readings.extend(every(60.0, Signal::Torque, from_s, to_s, 95.0));
    readings
}

fn silence(s: f64) -> Reading {
    reading(Signal::Speed, s, Value::Missing, Quality::Bad)
}

fn unit(resolution_h: f64) -> history::UnitSettings {
    let mut settings = reference();
    settings.signals.insert(Signal::RunHours);
    settings.meter_resolution_h = resolution_h;
    settings
}

fn meter(steps: &[(f64, f64)]) -> Vec<Reading> {
    steps.iter().map(|(hour, value)| number(Signal::RunHours, hour * H, *value)).collect()
}

#[test]
fn the_meter_says_how_much_of_a_gap_was_running() {
    // Ran 0 to 2 h, unknown 2 to 6 h, ran 6 to 8 h; the meter counted 5.5 h, so 1.5 h of the gap.
    let mut readings = running(0.0, 2.0 * H);
    readings.push(silence(2.0 * H));
    readings.extend(running(6.0 * H, 8.0 * H));
    readings.extend(meter(&[(0.0, 100.0), (8.0, 105.5)]));
    let unit = hours(plant(unit(0.1)), &readings, 8.0 * H + 1.0);
    let sum = unit.sum(crate::plant_of_one::at(0.0), crate::plant_of_one::at(8.0 * H));
    close(&sum, Term::RunH, 5.5, 1e-9);
    close(&sum, Term::BlindH, 1.5, 1e-9);
    let fourth = unit.sum(crate::plant_of_one::at(3.0 * H), crate::plant_of_one::at(4.0 * H));
    close(&fourth, Term::BlindH, 1.5 / 4.0, 1e-9);
}

#[test]
fn a_meter_of_whole_hours_makes_no_blind_hours_where_all_is_seen() {
    let mut readings = running(0.0, 20.0 * H);
    for minute in 0..1200 {
        let hour = f64::from(minute) / 60.0;
        readings.push(number(Signal::RunHours, hour * H, (4711.3 + hour).floor()));
    }
    let sum = total(unit(1.0), &readings, 20.0 * H);
    close(&sum, Term::RunH, 20.0, 1e-9);
    close(&sum, Term::BlindH, 0.0, 0.0);
}

#[test]
fn a_meter_of_whole_hours_settles_a_gap_of_half_an_hour() {
    // Runs all the time; speed is unknown from 4.2 h to 4.7 h while the meter goes on by whole hours.
    let mut readings = running(0.0, 4.2 * H);
    readings.push(silence(4.2 * H));
    readings.extend(running(4.7 * H, 20.0 * H));
    for minute in 0..1200 {
        let hour = f64::from(minute) / 60.0;
        readings.push(number(Signal::RunHours, hour * H, (4711.3 + hour).floor()));
    }
    let sum = total(unit(1.0), &readings, 20.0 * H);
    close(&sum, Term::BlindH, 0.5, 1.0 / 60.0);
}

#[test]
fn a_reset_or_a_new_meter_never_counts_backwards() {
    let mut readings = running(0.0, 2.0 * H);
    readings.push(silence(2.0 * H));
    readings.extend(running(6.0 * H, 8.0 * H));
    readings.extend(meter(&[(0.0, 4000.0), (2.0, 4002.0), (6.0, 0.0), (8.0, 2.0)]));
    let sum = total(unit(0.1), &readings, 8.0 * H);
    close(&sum, Term::RunH, 8.0, 1e-9);
    close(&sum, Term::BlindH, 4.0, 1e-9);
}

#[test]
fn a_counter_that_runs_over_goes_on() {
    let mut readings = running(0.0, 2.0 * H);
    readings.push(silence(2.0 * H));
    readings.extend(running(6.0 * H, 8.0 * H));
    readings.extend(meter(&[(0.0, 65_533.0), (2.0, 65_535.0), (6.0, 0.0), (8.0, 2.0)]));
    let sum = total(unit(0.1), &readings, 8.0 * H + 1.0);
    close(&sum, Term::BlindH, 1.0, 1e-3);
}

#[test]
fn a_meter_that_runs_while_the_shaft_stands_is_bounded_by_the_clock() {
    let mut readings = every(600.0, Signal::Speed, 0.0, 4.0 * H, 0.0);
    readings.push(silence(4.0 * H));
    readings.extend(every(600.0, Signal::Speed, 5.0 * H, 8.0 * H, 0.0));
    readings.extend(meter(&[(0.0, 100.0), (8.0, 108.0)]));
    close(&total(unit(0.1), &readings, 8.0 * H), Term::RunH, 1.0, 1e-9);
}

#[test]
fn a_meter_that_is_stuck_is_not_believed() {
    let mut readings = running(0.0, 6.0 * H);
    readings.push(silence(6.0 * H));
    readings.extend(running(7.0 * H, 8.0 * H));
    readings.extend(every(600.0, Signal::RunHours, 0.0, 8.0 * H, 100.0));
    let sum = total(unit(0.1), &readings, 8.0 * H);
    close(&sum, Term::RunH, 8.0, 1e-9);
    close(&sum, Term::BlindH, 1.0, 1e-9);
}

#[test]
fn without_a_meter_unknown_time_counts_in_full() {
    let mut readings = running(0.0, 2.0 * H);
    readings.push(silence(2.0 * H));
    let sum = total(reference(), &readings, 8.0 * H);
    close(&sum, Term::RunH, 8.0, 1e-9);
    close(&sum, Term::BlindH, 6.0, 1e-9);
}

#[test]
fn a_meter_that_stands_still_bounds_an_open_gap_by_its_resolution() {
    // Stood at the end, then silence; the meter goes on saying 102 up to 10 h and is silent from then on.
    let mut readings = running(0.0, 2.0 * H);
    readings.push(silence(2.0 * H));
    readings.extend(every(60.0, Signal::RunHours, 0.0, 60.0, 100.0));
    readings.extend(every(600.0, Signal::RunHours, 2.0 * H, 10.0 * H + 1.0, 102.0));
    let sum = total(unit(0.1), &readings, 12.0 * H);
    close(&sum, Term::RunH, 2.0 + 0.1 + 2.0, 1e-6);
}
