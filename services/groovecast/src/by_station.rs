//! The record as latent wear reads it, station by station, and scores from it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, PoisonError};

use jiff::Timestamp;
use plant::{ClockPosition, Grade, Horizon, Life, Look, Term, TubeId, UnitId};
use serde::{Deserialize, Serialize};
use wear::{
    Ahead, DosePiece, Filtered, Histories, Latent, LatentOutlook, LifeHistory, Place, Readings, Stretch, TubeHistory,
    WearError, blind_dose,
};

use crate::dose::{Dose, doses};
use crate::fleet::Fleet;
use crate::scoring::horizon;

/// A fitted model of latent wear with what it needs of the plant.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct StationModel {
    /// The model.
    pub latent: Latent,
    /// The surfaces that it knows, by index.
    pub surfaces: Vec<String>,
    /// What blind hours weigh at least: the greater of the fleet's mean and median covered hour, as dose per run hour.
    pub fleet_pace: f64,
}

impl StationModel {
    /// The exposures that it reads, in order.
    pub fn terms(&self) -> Vec<Term> {
        self.latent.terms().iter().filter_map(|name| name.parse().ok()).collect()
    }
}

/// The surfaces of a record, in order: the index of a surface is its place here.
pub fn surfaces(fleet: &Fleet) -> Vec<String> {
    let mut surfaces: Vec<String> = fleet.record.tubes.values().map(|tube| tube.surface.clone()).collect();
    surfaces.sort();
    surfaces.dedup();
    surfaces
}

/// The histories of some tubes.
///
/// # Errors
/// [`WearError`] for amounts or depths that cannot be.
pub fn histories<'a>(
    fleet: &Fleet,
    tubes: impl Iterator<Item = &'a TubeId>,
    terms: &[Term],
    surfaces: &[String],
) -> Result<Histories, WearError> {
    let names = terms.iter().map(|term| term.as_str().to_owned()).collect();
    let clocks = ClockPosition::ALL.len();
    let places = (0..fleet.record.zones.len() * clocks).map(|at| Place { zone: at / clocks, clock: at % clocks });
    let mut histories = Histories::new(names, places.collect());
    for tube in tubes {
        histories.push(history(fleet, tube, terms, surfaces))?;
    }
    Ok(histories)
}

/// What was done to a tube and read in it, life by life, up to the fleet's instant.
fn history(fleet: &Fleet, tube: &TubeId, terms: &[Term], surfaces: &[String]) -> TubeHistory {
    let looks = fleet.record.looks(tube);
    let surface = fleet.record.tubes.get(tube).map(|tube| &tube.surface);
    let life = |life: Life| {
        let (mut from, mut ages_h) = (None, Vec::new());
        let own = looks.iter().filter(|look| life.holds(look.at));
        let looks = own
            .map(|look| {
                let stretch = stretch(fleet, tube, &life, from, look.at, terms);
                from = Some(look.at);
                ages_h.push(life.run_h_before + fleet.exposure(tube, life.from, look.at).run_h());
                (stretch, readings(fleet, look))
            })
            .collect();
        LifeHistory { life: life.number, begins_smooth: life.grade_at_start == Some(Grade::SMOOTH), looks, ages_h }
    };
    TubeHistory {
        tube: tube.to_string(),
        surface: surface.and_then(|own| surfaces.iter().position(|known| known == own)).unwrap_or(0),
        lives: fleet.record.lives(tube).into_iter().map(life).collect(),
    }
}

/// Running between two looks of a life, or from its beginning, hours before the records as blind ones.
fn stretch(
    fleet: &Fleet,
    tube: &TubeId,
    life: &Life,
    look: Option<Timestamp>,
    to: Timestamp,
    terms: &[Term],
) -> Stretch {
    let from = look.or(life.from);
    let mut stretch = Stretch { amounts: vec![0.0; terms.len()], ..Stretch::default() };
    stretch.blind_h = fleet.unheard_h(tube, from, to) + if look.is_none() { life.run_h_before } else { 0.0 };
    for dose in running(fleet, tube, from, to, terms) {
        stretch.covered_h += dose.covered_h;
        stretch.blind_h += dose.blind_h;
        stretch.amounts.iter_mut().zip(&dose.amounts).for_each(|(sum, amount)| *sum += amount);
    }
    stretch
}

fn running(fleet: &Fleet, tube: &TubeId, from: Option<Timestamp>, to: Timestamp, terms: &[Term]) -> Vec<Dose> {
    let pieces = fleet.pieces(tube, from, to).map(|piece| (piece.hour.hour, &piece.hour.exposure, piece.share));
    // Nothing was taken away from an exposure that is a sum; rounding may say so.
    let mut doses = doses(pieces, terms);
    doses.iter_mut().flat_map(|dose| &mut dose.amounts).for_each(|amount| *amount = amount.max(0.0));
    doses
}

