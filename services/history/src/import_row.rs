//! One row of an imported file: from cells to a reading, or to what is wrong with it.

use std::collections::HashMap;

use jiff::Timestamp;
use plant::{BadRow, Measure, Quality, Signal, Status, UnitId, is_sentinel, read_clock, read_time};

use crate::import::{ImportSettings, Outcome, QualityCodes};
use crate::spool::Row;
use crate::staging::Parts;
use crate::tally::{ByTrack, Tally};

/// A cell as a file gives it.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Cell<'a> {
    /// Bytes of a text, trimmed; empty for none.
    Text(&'a [u8]),
    /// A number.
    Number(f64),
    /// An instant, µs since 1970-01-01T00:00Z.
    Instant(i64),
    /// A wall clock's reading without a zone, µs as if it were UTC.
    WallClock(i64),
}

/// The cells of a row, in the order at, unit, signal, value, quality.
pub(crate) type Cells<'a> = [Cell<'a>; 5];

/// Checks rows of one file.
pub(crate) struct Rows<'a> {
    settings: &'a ImportSettings,
    units: HashMap<&'a [u8], u32>,
    /// Per track (unit and signal): least and greatest number, and what was found.
    spans: Vec<(f64, f64)>,
    tallies: Vec<Tally>,
    zone_assumed: u64,
    zone_unclear: u64,
    disbelieved: Option<BadRow>,
    /// Nothing will be taken: rows are only checked.
    check_only: bool,
    bad: Vec<BadRow>,
    bad_count: u64,
}

/// Where the counts of a unit's signal stand.
fn track(unit: u32, signal: Signal) -> usize {
    unit as usize * Signal::ALL.len() + signal as usize
}

