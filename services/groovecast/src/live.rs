//! `check --live`: whether every mapped signal of every unit really comes, and can be what the config says.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use collector::{ArrivalsReport, Reason};
use plant::{Clock, Signal, SignalReport, UnitId};

use crate::config::Config;
use crate::exit::Failure;
use crate::listen::{Heard, connected, hear};

/// A value so many times those of the other units, or so many times less, is doubted: lbf·in taken for N·m is 8.9 times.
const TIMES_OFF: f64 = 5.0;
/// Other units that must show a value before one is held against them.
const OTHERS: usize = 2;

/// Listens until every mapped signal has come, or for as long as is allowed, and says what is wrong.
pub async fn check(config: &Config, lasts: Duration, clock: Arc<dyn Clock>) -> Result<(), Failure> {
    let expected = expected(config);
    let all_came = |report: &ArrivalsReport| {
        expected.keys().all(|(unit, signal)| report.signals.iter().any(|s| came(s, unit, *signal)))
    };
    let Heard { report, .. } = hear(config, Vec::new(), lasts, all_came, clock).await?;
    connected(config, &report)?;
    let (mut silent, mut doubtful, mut unprotected) = (0, 0, 0);
    for ((unit, signal), topic) in &expected {
        let heard = report.signals.iter().find(|s| s.unit == *unit && s.signal == *signal);
        let problems = problems(heard, topic, lasts, &report.signals);
        let came = heard.filter(|s| s.count > 0);
        let arrives = heard.is_some_and(|s| s.count > 0 || !s.faults.is_empty());
        silent += usize::from(!arrives);
        doubtful += usize::from(arrives && !problems.is_empty());
        let bare = came.is_some_and(|s| s.unprotected);
        unprotected += usize::from(bare);
        let shown = came.map_or("-".to_owned(), |s| format!("{} {}", s.value, s.measure));
        let verdict = match (problems.is_empty(), bare) {
            (true, false) => "comes".to_owned(),
            (true, true) => "comes, with QoS 0".to_owned(),
            (false, _) => format!("LOOK: {}", problems.join("; ")),
        };
        println!("{:<12} {:<13} {shown:<20} {verdict}", unit.as_str(), signal.as_str());
    }
    for fault in &report.faults {
        println!("{} times {}: {}", fault.count, fault.reason, fault.sample);
    }
    if unprotected > 0 {
        println!("{unprotected} come with QoS 0: what is lost on the way stays lost; QoS 1 would bring it again");
    }
    let all = expected.len();
    if silent + doubtful > 0 {
        let said = format!("of {all} mapped signals {silent} do not come, and {doubtful} cannot be right as they come");
        return Err(Failure::Input(said));
    }
    println!("all {all} mapped signals come");
    Ok(())
}

/// What each unit should send, and the topics that may bring it.
fn expected(config: &Config) -> BTreeMap<(UnitId, Signal), String> {
    let mut expected: BTreeMap<(UnitId, Signal), String> = BTreeMap::new();
    for mapping in &config.mappings {
        for unit in config.units.iter().filter(|unit| mapping.unit.as_ref().is_none_or(|of| of == *unit)) {
            let topics = expected.entry((unit.clone(), mapping.signal)).or_default();
            if !topics.is_empty() {
                topics.push_str(" or ");
            }
            topics.push_str(mapping.pattern.as_str());
        }
    }
    expected
}

fn came(report: &SignalReport, unit: &UnitId, signal: Signal) -> bool {
    report.unit == *unit && report.signal == signal && report.count > 0
}

/// What is wrong with a signal, in words.
fn problems(heard: Option<&SignalReport>, topic: &str, lasts: Duration, all: &[SignalReport]) -> Vec<String> {
    let Some(heard) = heard.filter(|s| s.count > 0 || !s.faults.is_empty()) else {
        return vec![format!("nothing came within {} s at {topic}", lasts.as_secs())];
    };
    let mut problems: Vec<String> = heard
        .faults
        .iter()
        // Said twice is said all the same.
        .filter(|fault| fault.reason != Reason::Duplicate.as_str())
        .map(|fault| {
            format!(
                "{} of {} {}: {}",
                fault.count,
                fault.count.max(heard.count),
                fault.reason.replace('_', " "),
                fault.sample
            )
        })
        .collect();
    problems.extend(unlike_the_others(heard, all));
    problems
}

