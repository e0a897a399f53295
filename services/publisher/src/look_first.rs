//! Where to look first in a tube, from what was found in it before.

use std::collections::BTreeMap;

use plant::{ClockPosition, Grade, Kind, Zone};

use crate::{Site, TubeDetail};

/// Most places that are named: more is no order to look in.
const MOST: usize = 8;

/// A place and why it comes first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Spot {
    pub place: String,
    pub why: String,
}

/// The places to look at first: the worst marks of this life, then what was not read in it, then what was bad in earlier
/// lives; where nothing was read in this life, that comes first. All others are read too: it is an order, not a selection.
pub(crate) fn look_first(detail: &TubeDetail, site: &Site) -> Vec<Spot> {
    let voice = &site.voice;
    let this_life = |at| detail.lives.last().is_none_or(|life| life.holds(at));
    let mut now: BTreeMap<(Zone, ClockPosition), (Grade, String)> = BTreeMap::new();
    let mut before: BTreeMap<(Zone, ClockPosition), (Grade, String)> = BTreeMap::new();
    let mut zones = site.zones.clone();
    for look in &detail.looks {
        let marks = look.stations.iter().map(|(station, grade)| (station, *grade, Kind::Groove));
        let others = look.others.iter().map(|(station, (grade, kind))| (station, *grade, *kind));
        for (station, grade, kind) in marks.chain(others) {
            if !zones.contains(&station.0) {
                zones.push(station.0.clone());
            }
            let life = if this_life(look.at) { &mut now } else { &mut before };
            let told = voice.tell(
                "first-mark",
                &[
                    ("kind", &voice.kind(kind)),
                    ("grade", &grade),
                    ("meaning", &voice.meaning_of(grade)),
                    ("day", &site.day(look.at)),
                ],
            );
            let worst = life.entry(station.clone()).or_insert((grade, told.clone()));
            if grade >= worst.0 {
                *worst = (grade, told);
            }
        }
    }
    let name = |(zone, clock): &(Zone, ClockPosition)| format!("{}, {}", zone.0, voice.clock(*clock));
    let mut marked: Vec<_> = now.iter().filter(|(_, (grade, _))| *grade > Grade::SMOOTH).collect();
    marked.sort_by_key(|(_, (grade, _))| std::cmp::Reverse(*grade));
    let mut spots: Vec<Spot> =
        marked.into_iter().map(|(station, (_, told))| Spot { place: name(station), why: told.clone() }).collect();

    let stations = zones.iter().flat_map(|zone| ClockPosition::ALL.iter().map(move |clock| (zone.clone(), *clock)));
    let unread: Vec<_> = stations.filter(|station| !now.contains_key(station)).collect();
    if !now.is_empty() {
        let why = voice.say("first-not-read");
        spots.extend(unread.iter().map(|station| Spot { place: name(station), why: why.clone() }));
    }
    let mut earlier: Vec<_> = before
        .iter()
        .filter(|(station, (grade, _))| *grade >= Grade::CATCH && !spots.iter().any(|s| s.place == name(station)))
        .collect();
    earlier.sort_by_key(|(_, (grade, _))| std::cmp::Reverse(*grade));
    spots.extend(earlier.into_iter().map(|(station, (_, told))| Spot {
        place: name(station),
        why: voice.tell("first-earlier", &[("mark", &told)]),
    }));
    if now.is_empty() {
        // What was bad before is the only order there is; then everywhere.
        spots.truncate(MOST - 1);
        spots.push(Spot { place: voice.say("first-every"), why: voice.say("first-none-read") });
    }
    spots.truncate(MOST);
    spots
}
