//! Scores: what each tube went through since its last complete look, and what that means under a model.

use std::collections::{BTreeMap, BTreeSet};
use std::panic::resume_unwind;
use std::thread;

use jiff::Timestamp;
use plant::{Driver, Exposure, Grade, Horizon, Life, Record, Score, State, Term, TubeId, UnitId, hour_of};
use wear::{BlindPace, Course, Hazard, Pace, Risk};

use crate::by_station::{Filters, StationScorer};
use crate::config::{Belief, Config};
use crate::dose::doses;
use crate::fleet::Fleet;
use crate::model::{Basis, Model};
use crate::wording;

/// Above this share of blind hours since the last look a score is a floor, not an estimate (house rule).
const BLIND_SHARE: f64 = 0.5;

/// Where a tube stands in its life.
struct Standing {
    life: Life,
    last_look_at: Option<Timestamp>,
    worst: Option<Grade>,
    hold_and_assess: bool,
    /// Looks of this life that an analyst has set aside.
    set_aside: usize,
    /// Age at the look, or at the beginning of the life, run hours.
    age_h: f64,
    since: Exposure,
    /// Of the hours since, those of before a unit was heard, h.
    assumed_h: f64,
    /// Nothing says how the wall was when this life began.
    unknown_beginning: bool,
}

/// A model made ready to score a fleet.
pub struct Scorer<'a> {
    model: &'a Model,
    config: &'a Config,
    horizons_h: Vec<f64>,
    units: BTreeMap<&'a UnitId, UnitPace>,
    fleet_pace: Pace,
    by_station: Option<StationScorer<'a>>,
}

/// A unit's covered running as the model sees it.
struct UnitPace {
    hour: Vec<i64>,
    covered_h: Vec<f64>,
    x: Vec<Vec<f64>>,
}

impl<'a> Scorer<'a> {
    /// Prepares the paces of the fleet under a model, for now and further run hours.
    pub fn new(fleet: &'a Fleet, model: &'a Model, config: &'a Config, ahead_h: &[f64]) -> Self {
        let hazard = model.hazard.as_ref();
        let terms = model.terms();
        let mut units: BTreeMap<&UnitId, UnitPace> = BTreeMap::new();
        for (unit, hours) in &*fleet.hours {
            let mut pace = UnitPace { hour: Vec::new(), covered_h: Vec::new(), x: Vec::new() };
            for dose in doses(hours.iter().map(|hour| (hour.hour, &hour.exposure, 1.0)), &terms) {
                if let (true, Ok(x)) = (dose.covered_h > 0.0, model.covariates(&dose)) {
                    pace.hour.push(dose.hour);
                    pace.covered_h.push(dose.covered_h);
                    pace.x.push(x);
                }
            }
            units.insert(unit, pace);
        }
        let plain =
            || Pace { run_h: 0.0, multiplier: 1.0, x: vec![0.0; hazard.map_or(0, |hazard| hazard.terms.len())] };
        let fleet_pace = model.fleet_median.clone().unwrap_or_else(plain);
        let horizons_h = [0.0].iter().chain(ahead_h).copied().collect();
        let by_station = model.stations.as_ref().map(|stations| StationScorer::new(fleet, stations));
        Self { model, config, horizons_h, units, fleet_pace, by_station }
    }

    /// Keeps what it learns of each tube for the next scorer of the same model, and uses what was kept.
    pub fn keeping(self, filters: &'a Filters) -> Self {
        Self { by_station: self.by_station.map(|stations| stations.keeping(filters)), ..self }
    }

    /// One score per tube of the register, and one per unit in which no tube is fitted.
    pub fn scores(&self, fleet: &Fleet) -> Vec<Score> {
        let own = fleet.record.by_tube();
        let cores = thread::available_parallelism().map_or(1, usize::from);
        let share = own.len().div_ceil(cores).max(1);
        let mut scores: Vec<Score> = thread::scope(|scope| {
            let one = |(tube, record): &(TubeId, Record)| self.tube(&fleet.with_record(record.clone()), tube);
            let parts: Vec<_> = own
                .chunks(share)
                .map(|part| scope.spawn(move || part.iter().filter_map(one).collect::<Vec<_>>()))
                .collect();
            parts.into_iter().flat_map(|part| part.join().unwrap_or_else(|panic| resume_unwind(panic))).collect()
        });
        let fitted: BTreeSet<&UnitId> =
            fleet.record.fittings.iter().filter(|fit| fit.holds(fleet.until)).map(|fit| &fit.unit).collect();
        let empty = self.config.units.iter().filter(|unit| !fitted.contains(unit));
        scores.extend(empty.map(|unit| self.no_tube(fleet, unit)));
        scores
    }

