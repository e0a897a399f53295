//! Readings from several sources, a few units at a time: of each unit everything at once.

use std::path::{Path, PathBuf};

use plant::UnitId;

use crate::HistoryError;
use crate::columns::DayReadings;
use crate::groups::Groups;

/// What of a source is still to be read.
enum Rest {
    /// All of a file. It is opened when its turn comes: of a day that an import has staged there may be more than a process may
    /// have open.
    File(PathBuf),
    /// Some groups of a file.
    Groups(Groups),
    /// Nothing.
    Nothing,
}

/// Where readings come from. `held` is what was read and not handed out yet.
struct Source {
    side: usize,
    rest: Rest,
    held: DayReadings,
}

impl Source {
    fn fill(&mut self, units: usize) -> Result<(), HistoryError> {
        while self.goes_on() && self.held.units().len() <= units {
            let mut groups = match std::mem::replace(&mut self.rest, Rest::Nothing) {
                Rest::File(path) => Groups::open(&path)?,
                Rest::Groups(groups) => groups,
                Rest::Nothing => return Ok(()),
            };
            if let Some(group) = groups.next() {
                self.held.append(group?);
            }
            if !groups.is_over() {
                self.rest = Rest::Groups(groups);
            }
        }
        Ok(())
    }

    fn goes_on(&self) -> bool {
        !matches!(self.rest, Rest::Nothing)
    }
}

/// Walks along sources on two sides. Each step gives the readings of some units, those of each side apart and sorted; units
/// come in order of their names, and none comes twice.
pub(crate) struct ByUnits {
    sources: Vec<Source>,
    at_least: usize,
}

impl ByUnits {
    /// At least so many units a step, as long as there are so many.
    pub(crate) fn new(at_least: usize) -> Self {
        Self { sources: Vec::new(), at_least }
    }

    /// With a file of readings on a side, 0 or 1.
    pub(crate) fn file(mut self, side: usize, path: &Path) -> Self {
        self.sources.push(Source { side, rest: Rest::File(path.to_owned()), held: DayReadings::default() });
        self
    }

    /// With sorted readings on a side, 0 or 1.
    pub(crate) fn held(mut self, side: usize, readings: DayReadings) -> Self {
        self.sources.push(Source { side, rest: Rest::Nothing, held: readings });
        self
    }
}

impl Iterator for ByUnits {
    type Item = Result<[DayReadings; 2], HistoryError>;

    fn next(&mut self) -> Option<Self::Item> {
        for source in &mut self.sources {
            if let Err(error) = source.fill(self.at_least) {
                self.sources.clear();
                return Some(Err(error));
            }
        }
        // Of a source that goes on the last unit may go on too.
        let going_on = self.sources.iter().filter(|source| source.goes_on());
        let end: Option<UnitId> = going_on.filter_map(|source| source.held.last_unit()).min().cloned();
        let mut sides = [DayReadings::default(), DayReadings::default()];
        let mut joined = [0, 0];
        for source in &mut self.sources {
            let readings = source.held.take_before(end.as_ref());
            if !readings.units().is_empty() {
                sides[source.side].append(readings);
                joined[source.side] += 1;
            }
        }
        for (side, _) in sides.iter_mut().zip(joined).filter(|(_, joined)| *joined > 1) {
            side.sort();
        }
        (joined != [0, 0]).then_some(Ok(sides))
    }
}

#[cfg(test)]
mod tests {
    use std::fs::File;

    use jiff::Timestamp;
    use plant::{Quality, Reading, Signal, TimeSource, Value};

    use super::*;
    use crate::groups::Writer;

    fn reading(unit: &str, second: i64, value: f64) -> Reading {
        Reading {
            unit: UnitId::new(unit).unwrap(),
            signal: Signal::Torque,
            at: Timestamp::from_second(second).unwrap(),
            value: Value::Number(value),
            quality: Quality::Good,
            time_source: TimeSource::Own,
        }
    }

    /// A file with a row group for each list, so that a unit may go on in the next.
    fn file(path: &Path, groups: &[Vec<Reading>]) {
        let file = File::create(path).unwrap();
        let mut writer = Writer::new(path, &file).unwrap();
        for group in groups {
            writer.write_apart(DayReadings::from_readings(group.clone())).unwrap();
        }
        writer.finish().unwrap();
    }

