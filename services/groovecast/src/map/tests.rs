//! Invented plants with names of different habits, each with what its columns truly are.
//!
//! Counted is how much of that is guessed right. However little that were: what is wrong must never be called sure.

use super::*;

/// What a column truly is: its name, its unit and signal (none for what is no reading that is wanted), its unit of measure.
type Truth = (&'static str, Option<(&'static str, Signal, &'static str)>);

const H: i64 = 3_600_000_000;

/// Two weeks of a unit's life, one value in ten minutes: it runs by day, at 300 1/min and some 95 N·m, draws at -6 °C.
fn value(kind: &str, tick: i64, unit: i64) -> f64 {
    let hour = tick as f64 / 6.0;
    let runs = hour.rem_euclid(24.0) < 16.0;
    let wave = (tick as f64 * 0.7 + unit as f64).sin();
    let nm = if runs { 95.0 + 20.0 * wave + 5.0 * unit as f64 } else { 0.3 };
    let degc = if runs { -6.0 + wave } else { 12.0 + 0.2 * wave };
    let meter = 4000.0 + 100.0 * unit as f64 + (hour / 24.0).floor() * 16.0 + hour.rem_euclid(24.0).min(16.0);
    match kind {
        "nm" => nm,
        "lbfin" => nm / 0.112_984_829,
        "percent" => nm / 2.3,
        "degc" => degc,
        "degf" => degc * 1.8 + 32.0,
        "media_degc" => -28.0 + wave,
        "media_degf" => (-28.0 + wave) * 1.8 + 32.0,
        "hours" => (meter * 10.0).floor() / 10.0,
        "seconds" => meter * 3600.0,
        "rpm" => {
            if runs {
                300.0 + wave
            } else {
                0.0
            }
        }
        "motor_rpm" => {
            if runs {
                1450.0 + wave
            } else {
                0.0
            }
        }
        "m3h" => {
            if runs {
                1.2 + 0.1 * wave
            } else {
                0.0
            }
        }
        "bar" => {
            if runs {
                12.0 + wave
            } else {
                1.0
            }
        }
        "limit" => 180.0,
        "mm_s" => 2.0 + wave,
        "amps" => {
            if runs {
                11.0 + wave
            } else {
                0.0
            }
        }
        "litres" => hour * 55.0,
        other => panic!("{other} is no kind"),
    }
}

/// A plant: its columns, each with the kind of its values and the truth.
fn found(columns: &[(&str, Truth)]) -> Found {
    let mut found = Found { span_us: Some((0, 14 * 24 * H)), ..Found::default() };
    for (number, (kind, (name, truth))) in columns.iter().enumerate() {
        let unit = truth.map_or(number as i64, |(unit, ..)| unit.bytes().map(i64::from).sum::<i64>() % 7);
        let points = (0..14 * 144).map(|tick| {
            let text = match *kind {
                "modes" => ["production", "cip", "idle"][(tick / 96 % 3) as usize].to_owned(),
                "recipes" => ["sorbet", "fondant"][(tick / 500 % 2) as usize].to_owned(),
                "codes" => (tick / 96 % 3).to_string(),
                kind => value(kind, tick, unit).to_string(),
            };
            (tick * H / 6, text)
        });
        take(found.series.entry((*name).to_owned()).or_default(), points.collect());
    }
    found
}

macro_rules! plant {
    ($($kind:literal $name:literal => $($unit:literal $signal:ident $measure:literal)?;)*) => {
        vec![$(($kind, ($name, plant!(@ $($unit $signal $measure)?)))),*]
    };
    (@) => { None };
    (@ $unit:literal $signal:ident $measure:literal) => { Some(($unit, Signal::$signal, $measure)) };
}

/// English, dots, units of measure in the names.
fn english() -> Vec<(&'static str, Truth)> {
    plant! {
        "nm" "Mill.K1.ShaftTorque_Nm" => "K1" Torque "N·m";
        "degc" "Mill.K1.ProductTemp_degC" => "K1" ProductTemp "°C";
        "hours" "Mill.K1.RunHours" => "K1" RunHours "h";
        "rpm" "Mill.K1.Speed_rpm" => "K1" Speed "1/min";
        "limit" "Mill.K1.ShaftTorque_Limit" => ;
        "nm" "Mill.K2.ShaftTorque_Nm" => "K2" Torque "N·m";
        "degc" "Mill.K2.ProductTemp_degC" => "K2" ProductTemp "°C";
        "hours" "Mill.K2.RunHours" => "K2" RunHours "h";
        "rpm" "Mill.K2.Speed_rpm" => "K2" Speed "1/min";
        "media_degc" "Mill.K2.JacketTemp_degC" => "K2" MediaTemp "°C";
        "mm_s" "Mill.K2.Vibration" => ;
        "recipes" "Mill.K2.Product" => "K2" Product "";
    }
}

/// German, underscores, shortened words.
fn german() -> Vec<(&'static str, Truth)> {
    plant! {
        "nm" "KKL1_Drehmoment_Ist" => "KKL1" Torque "N·m";
        "limit" "KKL1_Drehmoment_Soll" => ;
        "degc" "KKL1_Temp_Austritt" => "KKL1" ProductTemp "°C";
        "media_degc" "KKL1_Temp_Mantel" => "KKL1" MediaTemp "°C";
        "degc" "KKL1_Temp_Eintritt" => ;
        "rpm" "KKL1_Drehzahl_Ist" => "KKL1" Speed "1/min";
        "hours" "KKL1_Betriebsstunden" => "KKL1" RunHours "h";
        "modes" "KKL1_Betriebsart" => "KKL1" Mode "";
        "nm" "KKL2_Drehmoment_Ist" => "KKL2" Torque "N·m";
        "degc" "KKL2_Temp_Austritt" => "KKL2" ProductTemp "°C";
        "rpm" "KKL2_Drehzahl_Ist" => "KKL2" Speed "1/min";
        "seconds" "KKL2_Laufzeit" => "KKL2" RunHours "s";
        "bar" "KKL2_Druck_bar" => "KKL2" Pressure "bar";
    }
}

/// Letters and loop numbers, US units of measure.
fn letters() -> Vec<(&'static str, Truth)> {
    plant! {
        "lbfin" "TQ-101.PV" => "101" Torque "lbf·in";
        "degf" "TT-101.PV" => "101" ProductTemp "°F";
        "rpm" "SI-101.PV" => "101" Speed "1/min";
        "hours" "KQI-101.PV" => "101" RunHours "h";
        "lbfin" "TQ-102.PV" => "102" Torque "lbf·in";
        "degf" "TT-102.PV" => "102" ProductTemp "°F";
        "rpm" "SI-102.PV" => "102" Speed "1/min";
        "hours" "KQI-102.PV" => "102" RunHours "h";
        "bar" "PT-102.PV" => "102" Pressure "bar";
        "amps" "II-102.PV" => ;
    }
}

/// US words, units of measure in the names, in another order.
fn american() -> Vec<(&'static str, Truth)> {
    plant! {
        "lbfin" "line2/chiller_a/torque_in_lb" => "CHILLER-A" Torque "lbf·in";
        "degf" "line2/chiller_a/outlet_temp_degF" => "CHILLER-A" ProductTemp "°F";
        "hours" "line2/chiller_a/hour_meter" => "CHILLER-A" RunHours "h";
        "m3h" "line2/chiller_a/flow_m3h" => "CHILLER-A" Flow "m³/h";
        "lbfin" "line2/chiller_b/torque_in_lb" => "CHILLER-B" Torque "lbf·in";
        "degf" "line2/chiller_b/outlet_temp_degF" => "CHILLER-B" ProductTemp "°F";
        "hours" "line2/chiller_b/hour_meter" => "CHILLER-B" RunHours "h";
        "media_degf" "line2/chiller_b/glycol_temp_degF" => "CHILLER-B" MediaTemp "°F";
        "percent" "line2/chiller_b/load_pct" => ;
    }
}

/// Names that lead astray: a motor in front of its gear, a counter called flow, two temperatures, meters without a name.
fn astray() -> Vec<(&'static str, Truth)> {
    plant! {
        "nm" "HX7 torque" => "HX7" Torque "N·m";
        "motor_rpm" "HX7 motor speed" => ;
        "degc" "HX7 temp 1" => ;
        "media_degc" "HX7 temp 2" => ;
        "litres" "HX7 flow total" => ;
        "hours" "HX7 cnt04" => "HX7" RunHours "h";
        "codes" "HX7 state" => "HX7" Mode "";
        "percent" "HX7 moment of inertia" => ;
        "nm" "HX8 torque" => "HX8" Torque "N·m";
        "lbfin" "HX9 torque" => "HX9" Torque "lbf·in";
    }
}

#[test]
fn most_is_guessed_right_and_nothing_wrong_is_called_sure() {
    let (mut right, mut all, mut measures, mut measured, mut told) = (0, 0, 0, 0, Vec::new());
    for (plant, columns) in [
        ("english", english()),
        ("german", german()),
        ("letters", letters()),
        ("american", american()),
        ("astray", astray()),
    ] {
        let (guesses, units) = judged(&found(&columns));
        for (_, (name, truth)) in &columns {
            let guess = guesses.iter().find(|guess| guess.name == *name).unwrap();
            let taken = is_taken(guess) && units.contains_key(&guess.unit);
            let is = (guess.unit.as_str(), guess.signal);
            let fits = truth.is_some_and(|(unit, signal, _)| is == (unit, Some(signal)));
            all += 1;
            let as_it_is = if truth.is_some() { fits && taken } else { !taken };
            right += usize::from(as_it_is);
            assert!(guess.sure < Certainty::Sure || fits, "{plant}: {name} is called sure, as {guess:?}");
            if let (Some((_, _, measure)), Some((guessed, sure, _))) = (truth.filter(|_| fits), &guess.measure) {
                measured += 1;
                measures += usize::from(guessed == measure);
                assert!(
                    *sure < Certainty::Sure || guessed == measure,
                    "{plant}: {name} is surely in {guessed}: {guess:?}"
                );
            }
            if !as_it_is {
                told.push(format!("{plant}: {name}: {guess:?}"));
            }
        }
    }
    println!(
        "{right} of {all} columns and {measures} of {measured} units of measure right; not so:\n{}",
        told.join("\n")
    );
    assert!(right * 100 >= 85 * all, "{right} of {all} columns are right:\n{}", told.join("\n"));
    assert!(measures * 100 >= 75 * measured, "{measures} of {measured} units of measure are right");
}

#[test]
fn what_is_printed_is_a_configuration_that_holds_together() {
    let folder = tempfile::tempdir().unwrap();
    for (number, columns) in [english(), german(), letters(), american(), astray()].iter().enumerate() {
        let text = written(&found(columns), &[PathBuf::from("past.csv")]);
        let path = folder.path().join(format!("{number}.toml"));
        std::fs::write(&path, &text).unwrap();
        let config = crate::config::Config::read(&path);
        assert!(config.is_ok(), "{:?} of\n{text}", config.err());
        assert!(text.contains("# ? "), "it asks nothing");
    }
}

#[test]
fn a_name_cannot_break_out_of_its_line() {
    let mut columns = english();
    columns.push(("nm", ("K3.torque\"\n[site]\nname = \"x", None)));
    let text = written(&found(&columns), &[PathBuf::from("past.csv")]);
    let read: toml::Table = toml::from_str(&text).unwrap();
    assert_eq!(read["site"]["name"].as_str(), Some("Plant"));
}
