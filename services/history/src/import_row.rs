//! One row of an imported file: from cells to a reading, or to what is wrong with it.

use std::collections::HashMap;

use jiff::Timestamp;
use plant::{BadRow, Quality, Signal, UnitId, is_sentinel, read_time};

use crate::import::{Disbelieved, ImportSettings, QualityCodes};
use crate::spool::Row;

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
    /// Times that were taken in the plant's zone.
    pub(crate) zone_assumed: u64,
    /// Numbers that their signal cannot be.
    pub(crate) disbelieved: Disbelieved,
    /// Bad rows, as far as they are listed.
    pub(crate) bad: Vec<BadRow>,
    /// All bad rows.
    pub(crate) bad_count: u64,
}

impl<'a> Rows<'a> {
    pub(crate) fn new(settings: &'a ImportSettings) -> Self {
        let units = settings.units.iter().zip(0..).map(|(unit, place)| (unit.as_str().as_bytes(), place));
        let (units, disbelieved) = (units.collect(), Disbelieved::default());
        Self { settings, units, zone_assumed: 0, disbelieved, bad: Vec::new(), bad_count: 0 }
    }

    /// Notes a bad row.
    pub(crate) fn refuse(&mut self, bad: BadRow) {
        self.bad_count += 1;
        if self.bad.len() < self.settings.listed_bad_rows {
            self.bad.push(bad);
        }
    }

    /// The instant of a row with many readings; `None` if it is bad, which is noted.
    pub(crate) fn instant(&mut self, line: u64, cell: Cell<'_>) -> Option<i64> {
        self.time(cell).map_err(|problem| self.refuse(BadRow::new(line, "at", problem))).ok()
    }

    /// The row as a reading; `None` if it is bad, which is noted. A bad value is told under the name of its column.
    pub(crate) fn take<'c>(&mut self, line: u64, cells: &Cells<'c>, value_column: &str) -> Option<Row<'c>> {
        match self.read(line, cells, value_column) {
            Ok(row) => Some(row),
            Err((column, problem)) => {
                let column = if column == "value" { value_column } else { column };
                self.refuse(BadRow::new(line, column, problem));
                None
            }
        }
    }

    fn read<'c>(
        &mut self,
        line: u64,
        cells: &Cells<'c>,
        value_column: &str,
    ) -> Result<Row<'c>, (&'static str, String)> {
        let [at, unit, signal, value, quality] = cells;
        let at_us = self.time(*at).map_err(|problem| ("at", problem))?;
        let unit = self.unit(*unit).map_err(|problem| ("unit", problem))?;
        let signal: Signal = text(*signal)
            .and_then(|text| text.parse().map_err(|error: plant::BadWord| error.to_string()))
            .map_err(|problem| ("signal", problem))?;
        let mut quality = quality_of(*quality, self.settings.quality_codes).map_err(|problem| ("quality", problem))?;
        let (value, word) = match signal.quantity() {
            Some(_) => {
                let number = self.number(signal, *value).map_err(|problem| ("value", problem))?;
                let number = number.unwrap_or_else(|why| {
                    if quality > Quality::Bad {
                        self.disbelieved.note(|| BadRow::new(line, value_column, why));
                    }
                    f64::NAN
                });
                (number, None)
            }
            None => (f64::NAN, Some(word(*value).map_err(|problem| ("value", problem))?)),
        };
        if value.is_nan() && !matches!(word, Some(Some(_))) {
            quality = Quality::Bad;
        }
        Ok(Row { at_us, unit, signal, value, word, quality })
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
                        read.at
                    }
                }
            }
            Cell::Instant(at_us) => Timestamp::from_microsecond(at_us).map_err(|error| error.to_string())?,
            Cell::WallClock(at_us) => {
                let utc = Timestamp::from_microsecond(at_us).map_err(|error| error.to_string())?;
                let civil = jiff::tz::TimeZone::UTC.to_datetime(utc);
                self.zone_assumed += 1;
                zone.to_ambiguous_timestamp(civil).earlier().map_err(|error| error.to_string())?
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
    fn number(&self, signal: Signal, cell: Cell<'_>) -> Result<Result<f64, String>, String> {
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
        let house = self.settings.measures.get(&signal).map_or(number, |measure| measure.to_house(number));
        let (low, high) = signal.believable();
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

/// What a quality cell means. Severity is the top two bits of an OPC UA status code (OPC 10000-4: 00 good, 01
/// uncertain, 10 bad) and of the low byte of a classic one (192 good, 64 uncertain, 0 bad).
fn quality_of(cell: Cell<'_>, codes: Option<QualityCodes>) -> Result<Quality, String> {
    let code = match cell {
        Cell::Text(b"") => return Ok(Quality::Good),
        Cell::Number(number) if number.is_nan() => return Ok(Quality::Good),
        Cell::Number(number) if number.fract() == 0.0 && (0.0..=4_294_967_295.0).contains(&number) => number as u32,
        Cell::Text(bytes) if bytes.eq_ignore_ascii_case(b"good") => return Ok(Quality::Good),
        Cell::Text(bytes) if bytes.eq_ignore_ascii_case(b"uncertain") => return Ok(Quality::Uncertain),
        Cell::Text(bytes) if bytes.eq_ignore_ascii_case(b"bad") => return Ok(Quality::Bad),
        Cell::Text(bytes) => {
            let text = std::str::from_utf8(bytes).map_err(|_| NOT_UTF8.to_owned())?;
            let hex = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"));
            let code = hex.map_or_else(|| text.parse().ok(), |hex| u32::from_str_radix(hex, 16).ok());
            code.ok_or_else(|| {
                format!("{:?} is no quality; right would be good, uncertain or bad, or a status code", shown(bytes))
            })?
        }
        _ => return Err("it is no quality; right would be good, uncertain or bad, or a status code".to_owned()),
    };
    let severity = |bits: u32| match bits {
        0 => Ok(Quality::Good),
        1 => Ok(Quality::Uncertain),
        2 => Ok(Quality::Bad),
        _ => Err(format!("{code} is no status code: its top two bits are both set")),
    };
    match (codes, code) {
        (Some(QualityCodes::OpcUa), _) => severity(code >> 30),
        (None, 0x4000_0000..) => severity(code >> 30),
        (Some(QualityCodes::Classic), 0..=63) | (_, 500) => Ok(Quality::Bad),
        (_, 64..=127) => Ok(Quality::Uncertain),
        (_, 192..=255) => Ok(Quality::Good),
        (None, 0..=63) => Err(format!(
            "{code} means good in OPC UA and bad in older OPC: say in the config which is meant, or write good, uncertain or bad"
        )),
        _ => Err(format!("{code} is no status code that is known")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quality(text: &str, codes: Option<QualityCodes>) -> Result<Quality, String> {
        quality_of(Cell::Text(text.as_bytes()), codes)
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
