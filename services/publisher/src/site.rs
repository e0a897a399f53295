//! What stays the same while the service runs.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use plant::{Bands, Grade, Zone};

use crate::opening::Opening;
use crate::{LongestInterval, Origin, Voice};

/// The plant and its settings, as far as pages and messages speak of them.
#[derive(Debug, Clone)]
pub struct Site {
    /// The plant's name, shown on every page.
    pub name: String,
    /// The zone in which pages write times. The API and messages are in UTC.
    pub zone: TimeZone,
    /// The version of the service.
    pub version: String,
    /// The grade of which the risks speak: this one or worse.
    pub limit: Grade,
    /// Zones of a tube in order from the drive end, for the picture of the wall.
    pub zones: Vec<Zone>,
    /// Edges of the torque and temperature bands of the exposures.
    pub bands: Bands,
    /// The plant's own longest interval between complete looks. It governs, whatever a score says.
    pub longest_interval: LongestInterval,
    /// What opening units at a stop takes.
    pub opening: Opening,
    /// Scores older than this make the service not ready, and pages say so.
    pub late_after: SignedDuration,
    /// Foreign dashboards that may frame pages, and whose scripts may read what is published here.
    pub frame_origins: Vec<Origin>,
    /// Who may read.
    pub reading: ReadAccess,
    /// People reach the service over https: then the session's cookie is only sent over it.
    pub https: bool,
    /// Where people reach the service, such as `http://groovecast.plant.example`; `None` if the config does not say.
    pub address: Option<String>,
    /// How long a login lasts.
    pub session_lasts: SignedDuration,
    /// Largest photo that is taken, in bytes.
    pub photo_bytes: usize,
    /// How readers are told who asked for nothing else.
    pub voice: Voice,
}

/// Who may read. Writing always asks for a role.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReadAccess {
    /// Anybody who reaches the service.
    Open,
    /// Who has logged in, and machines with a token.
    Login,
}

impl Site {
    /// The site as what programs read speaks of it: the same for everybody, whatever the config says of readers.
    pub(crate) fn for_programs(&self) -> Site {
        Site { voice: Voice::default(), ..self.clone() }
    }

    /// A day in the plant's zone: `12 May 2026`.
    pub(crate) fn day(&self, at: Timestamp) -> String {
        self.voice.day(self.date(at))
    }

    /// The day of an instant in the plant's zone.
    pub(crate) fn date(&self, at: Timestamp) -> Date {
        at.to_zoned_datetime(self.zone.clone()).date()
    }

    /// When a day begins in the plant's zone.
    pub(crate) fn begin(&self, day: Date) -> Timestamp {
        day.to_zoned_datetime(self.zone.clone()).map_or(Timestamp::MAX, |begins| begins.timestamp())
    }

    /// An instant in the plant's zone: `12 May 2026, 06:30 CEST`.
    pub(crate) fn minute(&self, at: Timestamp) -> String {
        let voice = &self.voice;
        let zoned = at.to_zoned_datetime(self.zone.clone());
        let (day, time) = (voice.day(zoned.date()), zoned.strftime("%H:%M"));
        voice.tell("date-minute", &[("day", &day), ("time", &time), ("zone", &zoned.strftime("%Z"))])
    }

    /// The limit in words: `grade 2 (catches a fingernail)`.
    pub(crate) fn limit_words(&self) -> String {
        let voice = &self.voice;
        let meaning = voice.meaning_of(self.limit);
        voice.tell("grade-limit", &[("grade", &self.limit), ("meaning", &meaning)])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_written_in_the_plants_zone() {
        let site = Site {
            name: String::new(),
            zone: TimeZone::get("Europe/Amsterdam").unwrap(),
            version: String::new(),
            limit: Grade::CATCH,
            zones: vec![],
            bands: Bands::default(),
            longest_interval: LongestInterval { run_h: None, days: None },
            opening: Opening::default(),
            late_after: SignedDuration::from_mins(15),
            frame_origins: vec![],
            reading: ReadAccess::Open,
            https: false,
            address: None,
            session_lasts: SignedDuration::from_hours(12),
            photo_bytes: 1 << 20,
            voice: Voice::default(),
        };
        // Central European Summer Time is UTC+2 (IANA time zone database).
        let at = "2026-07-01T22:30:00Z".parse().unwrap();
        assert_eq!(site.minute(at), "2\u{a0}Jul\u{a0}2026, 00:30 CEST");
        assert_eq!(site.day(at), "2\u{a0}Jul\u{a0}2026");
    }
}