/// Why a row is bad: the column, the problem, and the track if it is known.
type Refusal = (&'static str, String, Option<usize>);

impl<'a> Rows<'a> {
    pub(crate) fn new(settings: &'a ImportSettings, check_only: bool) -> Self {
        let units = settings.units.iter().zip(0..).map(|(unit, place)| (unit.as_str().as_bytes(), place));
        let signals = settings.units.iter().flat_map(|unit| Signal::ALL.map(|signal| (unit.clone(), signal)));
        let span = |track: (UnitId, Signal)| settings.spans.get(&track).copied().unwrap_or(track.1.believable());
        let spans: Vec<(f64, f64)> = signals.map(span).collect();
        Self {
            settings,
            units: units.collect(),
            tallies: vec![Tally::default(); spans.len()],
            spans,
            zone_assumed: 0,
            zone_unclear: 0,
            disbelieved: None,
            check_only,
            bad: Vec::new(),
            bad_count: 0,
        }
    }

    /// Notes a bad row.
    pub(crate) fn refuse(&mut self, bad: BadRow) {
        self.bad_count += 1;
        if self.bad.len() < self.settings.listed_bad_rows {
            self.bad.push(bad);
        }
    }

    /// Whether what is good is still of use: once a row is bad nothing will be taken.
    pub(crate) fn is_taken(&self) -> bool {
        !self.check_only && self.bad_count == 0
    }

    /// What was found, with the parts that were staged and how many rows there were.
    pub(crate) fn outcome(self, parts: Parts, rows: u64) -> Outcome {
        let mut tallies = ByTrack::default();
        for (unit, tallied) in self.settings.units.iter().zip(self.tallies.chunks(Signal::ALL.len())) {
            for (signal, tally) in Signal::ALL.into_iter().zip(tallied).filter(|(_, tally)| **tally != Tally::default())
            {
                *tallies.entry(unit, signal) = *tally;
            }
        }
        let Self { zone_assumed, zone_unclear, disbelieved, bad, bad_count, .. } = self;
        Outcome { parts, rows, zone_assumed, zone_unclear, tallies, disbelieved, bad, bad_count }
    }

    /// The instant of a row with many readings; `None` if it is bad, which is noted.
    pub(crate) fn instant(&mut self, line: u64, cell: Cell<'_>) -> Option<i64> {
        self.time(cell).map_err(|problem| self.refuse(BadRow::new(line, "at", problem))).ok()
    }

    /// The row as a reading; `None` if it is bad, which is noted. Its value is in `measure`, or in what files measure its signal in. Bad values and qualities are told under the names of their
    /// columns.
    pub(crate) fn take<'c>(
        &mut self,
        line: u64,
        cells: &Cells<'c>,
        measure: Option<&Measure>,
        names: (&str, &str),
    ) -> Option<Row<'c>> {
        match self.read(line, cells, measure, names.0) {
            Ok(row) => Some(row),
            Err((column, problem, track)) => {
                let column = match column {
                    "value" => names.0,
                    "quality" => names.1,
                    column => column,
                };
                if let Some(track) = track {
                    self.tallies[track].refused += 1;
                }
                self.refuse(BadRow::new(line, column, problem));
                None
            }
        }
    }

    fn read<'c>(
        &mut self,
        line: u64,
        cells: &Cells<'c>,
        measure: Option<&Measure>,
        value_column: &str,
    ) -> Result<Row<'c>, Refusal> {
        let [at, unit, signal, value, quality] = cells;
        let at_us = self.time(*at);
        let unit = self.unit(*unit);
        let signal =
            text(*signal).and_then(|text| text.parse::<Signal>().map_err(|error: plant::BadWord| error.to_string()));
        let known = unit.as_ref().ok().zip(signal.as_ref().ok()).map(|(unit, signal)| track(*unit, *signal));
        let refuse = |column| move |problem| (column, problem, known);
        let at_us = at_us.map_err(refuse("at"))?;
        let unit = unit.map_err(refuse("unit"))?;
        let signal = signal.map_err(refuse("signal"))?;
        let track = track(unit, signal);
        let status = status_of(*quality, self.settings).map_err(refuse("quality"))?;
        let mut disbelieved = false;
        let (mut number, word) = match signal.quantity() {
            Some(_) => {
                let number = self.number(signal, track, measure, *value).map_err(refuse("value"))?;
                let number = number.unwrap_or_else(|why| {
                    disbelieved = status.quality > Quality::Bad && !status.no_value;
                    if disbelieved && self.disbelieved.is_none() {
                        self.disbelieved = Some(BadRow::new(line, value_column, why));
                    }
                    f64::NAN
                });
                (number, None)
            }
            None => (f64::NAN, Some(word(*value).map_err(refuse("value"))?)),
        };
        let word = word.map(|word| word.filter(|_| !status.no_value));
        if status.no_value {
            number = f64::NAN;
        }
        let missing = number.is_nan() && !matches!(word, Some(Some(_)));
        let quality = if missing { Quality::Bad } else { status.quality };
        self.tallies[track].count(at_us, quality, status.origin, disbelieved);
        Ok(Row { at_us, unit, signal, value: number, word, quality })
    }

    fn time(&mut self, cell: Cell<'_>) -> Result<i64, String> {
        let zone = &self.settings.zone;
        let at = match cell {
            Cell::Text(b"") => return Err("there is no time; right would be 2026-03-31T06:30:00+02:00".to_owned()),
            Cell::Text(bytes) => {
                let text = std::str::from_utf8(bytes).map_err(|_| NOT_UTF8.to_owned())?;
                match text.parse::<Timestamp>() {
                    Ok(at) if at.subsec_nanosecond() % 1000 == 0 => at,
                    Ok(at) => plant::micros(at),
                    Err(_) => {
                        let read = read_time(text, zone).map_err(|error| error.to_string())?;
                        self.zone_assumed += u64::from(read.zone_assumed);
                        self.zone_unclear += u64::from(read.unclear);
                        read.at
                    }
                }
            }
            Cell::Instant(at_us) => Timestamp::from_microsecond(at_us).map_err(|error| error.to_string())?,
            Cell::WallClock(at_us) => {
                let utc = Timestamp::from_microsecond(at_us).map_err(|error| error.to_string())?;
                let civil = jiff::tz::TimeZone::UTC.to_datetime(utc);
                let read = read_clock(civil, zone)?;
                self.zone_assumed += 1;
                self.zone_unclear += u64::from(read.unclear);
                read.at
            }
            Cell::Number(number) => {
                return Err(format!(
                    "{number} is a number; right would be 2026-03-31T06:30:00+02:00, or a Parquet timestamp"
                ));
            }
        };
        if at < self.settings.earliest || at > self.settings.latest {
            let (earliest, latest) = (self.settings.earliest, self.settings.latest);
            return Err(format!(
                "{at} lies outside {earliest} to {latest}: a wrong clock, or seconds taken for milliseconds?"
            ));
        }
        Ok(at.as_microsecond())
    }

    fn unit(&self, cell: Cell<'_>) -> Result<u32, String> {
        let Cell::Text(bytes) = cell else { return Err("it is no text".to_owned()) };
        self.units.get(bytes).copied().ok_or_else(|| {
            let known: Vec<&str> = self.settings.units.iter().take(8).map(UnitId::as_str).collect();
            let more = if self.settings.units.len() > known.len() { ", ..." } else { "" };
            format!("{:?} is no unit of the config; known are {}{more}", shown(bytes), known.join(", "))
        })
    }

    /// The number in the house unit, NaN if there is none; inside, why a number cannot be.
    fn number(
        &self,
        signal: Signal,
        track: usize,
        measure: Option<&Measure>,
        cell: Cell<'_>,
    ) -> Result<Result<f64, String>, String> {
        let number = match cell {
            Cell::Number(number) => number,
            Cell::Text(bytes) => {
                let parsed = std::str::from_utf8(bytes).ok().and_then(|text| text.parse::<f64>().ok());
                match parsed {
                    Some(number) => number,
                    None if nothing(bytes) => f64::NAN,
                    None if bytes.contains(&b',') => {
                        return Err(format!(
                            "{:?} is no number: right would be a decimal point and no separator of thousands",
                            shown(bytes)
                        ));
                    }
                    None => {
                        return Err(format!(
                            "{:?} is no number; right would be 95.2, or nothing where there was none",
                            shown(bytes)
                        ));
                    }
                }
            }
            Cell::Instant(_) | Cell::WallClock(_) => return Err("it is a time; right would be a number".to_owned()),
        };
        if !number.is_finite() {
            return Ok(Ok(f64::NAN));
        }
        let measure = measure.or_else(|| self.settings.measures.get(&signal));
        let house = measure.map_or(number, |measure| measure.to_house(number));
        let (low, high) = self.spans[track];
        if (low..=high).contains(&house) {
            return Ok(Ok(house));
        }
        let unit = signal.house_unit();
        let right = format!("right would be {low} to {high} {unit} for {signal}");
        Ok(Err(if is_sentinel(number) {
            format!("devices say {number} when they have no value; {right}")
        } else {
            format!("{house} {unit} cannot be; {right}")
        }))
    }
}

