//! Imported readings on their way to their days: held in memory up to a limit, then written as parts.

use std::collections::{BTreeMap, HashMap};
use std::fs::File;
use std::path::{Path, PathBuf};

use plant::{Quality, Signal, TimeSource, UnitId};

use crate::HistoryError;
use crate::columns::{DayReadings, SignalColumns};
use crate::groups::Writer;
use crate::staging::{Part, Parts};
use crate::store::day_of_us;

const DAY_US: i64 = 86_400_000_000;
/// Rows held before they are written: some 40 MB.
const MOST_ROWS: usize = 2_000_000;

/// A checked row; its unit by its place among the known ones.
#[derive(Debug)]
pub(crate) struct Row<'a> {
    pub(crate) at_us: i64,
    pub(crate) unit: u32,
    pub(crate) signal: Signal,
    pub(crate) value: f64,
    /// `Some` for signals that are words.
    pub(crate) word: Option<Option<&'a str>>,
    pub(crate) quality: Quality,
}

/// One reader's spool. Files begin with its name, so that several may share a folder.
pub(crate) struct Spool<'a> {
    folder: PathBuf,
    name: String,
    units: Vec<&'a UnitId>,
    /// Where the last row of a unit's signal went: its day and its place among `columns`.
    latest: Vec<(i64, usize)>,
    places: HashMap<(i64, usize), usize>,
    columns: Vec<SignalColumns>,
    held: usize,
    written: usize,
    parts: Parts,
}

impl<'a> Spool<'a> {
    pub(crate) fn new(folder: &Path, name: String, units: Vec<&'a UnitId>) -> Self {
        let latest = vec![(i64::MIN, 0); units.len() * Signal::ALL.len()];
        let (places, columns, parts) = (HashMap::new(), Vec::new(), Parts::new());
        Self { folder: folder.to_owned(), name, units, latest, places, columns, held: 0, written: 0, parts }
    }

    pub(crate) fn push(&mut self, row: Row<'_>) -> Result<(), HistoryError> {
        let track = row.unit as usize * Signal::ALL.len() + row.signal as usize;
        let day = row.at_us.div_euclid(DAY_US);
        let (last_day, mut place) = self.latest[track];
        if last_day != day {
            let columns = &mut self.columns;
            place = *self.places.entry((day, track)).or_insert_with(|| {
                columns.push(SignalColumns::default());
                columns.len() - 1
            });
            self.latest[track] = (day, place);
        }
        let word = row.word.map(|word| word.map(Box::from));
        self.columns[place].push(row.at_us, row.value, word, row.quality as u8, TimeSource::Own as u8);
        self.held += 1;
        if self.held >= MOST_ROWS { self.write() } else { Ok(()) }
    }

    fn write(&mut self) -> Result<(), HistoryError> {
        let mut days: BTreeMap<i64, DayReadings> = BTreeMap::new();
        for ((day, track), place) in self.places.drain() {
            let unit = self.units[track / Signal::ALL.len()].clone();
            let signal = Signal::ALL[track % Signal::ALL.len()];
            let columns = std::mem::take(&mut self.columns[place]);
            *days.entry(day).or_default().columns_mut(unit, signal) = columns;
        }
        self.columns.clear();
        self.latest.fill((i64::MIN, 0));
        self.held = 0;
        self.written += 1;
        for (day, mut readings) in days {
            readings.sort();
            let day = day_of_us(day * DAY_US);
            let name = format!("{}-{}-{day}.parquet", self.name, self.written);
            let path = self.folder.join(&name);
            let file = File::create(&path).map_err(HistoryError::io("create", &path))?;
            let mut writer = Writer::new(&path, &file)?;
            writer.write(readings)?;
            writer.finish()?;
            let bytes = file.metadata().map_err(HistoryError::io("look at", &path))?.len();
            self.parts.entry(day).or_default().push(Part { name, bytes });
        }
        Ok(())
    }

    /// Writes what is held and hands the parts over.
    pub(crate) fn finish(mut self) -> Result<Parts, HistoryError> {
        self.write()?;
        Ok(self.parts)
    }
}
