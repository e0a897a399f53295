//! The time that a message carries.

use jiff::{SignedDuration, Timestamp};
use plant::micros;
use serde::Deserialize;
use serde_json::Value as Json;

use crate::reason::{Problem, Reason};

/// How a time is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum TimeFormat {
    /// RFC 3339 with an offset: `2026-03-31T06:30:00.5Z`.
    #[serde(rename = "rfc3339")]
    Rfc3339,
    /// Seconds since 1970-01-01T00:00Z, with or without a fraction.
    #[serde(rename = "s")]
    S,
    /// Milliseconds since then.
    #[serde(rename = "ms")]
    Ms,
    /// Microseconds since then.
    #[serde(rename = "us")]
    Us,
    /// Nanoseconds since then; kept to the microsecond.
    #[serde(rename = "ns")]
    Ns,
}

/// 2000-01-01T00:00Z: no plant's telemetry is older, but a clock that was never set stands there or before.
const OLDEST_S: i64 = 946_684_800;

/// Reads a time, to the microsecond, and holds it against the arrival.
pub(crate) fn stamp(
    field: &Json,
    format: TimeFormat,
    arrived_at: Timestamp,
    future_limit: SignedDuration,
) -> Result<Timestamp, Problem> {
    let latest_us = arrived_at.as_microsecond().saturating_add(future_limit.as_micros().try_into().unwrap_or(i64::MAX));
    let unit_ns: i128 = match format {
        TimeFormat::Rfc3339 => {
            let us = text(field)?.as_microsecond().into();
            return within(us, latest_us, zone_hint(us, arrived_at));
        }
        TimeFormat::S => 1_000_000_000,
        TimeFormat::Ms => 1_000_000,
        TimeFormat::Us => 1000,
        TimeFormat::Ns => 1,
    };
    // To the nearest microsecond, as everywhere.
    let us = number(field, unit_ns)?.saturating_add(500).div_euclid(1000);
    let hint = hint(us, latest_us, format);
    within(us, latest_us, if hint.is_empty() { zone_hint(us, arrived_at) } else { hint })
}

/// Whether a time runs ahead by what a time zone could make: offsets from UTC are multiples of 15 min, up to 14 h.
fn zone_hint(us: i128, arrived_at: Timestamp) -> &'static str {
    let ahead_s = (us - i128::from(arrived_at.as_microsecond())) / 1_000_000;
    let off_s = (ahead_s + 450).rem_euclid(900) - 450;
    if (1800..=50_400 + 60).contains(&ahead_s) && off_s.abs() <= 60 {
        "; it is ahead by what a time zone makes: a local time sent as UTC?"
    } else {
        ""
    }
}

/// Reads a count of milliseconds since 1970-01-01T00:00Z, and holds it against the arrival.
pub(crate) fn millis(ms: u64, arrived_at: Timestamp, future_limit: SignedDuration) -> Result<Timestamp, Problem> {
    stamp(&ms.into(), TimeFormat::Ms, arrived_at, future_limit)
}

fn text(field: &Json) -> Result<Timestamp, Problem> {
    let right = "right would be a text such as \"2026-03-31T06:30:00+02:00\"";
    let Json::String(text) = field else {
        return Err(Problem::new(Reason::BadTime, format!("the time is no text; {right}")));
    };
    // Without an offset nobody knows which hour is meant, twice a year not even the sender.
    text.trim()
        .parse()
        .map(micros)
        .map_err(|_| Problem::new(Reason::BadTime, format!("the time is not RFC 3339 with an offset; {right}")))
}

fn number(field: &Json, unit_ns: i128) -> Result<i128, Problem> {
    let bad = || Problem::new(Reason::BadTime, "the time is no number; right would be a count since 1970-01-01T00:00Z");
    let fraction = |number: f64| {
        let ns = (number * unit_ns as f64).round();
        number.is_finite().then_some(ns as i128)
    };
    match field {
        Json::Number(number) => match number.as_i64() {
            Some(whole) => Ok(i128::from(whole) * unit_ns),
            None => number.as_f64().and_then(fraction).ok_or_else(bad),
        },
        Json::String(text) => match text.trim().parse::<i64>() {
            Ok(whole) => Ok(i128::from(whole) * unit_ns),
            Err(_) => text.trim().parse::<f64>().ok().and_then(fraction).ok_or_else(bad),
        },
        _ => Err(bad()),
    }
}

fn within(us: i128, latest_us: i64, hint: &str) -> Result<Timestamp, Problem> {
    if us <= i128::from(OLDEST_S) * 1_000_000 {
        return Err(Problem::new(
            Reason::TooOld,
            format!("the time lies not after 2000-01-01T00:00:00Z: a clock never set?{hint}"),
        ));
    }
    if us > i128::from(latest_us) {
        let ahead_s = (us - i128::from(latest_us)) / 1_000_000;
        let advice =
            format!("the time lies {ahead_s} s beyond what is allowed ahead of the arrival: set the clocks{hint}");
        return Err(Problem::new(Reason::FutureTime, advice));
    }
    let us = i64::try_from(us).map_err(|_| Problem::new(Reason::BadTime, "the time lies outside the calendar"))?;
    Timestamp::from_microsecond(us).map_err(|_| Problem::new(Reason::BadTime, "the time lies outside the calendar"))
}