    /// The score of a tube, of the fleet that this scorer was made for or an earlier view of it; `None` if nothing is
    /// known of its life.
    pub fn tube(&self, fleet: &Fleet, tube: &TubeId) -> Option<Score> {
        let unit = fleet.record.unit_of(tube, fleet.until).cloned();
        let standing = standing(fleet, tube)?;
        let limit = self.model.limit;
        let reached = standing.worst.is_some_and(|worst| worst >= limit);
        let (risks, equivalent_h, drivers) =
            if reached { (self.reached(), 0.0, Vec::new()) } else { self.risks(fleet, tube, unit.as_ref(), &standing) };
        let run_h = standing.since.run_h();
        let blind_h = standing.since.blind_h();
        let silent = unit.as_ref().and_then(|unit| self.silence(fleet, unit));
        // A groove does not heal on the shelf: what was found outranks where the tube lies.
        let state = if reached {
            State::Reached
        } else if unit.is_none() {
            State::NotFitted
        } else if silent.is_some() {
            State::Stale
        } else if standing.unknown_beginning || blind_h > BLIND_SHARE * run_h {
            State::Blind
        } else {
            self.model.basis.state()
        };
        let mut score = Score {
            at: fleet.until,
            tube: Some(tube.clone()),
            unit,
            state,
            reason: String::new(),
            risks,
            last_look_at: standing.last_look_at,
            last_grade: standing.worst,
            run_h,
            blind_h,
            assumed_h: standing.assumed_h,
            coverage: (run_h > 0.0).then(|| ((run_h - blind_h) / run_h).clamp(0.0, 1.0)),
            equivalent_h,
            drivers,
            hold_and_assess: standing.hold_and_assess,
            model: self.model.name.clone(),
            data_from: self.model.data_from,
            data_to: self.model.data_to,
        };
        score.reason = self.reason(&score, &standing, silent.flatten());
        Some(score)
    }

    /// Why the state is what it is.
    fn reason(&self, score: &Score, standing: &Standing, silent_since: Option<Timestamp>) -> String {
        let reason = match score.state {
            State::NotFitted => {
                "The tube sits in no unit; the risk ahead is that of a usual unit of the fleet".to_owned()
            }
            State::Reached => wording::reached(self.model.limit),
            State::Stale => wording::stale(silent_since, &self.config.time_zone),
            State::Blind if standing.unknown_beginning => wording::UNKNOWN_BEGINNING.to_owned(),
            State::Blind => wording::with_assumed(wording::blind(score), score),
            _ => wording::with_assumed(self.model.reason(), score),
        };
        match standing.set_aside {
            0 => reason,
            1 => format!("{reason}. One look of this life is set aside and does not count"),
            more => format!("{reason}. {more} looks of this life are set aside and do not count"),
        }
    }

    fn no_tube(&self, fleet: &Fleet, unit: &UnitId) -> Score {
        Score {
            at: fleet.until,
            tube: None,
            unit: Some(unit.clone()),
            state: State::NoTube,
            reason: "The register knows no tube in this unit; import its fitting".to_owned(),
            risks: Vec::new(),
            last_look_at: None,
            last_grade: None,
            run_h: 0.0,
            blind_h: 0.0,
            assumed_h: 0.0,
            coverage: None,
            equivalent_h: 0.0,
            drivers: Vec::new(),
            hold_and_assess: false,
            model: self.model.name.clone(),
            data_from: self.model.data_from,
            data_to: self.model.data_to,
        }
    }

