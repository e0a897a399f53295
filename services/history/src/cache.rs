//! Exposures of days that will not change, kept as Parquet beside the readings.
//!
//! `exposures/<day>/<key>-<carry>.parquet` holds a day's hours, `.json` what it carries into the next day. The key
//! names everything the day was computed from, the carry names what came out: a chain of days can be followed by file
//! names alone, and a late reading makes new names only as far as its effect reaches.
//!
//! Several processes use it at once. Each file is whole or not there, and may go at any time: a miss costs time only.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use jiff::civil::Date;
use plant::{Bands, Exposure, Term, UnitId};
use polars::prelude::*;

use crate::HistoryError;
use crate::error::guarded;
use crate::hour::{Carry, HourSeen};
use crate::meter::{HourMeter, Move, Stretch};
use crate::whole_file::{Keep, TEMPORARY, remove, write_whole};

/// Stage one's hours of many units.
pub(crate) type SeenHours = BTreeMap<UnitId, Vec<HourSeen>>;

/// Terms that stage one sums; run and blind hours come later.
const SUMS: [Term; 7] = [
    Term::SlidingKm,
    Term::ShaftWorkMj,
    Term::ExcessWorkMj,
    Term::Starts,
    Term::ColdStarts,
    Term::TorqueExcursions,
    Term::DryH,
];

/// So many keys of a day are kept: the service's own, and those of who asks with another baseline or an older state.
const MOST_KEYS: usize = 3;
/// A temporary file this old was left by a process that died.
const ABANDONED: Duration = Duration::from_secs(3600);

/// A 64 bit FNV-1a hash: small, and the same on every machine and release.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Fingerprint(pub(crate) u64);

impl Fingerprint {
    pub(crate) fn of(parts: &[&[u8]]) -> Self {
        let mut hash = 0xcbf2_9ce4_8422_2325_u64;
        for part in parts {
            for byte in part.len().to_le_bytes().iter().chain(*part) {
                hash = (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3);
            }
        }
        Self(hash)
    }

    pub(crate) fn of_json<T: serde::Serialize>(value: &T) -> Self {
        Self::of(&[&serde_json::to_vec(value).expect("maps have text keys and numbers are finite")])
    }
}

/// A day in the cache.
#[derive(Debug, Clone)]
pub(crate) struct Kept {
    hours: PathBuf,
    /// What it carries out.
    pub(crate) carry: Fingerprint,
}

fn folder(data: &Path, day: Date) -> PathBuf {
    data.join("exposures").join(day.to_string())
}

/// Looks for a day by its key.
pub(crate) fn find(data: &Path, day: Date, key: Fingerprint) -> Option<Kept> {
    let wanted = format!("{:016x}-", key.0);
    fs::read_dir(folder(data, day)).ok()?.flatten().find_map(|entry| {
        let name = entry.file_name();
        let carry = name.to_str()?.strip_prefix(&wanted)?.strip_suffix(".parquet")?;
        let carry = Fingerprint(u64::from_str_radix(carry, 16).ok()?);
        Some(Kept { hours: entry.path(), carry })
    })
}

/// Keeps a day, and of what was kept of it before the newest keys.
pub(crate) fn keep(
    data: &Path,
    day: Date,
    key: Fingerprint,
    hours: &SeenHours,
    bands: &Bands,
    carry: &Carry,
) -> Result<(), HistoryError> {
    let folder = folder(data, day);
    let stem = format!("{:016x}-{:016x}", key.0, Fingerprint::of_json(carry).0);
    let json = folder.join(format!("{stem}.json"));
    write_whole(&json, Keep::Remakeable, |path, mut file| {
        let text = serde_json::to_vec(carry).expect("maps have text keys and numbers are finite");
        file.write_all(&text).map_err(HistoryError::io("write", path))
    })?;
    write_whole(&folder.join(format!("{stem}.parquet")), Keep::Remakeable, |path, file| {
        guarded(path, || {
            let mut frame = to_frame(hours, bands)?;
            ParquetWriter::new(file).with_compression(ParquetCompression::Lz4Raw).finish(&mut frame)?;
            Ok(())
        })
    })?;
    tidy(&folder, &stem)
}

