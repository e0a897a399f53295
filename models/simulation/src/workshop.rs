//! Who opens what at which changeover, what is done to the tube, and what is written down of it.
//!
//! A unit is due six to twelve weeks after its last look and opened at the next changeover that is long enough; some
//! are opened earlier because they ran badly (`advice`) or because the product did (`complaint`), as plants do (common
//! practice; the numbers are invented).

use jiff::{SignedDuration, Timestamp};
use plant::{Fitting, Reason, Record, Work, WorkKind, Zone, hour_start};

use crate::looks::{Extent, Visit, ZONES};
use crate::random::Chance;
use crate::report::Meter;
use crate::schedule::Run;
use crate::truth::{LifeTruth, UnitTruth};
use crate::tubes::{HiddenTube, Place, tubes};
use crate::units::Unit;
use crate::wear::{STATIONS, pattern};

/// The heads are off so many hours after a changeover began; the cleaning is over by then.
const OPEN_AFTER_H: i64 = 3;
/// The longest look with its work ends so many hours after the changeover began.
const CLOSED_AFTER_H: i64 = 9;
const WEEK_H: i64 = 7 * 24;
/// A third long spare is bought so long after the records begin.
const NEW_SPARE_AFTER_H: i64 = 20 * WEEK_H;
/// Plain hours' worth of wear in a run hour before the records.
const USUAL_DRIVE: f64 = 3.0;
/// Excess work as a share of all shaft work since the last opportunity that makes people look.
const BAD_SHARE: f64 = 0.025;
/// Less plating than this is not honed again, µm.
const LEAST_PLATING_UM: f64 = 45.0;

/// What the workshop knows of a unit.
#[derive(Debug)]
struct Bench {
    tube: usize,
    pattern: [f64; STATIONS],
    blades_h: f64,
    due_h: i64,
    last_chance_h: i64,
    /// A catch that was found and left for the next opportunity.
    put_off: bool,
}

/// The workshop, its people and its papers.
#[derive(Debug)]
pub(crate) struct Workshop<'a> {
    units: &'a [Unit],
    truth: &'a [UnitTruth],
    meters: &'a [Meter],
    chance: Chance,
    benches: Vec<Bench>,
    tubes: Vec<HiddenTube>,
    record: Record,
}

impl<'a> Workshop<'a> {
    /// The workshop as the records begin.
    pub(crate) fn new(seed: u64, units: &'a [Unit], truth: &'a [UnitTruth], meters: &'a [Meter]) -> Self {
        let mut chance = Chance::new(seed, "workshop", 0);
        let lengths_mm: Vec<f64> = units.iter().map(|unit| unit.facts.length_mm).collect();
        let first_h = truth.first().map_or(0, |unit| unit.first_hour);
        let mut tubes = tubes(seed, &lengths_mm, first_h + NEW_SPARE_AFTER_H);
        let mut record = Record { zones: ZONES.map(|zone| Zone(zone.to_owned())).to_vec(), ..Default::default() };
        let mut benches = Vec::new();
        for (number, unit) in units.iter().enumerate() {
            let pattern = pattern(&mut chance);
            tubes[number].wear_before(USUAL_DRIVE, &pattern);
            tubes[number].fit(number, first_h);
            let (tube, from) = (tubes[number].id().clone(), hour_start(first_h));
            record.fittings.push(Fitting { tube, unit: unit.facts.unit.clone(), from, to: None });
            let due_h = first_h + chance.whole(0, 9 * WEEK_H);
            let blades_h = chance.between(0.0, 1500.0);
            benches.push(Bench { tube: number, pattern, blades_h, due_h, last_chance_h: first_h, put_off: false });
        }
        record.tubes = tubes.iter().map(|tube| (tube.id().clone(), tube.known.clone())).collect();
        Self { units, truth, meters, chance, benches, tubes, record }
    }

    /// Goes through every changeover of the past, and gives the record and the truth of all lives.
    pub(crate) fn work_through(mut self, runs: &[Vec<Run>], end_h: i64) -> (Record, Vec<LifeTruth>) {
        let mut openings: Vec<(i64, usize)> = runs
            .iter()
            .enumerate()
            .flat_map(|(unit, runs)| runs.iter().filter(|run| run.can_open).map(move |run| (run.to_h, unit)))
            .filter(|(hour, _)| hour + CLOSED_AFTER_H < end_h)
            .collect();
        openings.sort_unstable();
        for (hour, unit) in openings {
            self.receive(hour);
            self.changeover(unit, hour);
        }
        self.receive(end_h);
        for unit in 0..self.units.len() {
            self.wear(unit, end_h);
        }
        let mut record = self.record;
        record.findings.sort_by_key(|finding| finding.at);
        record.work.sort_by_key(|work| work.at);
        record.fittings.sort_by_key(|fitting| fitting.from);
        (record, self.tubes.into_iter().flat_map(HiddenTube::into_lives).collect())
    }

    /// Takes tubes back that are due from outside.
    fn receive(&mut self, hour: i64) {
        for number in 0..self.tubes.len() {
            if let Place::Away { back_h, work } = self.tubes[number].place
                && back_h <= hour
            {
                self.tubes[number].place = Place::Shelf;
                self.renew(number, work, hour_start(back_h));
            }
        }
    }

    fn wear(&mut self, unit: usize, hour: i64) {
        let bench = &mut self.benches[unit];
        self.tubes[bench.tube].wear(&self.truth[unit], &bench.pattern, &mut bench.blades_h, hour);
    }

