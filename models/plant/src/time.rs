//! Reading times as people and machines write them.

use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use jiff::{Timestamp, Unit};

/// A text that is no time.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{text:?} is no time: {why}; right would be 2026-03-31T06:30:00+02:00 (or a date, taken in the plant's zone)")]
pub struct BadTime {
    text: String,
    why: String,
}

/// An instant, and whether the plant's zone had to be assumed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReadTime {
    /// The instant, to the microsecond.
    pub at: Timestamp,
    /// The text had no offset: the zone of the config was used.
    pub zone_assumed: bool,
}

/// Reads an RFC 3339 time; a date (its first instant) or a time without offset is taken in `zone` and flagged.
///
/// # Errors
/// [`BadTime`] if the text is neither, or names an hour that the zone's clock change skips.
pub fn read_time(text: &str, zone: &TimeZone) -> Result<ReadTime, BadTime> {
    let text = text.trim();
    let bad = |why: String| BadTime { text: text.chars().take(40).collect(), why };
    if let Ok(at) = text.parse::<Timestamp>() {
        return Ok(ReadTime { at: micros(at), zone_assumed: false });
    }
    let civil = match text.parse::<DateTime>() {
        Ok(civil) => civil,
        Err(_) => match text.parse::<Date>() {
            Ok(date) => date.at(0, 0, 0, 0),
            Err(error) => return Err(bad(error.to_string())),
        },
    };
    let at = zone.to_ambiguous_timestamp(civil).earlier().map_err(|error| bad(error.to_string()))?;
    Ok(ReadTime { at: micros(at), zone_assumed: true })
}

/// The instant cut to whole microseconds, the resolution in which the house keeps time.
pub fn micros(at: Timestamp) -> Timestamp {
    at.round((Unit::Microsecond, 1)).unwrap_or(at)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_offset_is_obeyed_and_a_missing_one_assumed() {
        let zone = TimeZone::get("Europe/Amsterdam").unwrap();
        let own = read_time("2026-07-01T08:00:00+02:00", &zone).unwrap();
        let assumed = read_time("2026-07-01 08:00", &zone).unwrap();
        assert_eq!(own.at, assumed.at);
        assert!(!own.zone_assumed && assumed.zone_assumed);
        let date = read_time("2026-07-01", &zone).unwrap();
        assert_eq!(date.at.to_string(), "2026-06-30T22:00:00Z");
    }

    #[test]
    fn nonsense_says_what_would_be_right() {
        let error = read_time("31/03/2026", &TimeZone::UTC).unwrap_err().to_string();
        assert!(error.contains("2026-03-31T06:30:00+02:00"), "{error}");
    }
}