fn readings(fleet: &Fleet, look: &Look) -> Readings {
    let clocks = ClockPosition::ALL.len();
    let place = |zone: &plant::Zone, clock: ClockPosition| {
        let zone = fleet.record.zones.iter().position(|known| known == zone)?;
        Some(zone * clocks + ClockPosition::ALL.iter().position(|known| *known == clock)?)
    };
    let stations: Vec<(usize, u8)> =
        look.stations.iter().filter_map(|((zone, clock), grade)| Some((place(zone, *clock)?, grade.get()))).collect();
    let depths_um = look
        .depths_um
        .iter()
        .filter_map(|((zone, clock), depth_um)| Some((place(zone, *clock)?, *depth_um)))
        .filter(|(_, depth_um)| depth_um.is_finite() && *depth_um >= 0.0)
        .collect();
    // A station with a groove and another mark is one station.
    let read: BTreeSet<_> = look.stations.keys().chain(look.others.keys()).collect();
    let every_station = read.len() >= clocks * fleet.record.zones.len();
    let whole = look.grade.filter(|_| look.complete && !every_station).map(plant::Grade::get);
    Readings { stations, depths_um, whole }
}

/// The median covered hour of the fleet as dose per run hour, or its mean, whichever is greater.
pub fn fleet_pace(fleet: &Fleet, latent: &Latent, terms: &[Term]) -> f64 {
    let outlook = latent.outlook();
    let mut paces: Vec<(f64, f64)> = Vec::new();
    for unit in fleet.hours.values() {
        for dose in doses(unit.iter().map(|hour| (hour.hour, &hour.exposure, 1.0)), terms) {
            if dose.covered_h > 0.0 {
                paces.push((outlook.dose(dose.covered_h, &dose.amounts) / dose.covered_h, dose.covered_h));
            }
        }
    }
    paces.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half_h = 0.5 * paces.iter().map(|(_, h)| h).sum::<f64>();
    let mut below_h = 0.0;
    let median = paces.iter().find(|(_, h)| {
        below_h += h;
        below_h >= half_h
    });
    // An hour at the fleet's mean rates is a dose of 1.
    median.map_or(1.0, |(pace, _)| pace.max(1.0))
}

/// Latent wear made ready to score a fleet.
pub struct StationScorer<'a> {
    model: &'a StationModel,
    terms: Vec<Term>,
    outlook: LatentOutlook<'a>,
    units: BTreeMap<&'a UnitId, UnitDoses>,
    filters: Option<&'a Filters>,
}

/// Tubes whose looks are kept in mind; each takes some 40 kB.
const MOST_KEPT: usize = 4096;

/// Tubes after their looks as one model sees them, kept from one evaluation to the next: going through all that was read in a tube
/// is most of the work of a score, and changes only with a look or with late readings.
#[derive(Debug)]
pub struct Filters {
    model: String,
    tubes: Mutex<BTreeMap<TubeId, (TubeHistory, Arc<Filtered>)>>,
}

impl Filters {
    /// Nothing yet of the model of this name.
    pub fn of_model(name: &str) -> Filters {
        Filters { model: name.to_owned(), tubes: Mutex::default() }
    }

    /// The name of the model.
    pub fn model(&self) -> &str {
        &self.model
    }

    fn of(&self, tube: &TubeId, history: &TubeHistory, outlook: &LatentOutlook) -> Arc<Filtered> {
        let lock = || self.tubes.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, filtered)) = lock().get(tube).filter(|(known, _)| known == history) {
            return filtered.clone();
        }
        let filtered = Arc::new(outlook.filter(history));
        let mut tubes = lock();
        if tubes.len() < MOST_KEPT || tubes.contains_key(tube) {
            tubes.insert(tube.clone(), (history.clone(), filtered.clone()));
        }
        filtered
    }
}

/// A unit's covered running in order of time: clock hour, run hours, dose.
struct UnitDoses(Vec<(i64, f64, f64)>);

impl UnitDoses {
    /// Hours and dose before a clock hour.
    fn before(&self, hour: i64) -> (f64, f64) {
        let first = self.0.partition_point(|(at, _, _)| *at < hour);
        self.0[..first].iter().fold((0.0, 0.0), |(h, sum), (_, run_h, dose)| (h + run_h, sum + dose))
    }

    /// Dose per hour of the last run hours before a clock hour.
    fn recent(&self, hour: i64, recent_h: f64) -> Option<f64> {
        let last = self.0.partition_point(|(at, _, _)| *at < hour);
        let (mut hours, mut sum) = (0.0, 0.0);
        for (_, run_h, dose) in self.0[..last].iter().rev() {
            if hours >= recent_h {
                break;
            }
            hours += run_h;
            sum += dose;
        }
        (hours > 0.0).then(|| sum / hours)
    }
}

/// Risks of a tube, and what made its wear since the last complete look, in hours of running at the fleet's mean rates.
pub struct StationScore {
    /// One per horizon.
    pub risks: Vec<Horizon>,
    /// `run_h`, each term, `blind_h`.
    pub parts: Vec<(String, f64)>,
}