    /// A look of this life has found the limit: all that is left is that it erred, and the next one errs too.
    fn reached(&self) -> Vec<Horizon> {
        let risk = 1.0 - self.model.misread;
        self.horizons().map(|horizon_h| Horizon { horizon_h, risk, lower: risk, upper: 1.0 }).collect()
    }

    fn horizons(&self) -> impl Iterator<Item = f64> {
        self.horizons_h.iter().copied()
    }

    fn risks(
        &self,
        fleet: &Fleet,
        tube: &TubeId,
        unit: Option<&UnitId>,
        standing: &Standing,
    ) -> (Vec<Horizon>, f64, Vec<Driver>) {
        if let Some(by_station) = self.by_station.as_ref().filter(|_| self.model.basis == Basis::Exposures) {
            return self.by_station(by_station, fleet, tube, standing).unwrap_or_else(|error| {
                tracing::error!(%tube, %error, "a tube could not be scored");
                (Vec::new(), 0.0, Vec::new())
            });
        }
        match (&self.model.basis, &self.model.hazard) {
            (Basis::Prior, _) | (_, None) => self.by_belief(fleet, tube, standing),
            (_, Some(hazard)) => self.by_hazard(hazard, fleet, tube, unit, standing).unwrap_or_else(|error| {
                tracing::error!(%tube, %error, "a tube could not be scored");
                (Vec::new(), 0.0, Vec::new())
            }),
        }
    }

    fn by_belief(&self, fleet: &Fleet, tube: &TubeId, standing: &Standing) -> (Vec<Horizon>, f64, Vec<Driver>) {
        let surface = fleet.record.tubes.get(tube).map(|tube| tube.surface.as_str());
        let Belief { early_h, late_h, spread } = self.config.model.belief_for(surface);
        let prior = wear::Prior { early_h, late_h, spread };
        let run_h = standing.since.run_h();
        let risks = self
            .horizons()
            .filter_map(|horizon_h| {
                let risk = prior.risk(standing.age_h, run_h + horizon_h, self.model.misread).ok()?;
                Some(horizon(horizon_h, risk))
            })
            .collect();
        let parts =
            [("run_h".to_owned(), standing.since.covered_h()), ("blind_h".to_owned(), standing.since.blind_h())];
        (risks, run_h, wording::drivers(parts.into_iter(), &standing.since))
    }

    fn by_station(
        &self,
        scorer: &StationScorer,
        fleet: &Fleet,
        tube: &TubeId,
        standing: &Standing,
    ) -> Result<(Vec<Horizon>, f64, Vec<Driver>), wear::WearError> {
        let (life, since) = (&standing.life, standing.last_look_at);
        let score = scorer.score(fleet, tube, life, since, self.horizons(), self.config.model.recent_h)?;
        let equivalent_h = score.parts.iter().map(|(_, hours)| hours).sum();
        Ok((score.risks, equivalent_h, wording::drivers(score.parts.into_iter(), &standing.since)))
    }

    fn by_hazard(
        &self,
        hazard: &Hazard,
        fleet: &Fleet,
        tube: &TubeId,
        unit: Option<&UnitId>,
        standing: &Standing,
    ) -> Result<(Vec<Horizon>, f64, Vec<Driver>), wear::WearError> {
        let grade = standing.worst.max(standing.life.grade_at_start).unwrap_or(Grade::SMOOTH).get();
        let mut course = Course::new(grade, standing.age_h, hazard.terms.len())?;
        if standing.last_look_at.is_none() {
            course.blind(standing.life.run_h_before)?;
        }
        let from = standing.last_look_at.or(standing.life.from);
        course.blind(fleet.unheard_h(tube, from, fleet.until))?;
        let pieces = fleet.pieces(tube, from, fleet.until);
        let hours = pieces.map(|piece| (piece.hour.hour, &piece.hour.exposure, piece.share));
        for dose in doses(hours, &self.model.terms()) {
            course.seen(dose.covered_h, &self.model.covariates(&dose)?)?;
            course.blind(dose.blind_h)?;
        }
        let pace = unit.and_then(|unit| self.units.get(unit));
        // Of all units in which it sat since, the one that wears most: a move to a gentle unit excuses no blind hour.
        let sat_in = fleet.record.fittings_of(tube).filter(|f| f.to.is_none_or(|to| from.is_none_or(|from| to > from)));
        let unit_before = sat_in
            .filter_map(|fitting| {
                let pace = self.units.get(&fitting.unit)?;
                let first = from.map_or(0, |from| pace.before(from));
                hazard.mean_pace(pace.pieces(0..first))
            })
            .max_by(|a, b| a.multiplier.total_cmp(&b.multiplier));
        let blind = BlindPace { fleet_median: self.fleet_pace.clone(), unit_before };
        let outlook = hazard.outlook(&course, &blind)?;
        let recent = |pace: &UnitPace| pace.recent(hazard, fleet.until, self.config.model.recent_h);
        let ahead = pace.and_then(recent).unwrap_or_else(|| self.fleet_pace.clone());
        let risks = self
            .horizons()
            .map(|horizon_h| Ok(horizon(horizon_h, outlook.risk(horizon_h, &ahead)?)))
            .collect::<Result<_, wear::WearError>>()?;
        let drivers = wording::drivers(outlook.drivers().into_iter(), &standing.since);
        Ok((risks, outlook.equivalent_h(), drivers))
    }

