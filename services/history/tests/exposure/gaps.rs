//! What is not known is neither running nor standing, and never harmless.

use plant::{Quality, Signal, Term, TimeSource, Value};

use crate::plant_of_one::{close, every, hours, number, plant, reading, reference, total};

const H: f64 = 3600.0;

#[test]
fn a_nan_is_not_a_stop() {
    let mut readings = every(60.0, Signal::Speed, 0.0, H, 300.0);
    readings.extend(every(60.0, Signal::Torque, 0.0, H, 95.0));
    let whole = total(reference(), &readings, H);
    readings.retain(|reading| reading.signal != Signal::Speed || reading.at != crate::plant_of_one::at(1800.0));
    readings.push(reading(Signal::Speed, 1800.0, Value::Missing, Quality::Bad));
    let holed = total(reference(), &readings, H);
    assert_eq!(holed.known(Term::Starts), 0.0);
    close(&holed, Term::RunH, 1.0, 1e-12);
    close(&holed, Term::BlindH, 1.0 / 60.0, 1e-12);
    assert!(holed.known(Term::SlidingKm) < whole.known(Term::SlidingKm), "nothing is made up for the hole");
}

#[test]
fn a_bad_torque_makes_running_time_blind_and_not_free_of_work() {
    let mut readings = every(60.0, Signal::Speed, 0.0, H, 300.0);
    readings.extend(every(60.0, Signal::Torque, 0.0, 1800.0, 95.0));
    readings.push(reading(Signal::Torque, 1800.0, Value::Number(0.0), Quality::Bad));
    let sum = total(reference(), &readings, H);
    close(&sum, Term::RunH, 1.0, 1e-12);
    close(&sum, Term::BlindH, 0.5, 1e-12);
}

#[test]
fn a_report_by_exception_holds_and_ends_with_its_hold() {
    // One speed reading speaks for an hour, one torque reading for ten minutes (house defaults).
    let readings = [number(Signal::Speed, 0.0, 300.0), number(Signal::Torque, 0.0, 95.0)];
    let sum = total(reference(), &readings, 3.0 * H);
    close(&sum, Term::RunH, 3.0, 1e-12);
    close(&sum, Term::BlindH, 3.0 - 1.0 / 6.0, 1e-12);
    close(&sum, Term::SlidingKm, 8.618 / 6.0, 1e-4);
}

#[test]
fn a_known_standstill_is_no_gap() {
    let readings = every(600.0, Signal::Speed, 0.0, 5.0 * H, 0.0);
    let sum = total(reference(), &readings, 5.0 * H);
    close(&sum, Term::RunH, 0.0, 0.0);
}

#[test]
fn there_is_no_time_before_the_first_reading_or_after_now() {
    let readings = [number(Signal::Speed, 10.0 * H + 900.0, 300.0), number(Signal::Torque, 10.0 * H + 900.0, 95.0)];
    let unit = hours(plant(reference()), &readings, 10.0 * H + 1200.0);
    assert_eq!(unit.hours().len(), 1);
    close(&unit.hours()[0].exposure, Term::RunH, 300.0 / H, 1e-12);
    assert_eq!(unit.last_reading_at(), Some(crate::plant_of_one::at(10.0 * H + 900.0)));
    assert_eq!(unit.first_reading_at(), unit.last_reading_at());
}

#[test]
fn readings_without_a_time_of_their_own_enter_nothing() {
    let mut readings = every(60.0, Signal::Speed, 0.0, H, 300.0);
    readings.extend(every(60.0, Signal::Torque, 0.0, H, 95.0));
    let right = total(reference(), &readings, H);
    for mut old in every(7.0, Signal::Speed, -H, 2.0 * H, 0.0) {
        old.time_source = TimeSource::Unknown;
        readings.push(old);
    }
    assert_eq!(total(reference(), &readings, H), right);
}

#[test]
fn a_signal_that_is_not_mapped_makes_terms_lacking_and_hours_covered() {
    let mut settings = reference();
    settings.signals.remove(&Signal::Torque);
    settings.bore_mm = None;
    let sum = total(settings, &every(60.0, Signal::Speed, 0.0, H, 300.0), H);
    assert_eq!(sum.covered_h(), 1.0);
    for term in [Term::SlidingKm, Term::ShaftWorkMj, Term::ExcessWorkMj, Term::TorqueExcursions, Term::DryH] {
        assert_eq!(sum.get(term), None, "{term}");
    }
    assert_eq!(sum.get(Term::Starts), Some(0.0));
}

#[test]
fn a_nominal_speed_stands_in_for_one_that_is_not_mapped() {
    let mut settings = reference();
    settings.signals = [Signal::Torque].into();
    settings.running = history::Running::TorqueAboveNm(20.0);
    settings.nominal_speed_rpm = Some(300.0);
    let sum = total(settings, &every(60.0, Signal::Torque, 0.0, H, 95.0), H);
    close(&sum, Term::SlidingKm, 8.618, 5e-4);
}

#[test]
fn a_torque_below_zero_without_a_speed_turns_the_shaft_and_is_blind() {
    let mut settings = reference();
    settings.signals = [Signal::Torque].into();
    settings.running = history::Running::TorqueAboveNm(20.0);
    settings.nominal_speed_rpm = Some(300.0);
    let sum = total(settings, &every(60.0, Signal::Torque, 0.0, H, -95.0), H);
    assert_eq!((sum.covered_h(), sum.blind_h()), (0.0, 1.0));
    assert_eq!(sum.get(Term::ShaftWorkMj), Some(0.0), "what it did is not known");
}

/// Torque that rises evenly from 0 to 100 N·m within an hour does the work of 50 N·m (the integral of a line); held from its
/// beginning it would do none. Readings further apart than the hold keep what they said until it ends, and then it is blind.
#[test]
fn a_signal_that_changes_evenly_is_a_line_as_far_as_it_is_held() {
    let mut readings = every(600.0, Signal::Speed, 0.0, 2.0 * H, 300.0);
    readings.extend([number(Signal::Torque, 0.0, 0.0), number(Signal::Torque, H, 100.0)]);
    let sum = |evenly: bool, hold_s: f64| {
        let mut plant = plant(reference());
        plant.hold.torque_s = hold_s;
        if evenly {
            plant.lines.insert(Signal::Torque);
        }
        hours(plant, &readings, H).sum(jiff::Timestamp::MIN, jiff::Timestamp::MAX)
    };
    // 300 1/min are 5 turns a second.
    let work_mj = 50.0 * 2.0 * std::f64::consts::PI * 5.0 * H * 1e-6;
    let even = hours(
        {
            let mut plant = plant(reference());
            plant.hold.torque_s = H;
            plant.lines.insert(Signal::Torque);
            plant
        },
        &readings,
        H + 1e-6,
    )
    .sum(jiff::Timestamp::MIN, jiff::Timestamp::MAX);
    close(&even, Term::ShaftWorkMj, work_mj, 1e-6);
    close(&even, Term::BlindH, 0.0, 1e-9);
    close(&sum(false, H), Term::ShaftWorkMj, 0.0, 0.0);
    let apart = sum(true, 0.5 * H);
    close(&apart, Term::ShaftWorkMj, 0.0, 0.0);
    close(&apart, Term::BlindH, 0.5, 1e-12);
    // Nobody knows where it goes before the next reading is there.
    close(&sum(true, H), Term::ShaftWorkMj, 0.0, 0.0);
}
