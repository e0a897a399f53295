//! The run hours of a tube over time, as far as its months tell them.

use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use crate::Month;

/// The hours that a tube has run since its exposures begin, between the months by proportion.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct RunHours {
    /// Instant and hours run until then, in order of time.
    pub points: Vec<(Timestamp, f64)>,
}

impl RunHours {
    /// Adds the months up; the one that lasts ends `now`.
    pub(crate) fn of(months: &[Month], zone: &TimeZone, now: Timestamp) -> Self {
        let mut points: Vec<(Timestamp, f64)> = Vec::new();
        let mut run_h = 0.0;
        for month in months {
            let begin = month.first_day.to_zoned_datetime(zone.clone());
            let end = month.first_day.checked_add(1.month()).and_then(|day| day.to_zoned_datetime(zone.clone()));
            let (Ok(begin), Ok(end)) = (begin, end) else { continue };
            let (begin, end) = (begin.timestamp(), end.timestamp().min(now));
            if end <= begin {
                continue;
            }
            if points.last().is_none_or(|(last, _)| *last < begin) {
                points.push((begin, run_h));
            }
            run_h += month.exposure.run_h();
            points.push((end, run_h));
        }
        RunHours { points }
    }

    /// Hours run until an instant; `None` before the months begin and after they end.
    pub(crate) fn at(&self, at: Timestamp) -> Option<f64> {
        let after = self.points.iter().position(|(point, _)| at <= *point)?;
        let (end, end_h) = self.points[after];
        if end == at {
            return Some(end_h);
        }
        let (begin, begin_h) = self.points[after.checked_sub(1)?];
        let part = at.duration_since(begin).as_secs_f64() / end.duration_since(begin).as_secs_f64();
        Some(begin_h + part * (end_h - begin_h))
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;
    use plant::{Exposure, Term};

    use super::*;

    fn month(number: i8, run_h: f64) -> Month {
        let mut exposure = Exposure::default();
        exposure.add(Term::RunH, run_h);
        Month { first_day: date(2026, number, 1), exposure }
    }

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn hours_grow_through_a_month_and_stand_still_where_there_is_none() {
        let run = RunHours::of(&[month(1, 310.0), month(3, 62.0)], &TimeZone::UTC, at("2026-03-16T12:00:00Z"));
        assert_eq!(run.at(at("2025-12-31T23:00:00Z")), None, "before the months nothing is known");
        // January has 31 days: ten of them are 100 h of 310.
        assert!((run.at(at("2026-01-11T00:00:00Z")).unwrap() - 100.0).abs() < 1e-9);
        assert_eq!(run.at(at("2026-02-14T00:00:00Z")), Some(310.0));
        assert_eq!(run.at(at("2026-03-16T12:00:00Z")), Some(372.0));
        assert_eq!(run.at(at("2026-03-17T00:00:00Z")), None);
    }
}