const NOT_UTF8: &str = "it is not UTF-8: save the file as UTF-8";

fn shown(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).chars().take(40).collect()
}

/// How files write that there is no value.
fn nothing(bytes: &[u8]) -> bool {
    bytes.is_empty() || bytes.eq_ignore_ascii_case(b"null") || bytes.eq_ignore_ascii_case(b"none")
}

fn text(cell: Cell<'_>) -> Result<&str, String> {
    match cell {
        Cell::Text(bytes) => std::str::from_utf8(bytes).map_err(|_| NOT_UTF8.to_owned()),
        _ => Err("it is no text".to_owned()),
    }
}

fn word(cell: Cell<'_>) -> Result<Option<&str>, String> {
    let word = text(cell)?;
    if nothing(word.as_bytes()) {
        return Ok(None);
    }
    if word.len() > 64 || word.chars().any(char::is_control) {
        return Err(format!(
            "{:?} is no word: right would be at most 64 bytes without control characters",
            shown(word.as_bytes())
        ));
    }
    Ok(Some(word))
}

/// What a quality cell means: a word, a status code of OPC UA's, or a classic one (192 good, 64 uncertain, 0 bad). An empty
/// cell says good.
fn status_of(cell: Cell<'_>, settings: &ImportSettings) -> Result<Status, String> {
    const RIGHT: &str = "right would be good, uncertain, bad, interpolated, calculated, filled, substituted, simulated or \
                         missing, a status code, or a word of [files.quality_words]";
    let code = match cell {
        Cell::Text(b"") => return Ok(Status::measured(Quality::Good)),
        Cell::Number(number) if number.is_nan() => return Ok(Status::measured(Quality::Good)),
        Cell::Number(number) if number.fract() == 0.0 && (0.0..=4_294_967_295.0).contains(&number) => number as u32,
        Cell::Text(bytes) if bytes.eq_ignore_ascii_case(b"good") => return Ok(Status::measured(Quality::Good)),
        Cell::Text(bytes) => {
            let text = std::str::from_utf8(bytes).map_err(|_| NOT_UTF8.to_owned())?;
            let hex = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"));
            match hex.map_or_else(|| text.parse().ok(), |hex| u32::from_str_radix(hex, 16).ok()) {
                Some(code) => code,
                None => {
                    let word = text.to_lowercase();
                    let status = settings.quality_words.get(&word).copied().or_else(|| status_word(&word));
                    return status.ok_or_else(|| format!("{:?} is no quality; {RIGHT}", shown(bytes)));
                }
            }
        }
        _ => return Err(format!("it is no quality; {RIGHT}")),
    };
    let opc_ua = || {
        let wrong = || format!("{code} is no status code: its top two bits are both set");
        Status::of_opc_ua(code).ok_or_else(wrong)
    };
    match (settings.quality_codes, code) {
        (Some(QualityCodes::OpcUa), _) | (None, 0x4000_0000..) => opc_ua(),
        (Some(QualityCodes::Classic), 0..=63) | (_, 500) => Ok(Status::measured(Quality::Bad)),
        (_, 64..=127) => Ok(Status::measured(Quality::Uncertain)),
        (_, 192..=255) => Ok(Status::measured(Quality::Good)),
        (None, 0..=63) => Err(format!(
            "{code} means good in OPC UA and bad in older OPC: say in the config which is meant, or write good, uncertain or bad"
        )),
        _ => Err(format!("{code} is no status code that is known")),
    }
}