/// What the sender may have meant, if another unit would have been plausible.
fn hint(us: i128, latest_us: i64, format: TimeFormat) -> &'static str {
    let plausible = |us: i128| us > i128::from(OLDEST_S) * 1_000_000 && us <= i128::from(latest_us);
    if plausible(us) {
        return "";
    }
    let smaller = [us / 1000, us / 1_000_000].map(plausible);
    let larger = [us.saturating_mul(1000), us.saturating_mul(1_000_000)].map(plausible);
    match (format, smaller, larger) {
        (TimeFormat::S, [true, _], _) => "; it looks like milliseconds, the mapping says seconds",
        (TimeFormat::S, [_, true], _) => "; it looks like microseconds, the mapping says seconds",
        (TimeFormat::Ms, [true, _], _) => "; it looks like microseconds, the mapping says milliseconds",
        (TimeFormat::Ms, [_, true], _) => "; it looks like nanoseconds, the mapping says milliseconds",
        (TimeFormat::Us, [true, _], _) => "; it looks like nanoseconds, the mapping says microseconds",
        (TimeFormat::Ms, _, [true, _]) => "; it looks like seconds, the mapping says milliseconds",
        (TimeFormat::Us, _, [true, _]) => "; it looks like milliseconds, the mapping says microseconds",
        (TimeFormat::Ns, _, [true, _]) => "; it looks like microseconds, the mapping says nanoseconds",
        (TimeFormat::Ns, _, [_, true]) => "; it looks like milliseconds, the mapping says nanoseconds",
        (TimeFormat::Us, _, [_, true]) => "; it looks like seconds, the mapping says microseconds",
        _ => "",
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    /// 2023-11-14T22:13:20Z is 1,700,000,000 s since 1970 (`date -u -d @1700000000`).
    const THEN: &str = "2023-11-14T22:13:20Z";

    fn read(field: Json, format: TimeFormat) -> Result<Timestamp, Problem> {
        let arrived: Timestamp = "2023-11-14T22:14:00Z".parse().unwrap();
        stamp(&field, format, arrived, SignedDuration::from_mins(5))
    }

    #[test]
    fn a_local_time_sent_as_utc_is_told_from_a_clock_that_is_off() {
        let advice = |field: Json| read(field, TimeFormat::Rfc3339).unwrap_err().advice;
        // It arrived at 22:14:00.
        assert!(advice(json!("2023-11-14T23:13:40Z")).contains("local time"));
        assert!(advice(json!("2023-11-15T03:43:58Z")).contains("local time"), "five hours and a half");
        assert!(!advice(json!("2023-11-14T23:05:00Z")).contains("local time"));
        assert!(!advice(json!("2023-11-17T22:14:00Z")).contains("local time"));
    }

    #[test]
    fn one_instant_in_every_format() {
        use TimeFormat::{Ms, Ns, Rfc3339, S, Us};
        let then: Timestamp = THEN.parse().unwrap();
        for (field, format) in [
            (json!(1_700_000_000), S),
            (json!(1_700_000_000.0), S),
            (json!("1700000000"), S),
            (json!(1_700_000_000_000_i64), Ms),
            (json!("1700000000000"), Ms),
            (json!(1_700_000_000_000_000_i64), Us),
            (json!(1_700_000_000_000_000_400_i64), Ns),
            (json!("1700000000000000000"), Ns),
            (json!("2023-11-14T23:13:20+01:00"), Rfc3339),
            (json!(" 2023-11-14T22:13:20.0000004Z "), Rfc3339),
        ] {
            assert_eq!(read(field.clone(), format), Ok(then), "{field}");
        }
        assert_eq!(read(json!(1_700_000_000.25), S).unwrap().to_string(), "2023-11-14T22:13:20.25Z");
    }

    #[test]
    fn the_wrong_unit_is_refused_with_a_hint() {
        for (field, format, reason, hint) in [
            (json!(1_700_000_000), TimeFormat::Ms, Reason::TooOld, "looks like seconds"),
            (json!(1_700_000_000_000_i64), TimeFormat::Us, Reason::TooOld, "looks like milliseconds"),
            (json!(1_700_000_000), TimeFormat::Us, Reason::TooOld, "looks like seconds"),
            (json!(1_700_000_000_000_i64), TimeFormat::S, Reason::FutureTime, "looks like milliseconds"),
            (json!(1_700_000_000_000_000_i64), TimeFormat::Ms, Reason::FutureTime, "looks like microseconds"),
            (json!(1_700_000_000_000_000_000_i64), TimeFormat::Us, Reason::FutureTime, "looks like nanoseconds"),
        ] {
            let problem = read(field.clone(), format).unwrap_err();
            assert_eq!(problem.reason, reason, "{field}");
            assert!(problem.advice.contains(hint), "{field} said {}", problem.advice);
        }
    }

    #[test]
    fn a_time_that_cannot_be_is_refused() {
        use TimeFormat::{Rfc3339, S};
        for (field, format, reason) in [
            (json!(0), S, Reason::TooOld),
            (json!("1999-12-31T23:59:59Z"), Rfc3339, Reason::TooOld),
            (json!("2000-01-01T00:00:00Z"), Rfc3339, Reason::TooOld),
            (json!(946_684_800), S, Reason::TooOld),
            (json!("2023-11-14T22:19:00.000001Z"), Rfc3339, Reason::FutureTime),
            (json!("2023-11-14T22:13:20"), Rfc3339, Reason::BadTime),
            (json!(1_700_000_000), Rfc3339, Reason::BadTime),
            (json!("soon"), S, Reason::BadTime),
            (json!("nan"), S, Reason::BadTime),
            (json!([1]), S, Reason::BadTime),
            (json!(1e300), S, Reason::FutureTime),
            (json!(-1e300), S, Reason::TooOld),
        ] {
            assert_eq!(read(field.clone(), format).unwrap_err().reason, reason, "{field}");
        }
        assert!(read(json!("2000-01-01T00:00:00.000001Z"), Rfc3339).is_ok(), "a clock that goes");
        assert!(read(json!("2023-11-14T22:19:00Z"), Rfc3339).is_ok(), "five minutes ahead are allowed");
    }
}