    /// A changeover that is long enough to open the unit, beginning in `hour`.
    fn changeover(&mut self, unit: usize, hour: i64) {
        let open_h = hour + OPEN_AFTER_H;
        self.wear(unit, open_h);
        let at = hour_start(open_h) + SignedDuration::from_mins(self.chance.whole(0, 50));
        let worked_at = at + SignedDuration::from_mins(self.chance.whole(60, 150));
        if self.benches[unit].put_off {
            if self.chance.happens(0.9) {
                self.benches[unit].put_off = false;
                self.refurbish(unit, 2, worked_at);
            }
        } else if let Some(reason) = self.reason(unit, hour) {
            self.look(unit, reason, at, worked_at);
        }
        self.benches[unit].last_chance_h = hour;
    }

    /// Why this unit is opened now, if it is.
    fn reason(&mut self, unit: usize, hour: i64) -> Option<Reason> {
        let bench = &self.benches[unit];
        let recent = self.truth[unit].sum(bench.last_chance_h, hour);
        let ran_badly = recent.excess_work_mj > BAD_SHARE * recent.shaft_work_mj;
        let is_due = hour >= bench.due_h;
        let deep = self.tubes[bench.tube].wall.worst_um() > 70.0;
        if is_due {
            Some(if self.chance.happens(0.3) { Reason::Changeover } else { Reason::Scheduled })
        } else if ran_badly && self.chance.happens(0.3) {
            Some(Reason::Advice)
        } else if deep && self.chance.happens(0.35) {
            Some(Reason::Complaint)
        } else {
            None
        }
    }

    fn look(&mut self, unit: usize, reason: Reason, at: Timestamp, worked_at: Timestamp) {
        let tube = &self.tubes[self.benches[unit].tube];
        let draw = self.chance.unit();
        let routine = matches!(reason, Reason::Scheduled | Reason::Changeover);
        let extent = match draw {
            _ if draw < 0.55 => Extent::Worst,
            _ if draw < 0.88 || !routine => Extent::Stations,
            _ => Extent::FarZone,
        };
        let shown_h = self.meters[unit].after(&self.truth[unit], plant::hour_of(at));
        let meter_h = self.chance.happens(0.7).then_some(shown_h);
        let visit = Visit { at, tube: tube.id(), wall: &tube.wall, reason, extent, meter_h };
        let (findings, worst) = visit.findings(&mut self.chance);
        self.record.findings.extend(findings);
        let weeks = if extent == Extent::FarZone { (3, 5) } else { (6, 10) };
        self.benches[unit].due_h = plant::hour_of(at) + self.chance.whole(weeks.0 * WEEK_H, weeks.1 * WEEK_H);
        if worst >= 3 || (worst == 2 && self.chance.happens(0.88)) {
            self.refurbish(unit, worst, worked_at);
        } else if worst == 2 {
            self.benches[unit].put_off = true;
        } else if extent != Extent::FarZone && self.chance.happens(0.05) {
            self.swap(unit, worked_at, None);
        }
        if extent != Extent::FarZone && self.chance.happens(0.3) {
            self.benches[unit].blades_h = 0.0;
            let tube = self.tubes[self.benches[unit].tube].id().clone();
            self.record.work.push(Work { at: worked_at, tube, work: WorkKind::Blades, note: None });
        }
    }

    /// Grooves are honed away; a scored wall, or one with too little plating for it, is sent away if a spare is there.
    fn refurbish(&mut self, unit: usize, grade: u8, at: Timestamp) {
        let number = self.benches[unit].tube;
        let wall = &self.tubes[number].wall;
        let spent = wall.plating_um - wall.worst_um() < LEAST_PLATING_UM;
        let plated = wall.plating_um.is_finite();
        let outside = if plated { WorkKind::Replate } else { WorkKind::HonePolish };
        if !((grade >= 3 || spent) && self.swap(unit, at, Some(outside))) {
            // Without a spare even a spent tube is honed, and goes on.
            self.renew(number, WorkKind::HonePolish, at);
        }
    }

    /// Puts a spare in; the tube goes to the shelf, or away for `work`. False if there is no spare that fits.
    fn swap(&mut self, unit: usize, at: Timestamp, work: Option<WorkKind>) -> bool {
        let out = self.benches[unit].tube;
        let length_mm = self.tubes[out].known.length_mm;
        let fits = |tube: &HiddenTube| tube.place == Place::Shelf && tube.known.length_mm == length_mm;
        let Some(spare) = self.tubes.iter().position(fits) else { return false };
        let fitted_at = at + SignedDuration::from_mins(self.chance.whole(30, 90));
        let hour = plant::hour_of(fitted_at) + 1;
        let last = self.record.fittings.iter_mut().rfind(|fitting| fitting.tube == *self.tubes[out].id());
        last.expect("a tube in a unit was fitted").to = Some(fitted_at);
        let (tube, unit_id) = (self.tubes[spare].id().clone(), self.units[unit].facts.unit.clone());
        self.record.fittings.push(Fitting { tube, unit: unit_id, from: fitted_at, to: None });
        self.tubes[out].place = match work {
            Some(work) => Place::Away { back_h: hour + self.chance.whole(3 * WEEK_H, 6 * WEEK_H), work },
            None => Place::Shelf,
        };
        self.tubes[spare].fit(unit, hour);
        self.benches[unit].tube = spare;
        true
    }

    fn renew(&mut self, number: usize, work: WorkKind, at: Timestamp) {
        let tube = &mut self.tubes[number];
        tube.renew(work, at);
        self.record.work.push(Work { at, tube: tube.id().clone(), work, note: None });
    }
}
