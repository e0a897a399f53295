//! The files of readings, one per UTC day.
//!
//! A day is never changed in place: a new generation is written beside the old one, synced, and renamed. Which
//! generation is current is said by the manifest, and the manifest is not kept here: whoever calls lists the new file
//! first and lets [`Store::remove_unlisted`] take the old one away afterwards.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use jiff::civil::Date;
use plant::{DayFile, Reading, Signal, UnitId};

use crate::HistoryError;
use crate::by_units::ByUnits;
use crate::columns::{DayReadings, instant};
use crate::groups::{Groups, Writer};
use crate::tally::{self, Added, ByTrack};
use crate::whole_file::{Keep, remove, write_whole};

const FOLDER: &str = "readings";
const DAY_US: i64 = 86_400_000_000;

/// The folder that holds the files of readings.
#[derive(Debug, Clone)]
pub struct Store {
    data: PathBuf,
}

impl Store {
    /// A store below a data folder; nothing is touched before the first write.
    pub fn new(data: impl Into<PathBuf>) -> Self {
        Self { data: data.into() }
    }

    /// The data folder.
    pub fn data(&self) -> &Path {
        &self.data
    }

    /// Writes a new generation of a day: what the current file holds and the new readings, sorted, duplicates dropped.
    ///
    /// `new` comes in any order and may repeat what is there. The current file stays.
    ///
    /// # Errors
    /// If a file cannot be read or written, if a reading lies outside the day, or if there are no readings at all.
    pub fn merge(
        &self,
        day: Date,
        current: Option<&DayFile>,
        generation: i64,
        new: impl IntoIterator<Item = Reading>,
    ) -> Result<DayFile, HistoryError> {
        let both = self.by_units(current).held(1, DayReadings::from_readings(new));
        self.write(day, generation, both.map(|both| both.map(joined)))
    }

    /// Like [`Store::merge`], from the parts that an import has staged. The file is `None` if the day would stay as it is:
    /// importing twice changes nothing.
    ///
    /// # Errors
    /// As [`Store::merge`].
    pub fn merge_staged(
        &self,
        day: Date,
        current: Option<&DayFile>,
        generation: i64,
        parts: &[PathBuf],
    ) -> Result<(Option<DayFile>, ByTrack<Added>), HistoryError> {
        let mut added = ByTrack::<Added>::default();
        let readings = self.by_units(current).with_staged(parts).map(|both| {
            let (readings, gained) = gained(both?);
            added.add(&gained);
            Ok(readings)
        });
        let file = self.write(day, generation, readings)?;
        if added.iter().all(|(_, _, added)| added.new == 0) {
            remove(&self.data.join(&file.path))?;
            return Ok((None, added));
        }
        Ok((Some(file), added))
    }

    /// What [`Store::merge_staged`] would add to a day and to readings of it that are known besides, such as those in the
    /// journal.
    ///
    /// # Errors
    /// If a file cannot be read.
    pub fn compare_staged(
        &self,
        current: Option<&DayFile>,
        known: &[Reading],
        parts: &[PathBuf],
    ) -> Result<ByTrack<Added>, HistoryError> {
        let known = DayReadings::from_readings(known.iter().cloned());
        let mut added = ByTrack::<Added>::default();
        for both in self.by_units(current).held(0, known).with_staged(parts) {
            added.add(&gained(both?).1);
        }
        Ok(added)
    }

    /// Writes a new generation of a day without some signals; `None` if nothing would be left. The current file stays.
    ///
    /// # Errors
    /// As [`Store::merge`].
    pub fn without(
        &self,
        current: &DayFile,
        generation: i64,
        signals: &BTreeSet<Signal>,
    ) -> Result<Option<DayFile>, HistoryError> {
        let left = self.by_units(Some(current)).map(|both| {
            let mut readings = joined(both?);
            readings.drop_signals(signals);
            Ok(readings)
        });
        match self.write(current.day, generation, left) {
            Err(HistoryError::EmptyDay { .. }) => Ok(None),
            written => written.map(Some),
        }
    }

    /// All readings of a day.
    ///
    /// # Errors
    /// If the file cannot be read or is not one of ours.
    pub fn read(&self, file: &DayFile) -> Result<DayReadings, HistoryError> {
        let mut day = DayReadings::default();
        for group in Groups::open(&self.path(file))? {
            day.append(group?);
        }
        Ok(day)
    }

    /// One unit's readings of a day; the other units' are not decoded.
    ///
    /// # Errors
    /// If the file cannot be read or is not one of ours.
    pub fn read_unit(&self, file: &DayFile, unit: &UnitId) -> Result<DayReadings, HistoryError> {
        Groups::open(&self.path(file))?.of_unit(unit)
    }