/// What a word in small letters says of its value.
///
/// `good`, `uncertain` and `bad` are the severities of OPC 10000-4. Values that a historian makes are told apart:
/// `interpolated` and `calculated` are worked out from measured ones and uncertain; `filled`, `substituted` and `simulated`
/// stand where nothing was measured and are bad; `missing` is no value.
pub fn status_word(word: &str) -> Option<Status> {
    Some(match word {
        "good" => Status::measured(Quality::Good),
        "uncertain" => Status::measured(Quality::Uncertain),
        "bad" => Status::measured(Quality::Bad),
        "interpolated" | "calculated" => Status::DERIVED,
        "filled" | "substituted" | "simulated" => Status::FILLED,
        "missing" => Status { no_value: true, ..Status::measured(Quality::Bad) },
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quality(text: &str, codes: Option<QualityCodes>) -> Result<Quality, String> {
        let settings = ImportSettings { quality_codes: codes, ..crate::import::tests::settings() };
        status_of(Cell::Text(text.as_bytes()), &settings).map(|status| status.quality)
    }

    /// Codes of the OPC Foundation's StatusCode.csv: UncertainLastUsableValue 0x40900000, BadSensorFailure 0x808C0000,
    /// GoodClamped 0x00300000; and of Sparkplug B 3.0.0: 0 bad, 192 good, 500 stale.
    #[test]
    fn status_codes_mean_what_their_makers_say() {
        use QualityCodes::{Classic, OpcUa};
        for (text, codes, right) in [
            ("", None, Quality::Good),
            ("Uncertain", None, Quality::Uncertain),
            ("192", None, Quality::Good),
            ("500", None, Quality::Bad),
            ("0x40900000", None, Quality::Uncertain),
            ("2156658688", None, Quality::Bad),
            ("0x00300000", Some(OpcUa), Quality::Good),
            ("1026", Some(OpcUa), Quality::Uncertain), // Good, interpolated by the historian
            ("INTERPOLATED", None, Quality::Uncertain),
            ("filled", None, Quality::Bad),
            ("0", Some(OpcUa), Quality::Good),
            ("0", Some(Classic), Quality::Bad),
        ] {
            assert_eq!(quality(text, codes), Ok(right), "{text:?}");
        }
    }

    #[test]
    fn a_bare_zero_is_not_guessed() {
        assert!(quality("0", None).unwrap_err().contains("OPC UA"));
        assert!(quality("fine", None).unwrap_err().contains("uncertain"));
    }
}
