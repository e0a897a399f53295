//! Integrals of speed and torque, put into wear laws whose results are printed elsewhere.

use std::f64::consts::PI;

use plant::{Measure, Quantity, Reading, Signal, Term};

use crate::plant_of_one::{close, every, reference, total};

fn running(rpm: f64, nm: f64, hours: f64) -> Vec<Reading> {
    let mut readings = every(1800.0, Signal::Speed, 0.0, hours * 3600.0, rpm);
    readings.extend(every(300.0, Signal::Torque, 0.0, hours * 3600.0, nm));
    readings
}

/// 6 in bore at 300 r/min slides 8.618 km per hour (pi * 0.1524 m * 5/s * 3600 s); 4 hp at 300 r/min is
/// 4 * 5252.1131 / 300 lbf·ft and 745.699 871 58 W each (NIST SP 811, appendix B: horsepower of 550 ft·lbf/s).
#[test]
fn an_hour_of_the_reference_unit() {
    let lbf_ft = Measure::parse("lbf·ft", Quantity::Torque).unwrap();
    let torque_nm = lbf_ft.to_house(4.0 * 5252.1131 / 300.0);
    assert!((torque_nm - 95.0).abs() < 0.1, "4 hp at 300 r/min are some 95 N·m, not {torque_nm}");
    let hour = total(reference(), &running(300.0, torque_nm, 1.0), 3600.0);
    close(&hour, Term::RunH, 1.0, 1e-12);
    close(&hour, Term::BlindH, 0.0, 0.0);
    close(&hour, Term::SlidingKm, 8.618, 5e-4);
    close(&hour, Term::ShaftWorkMj, 4.0 * 745.699_871_58 * 3600.0 * 1e-6, 1e-6);
}

/// Archard's law for a scraped bore, h = K q n_b N t / H: K = 1e-5, q = 100 N/m, two blade rows, 5/s, 1000 h, 9 GPa
/// give 4.00 µm and 5837.27 mm³ (length 3.048 m); with a friction coefficient of 0.2 the energy is 1.0507 GJ and
/// V = K E / (mu H) the same volume (worked by hand; law: Archard 1953).
#[test]
fn a_thousand_hours_by_archards_law() {
    let (k, q_n_m, blades, length_m, hardness_pa, friction) = (1e-5, 100.0, 2.0, 3.048, 9e9, 0.2);
    let sum = total(reference(), &running(300.0, 95.0, 1000.0), 1000.0 * 3600.0);
    let slid_m = sum.get(Term::SlidingKm).unwrap() * 1000.0;
    let volume_m3 = k * q_n_m * blades * length_m * slid_m / hardness_pa;
    let depth_um = volume_m3 / (PI * 0.1524 * length_m) * 1e6;
    let energy_j = friction * q_n_m * blades * length_m * slid_m;
    assert!((depth_um - 4.0).abs() < 1e-6, "{depth_um} µm");
    assert!((volume_m3 * 1e9 - 5837.27).abs() < 0.01, "{} mm³", volume_m3 * 1e9);
    assert!((energy_j * 1e-9 - 1.0507).abs() < 1e-4, "{energy_j} J");
    assert!((k / (friction * hardness_pa) * energy_j - volume_m3).abs() < 1e-15);
}

/// The sleeve bearing wear example of Shigley's Mechanical Engineering Design: alloy brass, 1 in x 1 in, K = 0.6e-10
/// in³·min/(lbf·ft·h), f1 = 1.3, 700 lbf, 33 ft/min; 0.005 in are worn after 2180 h, 16.5e6 revolutions at 126 r/min.
#[test]
fn the_handbooks_bushing_wears_through_in_its_hours() {
    let rpm = 12.0 * 33.0 / PI;
    assert!((rpm - 126.0).abs() < 0.1);
    let mut bushing = reference();
    bushing.bore_mm = Some(25.4);
    let hours = 2179.5;
    let sum = total(bushing, &running(rpm, 1.0, hours), hours * 3600.0);
    close(&sum, Term::RunH, 2179.5, 1e-9);
    let slid_m = sum.get(Term::SlidingKm).unwrap() * 1000.0;
    let revolutions = slid_m / (PI * 0.0254);
    assert!((revolutions - 16.48e6).abs() < 0.01e6, "{revolutions}");
    let pressure_psi = 4.0 * 700.0 / PI;
    // V t in ft/min * h is the distance in ft over 60.
    let worn_in = 1.3 * 1.0 * 0.6e-10 * pressure_psi * (slid_m / 0.3048) / 60.0;
    assert!((worn_in - 0.005).abs() < 1e-6, "{worn_in} in");
}

/// Bands are cells of a table: hours in them add up to the covered hours (arithmetic).
#[test]
fn hours_fall_into_the_band_of_torque_and_temperature() {
    let mut settings = reference();
    settings.signals.insert(Signal::ProductTemp);
    let mut plant = crate::plant_of_one::plant(settings);
    plant.bands = plant::Bands { torque_nm: vec![50.0, 100.0], temp_degc: vec![0.0] };
    let mut readings = every(1800.0, Signal::Speed, 0.0, 7200.0, 300.0);
    readings.extend(every(300.0, Signal::Torque, 0.0, 3600.0, 100.0));
    readings.extend(every(300.0, Signal::Torque, 3600.0, 7200.0, 20.0));
    readings.extend(every(900.0, Signal::ProductTemp, 0.0, 5400.0, -6.0));
    readings.extend(every(900.0, Signal::ProductTemp, 5400.0, 7200.0, 5.0));
    let unit = crate::plant_of_one::hours(plant, &readings, 7200.0);
    let sum = unit.sum(jiff::Timestamp::MIN, jiff::Timestamp::MAX);
    let close = |cell: usize, right: f64| assert!((sum.band_h[cell] - right).abs() < 1e-12, "{:?}", sum.band_h);
    [(0, 0.5), (1, 0.5), (2, 0.0), (3, 0.0), (4, 1.0), (5, 0.0)]
        .into_iter()
        .for_each(|(cell, right)| close(cell, right));
}
