//! Exposures of a fleet: days from the cache where nothing changed, from readings where something did.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::panic::resume_unwind;
use std::sync::mpsc;
use std::thread::{self, Scope};

use jiff::Timestamp;
use jiff::civil::Date;
use plant::{Campaign, DayFile, Exposure, Reading, UnitId};

use crate::baseline::{Baseline, Expectation};
use crate::by_units::ByUnits;
use crate::cache::{self, Fingerprint, Kept, SeenHours};
use crate::columns::{DayReadings, instant};
use crate::cores::{cores, on_all_cores};
use crate::hour::{Carry, UnitCarry};
use crate::slot::Slot;
use crate::store::{Store, day_of_us, day_span_us};
use crate::walk::{Beyond, Run, Unit};
use crate::{BadSettings, ExposureSettings, HistoryError, Settler, UnitHours};

/// Raised when the arithmetic of stage one or the layout of its files changes: what was kept before is computed anew.
const FORMAT: u64 = 5;

/// So often a run through the days begins anew because a file of the cache was damaged, or removed by somebody else;
/// then all is computed.
const CACHE_TRIES: usize = 3;

/// Everything exposures are computed from, besides readings.
#[derive(Debug)]
pub struct Exposures {
    settings: ExposureSettings,
    expectations: BTreeMap<UnitId, Expectation>,
    campaigns: BTreeMap<UnitId, Vec<Run>>,
    inputs: Fingerprint,
}

/// Slots fit to learn from, of each unit.
pub(crate) type Slots = BTreeMap<UnitId, Vec<Slot>>;

/// What a day ends with: known, or in the cache under a name.
enum CarryOut {
    Known(Fingerprint, Carry),
    Kept(Kept),
}

impl CarryOut {
    fn fingerprint(&self) -> Fingerprint {
        match self {
            CarryOut::Known(fingerprint, _) => *fingerprint,
            CarryOut::Kept(kept) => kept.carry,
        }
    }

    fn known(carry: Carry) -> Self {
        CarryOut::Known(Fingerprint::of_json(&carry), carry)
    }

    fn load(self) -> Result<Carry, Damaged> {
        match self {
            CarryOut::Known(_, carry) => Ok(carry),
            CarryOut::Kept(kept) => kept.carry_out().map_err(|error| Damaged::Kept(kept, error)),
        }
    }
}

/// A day's hours: computed now, or to be read from the cache.
enum Day {
    Computed(SeenHours),
    Kept(Kept),
}

/// Why a run through the days broke off.
enum Damaged {
    /// A file of the cache: it can be computed anew.
    Kept(Kept, HistoryError),
    /// Anything else.
    Other(HistoryError),
}

impl From<HistoryError> for Damaged {
    fn from(error: HistoryError) -> Self {
        Damaged::Other(error)
    }
}

impl Exposures {
    /// From settings, a baseline if one was fitted, and the campaigns that people entered (a product signal outranks
    /// them).
    ///
    /// # Errors
    /// If the settings contradict themselves.
    pub fn new(
        settings: ExposureSettings,
        baseline: Option<&Baseline>,
        campaigns: &[Campaign],
    ) -> Result<Self, BadSettings> {
        settings.check()?;
        let expectations = settings.units.keys().filter_map(|unit| Some((unit.clone(), baseline?.expectation(unit)?)));
        let mut runs: BTreeMap<UnitId, Vec<Run>> = BTreeMap::new();
        for campaign in campaigns {
            let run = (campaign.from.as_microsecond(), campaign.to.as_microsecond(), campaign.product.as_str().into());
            runs.entry(campaign.unit.clone()).or_default().push(run);
        }
        runs.values_mut().for_each(|runs| runs.sort());
        let inputs = Fingerprint::of_json(&(FORMAT, &settings, baseline));
        Ok(Self { expectations: expectations.collect(), campaigns: runs, inputs, settings })
    }

    /// The settings.
    pub fn settings(&self) -> &ExposureSettings {
        &self.settings
    }

