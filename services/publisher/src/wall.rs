//! The unrolled wall: what is known of each station in the life that lasts.

use std::collections::BTreeMap;

use jiff::Timestamp;
use plant::{ClockPosition, Finding, Grade, Kind, Zone};

use crate::{Site, TubeDetail};

/// Zones across, from the drive end; clock positions down.
#[derive(Debug)]
pub(crate) struct Wall {
    pub zones: Vec<String>,
    pub rows: Vec<(String, Vec<Station>)>,
    /// No station was read in this life.
    pub unread: bool,
    /// Marks of other kinds of which nobody said where they are.
    pub placeless: Vec<String>,
}

/// One place on the wall.
#[derive(Debug)]
pub(crate) struct Station {
    /// The worst mark that is no groove, with its kind. It stays until a new life begins: a later look that names only
    /// the groove does not take it away.
    pub other: Option<Mark>,
    /// The newest groove grade, `None` if grooves were not read: unknown, never 0.
    pub groove: Option<Mark>,
    /// How heavy its frame is: the worst of both.
    pub weight: Option<u8>,
}

/// A mark as it is set.
#[derive(Debug)]
pub(crate) struct Mark {
    pub grade: u8,
    pub kind: String,
    pub meaning: String,
    pub day: String,
}

impl Mark {
    fn of(grade: Grade, kind: Kind, at: Timestamp, site: &Site) -> Self {
        let voice = &site.voice;
        Mark { grade: grade.get(), kind: voice.kind(kind), meaning: voice.meaning_of(grade), day: site.day(at) }
    }
}

/// The wall as the looks of this life have it.
pub(crate) fn wall(detail: &TubeDetail, site: &Site) -> Wall {
    let mut grooves = BTreeMap::new();
    let mut others: BTreeMap<(Zone, ClockPosition), (Grade, Kind, Timestamp)> = BTreeMap::new();
    let mut zones: Vec<Zone> = site.zones.clone();
    let life = detail.lives.last();
    let of_this_life = |at: Timestamp| life.is_none_or(|life| life.holds(at));
    for look in detail.looks.iter().filter(|look| of_this_life(look.at)) {
        for (zone, _) in look.stations.keys().chain(look.others.keys()) {
            if !zones.contains(zone) {
                zones.push(zone.clone());
            }
        }
        for (station, grade) in &look.stations {
            grooves.insert(station.clone(), (*grade, look.at));
        }
        for (station, (grade, kind)) in &look.others {
            let mark = others.entry(station.clone()).or_insert((*grade, *kind, look.at));
            *mark = (*mark).max((*grade, *kind, look.at));
        }
    }
    let station = |zone: &Zone, clock: ClockPosition| {
        let place = (zone.clone(), clock);
        let groove = grooves.get(&place).map(|(grade, at)| Mark::of(*grade, Kind::Groove, *at, site));
        let other = others.get(&place).map(|(grade, kind, at)| Mark::of(*grade, *kind, *at, site));
        Station { weight: groove.iter().chain(&other).map(|mark| mark.grade).max(), other, groove }
    };
    let placeless = |finding: &&Finding| {
        of_this_life(finding.at) && !finding.is_groove() && (finding.zone.is_none() || finding.clock.is_none())
    };
    Wall {
        rows: ClockPosition::ALL
            .iter()
            .map(|clock| (site.voice.clock(*clock), zones.iter().map(|zone| station(zone, *clock)).collect()))
            .collect(),
        placeless: detail.findings.iter().filter(placeless).map(|finding| stated(finding, site)).collect(),
        zones: zones.into_iter().map(|zone| zone.0).collect(),
        unread: grooves.is_empty() && others.is_empty(),
    }
}

/// A mark without a station, with what was said of its place.
fn stated(finding: &Finding, site: &Site) -> String {
    let voice = &site.voice;
    let kind = finding.kind.map_or_else(|| voice.say("kind-none"), |kind| voice.kind(kind));
    let zone = finding.zone.as_ref().map(|zone| voice.tell("place-zone", &[("zone", &zone.0)]));
    let clock = finding.clock.map(|clock| voice.tell("place-clock", &[("clock", &voice.clock(clock))]));
    let place = zone.or(clock).unwrap_or_else(|| voice.say("place-unknown"));
    voice.tell(
        "mark-stated",
        &[("kind", &kind), ("grade", &finding.grade), ("place", &place), ("day", &site.day(finding.at))],
    )
}
