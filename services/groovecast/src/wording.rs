//! What a score says in plain words.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use plant::{Driver, Exposure, Grade, Score, Term};

/// Drivers with their phrases, largest first.
pub fn drivers(parts: impl Iterator<Item = (String, f64)>, since: &Exposure) -> Vec<Driver> {
    let mut drivers: Vec<Driver> = parts
        .filter(|(_, hours)| *hours != 0.0)
        .map(|(name, hours_equivalent)| Driver { text: phrase(&name, since), name, hours_equivalent })
        .collect();
    drivers.sort_by(|a, b| b.hours_equivalent.abs().total_cmp(&a.hours_equivalent.abs()));
    drivers
}

/// Fewer hours than these that nobody counted are not worth a word, h.
const LEAST_ASSUMED_H: f64 = 0.5;

/// What a driver is, as a phrase that follows its hours.
fn phrase(name: &str, since: &Exposure) -> String {
    let term: Option<Term> = name.parse().ok();
    let amount = term.map_or(0.0, |term| since.known(term));
    match term {
        Some(Term::RunH) => "running itself".to_owned(),
        Some(Term::BlindH) => format!("{} that no reading covers", counted(amount, "run hour")),
        Some(Term::SlidingKm) => format!("{} km of sliding", figure(amount, 0)),
        Some(Term::ShaftWorkMj) => format!("{} MJ of shaft work", figure(amount, 0)),
        Some(Term::ExcessWorkMj) => format!("{} MJ of work above the usual torque", figure(amount, 1)),
        Some(Term::Starts) => counted(amount, "start"),
        Some(Term::ColdStarts) => format!("{} on cold product", counted(amount, "start")),
        Some(Term::TorqueExcursions) => counted(amount, "torque excursion"),
        Some(Term::DryH) => format!("{} h of dry running", figure(amount, 1)),
        None => name.to_owned(),
    }
}

/// `1 start`, `2 starts`.
fn counted(amount: f64, what: &str) -> String {
    let figure = figure(amount, 0);
    let s = if figure == "1" { "" } else { "s" };
    format!("{figure} {what}{s}")
}

/// An amount with so many decimals, below one with one more than none; what is there never reads as nothing.
fn figure(amount: f64, decimals: usize) -> String {
    if !(amount > 0.0 && amount < 1.0) {
        return format!("{amount:.decimals$}");
    }
    if amount < 0.05 { "under 0.1".to_owned() } else { format!("{amount:.1}") }
}

/// Why there is no number for a tube that nobody has seen whole.
pub const UNKNOWN_BEGINNING: &str = "Never seen whole in these records, and its age is not known: no chance can be given. Inspect on the fixed schedule";

/// Why the state is `reached`.
pub fn reached(limit: Grade) -> String {
    format!("A look in this life found grade {limit} ({}) or worse; a groove does not heal", limit.meaning())
}

/// Why the state is `blind`.
pub fn blind(score: &Score) -> String {
    let (blind_h, run_h) = (score.blind_h, score.run_h);
    let floor = if score.is_floor() { ": the risk is a floor" } else { "" };
    format!("No reading covers {blind_h:.0} of {run_h:.0} run hours since the last complete look{floor}")
}

/// With how many of the run hours nobody counted, if any are worth a word.
pub fn with_assumed(reason: String, score: &Score) -> String {
    let (assumed_h, run_h) = (score.assumed_h, score.run_h);
    if assumed_h < LEAST_ASSUMED_H {
        return reason;
    }
    format!(
        "{reason}. Nobody counted {assumed_h:.0} of these {run_h:.0} h: the unit had sent nothing yet, and is taken to have run as much of \
         the time as it has since, or all of it where that is not known. Importing the past, or the run hours of a finding, would say"
    )
}

/// Why the state is `stale`.
pub fn stale(last: Option<Timestamp>, zone: &TimeZone) -> String {
    match last {
        Some(at) => {
            let at = at.to_zoned_datetime(zone.clone()).strftime("%-d %b %Y, %H:%M");
            format!("Nothing has arrived from this unit since {at}: the score is old")
        }
        None => "Nothing has ever arrived from this unit".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use plant::State;

    use super::*;

    fn score() -> Score {
        let json = r#"{"at": "2026-05-28T20:35:00Z", "tube": "T1", "unit": "K1", "state": "ok", "reason": "", "risks": [],
            "last_look_at": null, "last_grade": null, "run_h": 0, "blind_h": 0, "coverage": null, "equivalent_h": 0, "drivers": [],
            "hold_and_assess": false, "model": "", "data_from": null, "data_to": null}"#;
        serde_json::from_str(json).unwrap()
    }

    #[test]
    fn hours_that_nobody_counted_make_no_floor() {
        let told = |assumed_h: f64| {
            let score = Score { state: State::Blind, run_h: 7270.0, blind_h: 7270.0, assumed_h, ..score() };
            with_assumed(blind(&score), &score)
        };
        assert!(told(0.4).ends_with("the risk is a floor"));
        // Few of them are told, and the page says "at least" all the same.
        assert!(told(20.0).contains("the risk is a floor. Nobody counted 20 of these 7270 h"), "{}", told(20.0));
        assert!(told(7250.0).contains("Nobody counted 7250 of these 7270 h") && !told(7250.0).contains("floor"));
    }

    #[test]
    fn what_is_there_never_reads_as_nothing() {
        let told = [0.5, 0.04, 0.94, 1.0, 12.4].map(|amount| counted(amount, "run hour"));
        assert_eq!(told, ["0.5 run hours", "under 0.1 run hours", "0.9 run hours", "1 run hour", "12 run hours"]);
        assert_eq!([0.01, 0.3, 2.14].map(|amount| figure(amount, 1)), ["under 0.1", "0.3", "2.1"]);
    }
}
