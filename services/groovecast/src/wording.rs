//! What a score says in plain words.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use plant::{Driver, Exposure, Grade, Term};

/// Drivers with their phrases, largest first.
pub fn drivers(parts: impl Iterator<Item = (String, f64)>, since: &Exposure) -> Vec<Driver> {
    let mut drivers: Vec<Driver> = parts
        .filter(|(_, hours)| *hours != 0.0)
        .map(|(name, hours_equivalent)| Driver { text: phrase(&name, since), name, hours_equivalent })
        .collect();
    drivers.sort_by(|a, b| b.hours_equivalent.abs().total_cmp(&a.hours_equivalent.abs()));
    drivers
}

/// What a driver is, as a phrase that follows its hours.
fn phrase(name: &str, since: &Exposure) -> String {
    let term: Option<Term> = name.parse().ok();
    let amount = term.map_or(0.0, |term| since.known(term));
    match term {
        Some(Term::RunH) => "running itself".to_owned(),
        Some(Term::BlindH) => format!("{} that no reading covers", counted(amount, "run hour")),
        Some(Term::SlidingKm) => format!("{amount:.0} km of sliding"),
        Some(Term::ShaftWorkMj) => format!("{amount:.0} MJ of shaft work"),
        Some(Term::ExcessWorkMj) => format!("{amount:.1} MJ of work above the usual torque"),
        Some(Term::Starts) => counted(amount, "start"),
        Some(Term::ColdStarts) => format!("{} on cold product", counted(amount, "start")),
        Some(Term::TorqueExcursions) => counted(amount, "torque excursion"),
        Some(Term::DryH) => format!("{amount:.1} h of dry running"),
        None => name.to_owned(),
    }
}

/// `1 start`, `2 starts`.
fn counted(amount: f64, what: &str) -> String {
    let s = if format!("{amount:.0}") == "1" { "" } else { "s" };
    format!("{amount:.0} {what}{s}")
}

/// Why there is no number for a tube that nobody has seen whole.
pub const UNKNOWN_BEGINNING: &str = "Never seen whole in these records, and its age is not known: no chance can be given. Inspect on the fixed schedule";

/// Why the state is `reached`.
pub fn reached(limit: Grade) -> String {
    format!("A look in this life found grade {limit} ({}) or worse; a groove does not heal", limit.meaning())
}

/// Why the state is `blind`.
pub fn blind(run_h: f64, blind_h: f64) -> String {
    format!("No reading covers {blind_h:.0} of {run_h:.0} run hours since the last complete look: the risk is a floor")
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