    /// Where a file lies.
    pub(crate) fn path(&self, file: &DayFile) -> PathBuf {
        self.data.join(&file.path)
    }

    /// A walk with the current file of a day on side 0.
    fn by_units(&self, current: Option<&DayFile>) -> ByUnits {
        match current {
            Some(file) => ByUnits::new(1).file(0, &self.path(file)),
            None => ByUnits::new(1),
        }
    }

    /// Removes the files of readings up to a generation that the manifest does not list: older ones, and what a crash left
    /// half done. Files of a later generation may be another writer's that are not listed yet. Returns the paths removed,
    /// below the data folder.
    ///
    /// # Errors
    /// If a folder cannot be listed or a file not removed.
    pub fn remove_unlisted(&self, listed: &[DayFile], up_to: i64) -> Result<Vec<String>, HistoryError> {
        let listed: BTreeSet<PathBuf> = listed.iter().map(|file| self.data.join(&file.path)).collect();
        let mut removed = Vec::new();
        for folder in entries(&self.data.join(FOLDER))? {
            if !folder.is_dir() {
                continue;
            }
            for path in entries(&folder)? {
                if !listed.contains(&path) && generation_of(&path).is_some_and(|generation| generation <= up_to) {
                    remove(&path)?;
                    removed.push(path.strip_prefix(&self.data).unwrap_or(&path).display().to_string());
                }
            }
            // Only an empty folder goes; one that still holds a day stays.
            let _ = fs::remove_dir(&folder);
        }
        Ok(removed)
    }

    fn write(
        &self,
        day: Date,
        generation: i64,
        parts: impl Iterator<Item = Result<DayReadings, HistoryError>>,
    ) -> Result<DayFile, HistoryError> {
        let (from, to) = day_span_us(day);
        let (mut rows, mut conflicts, mut signals) = (0, 0, BTreeSet::new());
        let mut span: Option<(i64, i64)> = None;
        let path = format!("{FOLDER}/{day}/{generation}.parquet");
        let bytes = write_whole(&self.data.join(&path), Keep::Durable, |at, file| {
            let mut writer = Writer::new(at, file)?;
            for readings in parts {
                let readings = readings?;
                let Some((first, last)) = readings.span_us() else { continue };
                for at_us in [first, last] {
                    if !(from..to).contains(&at_us) {
                        return Err(HistoryError::WrongDay { day, at: instant(at_us) });
                    }
                }
                span = Some(span.map_or((first, last), |(from, to)| (from.min(first), to.max(last))));
                rows += readings.rows();
                conflicts += readings.conflicts();
                signals.extend(readings.signals());
                writer.write(readings)?;
            }
            if span.is_none() {
                return Err(HistoryError::EmptyDay { day });
            }
            writer.finish()
        })?;
        let (first, last) = span.ok_or(HistoryError::EmptyDay { day })?;
        Ok(DayFile {
            day,
            generation,
            path,
            rows,
            conflicts,
            first_at: instant(first),
            last_at: instant(last),
            bytes,
            signals: Some(signals),
        })
    }
}

impl ByUnits {
    /// With the parts of a day that an import has staged on side 1.
    fn with_staged(self, parts: &[PathBuf]) -> ByUnits {
        parts.iter().fold(self, |walk, part| walk.file(1, part))
    }
}

/// Both sides as one, sorted.
fn joined([mut readings, new]: [DayReadings; 2]) -> DayReadings {
    readings.append(new);
    readings.sort();
    readings
}

/// Both sides as one, sorted, and what the second adds to the first.
fn gained(both: [DayReadings; 2]) -> (DayReadings, ByTrack<Added>) {
    let mut before = tally::size(&both[0]);
    let readings = joined(both);
    let added = tally::added(&mut before, &readings);
    (readings, added)
}

/// The UTC day's first instant and that of the next, µs since 1970-01-01T00:00Z.
pub(crate) fn day_span_us(day: Date) -> (i64, i64) {
    let epoch = jiff::civil::date(1970, 1, 1);
    let days = i64::from((day - epoch).get_days());
    (days * DAY_US, (days + 1) * DAY_US)
}

/// The UTC day of an instant.
pub(crate) fn day_of_us(at_us: i64) -> Date {
    jiff::tz::TimeZone::UTC.to_datetime(instant(at_us)).date()
}

/// The generation in a file's name, which ends at the first dot; `None` if it is none of ours.
fn generation_of(path: &Path) -> Option<i64> {
    path.file_name()?.to_str()?.split('.').next()?.parse().ok()
}

