//! Invented plants with names of different habits, each with what its columns truly are.
//!
//! Counted is how much of that is guessed right. However little that were: what is wrong must never be called sure.

use std::collections::BTreeSet;
use std::path::PathBuf;

use plant::Signal;

use super::export::{Export, take};
use super::written::Judged;
use crate::config::Config;
use crate::guess::Certainty;
use crate::guess::values::Series;

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
        "rads" => {
            if runs {
                31.4 + 0.1 * wave
            } else {
                0.0
            }
        }
        "minutes" => (meter * 60.0).floor(),
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
fn found(columns: &[(&str, Truth)]) -> Export {
    let mut found = Export { span_us: Some((0, 14 * 24 * H)), ..Export::default() };
    for (number, (kind, (name, truth))) in columns.iter().enumerate() {
        let unit = truth.map_or(number as i64, |(unit, ..)| unit.bytes().map(i64::from).sum::<i64>() % 7);
        let points: Vec<(i64, String)> = (0..14 * 144)
            .map(|tick| {
                let text = match *kind {
                    "modes" => ["production", "cip", "idle"][(tick / 96 % 3) as usize].to_owned(),
                    "recipes" => ["sorbet", "fondant"][(tick / 500 % 2) as usize].to_owned(),
                    "codes" => (tick / 96 % 3).to_string(),
                    kind => value(kind, tick, unit).to_string(),
                };
                (tick * H / 6, text)
            })
            .collect();
        let points = points.iter().map(|(at_us, text)| (*at_us, text.as_str())).collect();
        take(found.series.entry((*name).to_owned()).or_default(), points);
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
        "lbfin" "line2/chiller_a/torque_in_lb" => "chiller-a" Torque "lbf·in";
        "degf" "line2/chiller_a/outlet_temp_degF" => "chiller-a" ProductTemp "°F";
        "hours" "line2/chiller_a/hour_meter" => "chiller-a" RunHours "h";
        "m3h" "line2/chiller_a/flow_m3h" => "chiller-a" Flow "m³/h";
        "lbfin" "line2/chiller_b/torque_in_lb" => "chiller-b" Torque "lbf·in";
        "degf" "line2/chiller_b/outlet_temp_degF" => "chiller-b" ProductTemp "°F";
        "hours" "line2/chiller_b/hour_meter" => "chiller-b" RunHours "h";
        "media_degf" "line2/chiller_b/glycol_temp_degF" => "chiller-b" MediaTemp "°F";
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

/// Brackets with units of measure, blanks, a loop number behind each tag's letters, pumps and bearings beside the units.
fn loops() -> Vec<(&'static str, Truth)> {
    plant! {
        "nm" "Halle2.KR-1.TQ-03 [Nm]" => "KR1" Torque "N·m";
        "degc" "Halle2.KR-1.TIT-01 [°C]" => "KR1" ProductTemp "°C";
        "rads" "Halle2.KR-1.SIT-02 [rad/s]" => "KR1" Speed "rad/s";
        "minutes" "Halle2.KR-1.KQI-05 [min]" => "KR1" RunHours "min";
        "nm" "Halle2.KR-2.TQ-13 [Nm]" => "KR2" Torque "N·m";
        "degc" "Halle2.KR-2.TIT-11 [°C]" => "KR2" ProductTemp "°C";
        "rads" "Halle2.KR-2.SIT-12 [rad/s]" => "KR2" Speed "rad/s";
        "degc" "Halle2.KR-2 Lager Temperatur [°C]" => ;
        "rpm" "Halle2.Pumpe-1.Drehzahl [1/min]" => ;
        "hours" "Halle2.Pumpe-1.Betriebsstunden" => ;
        "percent" "Halle2.KR-2.Drehmoment [%]" => ;
    }
}

/// One word without a mark between, other machines with the same words, a product code in figures.
fn others() -> Vec<(&'static str, Truth)> {
    plant! {
        "nm" "A07ShaftTorque" => "A07" Torque "N·m";
        "degc" "A07OutletTemp" => "A07" ProductTemp "°C";
        "rpm" "A07ShaftSpeed" => "A07" Speed "1/min";
        "hours" "A07RunHours" => "A07" RunHours "h";
        "codes" "A07ProductCode" => "A07" Product "";
        "nm" "A08ShaftTorque" => "A08" Torque "N·m";
        "degc" "A08OutletTemp" => "A08" ProductTemp "°C";
        "rpm" "A08ShaftSpeed" => "A08" Speed "1/min";
        "hours" "A08RunHours" => "A08" RunHours "h";
        "rpm" "P11Speed" => ;
        "hours" "P11RunHours" => ;
        "degc" "AmbientTemp" => ;
        "hours" "A08ShaftTorqueTotal" => ;
    }
}

fn plants() -> [(&'static str, Vec<(&'static str, Truth)>); 7] {
    [
        ("english", english()),
        ("german", german()),
        ("letters", letters()),
        ("american", american()),
        ("astray", astray()),
        ("loops", loops()),
        ("others", others()),
    ]
}

#[test]
fn most_is_guessed_right_and_nothing_wrong_is_called_sure() {
    let (mut right, mut all, mut measures, mut measured, mut told) = (0, 0, 0, 0, Vec::new());
    let mut surely = 0;
    for (plant, columns) in plants() {
        let judged = Judged::of(&found(&columns), &BTreeSet::new());
        for (_, (name, truth)) in &columns {
            let guess = judged.guesses.iter().find(|guess| guess.name == *name).unwrap();
            let is = (guess.unit.as_str(), guess.judged.signal);
            let fits = truth.is_some_and(|(unit, signal, _)| is == (unit, Some(signal)));
            all += 1;
            let as_it_is = if truth.is_some() { fits && judged.takes(guess) } else { !judged.takes(guess) };
            right += usize::from(as_it_is);
            let is_sure = guess.judged.sure == Certainty::Sure;
            surely += usize::from(is_sure);
            assert!(!is_sure || fits, "{plant}: {name} is called sure, as {guess:?}");
            // What is taken without being asked may be only likely, but is not wrong either.
            assert!(!judged.takes(guess) || fits, "{plant}: {name} is taken as {guess:?}");
            if let (Some((_, _, measure)), Some((guessed, sure, _))) = (truth.filter(|_| fits), &guess.judged.measure) {
                measured += 1;
                measures += usize::from(guessed == measure);
                let is_asked = *sure == Certainty::Guess;
                assert!(is_asked || guessed == measure, "{plant}: {name} is in {guessed}: {guess:?}");
            }
            if !as_it_is {
                told.push(format!("{plant}: {name}: {guess:?}"));
            }
        }
    }
    println!(
        "{right} of {all} columns and {measures} of {measured} units of measure right, {surely} surely; not so:\n{}",
        told.join("\n")
    );
    assert!(right * 100 >= 90 * all, "{right} of {all} columns are right:\n{}", told.join("\n"));
    assert!(measures * 100 >= 90 * measured, "{measures} of {measured} units of measure are right");
    assert!(surely * 100 >= 40 * all, "only {surely} of {all} are sure");
}

fn config(found: &Export) -> String {
    super::configuration(found, &[PathBuf::from("past.csv")], None)
}

#[test]
fn what_is_written_is_a_configuration_that_holds_together() {
    for (plant, columns) in plants() {
        let text = config(&found(&columns));
        let held = Config::hold(&text, "plant.toml".as_ref());
        assert!(held.is_ok(), "{:?} of {plant}\n{text}", held.err());
        assert!(text.contains("# ? "), "it asks nothing");
    }
}

/// A line that is asked about holds too, once the # in front of it is taken away and what it asks is answered.
#[test]
fn what_is_asked_is_answered_by_taking_a_mark_away() {
    let text = config(&found(&astray()));
    let asked = "# \"HX7 state\" = { unit = \"HX7\", signal = \"mode\" }";
    assert!(text.contains(asked), "{text}");
    let held = Config::hold(&text.replace(asked, &asked[2..]), "plant.toml".as_ref()).unwrap();
    assert_eq!(held.files.columns["HX7 state"].signal, Signal::Mode);
    assert!(held.files.skip.contains("HX7 state"), "a column that is mapped need not be taken out of skip");
}

/// Two columns of a signal in different units of measure are each read in their own.
#[test]
fn each_column_has_its_own_unit_of_measure() {
    let held = Config::hold(&config(&found(&german())), "plant.toml".as_ref()).unwrap();
    let measure = |name: &str| held.files.columns[name].measure.map(|measure| measure.name());
    assert_eq!(measure("KKL1_Betriebsstunden"), Some("h"));
    assert_eq!(measure("KKL2_Laufzeit"), Some("s"));
}

#[test]
fn a_name_cannot_break_out_of_its_line() {
    for name in [
        "K3.torque\"\n[site]\nname = \"x",
        "K3.torque\r\n# x",
        "K3 torque \u{7f}\u{1}\u{0}",
        "K3 torque # x",
        "K3.torque\\",
        "'''K3''' torque \"\"\"",
        "\u{202e}K3 torque",
        "K3/torque+#",
        "",
        " ",
    ] {
        let mut found = found(&english());
        let series = found.series["Mill.K1.ShaftTorque_Nm"].clone();
        let words = vec!["a\"\nb = 1".to_owned(), "\u{7f}".to_owned()];
        let told = Series { numbers: Vec::new(), word_cells: 9, words };
        found.series.insert(format!("motor {name}"), series.clone());
        found.series.insert(name.to_owned(), series);
        found.series.insert(format!("{name} mode"), told);
        found.said.insert(name.to_owned(), name.to_owned());
        found.header.insert("at", name.to_owned());
        found.qualities.insert(name.to_owned());
        found.bad_times = (1, name.to_owned());
        let text = super::configuration(&found, &[PathBuf::from(format!("{name}.csv"))], None);
        let held = Config::hold(&text, "plant.toml".as_ref());
        assert!(held.is_ok(), "{:?} of\n{text}", held.err());
        assert_eq!(held.unwrap().site_name, "Plant");
    }
}

/// A historian's quality is told apart by its codes, and asked where they may mean either.
#[test]
fn qualities_are_read_as_far_as_they_speak_for_themselves() {
    for (words, right) in [
        (&["0", "192"][..], "\nquality_codes = \"byte\""),
        (&["0", "2147483648"], "\nquality_codes = \"opcua\""),
        (&["0"], "\n# quality_codes"),
        (&["Good", "Comm Lost"], "\n# quality_words = { \"Comm Lost\" = \"?\" }"),
    ] {
        let mut found = found(&english());
        found.qualities = words.iter().map(|word| (*word).to_owned()).collect();
        let text = config(&found);
        assert!(text.contains(right), "{words:?}: {text}");
    }
}

/// Two thousand columns of which nobody needs most.
#[test]
fn a_wide_export_stays_readable() {
    let mut found = found(&english());
    let series = found.series["Mill.K2.Vibration"].clone();
    for number in 0..2000 {
        found.series.insert(format!("Mill.X{number}.Vib"), series.clone());
    }
    let text = config(&found);
    assert!(Config::hold(&text, "plant.toml".as_ref()).is_ok());
    let questions = text.lines().filter(|line| line.contains("# ? ")).count();
    assert!(questions < 25, "{questions} questions\n{text}");
}

#[test]
fn units_of_measure_beside_tags_are_taken() {
    let mut found = found(&letters());
    found.said = [("TQ-101.PV", "lbf·in"), ("TT-101.PV", "DEG F"), ("TQ-102.PV", "%")]
        .map(|(name, measure)| (name.to_owned(), measure.to_owned()))
        .into();
    let judged = Judged::of(&found, &BTreeSet::new());
    let guess = |name: &str| judged.guesses.iter().find(|guess| guess.name == name).unwrap();
    let measure = |name: &str| guess(name).judged.measure.clone().map(|(measure, sure, _)| (measure, sure)).unwrap();
    assert_eq!(measure("TQ-101.PV"), ("lbf·in".to_owned(), Certainty::Sure));
    assert_eq!(measure("TT-101.PV"), ("°F".to_owned(), Certainty::Sure));
    assert!(measure("TQ-102.PV").0 == "%" && !judged.takes(guess("TQ-102.PV")), "percent of what?");
}