    fn unit(&self, unit: &UnitId) -> Option<Unit<'_>> {
        Some(Unit {
            settings: self.settings.units.get(unit)?,
            shared: &self.settings,
            expectation: self.expectations.get(unit),
            campaigns: self.campaigns.get(unit).map_or(&[], Vec::as_slice),
        })
    }

    /// Stage one for all units from an instant to another, on all cores: hours seen, and slots if asked for. `readings` are
    /// those of the day and, beside them, of the next one, some units at a time. `carry` goes in as of `from_us` and comes
    /// out as of `to_us`. Signals that change evenly go towards their next reading, be it one of the next day's, unless it
    /// is not known yet.
    pub(crate) fn walk(
        &self,
        readings: impl IntoIterator<Item = Result<[DayReadings; 2], HistoryError>>,
        (from_us, to_us, known_until_us): (i64, i64, i64),
        carry: &mut Carry,
        want_slots: bool,
    ) -> Result<(SeenHours, Slots), HistoryError> {
        let units: Vec<&UnitId> = self.settings.units.keys().collect();
        let mut left = &units[..];
        let mut walked = (SeenHours::new(), Slots::new());
        let mut walk = |units: &[&UnitId], both: &[DayReadings; 2]| {
            self.walk_units(units, both, (from_us, to_us, known_until_us), carry, want_slots, &mut walked);
        };
        for both in readings {
            let both = both?;
            let last = both.iter().filter_map(DayReadings::last_unit).max();
            let (now, later) = left.split_at(left.partition_point(|unit| Some(*unit) <= last));
            walk(now, &both);
            left = later;
        }
        walk(left, &Default::default());
        Ok(walked)
    }

    fn walk_units(
        &self,
        units: &[&UnitId],
        [readings, next_day]: &[DayReadings; 2],
        (from_us, to_us, known_until_us): (i64, i64, i64),
        carry: &mut Carry,
        want_slots: bool,
        (hours, slots): &mut (SeenHours, Slots),
    ) {
        let carried_in = &*carry;
        let walk = |id: &&UnitId| {
            let mut carry = carried_in.units.get(*id).cloned().unwrap_or_default();
            let beyond = Beyond { next: next_day.unit(id), known_until_us };
            let unit = self.unit(id);
            let walked = unit.map(|unit| unit.walk(readings.unit(id), from_us, to_us, &mut carry, want_slots, beyond));
            Ok::<_, Infallible>(walked.map(|walked| ((*id).clone(), walked, carry)))
        };
        let Ok(all) = on_all_cores(units, walk);
        for (id, walked, unit_carry) in all.into_iter().flatten() {
            if unit_carry != UnitCarry::default() {
                carry.units.insert(id.clone(), unit_carry);
            }
            if !walked.slots.is_empty() {
                slots.insert(id.clone(), walked.slots);
            }
            hours.insert(id, walked.hours);
        }
    }

    /// What is known of the day after `number`, if signals change evenly towards its readings.
    fn next_day<'d, 'r>(&self, days: &'d [DayParts<'r>], number: usize) -> Option<&'d DayParts<'r>> {
        days.get(number + 1).filter(|_| !self.settings.lines.is_empty())
    }

    /// All readings of a day, and beside them those of the next one where [`Exposures::walk`] needs them.
    pub(crate) fn readings(&self, store: &Store, days: &[DayParts<'_>], number: usize) -> ByUnits {
        // One unit for each core at least, so that none waits for the next step.
        let mut both = ByUnits::new(cores());
        for (side, day) in [days.get(number), self.next_day(days, number)].into_iter().enumerate() {
            let Some((_, file, fresh)) = day else { continue };
            if let Some(file) = file {
                both = both.file(side, &store.path(file));
            }
            both = both.held(side, DayReadings::from_readings(fresh.iter().map(|reading| (*reading).clone())));
        }
        both
    }

    fn key(&self, file: &DayFile, next: Option<&DayFile>, carry: Fingerprint) -> Fingerprint {
        let (from_us, to_us) = day_span_us(file.day);
        // A campaign counts as far as it lies in this day: one that is prolonged later leaves older days alone.
        let clipped = |(from, to, product): &Run| {
            (*from < to_us && *to > from_us).then(|| ((*from).max(from_us), (*to).min(to_us), product.clone()))
        };
        let campaigns: Vec<_> = self
            .campaigns
            .iter()
            .flat_map(|(unit, runs)| runs.iter().filter_map(clipped).map(move |run| (unit.clone(), run)))
            .collect();
        Fingerprint::of_json(&(self.inputs.0, file, next, carry.0, campaigns))
    }

    /// The exposures of every unit from its first reading up to `until`, hour by hour.
    ///
    /// `files` are the days that the manifest lists; `tail` are readings that have not left the journal, of any day and
    /// in any order. Days without such readings come from the cache where nothing changed, and go there otherwise. Time
    /// after `until` does not exist. Blocking: reads files and uses all cores.
    ///
    /// # Errors
    /// If a file of readings cannot be read; [`HistoryError::is_gone`] if another process has replaced it since it was
    /// listed. A cache that cannot be read or written costs time only.
    pub fn fleet_hours(
        &self,
        store: &Store,
        files: &[DayFile],
        tail: &[Reading],
        until: Timestamp,
    ) -> Result<BTreeMap<UnitId, UnitHours>, HistoryError> {
        for _ in 0..CACHE_TRIES {
            match self.try_fleet_hours(store, files, tail, until, true) {
                Ok(hours) => return Ok(hours),
                Err(Damaged::Other(error)) => return Err(error),
                // If it cannot be removed either, the last run does without it.
                Err(Damaged::Kept(kept, _)) => kept.forget().unwrap_or_default(),
            }
        }
        match self.try_fleet_hours(store, files, tail, until, false) {
            Ok(hours) => Ok(hours),
            Err(Damaged::Other(error) | Damaged::Kept(_, error)) => Err(error),
        }
    }

    fn try_fleet_hours(
        &self,
        store: &Store,
        files: &[DayFile],
        tail: &[Reading],
        until: Timestamp,
        cached: bool,
    ) -> Result<BTreeMap<UnitId, UnitHours>, Damaged> {
        let until_us = until.as_microsecond();
        let (days, carry) = self.chain(store, files, tail, until_us, cached)?;
        let mut settlers: BTreeMap<UnitId, Settler> = BTreeMap::new();
        let mut nothing: BTreeMap<UnitId, Exposure> = BTreeMap::new();
        let mut begun: BTreeMap<UnitId, i64> = BTreeMap::new();
        for (id, settings) in &self.settings.units {
            let lacking = self.unit(id).map(|unit| unit.lacking()).unwrap_or_default();
            let mut empty = Exposure::default();
            lacking.iter().for_each(|term| empty.mark_lacking(*term));
            nothing.insert(id.clone(), empty);
            settlers.insert(id.clone(), Settler::new(settings.meter_resolution_h, lacking));
        }
        let cores = cores();
        // A few days at a time: reading is spread over the cores, and no more is held than needed.
        for days in chunks(days, 8 * cores) {
            for hours in self.load(days, cores)? {
                for (id, hours) in hours {
                    let Some(settler) = settlers.get_mut(&id) else { continue };
                    if let Some(at_us) = hours.first().and_then(|first| first.begun_us) {
                        begun.insert(id, at_us);
                    }
                    hours.into_iter().for_each(|hour| settler.push(hour));
                }
            }
        }
        let settled = settlers.into_iter().map(|(id, settler)| {
            let empty = nothing.remove(&id).unwrap_or_default();
            let first = begun.get(&id).copied().map(instant);
            let last = carry.units.get(&id).and_then(UnitCarry::last_us).map(instant);
            (id.clone(), UnitHours::new(id, settler.finish(), empty, until, (first, last)))
        });
        Ok(settled.collect())
    }

    fn load(&self, days: Vec<Day>, cores: usize) -> Result<Vec<SeenHours>, Damaged> {
        let read = |day: Day| match day {
            Day::Computed(hours) => Ok(hours),
            Day::Kept(kept) => kept.hours(&self.settings.bands).map_err(|error| Damaged::Kept(kept, error)),
        };
        let share = days.len().div_ceil(cores).max(1);
        thread::scope(|scope| {
            let parts: Vec<_> = chunks(days, share)
                .into_iter()
                .map(|part| scope.spawn(move || part.into_iter().map(read).collect::<Result<Vec<_>, _>>()))
                .collect();
            let mut all = Vec::new();
            for part in parts {
                all.extend(part.join().expect("a panic in reading is caught at its door")?);
            }
            Ok(all)
        })
    }

    /// Follows the days from the first reading to `until_us`, computing those that the cache does not know.
    fn chain(
        &self,
        store: &Store,
        files: &[DayFile],
        tail: &[Reading],
        until_us: i64,
        cached: bool,
    ) -> Result<(Vec<Day>, Carry), Damaged> {
        let days = &days(files, tail, until_us)[..];
        thread::scope(|scope| {
            let mut carry = CarryOut::known(Carry::default());
            let mut result = Vec::with_capacity(days.len());
            let mut ahead = None;
            for (number, (day, file, fresh)) in days.iter().enumerate() {
                let (from_us, to_us) = day_span_us(*day);
                let next_day = self.next_day(days, number);
                // A day towards whose next one signals change is over when that one is.
                let over_us = if self.settings.lines.is_empty() { to_us } else { day_span_us(day_of_us(to_us)).1 };
                let late = !fresh.is_empty() || next_day.is_some_and(|(_, _, fresh)| !fresh.is_empty());
                let closed = over_us <= until_us && !late && cached;
                let next_file = next_day.and_then(|(_, file, _)| *file);
                let key = file.filter(|_| closed).map(|file| self.key(file, next_file, carry.fingerprint()));
                if let Some(kept) = key.and_then(|key| cache::find(store.data(), *day, key)) {
                    result.push(Day::Kept(kept.clone()));
                    carry = CarryOut::Kept(kept);
                    ahead = None;
                    continue;
                }
                let read = |number| read_ahead(scope, move || self.readings(store, days, number));
                let readings = ahead.take().unwrap_or_else(|| read(number));
                // A day is read while the one before it is walked.
                ahead = days.get(number + 1).and_then(|(_, next, _)| *next).map(|_| read(number + 1));
                let mut next = carry.load()?;
                let (hours, _) = self.walk(readings, (from_us, to_us.min(until_us), until_us), &mut next, false)?;
                if let Some(key) = key {
                    // What cannot be kept is computed again next time.
                    let _ = cache::keep(store.data(), *day, key, &hours, &self.settings.bands, &next);
                }
                carry = CarryOut::known(next);
                result.push(Day::Computed(hours));
            }
            Ok((result, carry.load()?))
        })
    }
}