pub(crate) fn entries(folder: &Path) -> Result<Vec<PathBuf>, HistoryError> {
    let listed = match fs::read_dir(folder) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        listed => listed.map_err(HistoryError::io("list", folder))?,
    };
    listed.map(|entry| entry.map(|entry| entry.path()).map_err(HistoryError::io("list", folder))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use plant::{Quality, TimeSource, Value};

    const DAY: Date = jiff::civil::date(2026, 3, 31);

    fn reading(unit: &str, signal: Signal, at: &str, value: Value) -> Reading {
        let unit = UnitId::new(unit).unwrap();
        let at = at.parse().unwrap();
        Reading { unit, signal, at, value, quality: Quality::Good, time_source: TimeSource::Own }
    }

    fn some() -> Vec<Reading> {
        vec![
            reading("C2", Signal::Torque, "2026-03-31T12:00:00.000001Z", Value::Number(95.0)),
            reading("C1", Signal::Mode, "2026-03-31T12:00:00Z", Value::Text("cip".into())),
            reading("C1", Signal::Torque, "2026-03-31T00:00:00Z", Value::Number(0.1 + 0.2)),
            reading("C1", Signal::Torque, "2026-03-31T00:00:01Z", Value::Missing),
        ]
    }

    #[test]
    fn what_is_merged_is_read_back_to_the_bit() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::new(folder.path());
        let file = store.merge(DAY, None, 1, some()).unwrap();
        assert_eq!((file.rows, file.conflicts, file.path.as_str()), (4, 0, "readings/2026-03-31/1.parquet"));
        assert_eq!(file.bytes, fs::metadata(folder.path().join(&file.path)).unwrap().len());
        let mut expected = some();
        expected[3].quality = Quality::Bad;
        expected.sort_by_key(|r| (r.unit.clone(), r.signal, r.at));
        assert_eq!(store.read(&file).unwrap().readings(), expected);
        let one = store.read_unit(&file, &UnitId::new("C2").unwrap()).unwrap();
        assert_eq!(one.readings(), expected[3..]);
        assert_eq!(store.read_unit(&file, &UnitId::new("C15").unwrap()).unwrap().rows(), 0);
    }

    #[test]
    fn merging_the_same_again_adds_no_row() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::new(folder.path());
        let first = store.merge(DAY, None, 1, some()).unwrap();
        let second = store.merge(DAY, Some(&first), 2, some()).unwrap();
        assert_eq!((second.rows, second.conflicts), (first.rows, 0));
        let removed = store.remove_unlisted(std::slice::from_ref(&second), 2).unwrap();
        assert_eq!(removed, [first.path]);
        assert_eq!(store.read(&second).unwrap().rows(), 4);
    }

    #[test]
    fn a_day_without_a_signal_keeps_the_others_to_the_bit() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::new(folder.path());
        let file = store.merge(DAY, None, 1, some()).unwrap();
        assert_eq!(file.signals, Some([Signal::Torque, Signal::Mode].into()));
        let less = store.without(&file, 2, &[Signal::Torque].into()).unwrap().unwrap();
        assert_eq!((less.rows, &less.signals), (1, &Some([Signal::Mode].into())));
        assert_eq!(store.read(&less).unwrap().readings(), some()[1..2]);
        assert_eq!(store.without(&less, 3, &[Signal::Mode, Signal::Flow].into()).unwrap(), None);
    }

    #[test]
    fn what_a_later_writer_has_not_listed_yet_stays() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::new(folder.path());
        let first = store.merge(DAY, None, 1, some()).unwrap();
        let later = store.merge(DAY, Some(&first), 3, some()).unwrap();
        assert_eq!(store.remove_unlisted(&[], 2).unwrap(), [first.path]);
        assert_eq!(store.read(&later).unwrap().rows(), 4);
    }

    #[test]
    fn a_reading_of_another_day_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let late = reading("C1", Signal::Torque, "2026-04-01T00:00:00Z", Value::Number(1.0));
        let error = Store::new(folder.path()).merge(DAY, None, 1, [late]).unwrap_err().to_string();
        assert!(error.contains("2026-04-01T00:00:00Z"), "{error}");
    }

    #[test]
    fn a_torn_file_is_an_error_and_a_half_written_one_is_swept_away() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::new(folder.path());
        let file = store.merge(DAY, None, 1, some()).unwrap();
        let path = folder.path().join(&file.path);
        let whole = fs::read(&path).unwrap();
        for cut in [0, 3, 8, whole.len() / 2, whole.len() - 1] {
            fs::write(&path, &whole[..cut]).unwrap();
            assert!(store.read(&file).is_err(), "a file cut at byte {cut} was read");
        }
        fs::write(path.with_extension("7-0.part"), b"half").unwrap();
        assert_eq!(store.remove_unlisted(&[file], 1).unwrap(), ["readings/2026-03-31/1.7-0.part"]);
    }
}
