//! How readings become exposures, as the configuration says.

use std::collections::{BTreeMap, BTreeSet};

use collector::Mapping;
use history::{DryRule, ExcursionLimit, ExposureSettings, Hold, Running, UnitSettings};
use plant::{Bands, Signal, UnitId};

use super::Files;
use super::check::Checker;
use super::place::Place;
use super::raw;

/// The settings of every unit, each key held against its range.
pub fn settings(
    checker: &mut Checker,
    units: &BTreeMap<UnitId, raw::Unit>,
    (mappings, files): (&[Mapping], &Files),
    bands: Bands,
    raw: &raw::Exposure,
    root: &Place,
) -> Option<ExposureSettings> {
    let place = root.key("exposure");
    let units: BTreeMap<UnitId, UnitSettings> = units
        .iter()
        .filter_map(|(id, raw)| {
            let topics = mappings.iter().filter(|m| m.unit.as_ref().is_none_or(|unit| unit == id)).map(|m| m.signal);
            let columns = files.columns.values().filter(|column| column.unit == *id).map(|column| column.signal);
            let mapped = topics.chain(columns).collect();
            Some((id.clone(), unit(checker, id, raw, mapped)?))
        })
        .collect();
    let settings = ExposureSettings {
        units,
        bands,
        hold: hold(checker, &raw.hold_s, &place.key("hold_s")),
        lines: lines(checker, &raw.between, &place.key("between")),
        min_stop_s: match raw.min_stop_s {
            Some(stop_s) => checker.within(&place.key("min_stop_s"), stop_s, 0.0, 3600.0, "s"),
            None => ExposureSettings::new(BTreeMap::new()).min_stop_s,
        },
    };
    if !checker.is_content() {
        return None;
    }
    match settings.check() {
        Ok(()) => Some(settings),
        Err(error) => {
            let place = settings.units.keys().find(|unit| error.place == format!("unit {unit}"));
            let place = place.map_or(place_of_part(root, &error.place), |unit| root.key("units").key(unit.as_str()));
            checker.refuse(&place, error.problem);
            None
        }
    }
}

/// The signals that change evenly from one reading to the next.
fn lines(checker: &mut Checker, raw: &BTreeMap<String, String>, place: &Place) -> BTreeSet<Signal> {
    let mut lines = BTreeSet::new();
    for (name, meaning) in raw {
        let place = place.key(name);
        let Some(signal) = checker.take(&place, name.parse::<Signal>()) else { continue };
        match meaning.as_str() {
            "step" => {}
            "line" => {
                lines.insert(signal);
            }
            other => {
                checker.refuse(&place, format!("{other:?} is nothing between readings; right would be step or line"))
            }
        }
    }
    lines
}

fn place_of_part(root: &Place, part: &str) -> Place {
    root.key("exposure").key(if part == "hold" { "hold_s" } else { part })
}

fn unit(checker: &mut Checker, id: &UnitId, raw: &raw::Unit, mapped: BTreeSet<Signal>) -> Option<UnitSettings> {
    let signals = match &raw.signals {
        None if mapped.is_empty() && checker.to_listen => Signal::ALL.into(),
        None => mapped,
        Some(names) => {
            let place = checker.unit_key(id, "signals");
            names.iter().map(|name| checker.take(&place, name.parse::<Signal>())).collect::<Option<_>>()?
        }
    };
    if signals.is_empty() {
        checker.refuse(
            &Place::default().key("units").key(id.as_str()),
            "no topic and no column of [files] speaks of this unit; map one, or name the signals of its history files in signals",
        );
        return None;
    }
    let mut within = |key: &str, value, least, most, unit| {
        let place = checker.unit_key(id, key);
        checker.maybe_within(&place, value, (least, most), unit)
    };
    let rpm = within("running_above_rpm", raw.running_above_rpm, 0.0, 5000.0, "1/min");
    let nm = within("running_above_nm", raw.running_above_nm, 0.0, 1e5, "N·m");
    let nominal_speed_rpm = within("nominal_speed_rpm", raw.nominal_speed_rpm, 0.1, 5000.0, "1/min");
    let bore_mm = within("bore_mm", raw.bore_mm, 10.0, 2000.0, "mm");
    let flow = within("dry_below_m3_h", raw.dry_below_m3_h, 1e-6, 1e4, "m³/h");
    let share = within("dry_below_share", raw.dry_below_share, 0.01, 0.99, "");
    let cold_start_below_degc = within("cold_start_below_degc", raw.cold_start_below_degc, -60.0, 300.0, "°C");
    let above = within("excursion_above_nm", raw.excursion_above_nm, 0.1, 1e5, "N·m");
    let times = within("excursion_times_usual", raw.excursion_times_usual, 1.05, 20.0, "");
    let meter = within("meter_resolution_h", raw.meter_resolution_h, 1e-6, 24.0, "h");
    for (first, second, both) in [
        ("dry_below_m3_h", "dry_below_share", flow.is_some() && share.is_some()),
        ("excursion_above_nm", "excursion_times_usual", above.is_some() && times.is_some()),
    ] {
        if both {
            let place = checker.unit_key(id, first);
            checker.refuse(&place, format!("{first} and {second} are both given; which one counts?"));
        }
    }
    let running = if signals.contains(&Signal::Speed) {
        Running::SpeedAboveRpm(rpm.unwrap_or(5.0))
    } else {
        Running::TorqueAboveNm(nm.unwrap_or(5.0))
    };
    let house = UnitSettings::new(signals, running);
    Some(UnitSettings {
        nominal_speed_rpm,
        bore_mm,
        excluded_modes: raw.cleaning_modes.iter().flatten().cloned().collect(),
        dry: flow.map(DryRule::FlowBelowM3H).or(share.map(DryRule::TorqueBelowShare)),
        cold_start_below_degc,
        excursion: above
            .map(ExcursionLimit::AboveNm)
            .or(times.map(ExcursionLimit::TimesExpected))
            .unwrap_or(house.excursion),
        meter_resolution_h: meter.unwrap_or(house.meter_resolution_h),
        ..house
    })
}

fn hold(checker: &mut Checker, raw: &BTreeMap<String, f64>, place: &Place) -> Hold {
    let mut hold = Hold::HOUSE;
    for (name, hold_s) in raw {
        let place = place.key(name);
        let Some(signal) = checker.take(&place, name.parse::<Signal>()) else { continue };
        let hold_s = checker.within(&place, *hold_s, 1.0, 366.0 * 86_400.0, "s");
        match signal {
            Signal::Torque => hold.torque_s = hold_s,
            Signal::ProductTemp => hold.product_temp_s = hold_s,
            Signal::Speed => hold.speed_s = hold_s,
            Signal::Flow => hold.flow_s = hold_s,
            Signal::Mode | Signal::Product => hold.words_s = hold_s,
            Signal::RunHours | Signal::MediaTemp | Signal::Pressure => {
                checker.refuse(
                    &place,
                    format!("{signal} is not held; right would be torque, product_temp, speed, flow, mode or product"),
                );
            }
        }
    }
    hold
}