    #[test]
    fn every_unit_comes_once_with_all_its_readings() {
        let folder = tempfile::tempdir().unwrap();
        let (one, other) = (folder.path().join("1.parquet"), folder.path().join("2.parquet"));
        let in_one = [
            vec![reading("A", 1, 1.0), reading("B", 1, 1.0)],
            vec![reading("B", 2, 1.0)],
            vec![reading("B", 3, 1.0), reading("D", 1, 1.0)],
            vec![reading("E", 1, 1.0)],
        ];
        let in_other = [vec![reading("B", 2, 2.0), reading("C", 1, 2.0)], vec![reading("F", 1, 2.0)]];
        file(&one, &in_one);
        file(&other, &in_other);
        let held = vec![reading("B", 0, 3.0), reading("E", 9, 3.0), reading("G", 1, 3.0)];
        let all: Vec<Reading> = in_one.concat().into_iter().chain(held.clone()).collect();
        for at_least in 1..8 {
            let walk = ByUnits::new(at_least).file(0, &one).file(1, &other);
            let walk = walk.held(0, DayReadings::from_readings(held.clone()));
            let steps: Vec<[DayReadings; 2]> = walk.map(Result::unwrap).collect();
            let units = |step: &[DayReadings; 2]| {
                let mut units: Vec<UnitId> = step.iter().flat_map(|side| side.units().keys().cloned()).collect();
                units.sort();
                units.dedup();
                units
            };
            let names: Vec<String> = steps.iter().flat_map(units).map(|unit| unit.to_string()).collect();
            assert_eq!(names, ["A", "B", "C", "D", "E", "F", "G"], "{at_least} at a time");
            let side = |side: usize| steps.iter().flat_map(|step| step[side].readings()).collect::<Vec<_>>();
            assert_eq!(side(0), DayReadings::from_readings(all.clone()).readings());
            assert_eq!(side(1), DayReadings::from_readings(in_other.concat()).readings());
            let fewest = steps[..steps.len() - 1].iter().map(|step| units(step).len()).min();
            assert!(fewest.is_none_or(|fewest| fewest >= at_least.min(2)), "{at_least}: {fewest:?}");
        }
    }

    #[test]
    fn one_unit_is_found_in_whatever_groups_it_lies() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("1.parquet");
        let groups = [
            vec![reading("B", 1, 1.0), reading("C", 1, 1.0)],
            vec![reading("C", 2, 1.0)],
            vec![reading("C", 3, 1.0), reading("E", 1, 1.0)],
        ];
        file(&path, &groups);
        for (unit, rows) in [("A", 0), ("B", 1), ("C", 3), ("D", 0), ("E", 1), ("F", 0)] {
            let unit = UnitId::new(unit).unwrap();
            let found = Groups::open(&path).unwrap().of_unit(&unit).unwrap();
            assert_eq!((found.rows(), found.units().keys().all(|it| *it == unit)), (rows, true), "{unit}");
        }
    }

    #[test]
    fn a_file_is_open_only_while_it_is_read() {
        let folder = tempfile::tempdir().unwrap();
        let mut walk = ByUnits::new(1);
        for number in 0..20 {
            let path = folder.path().join(format!("{number}.parquet"));
            file(&path, &[vec![reading("A", number, 1.0)]]);
            walk = walk.file(1, &path);
        }
        let open = |walk: &ByUnits| walk.sources.iter().filter(|it| matches!(it.rest, Rest::Groups(_))).count();
        assert_eq!(open(&walk), 0);
        assert_eq!(walk.next().unwrap().unwrap()[1].rows(), 20);
        assert_eq!(open(&walk), 0);
        assert!(walk.next().is_none());
        let missing = ByUnits::new(1).file(0, &folder.path().join("none.parquet")).next().unwrap();
        assert!(missing.unwrap_err().is_gone());
    }

    #[test]
    fn what_breaks_off_is_told_once() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("1.parquet");
        file(&path, &[vec![reading("A", 1, 1.0)], vec![reading("B", 1, 1.0)]]);
        let walk = ByUnits::new(1).file(0, &path);
        let mut torn = std::fs::read(&path).unwrap();
        let quarter = torn.len() / 4;
        torn[4..quarter].fill(0xFF);
        std::fs::write(&path, torn).unwrap();
        let steps: Vec<bool> = walk.map(|step| step.is_ok()).collect();
        assert_eq!(steps, [false]);
    }
}