/// A day with its file and those of its readings that have not left the journal.
pub(crate) type DayParts<'a> = (Date, Option<&'a DayFile>, Vec<&'a Reading>);

/// Reads on a thread of its own, one step ahead of whoever takes what was read.
fn read_ahead<'scope>(
    scope: &'scope Scope<'scope, '_>,
    open: impl FnOnce() -> ByUnits + Send + 'scope,
) -> impl Iterator<Item = Result<[DayReadings; 2], HistoryError>> {
    let (sender, receiver) = mpsc::sync_channel(1);
    // Where nobody listens any more there is nothing to read for.
    let reader = scope.spawn(move || drop(open().try_for_each(|both| sender.send(both))));
    let mut reader = Some(reader);
    std::iter::from_fn(move || {
        receiver.recv().ok().or_else(|| {
            // A reader that broke has not come to the end.
            reader.take()?.join().unwrap_or_else(|panic| resume_unwind(panic));
            None
        })
    })
}

/// Every day from the first reading up to `until_us`, such without a file or a reading among them.
pub(crate) fn days<'a>(files: &'a [DayFile], tail: &'a [Reading], until_us: i64) -> Vec<DayParts<'a>> {
    let files: BTreeMap<Date, &DayFile> = files.iter().map(|file| (file.day, file)).collect();
    let mut fresh: BTreeMap<Date, Vec<&Reading>> = BTreeMap::new();
    for reading in tail {
        fresh.entry(day_of_us(reading.at.as_microsecond())).or_default().push(reading);
    }
    let last = day_of_us(until_us);
    let Some(first) = files.keys().chain(fresh.keys()).min().copied().filter(|first| *first <= last) else {
        return Vec::new();
    };
    let days = first.series(jiff::ToSpan::days(1)).take_while(|day| *day <= last);
    days.map(|day| (day, files.get(&day).copied(), fresh.remove(&day).unwrap_or_default())).collect()
}

/// Splits into parts of at most so many.
fn chunks<T>(items: Vec<T>, most: usize) -> Vec<Vec<T>> {
    let mut parts = Vec::new();
    let mut items = items.into_iter().peekable();
    while items.peek().is_some() {
        parts.push(items.by_ref().take(most).collect());
    }
    parts
}