/// Removes a day's older keys, and what dead processes left half written. The file that was just written, `stem`, tells
/// what time it is there.
fn tidy(folder: &Path, stem: &str) -> Result<(), HistoryError> {
    let mut files: Vec<(String, PathBuf, SystemTime)> = Vec::new();
    for entry in fs::read_dir(folder).map_err(HistoryError::io("list", folder))?.flatten() {
        // What another process has just removed has no time any more.
        let Ok(written) = entry.metadata().and_then(|metadata| metadata.modified()) else { continue };
        files.push((entry.file_name().to_string_lossy().into_owned(), entry.path(), written));
    }
    let Some(now) = files.iter().filter(|(name, ..)| name.starts_with(stem)).map(|(_, _, written)| *written).max()
    else {
        return Ok(());
    };
    let mut ages: BTreeMap<&str, Duration> = BTreeMap::new();
    for (name, path, written) in &files {
        let age = now.duration_since(*written).unwrap_or_default();
        if !name.ends_with(TEMPORARY) {
            let age_of_stem = ages.entry(name.split('.').next().unwrap_or(name)).or_insert(age);
            *age_of_stem = age.min(*age_of_stem);
        } else if age > ABANDONED {
            remove(path)?;
        }
    }
    let mut others: Vec<(Duration, &str)> =
        ages.into_iter().filter(|(other, _)| *other != stem).map(|(other, age)| (age, other)).collect();
    others.sort_unstable();
    for (_, other) in others.into_iter().skip(MOST_KEYS - 1) {
        remove(&folder.join(format!("{other}.parquet")))?;
        remove(&folder.join(format!("{other}.json")))?;
    }
    Ok(())
}

impl Kept {
    pub(crate) fn hours(&self, bands: &Bands) -> Result<SeenHours, HistoryError> {
        let file = File::open(&self.hours).map_err(HistoryError::io("open", &self.hours))?;
        guarded(&self.hours, || from_frame(&ParquetReader::new(file).set_rechunk(true).finish()?, bands))?
            .map_err(|why| HistoryError::layout(&self.hours, why))
    }

    pub(crate) fn carry_out(&self) -> Result<Carry, HistoryError> {
        let path = self.hours.with_extension("json");
        let text = fs::read(&path).map_err(HistoryError::io("read", &path))?;
        serde_json::from_slice(&text).map_err(|error| HistoryError::layout(&path, error.to_string()))
    }

    /// Forgets a day whose files turn out to be damaged: it is computed anew.
    pub(crate) fn forget(&self) -> Result<(), HistoryError> {
        remove(&self.hours)
    }
}

/// A move as a number: NaN for none, infinity for one that nobody knows.
fn move_number(moved: Option<Move>) -> f64 {
    match moved {
        None => f64::NAN,
        Some(Move::Lost) => f64::INFINITY,
        Some(Move::By(step_h)) => step_h,
    }
}

fn number_move(number: f64) -> Option<Move> {
    if number.is_nan() {
        None
    } else if number.is_infinite() {
        Some(Move::Lost)
    } else {
        Some(Move::By(number))
    }
}

const INTEGERS: [&str; 14] = [
    "hour",
    "seen_us",
    "unseen_us",
    "unknown_us",
    "before_running_us",
    "before_unknown_us",
    "inside_running_us",
    "inside_unknown_us",
    "after_running_us",
    "after_unknown_us",
    "still_running_us",
    "still_unknown_us",
    "lacking",
    "begun_us",
];

/// -1 stands for no reading that showed no move; of `lacking` each bit is one of [`SUMS`]; the lowest number for
/// no beginning.
fn integers_of(hour: &HourSeen) -> [i64; 14] {
    let meter = &hour.meter;
    let still = meter.still.unwrap_or(Stretch { running_us: -1, unknown_us: -1 });
    [
        hour.hour,
        hour.seen_us,
        hour.unseen_us,
        hour.unknown_us,
        meter.before.running_us,
        meter.before.unknown_us,
        meter.inside.running_us,
        meter.inside.unknown_us,
        meter.after.running_us,
        meter.after.unknown_us,
        still.running_us,
        still.unknown_us,
        SUMS.iter().rev().fold(0, |bits, term| bits << 1 | i64::from(hour.exposure.get(*term).is_none())),
        hour.begun_us.unwrap_or(i64::MIN),
    ]
}

