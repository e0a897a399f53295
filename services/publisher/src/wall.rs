//! The unrolled wall: the newest grade of each station in the life that lasts.

use std::collections::BTreeMap;

use plant::{ClockPosition, Zone};

use crate::{Site, TubeDetail};

/// Zones across, from the drive end; clock positions down.
#[derive(Debug)]
pub(crate) struct Wall {
    pub zones: Vec<String>,
    pub rows: Vec<(String, Vec<Station>)>,
    /// No station was read in this life.
    pub unread: bool,
}

/// One place on the wall.
#[derive(Debug)]
pub(crate) struct Station {
    /// The grade, `None` if it was not read: unknown, never 0.
    pub grade: Option<u8>,
    pub meaning: &'static str,
    pub day: String,
}

/// The wall as its newest readings have it.
pub(crate) fn wall(detail: &TubeDetail, site: &Site) -> Wall {
    let mut newest = BTreeMap::new();
    let mut zones: Vec<Zone> = site.zones.clone();
    let life = detail.lives.last();
    for look in detail.looks.iter().filter(|look| life.is_none_or(|life| life.holds(look.at))) {
        for ((zone, clock), grade) in &look.stations {
            if !zones.contains(zone) {
                zones.push(zone.clone());
            }
            newest.insert((zone.clone(), *clock), (*grade, look.at));
        }
    }
    let station = |zone: &Zone, clock: ClockPosition| match newest.get(&(zone.clone(), clock)) {
        Some((grade, at)) => Station { grade: Some(grade.get()), meaning: grade.meaning(), day: site.day(*at) },
        None => Station { grade: None, meaning: "not read", day: String::new() },
    };
    Wall {
        rows: ClockPosition::ALL
            .iter()
            .map(|clock| (format!("{clock} o'clock"), zones.iter().map(|zone| station(zone, *clock)).collect()))
            .collect(),
        zones: zones.into_iter().map(|zone| zone.0).collect(),
        unread: newest.is_empty(),
    }
}