impl<'a> StationScorer<'a> {
    /// Prepares the paces of the fleet's units.
    pub fn new(fleet: &'a Fleet, model: &'a StationModel) -> Self {
        let terms = model.terms();
        let outlook = model.latent.outlook();
        let of_unit = |hours: &[plant::HourExposure]| {
            let all = doses(hours.iter().map(|hour| (hour.hour, &hour.exposure, 1.0)), &terms);
            let covered = all.iter().filter(|d| d.covered_h > 0.0);
            UnitDoses(covered.map(|d| (d.hour, d.covered_h, outlook.dose(d.covered_h, &d.amounts))).collect())
        };
        let units = fleet.hours.iter().map(|(unit, hours)| (unit, of_unit(hours))).collect();
        Self { model, outlook, units, terms, filters: None }
    }

    /// Keeps what it learns of each tube, and uses what was kept.
    pub fn keeping(self, filters: &'a Filters) -> Self {
        Self { filters: Some(filters), ..self }
    }

    /// Scores a tube in its life, for horizons (h), of which `since` the last complete look its drivers speak.
    ///
    /// # Errors
    /// [`WearError`] for amounts that cannot be.
    pub fn score(
        &self,
        fleet: &Fleet,
        tube: &TubeId,
        life: &Life,
        since: Option<Timestamp>,
        horizons_h: impl Iterator<Item = f64>,
        recent_h: f64,
    ) -> Result<StationScore, WearError> {
        let all = histories(fleet, std::iter::once(tube), &self.terms, &self.model.surfaces)?;
        let filtered = match self.filters {
            Some(filters) => filters.of(tube, &all.tubes()[0], &self.outlook),
            None => Arc::new(self.outlook.filter(&all.tubes()[0])),
        };
        let last_look =
            fleet.record.looks(tube).into_iter().filter(|look| life.holds(look.at)).map(|look| look.at).max();
        let (pieces, _) = self.pieces(fleet, tube, life, last_look);
        let covered = pieces.iter().map(|piece| piece.dose).sum();
        let from = last_look.or(life.from);
        let blind = blind_dose(&pieces, self.model.fleet_pace, self.before(fleet, tube, from))?;
        let here = plant::hour_of(fleet.until);
        let unit = fleet.record.unit_of(tube, fleet.until).and_then(|unit| self.units.get(unit));
        let pace = unit.and_then(|unit| unit.recent(here, recent_h)).unwrap_or(self.model.fleet_pace);
        let risks = horizons_h
            .map(|horizon_h| {
                let coming = self.model.latent.coming(horizon_h, pace);
                Ok(horizon(horizon_h, self.outlook.risk(&filtered, Ahead { covered, blind, coming })?))
            })
            .collect::<Result<_, WearError>>()?;
        let (pieces, stretch) = self.pieces(fleet, tube, life, since);
        let blind = blind_dose(&pieces, self.model.fleet_pace, self.before(fleet, tube, since.or(life.from)))?;
        let names = ["run_h"].into_iter().chain(self.terms.iter().map(|term| term.as_str()));
        let parts = names.map(str::to_owned).zip(self.outlook.dose_parts(&stretch));
        Ok(StationScore { risks, parts: parts.chain([("blind_h".to_owned(), blind)]).collect() })
    }

    /// Running since a look, or since the life began; all of it, and its covered part summed up.
    fn pieces(&self, fleet: &Fleet, tube: &TubeId, life: &Life, look: Option<Timestamp>) -> (Vec<DosePiece>, Stretch) {
        let from = look.or(life.from);
        let unheard_h = fleet.unheard_h(tube, from, fleet.until) + if look.is_none() { life.run_h_before } else { 0.0 };
        let mut pieces = vec![DosePiece { blind_h: unheard_h, ..DosePiece::default() }];
        let mut sum = Stretch { amounts: vec![0.0; self.terms.len()], ..Stretch::default() };
        for dose in running(fleet, tube, from, fleet.until, &self.terms) {
            sum.covered_h += dose.covered_h;
            sum.amounts.iter_mut().zip(&dose.amounts).for_each(|(sum, amount)| *sum += amount);
            let piece = DosePiece {
                covered_h: dose.covered_h,
                dose: self.outlook.dose(dose.covered_h, &dose.amounts),
                blind_h: dose.blind_h,
            };
            pieces.push(piece);
        }
        (pieces, sum)
    }

    /// Covered running before an instant of the unit that wore most, of all in which the tube sat since: a move to a
    /// gentle unit excuses no blind hour.
    fn before(&self, fleet: &Fleet, tube: &TubeId, from: Option<Timestamp>) -> (f64, f64) {
        let sat_in = fleet.record.fittings_of(tube).filter(|f| f.to.is_none_or(|to| from.is_none_or(|from| to > from)));
        let hour = from.map_or(i64::MIN, plant::hour_of);
        let paces = sat_in.filter_map(|fitting| self.units.get(&fitting.unit)).map(|unit| unit.before(hour));
        let pace = |(run_h, dose): &(f64, f64)| if *run_h > 0.0 { dose / run_h } else { 0.0 };
        paces.max_by(|a, b| pace(a).total_cmp(&pace(b))).unwrap_or((0.0, 0.0))
    }
}