fn number_names(bands: &Bands) -> Vec<String> {
    let sums = SUMS.iter().map(|term| term.as_str().to_owned());
    let moves = ["first_move_h", "inside_move_h"].map(str::to_owned);
    sums.chain(moves).chain(bands.names()).collect()
}

fn to_frame(hours: &SeenHours, bands: &Bands) -> PolarsResult<DataFrame> {
    let names = number_names(bands);
    let cells = bands.cells();
    let mut unit = Vec::new();
    let mut integers: [Vec<i64>; 14] = Default::default();
    let mut numbers: Vec<Vec<f64>> = vec![Vec::new(); names.len()];
    for (id, hours) in hours {
        for hour in hours {
            unit.push(id.as_str());
            integers.iter_mut().zip(integers_of(hour)).for_each(|(column, integer)| column.push(integer));
            let sums = SUMS.iter().map(|term| hour.exposure.known(*term));
            let moves = [move_number(hour.meter.first), move_number(hour.meter.inside_move)];
            let band_h = (0..cells).map(|cell| hour.exposure.band_h.get(cell).copied().unwrap_or(f64::NAN));
            numbers.iter_mut().zip(sums.chain(moves).chain(band_h)).for_each(|(column, number)| column.push(number));
        }
    }
    let rows = unit.len();
    let mut columns: Vec<Column> = vec![Series::new("unit".into(), unit).into()];
    columns.extend(INTEGERS.iter().zip(integers).map(|(name, column)| Column::new((*name).into(), column)));
    columns.extend(names.iter().zip(numbers).map(|(name, column)| Column::new(name.as_str().into(), column)));
    DataFrame::new(rows, columns)
}