    /// `Some` if a unit has been silent for too long: since when, if it ever spoke.
    fn silence(&self, fleet: &Fleet, unit: &UnitId) -> Option<Option<Timestamp>> {
        match fleet.last_reading.get(unit) {
            None => Some(None),
            Some(at) if fleet.until.duration_since(*at) > self.config.stale_after => Some(Some(*at)),
            Some(_) => None,
        }
    }
}

impl UnitPace {
    fn pieces(&self, range: std::ops::Range<usize>) -> impl DoubleEndedIterator<Item = (f64, &[f64])> {
        self.covered_h[range.clone()].iter().zip(&self.x[range]).map(|(h, x)| (*h, x.as_slice()))
    }

    /// How many of its hours lie before the hour of an instant.
    fn before(&self, at: Timestamp) -> usize {
        self.hour.partition_point(|hour| *hour < hour_of(at))
    }

    /// The mean pace of the last covered hours before an instant.
    fn recent(&self, hazard: &Hazard, at: Timestamp, recent_h: f64) -> Option<Pace> {
        let mut hours = 0.0;
        let back = self.pieces(0..self.before(at)).rev().take_while(|(h, _)| {
            let wanted = hours < recent_h;
            hours += h;
            wanted
        });
        hazard.mean_pace(back)
    }
}

/// A risk at a horizon, h.
pub fn horizon(horizon_h: f64, risk: Risk) -> Horizon {
    Horizon { horizon_h, risk: risk.risk, lower: risk.lower, upper: risk.upper }
}

fn standing(fleet: &Fleet, tube: &TubeId) -> Option<Standing> {
    let life = fleet.life_now(tube)?;
    let looks: Vec<_> = fleet.record.looks(tube).into_iter().filter(|look| life.holds(look.at)).collect();
    let aside: Vec<_> = fleet.record.looks_aside(tube).into_iter().filter(|look| life.holds(look.at)).collect();
    let last_look_at = looks.iter().rev().find(|look| look.complete).map(|look| look.at);
    let mut since = fleet.exposure(tube, last_look_at.or(life.from), fleet.until);
    let mut age_h = 0.0;
    match last_look_at {
        Some(at) => age_h = life.run_h_before + fleet.exposure(tube, life.from, at).run_h(),
        None => {
            since.add(Term::RunH, life.run_h_before);
            since.add(Term::BlindH, life.run_h_before);
        }
    }
    Some(Standing {
        unknown_beginning: last_look_at.is_none() && life.grade_at_start.is_none(),
        worst: looks.iter().filter_map(|look| look.grade).max(),
        // Whoever sets a look aside doubts a grade; what was seen flaking goes on asking for a stop.
        hold_and_assess: looks.iter().any(|look| look.hold_and_assess) || aside.iter().any(|look| look.hold_and_assess),
        set_aside: aside.len(),
        assumed_h: fleet.unheard_h(tube, last_look_at.or(life.from), fleet.until),
        last_look_at,
        age_h,
        since,
        life,
    })
}
