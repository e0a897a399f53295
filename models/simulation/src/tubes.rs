//! The mill's tubes: their hidden walls, where they are, and what becomes of them.

use plant::{Tube, TubeId, WorkKind, hour_start};

use crate::random::Chance;
use crate::truth::{Caught, LifeTruth, UnitTruth};
use crate::wear::{CATCH_UM, STATIONS, Wall};

/// Blades that have scraped so long press this much harder than fresh ones.
const WORN_BLADES: f64 = 0.25;
const BLADES_H: f64 = 2500.0;

/// Where a tube is.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Place {
    /// In the unit of this number.
    Unit(usize),
    /// On the shelf, ready to be fitted.
    Shelf,
    /// At the workshop, back in this hour with this work done.
    Away { back_h: i64, work: WorkKind },
}

/// A tube, known and hidden.
#[derive(Debug, Clone)]
pub(crate) struct HiddenTube {
    pub(crate) known: Tube,
    pub(crate) wall: Wall,
    pub(crate) place: Place,
    chance: Chance,
    life: LifeTruth,
    past_lives: Vec<LifeTruth>,
    grown_to_h: i64,
}

impl HiddenTube {
    /// A tube as the records begin. `run_h_before` is the truth, `known.run_h_before` what the register says.
    pub(crate) fn new(seed: u64, number: usize, known: Tube, place: Place, run_h_before: f64) -> Self {
        let mut chance = Chance::new(seed, "tube", number);
        let surface = match known.surface.as_str() {
            "stainless" => 1.7,
            "nitrided" => 0.85,
            _ => 1.0,
        };
        let wall = Wall::new(&mut chance, surface, known.plating_um);
        let life = life(known.tube.clone(), None, run_h_before);
        Self { known, wall, place, chance, life, past_lives: Vec::new(), grown_to_h: 0 }
    }

    /// Its name.
    pub(crate) fn id(&self) -> &TubeId {
        &self.known.tube
    }

    /// Wear from before the records, as hours of this mean drive.
    pub(crate) fn wear_before(&mut self, drive_per_h: f64, pattern: &[f64; STATIONS]) {
        self.wall.grow(&mut self.chance, self.life.run_h_before * drive_per_h, pattern);
    }

    /// It is fitted into a unit at an hour.
    pub(crate) fn fit(&mut self, unit: usize, hour: i64) {
        self.wall.fit(&mut self.chance);
        self.place = Place::Unit(unit);
        self.grown_to_h = hour;
    }

    /// Wears up to an hour in its unit, a day at a time; `blades_h` counts the hours of the unit's blades.
    pub(crate) fn wear(&mut self, unit: &UnitTruth, pattern: &[f64; STATIONS], blades_h: &mut f64, to_h: i64) {
        while self.grown_to_h < to_h {
            let next_h = (self.grown_to_h + 24).min(to_h);
            let done = unit.sum(self.grown_to_h, next_h);
            self.grown_to_h = next_h;
            if done.run_h <= 0.0 {
                continue;
            }
            let blades = 1.0 + WORN_BLADES * (*blades_h / BLADES_H).min(1.0);
            *blades_h += done.run_h;
            self.wall.grow(&mut self.chance, blades * done.drive_h, pattern);
            self.life.run_h += done.run_h;
            let (at, worst_um) = (hour_start(next_h), self.wall.worst_um());
            self.life.worst_um.push((at, worst_um));
            if worst_um >= CATCH_UM && self.life.caught.is_none() {
                self.life.caught = Some(Caught { at, run_h: self.life.run_h });
            }
        }
    }

    /// It is renewed: a new life begins.
    pub(crate) fn renew(&mut self, work: WorkKind, at: jiff::Timestamp) {
        match work {
            WorkKind::HonePolish => self.wall.hone(),
            _ => self.wall.replate(self.known.plating_um),
        }
        let next = life(self.known.tube.clone(), Some(at), 0.0);
        let mut last = std::mem::replace(&mut self.life, next);
        last.to = Some(at);
        self.past_lives.push(last);
    }

    /// All its lives, in order.
    pub(crate) fn into_lives(self) -> impl Iterator<Item = LifeTruth> {
        self.past_lives.into_iter().chain(std::iter::once(self.life))
    }
}

fn life(tube: TubeId, from: Option<jiff::Timestamp>, run_h_before: f64) -> LifeTruth {
    LifeTruth { tube, from, to: None, run_h_before, run_h: run_h_before, caught: None, worst_um: Vec::new() }
}

/// The tubes of the mill at the start: one per unit, then three spares, one of which is only bought in `bought_h`.
pub(crate) fn tubes(seed: u64, lengths_mm: &[f64], bought_h: i64) -> Vec<HiddenTube> {
    let mut chance = Chance::new(seed, "register", 0);
    let long_mm = lengths_mm.iter().copied().fold(0.0, f64::max);
    let short_mm = lengths_mm.iter().copied().fold(f64::INFINITY, f64::min);
    let stainless = chance.whole(6, 8) as usize;
    let nitrided = chance.whole(0, 2) as usize;
    let unknown = [chance.whole(0, 5) as usize, chance.whole(6, 11) as usize];
    let spares = [long_mm, short_mm, long_mm];
    let mut tubes = Vec::new();
    for (number, length_mm) in lengths_mm.iter().chain(&spares).copied().enumerate() {
        let fitted = number < lengths_mm.len();
        let surface = match number {
            _ if number == stainless => "stainless",
            _ if number == nitrided => "nitrided",
            _ => "hard_chrome",
        };
        let plating_um = (surface == "hard_chrome").then(|| (chance.between(100.0, 150.0) / 5.0).round() * 5.0);
        let before = chance.between(0.0, 1400.0).round();
        let run_h_before = if fitted { before } else { 0.0 };
        let bought_later = number + 1 == lengths_mm.len() + spares.len();
        let known = Tube {
            tube: TubeId::new(&format!("T{}", 101 + number)).expect("T and a number is an id"),
            surface: surface.to_owned(),
            bore_mm: Some(152.4),
            length_mm: Some(length_mm),
            plating_um,
            run_h_before: (!bought_later && !unknown.contains(&number)).then_some(run_h_before),
            note: unknown.contains(&number).then(|| "age unknown".to_owned()),
        };
        let place = match number {
            _ if fitted => Place::Unit(number),
            _ if bought_later => Place::Away { back_h: bought_h, work: WorkKind::New },
            _ => Place::Shelf,
        };
        tubes.push(HiddenTube::new(seed, number, known, place, run_h_before));
    }
    tubes
}
