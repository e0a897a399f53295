//! What goes with a look: its findings, who looked, and at which run hours.

use jiff::Timestamp;
use plant::{Finding, Grade, Kind};

use crate::run_hours::RunHours;
use crate::{Site, TubeDetail, Voice};

/// The findings that a tube's look is made of.
pub(crate) fn findings_of(detail: &TubeDetail, place: usize) -> impl Iterator<Item = &Finding> {
    let before: Option<Timestamp> = place.checked_sub(1).map(|place| detail.looks[place].at);
    let at = detail.looks[place].at;
    detail.findings.iter().filter(move |finding| finding.at <= at && before.is_none_or(|before| before < finding.at))
}

/// Who looked: each name once, in order of time; empty if nobody is named.
pub(crate) fn who<'a>(findings: impl Iterator<Item = &'a Finding>) -> String {
    let mut names: Vec<&str> = Vec::new();
    for name in findings.filter_map(|finding| finding.inspector.as_deref()) {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names.join(", ")
}

/// The run hours at a look: the meter as it was read, else the tube's own hours as far as the months tell them.
pub(crate) fn run_words<'a>(
    mut findings: impl Iterator<Item = &'a Finding>,
    at: Timestamp,
    run: &RunHours,
    voice: &Voice,
) -> String {
    match (findings.find_map(|finding| finding.run_h), run.at(at)) {
        (Some(meter_h), _) => voice.tell("look-meter", &[("hours", &voice.hours(meter_h))]),
        (None, Some(run_h)) => voice.tell("look-about", &[("hours", &voice.hours(run_h))]),
        (None, None) => voice.say("look-hours-unknown"),
    }
}

/// The worst that findings without a station say of the tube's grooves.
pub(crate) fn whole_tube<'a>(findings: impl Iterator<Item = &'a Finding>) -> Option<Grade> {
    let whole = findings.filter(|finding| finding.zone.is_none() && finding.is_groove());
    whole.map(|finding| finding.grade).max()
}

/// The letter by which a picture tells a kind of mark from a groove.
pub(crate) const fn letter(kind: Kind) -> &'static str {
    match kind {
        Kind::Groove => "",
        Kind::AxialScratch => "S",
        Kind::Pit => "P",
        Kind::Flake => "F",
        Kind::Dulling => "D",
    }
}

/// The letters in words.
pub(crate) fn letters(voice: &Voice) -> String {
    voice.say("look-letters")
}

/// The worst mark of a look in one or two characters: `2`, `F4`. Of two alike the one that is no groove.
pub(crate) fn worst_sign<'a>(worst: Option<Grade>, findings: impl Iterator<Item = &'a Finding>) -> String {
    let Some(worst) = worst else { return "–".to_owned() };
    let kinds = findings.filter(|finding| finding.grade == worst).filter_map(|finding| finding.kind);
    format!("{}{worst}", kinds.map(letter).max().unwrap_or_default())
}

/// Whether a look was complete, and if not how much of the wall was read.
pub(crate) fn extent(detail: &TubeDetail, place: usize, site: &Site) -> String {
    let (look, voice) = (&detail.looks[place], &site.voice);
    if look.complete {
        return voice.say("look-complete");
    }
    let others = look.others.keys().filter(|station| !look.stations.contains_key(*station)).count();
    let read = look.stations.len() + others;
    let all = site.zones.len() * plant::ClockPosition::ALL.len();
    if read == 0 { voice.say("look-part") } else { voice.tell("look-part-read", &[("read", &read), ("all", &all)]) }
}