fn from_frame(frame: &DataFrame, bands: &Bands) -> PolarsResult<Result<SeenHours, String>> {
    let unit = frame.column("unit")?.str()?;
    let mut integers = Vec::new();
    for name in INTEGERS {
        integers.push(frame.column(name)?.i64()?.cont_slice()?);
    }
    let mut numbers = Vec::new();
    for name in number_names(bands) {
        numbers.push(frame.column(&name)?.f64()?.cont_slice()?);
    }
    let mut hours = SeenHours::new();
    let mut current: Option<(UnitId, Vec<HourSeen>)> = None;
    for row in 0..frame.height() {
        let name = unit.get(row).unwrap_or("");
        if current.as_ref().is_none_or(|(id, _)| id.as_str() != name) {
            match UnitId::new(name) {
                Ok(id) => hours.extend(current.replace((id, Vec::with_capacity(24)))),
                Err(error) => return Ok(Err(error.to_string())),
            }
        }
        let integer = |column: usize| integers[column][row];
        let stretch = |column: usize| Stretch { running_us: integer(column), unknown_us: integer(column + 1) };
        let mut exposure = Exposure::default();
        SUMS.iter().zip(&numbers).for_each(|(term, column)| exposure.add(*term, column[row]));
        let lacking = SUMS.iter().enumerate().filter(|(place, _)| integer(12) >> place & 1 == 1);
        lacking.for_each(|(_, term)| exposure.mark_lacking(*term));
        let cells = numbers[SUMS.len() + 2..].iter().map(|column| column[row]);
        exposure.band_h = cells.filter(|cell| !cell.is_nan()).collect();
        let meter = HourMeter {
            before: stretch(4),
            first: number_move(numbers[SUMS.len()][row]),
            inside: stretch(6),
            inside_move: number_move(numbers[SUMS.len() + 1][row]),
            after: stretch(8),
            still: (integer(10) >= 0).then(|| stretch(10)),
        };
        let hour = HourSeen {
            hour: integer(0),
            begun_us: Some(integer(13)).filter(|at_us| *at_us > i64::MIN),
            seen_us: integer(1),
            unseen_us: integer(2),
            unknown_us: integer(3),
            exposure,
            meter,
        };
        if let Some((_, hours)) = &mut current {
            hours.push(hour);
        }
    }
    hours.extend(current);
    Ok(Ok(hours))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FNV-1a of "foobar" is 85944171f73967e8 (Fowler, Noll, Vo; RFC 9923, test vectors). The length prefix is ours.
    #[test]
    fn the_fingerprint_is_fnv_1a() {
        let plain = "foobar"
            .bytes()
            .fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3));
        assert_eq!(plain, 0x8594_4171_f739_67e8);
        let mut prefixed = 6u64.to_le_bytes().to_vec();
        prefixed.extend(b"foobar");
        let expected =
            prefixed.iter().fold(0xcbf2_9ce4_8422_2325_u64, |h, b| (h ^ u64::from(*b)).wrapping_mul(0x0100_0000_01b3));
        assert_eq!(Fingerprint::of(&[b"foobar"]).0, expected);
        assert_ne!(Fingerprint::of(&[b"ab", b"c"]), Fingerprint::of(&[b"a", b"bc"]));
    }

    #[test]
    fn what_is_kept_comes_back_to_the_bit() {
        let data = tempfile::tempdir().unwrap();
        let bands = Bands { torque_nm: vec![50.0], temp_degc: vec![] };
        let mut exposure = Exposure::default();
        exposure.add(Term::SlidingKm, 0.1 + 0.2);
        exposure.band_h = vec![0.25, 1.0 / 3.0];
        let meter = HourMeter { first: Some(Move::Lost), inside_move: Some(Move::By(0.7)), ..HourMeter::default() };
        let hour =
            HourSeen { hour: 494_000, begun_us: Some(-3), seen_us: 5, unseen_us: 6, unknown_us: 7, exposure, meter };
        let mut no_bands = hour.clone();
        no_bands.begun_us = None;
        no_bands.exposure.band_h.clear();
        no_bands.exposure.mark_lacking(Term::ExcessWorkMj);
        no_bands.exposure.mark_lacking(Term::DryH);
        no_bands.meter.still = Some(Stretch { running_us: 0, unknown_us: 0 });
        let id = |name| UnitId::new(name).unwrap();
        let hours = SeenHours::from([(id("C1"), vec![hour.clone(), hour]), (id("C2"), vec![no_bands])]);
        let (day, key) = (jiff::civil::date(2026, 3, 31), Fingerprint(7));
        keep(data.path(), day, key, &hours, &bands, &Carry::default()).unwrap();
        let kept = find(data.path(), day, key).unwrap();
        assert_eq!(kept.hours(&bands).unwrap(), hours);
        assert_eq!(kept.carry_out().unwrap(), Carry::default());
        assert!(find(data.path(), day, Fingerprint(8)).is_none());
    }

    const DAY: Date = jiff::civil::date(2026, 3, 31);

    /// Keeps an empty day and sets its files' time, s after 1970.
    fn kept(data: &Path, key: u64, written_s: u64) {
        keep(data, DAY, Fingerprint(key), &SeenHours::new(), &Bands::default(), &Carry::default()).unwrap();
        let Some(kept) = find(data, DAY, Fingerprint(key)) else { return };
        for path in [kept.hours.with_extension("json"), kept.hours] {
            aged(&path, written_s);
        }
    }

    fn aged(path: &Path, written_s: u64) {
        let file = File::options().write(true).create(true).truncate(false).open(path).unwrap();
        file.set_modified(SystemTime::UNIX_EPOCH + Duration::from_secs(written_s)).unwrap();
    }

    #[test]
    fn the_three_newest_keys_of_a_day_stay() {
        let data = tempfile::tempdir().unwrap();
        for (key, written_s) in [(1, 50), (2, 10), (3, 30), (4, 40)] {
            kept(data.path(), key, written_s);
        }
        let there = |key| find(data.path(), DAY, Fingerprint(key)).is_some();
        assert_eq!([1, 2, 3, 4].map(there), [true, false, true, true]);
        assert_eq!(fs::read_dir(folder(data.path(), DAY)).unwrap().count(), 6);
    }

    #[test]
    fn what_others_are_writing_stays_and_what_the_dead_left_goes() {
        let data = tempfile::tempdir().unwrap();
        kept(data.path(), 1, 10);
        let folder = folder(data.path(), DAY);
        let (alive, dead) = (folder.join("2-2.7-0.part"), folder.join("3-3.8-0.part"));
        File::create(&alive).unwrap();
        aged(&dead, 1_000_000);
        kept(data.path(), 1, 10);
        assert!(alive.exists() && !dead.exists());
    }

    #[test]
    fn a_day_can_be_forgotten_twice() {
        let data = tempfile::tempdir().unwrap();
        kept(data.path(), 1, 10);
        let found = find(data.path(), DAY, Fingerprint(1)).unwrap();
        found.forget().unwrap();
        found.forget().unwrap();
    }
}