/// Units of one plant turn alike: a value far from the others' speaks for another unit of measure.
fn unlike_the_others(heard: &SignalReport, all: &[SignalReport]) -> Option<String> {
    if matches!(heard.signal, Signal::RunHours) {
        return None;
    }
    let size = |report: &SignalReport| report.value.parse::<f64>().ok().map(f64::abs).filter(|size| *size > 0.0);
    let own = size(heard)?;
    let other = |report: &&SignalReport| report.signal == heard.signal && report.unit != heard.unit;
    let mut others: Vec<f64> = all.iter().filter(other).filter_map(size).collect();
    if others.len() < OTHERS {
        return None;
    }
    others.sort_by(f64::total_cmp);
    let usual = others[others.len() / 2];
    let times = own / usual;
    let off = !(1.0 / TIMES_OFF..=TIMES_OFF).contains(&times);
    // Temperatures have no zero that a ratio could be taken from.
    let ratio = matches!(heard.signal, Signal::Torque | Signal::Speed | Signal::Flow | Signal::Pressure);
    (off && ratio).then(|| {
        format!(
            "{} {} is {times:.2} times what the other units show: is its measure right, and does its shaft turn?",
            heard.value, heard.measure
        )
    })
}

#[cfg(test)]
mod tests {
    use plant::Fault;

    use super::*;

    fn report(unit: &str, signal: Signal, value: &str) -> SignalReport {
        SignalReport {
            unit: UnitId::new(unit).unwrap(),
            signal,
            topic: format!("p/{unit}"),
            count: 5,
            per_min: 60.0,
            last_at: None,
            arrived_at: None,
            value: value.into(),
            measure: signal.house_unit().into(),
            raw: value.into(),
            unprotected: false,
            faults: Vec::new(),
        }
    }

    #[test]
    fn a_torque_in_another_unit_of_measure_stands_out_among_units() {
        // 1 N·m = 8.8507 lbf·in (NIST SP 811, appendix B.8).
        let all = [("K1", "95"), ("K2", "110"), ("K3", "841"), ("K4", "100")];
        let all: Vec<_> = all.map(|(unit, value)| report(unit, Signal::Torque, value)).into();
        let told: Vec<_> = all.iter().map(|one| unlike_the_others(one, &all).is_some()).collect();
        assert_eq!(told, [false, false, true, false]);
        let cold: Vec<_> = [("K1", "-0.1"), ("K2", "-5"), ("K3", "-5")]
            .map(|(unit, value)| report(unit, Signal::ProductTemp, value))
            .into();
        assert_eq!(unlike_the_others(&cold[0], &cold), None, "temperatures are compared by no ratio");
        assert_eq!(unlike_the_others(&all[2], &all[2..]), None, "one other unit is no measure of what is usual");
    }

    #[test]
    fn what_does_not_come_or_comes_wrong_is_named() {
        let minute = Duration::from_secs(60);
        assert!(problems(None, "p/{unit}", minute, &[])[0].contains("nothing came within 60 s at p/{unit}"));
        let mut one = report("K1", Signal::Torque, "95");
        one.unprotected = true;
        assert_eq!(problems(Some(&one), "p/{unit}", minute, &[]), [""; 0], "QoS 0 comes all the same");
        let at = jiff::Timestamp::UNIX_EPOCH;
        one.faults =
            vec![Fault { reason: "decimal_comma".into(), count: 3, first: at, last: at, sample: "12,5".into() }];
        one.count = 0;
        assert!(problems(Some(&one), "p/{unit}", minute, &[])[0].starts_with("3 of 3 decimal comma: 12,5"));
    }
}
