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
    /// That zone's clock showed this time twice, and the first was taken, or skipped it.
    pub unclear: bool,
}

/// Reads an RFC 3339 time; a date (its first instant) or a time without offset is taken in `zone` and flagged.
///
/// # Errors
/// [`BadTime`] if the text is neither.
pub fn read_time(text: &str, zone: &TimeZone) -> Result<ReadTime, BadTime> {
    let text = text.trim();
    let bad = |why: String| BadTime { text: text.chars().take(40).collect(), why };
    if let Ok(at) = text.parse::<Timestamp>() {
        return Ok(ReadTime { at: micros(at), zone_assumed: false, unclear: false });
    }
    let civil = match text.parse::<DateTime>() {
        Ok(civil) => civil,
        Err(_) => match text.parse::<Date>() {
            Ok(date) => date.at(0, 0, 0, 0),
            Err(error) => return Err(bad(error.to_string())),
        },
    };
    read_clock(civil, zone).map_err(bad)
}

/// What a clock in `zone` showed, as an instant. Of a time that it showed twice the first is taken; one that it skipped is
/// taken as if it had not been set yet. Both are flagged.
///
/// # Errors
/// If the instant is out of range.
pub fn read_clock(shown: DateTime, zone: &TimeZone) -> Result<ReadTime, String> {
    let ambiguous = zone.to_ambiguous_timestamp(shown);
    let unclear = ambiguous.is_ambiguous();
    let at = ambiguous.compatible().map_err(|error| error.to_string())?;
    Ok(ReadTime { at: micros(at), zone_assumed: true, unclear })
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

    /// In Amsterdam the clock showed 02:30 twice on 25 October 2026, and on 29 March 2026 never (IANA zone data).
    #[test]
    fn a_time_that_a_clock_showed_twice_or_never_is_flagged() {
        let zone = TimeZone::get("Europe/Amsterdam").unwrap();
        let read = |text| read_time(text, &zone).map(|read| (read.at.to_string(), read.unclear)).unwrap();
        assert_eq!(read("2026-10-25 02:30"), ("2026-10-25T00:30:00Z".to_owned(), true));
        assert_eq!(read("2026-03-29 02:30"), ("2026-03-29T01:30:00Z".to_owned(), true));
        assert_eq!(read("2026-03-29 03:30"), ("2026-03-29T01:30:00Z".to_owned(), false));
        assert_eq!(read("2026-10-25T02:30:00+01:00"), ("2026-10-25T01:30:00Z".to_owned(), false));
    }

    #[test]
    fn nonsense_says_what_would_be_right() {
        let error = read_time("31/03/2026", &TimeZone::UTC).unwrap_err().to_string();
        assert!(error.contains("2026-03-31T06:30:00+02:00"), "{error}");
    }
}
