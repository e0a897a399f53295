//! Dates and the words of the record, as a reader reads them.

use jiff::civil::{Date, Weekday};
use plant::{ClockPosition, Grade, Kind, Method, Reason, WorkKind};

use crate::Voice;

impl Voice {
    /// A day: `12 May 2026`.
    pub(crate) fn day(&self, date: Date) -> String {
        let (voice, month) = (self, self.month(date));
        voice.tell("date-day", &[("day", &date.day()), ("month", &month), ("year", &date.year())])
    }

    /// A month: `May 2026`.
    pub(crate) fn month_and_year(&self, date: Date) -> String {
        let (voice, month) = (self, self.month(date));
        voice.tell("date-month", &[("month", &month), ("year", &date.year())])
    }

    /// A day with its weekday: `Tuesday, 12 May 2026`.
    pub(crate) fn weekday_and_day(&self, date: Date) -> String {
        let voice = self;
        let weekday = match date.weekday() {
            Weekday::Monday => voice.say("date-monday"),
            Weekday::Tuesday => voice.say("date-tuesday"),
            Weekday::Wednesday => voice.say("date-wednesday"),
            Weekday::Thursday => voice.say("date-thursday"),
            Weekday::Friday => voice.say("date-friday"),
            Weekday::Saturday => voice.say("date-saturday"),
            Weekday::Sunday => voice.say("date-sunday"),
        };
        voice.tell("date-weekday-day", &[("weekday", &weekday), ("day", &self.day(date))])
    }

    fn month(&self, date: Date) -> String {
        let voice = self;
        match date.month() {
            1 => voice.say("date-january"),
            2 => voice.say("date-february"),
            3 => voice.say("date-march"),
            4 => voice.say("date-april"),
            5 => voice.say("date-may"),
            6 => voice.say("date-june"),
            7 => voice.say("date-july"),
            8 => voice.say("date-august"),
            9 => voice.say("date-september"),
            10 => voice.say("date-october"),
            11 => voice.say("date-november"),
            _ => voice.say("date-december"),
        }
    }

    /// A grade by its number: `grade 2`.
    pub(crate) fn grade(&self, grade: Grade) -> String {
        let voice = self;
        voice.tell("grade", &[("grade", &grade)])
    }

    /// What a grade means: `catches a fingernail`.
    pub(crate) fn meaning_of(&self, grade: Grade) -> String {
        let voice = self;
        match grade.get() {
            0 => voice.say("grade-0"),
            1 => voice.say("grade-1"),
            2 => voice.say("grade-2"),
            3 => voice.say("grade-3"),
            _ => voice.say("grade-4"),
        }
    }

    /// Both: `grade 2, catches a fingernail`.
    pub(crate) fn grade_and_meaning(&self, grade: Grade) -> String {
        let (voice, meaning) = (self, self.meaning_of(grade));
        voice.tell("grade-and-meaning", &[("grade", &grade), ("meaning", &meaning)])
    }

    /// A clock position: `6 o'clock`.
    pub(crate) fn clock(&self, clock: ClockPosition) -> String {
        let voice = self;
        voice.tell("clock", &[("clock", &clock)])
    }

    /// A kind of mark: `axial scratch`.
    pub(crate) fn kind(&self, kind: Kind) -> String {
        let voice = self;
        match kind {
            Kind::Groove => voice.say("kind-groove"),
            Kind::AxialScratch => voice.say("kind-axial-scratch"),
            Kind::Pit => voice.say("kind-pit"),
            Kind::Flake => voice.say("kind-flake"),
            Kind::Dulling => voice.say("kind-dulling"),
        }
    }

    /// By what a mark was found: `light`.
    pub(crate) fn method(&self, method: Method) -> String {
        let voice = self;
        match method {
            Method::Light => voice.say("method-light"),
            Method::Nail => voice.say("method-nail"),
            Method::Gauge => voice.say("method-gauge"),
            Method::Replica => voice.say("method-replica"),
        }
    }

    /// Why a tube was opened: `scheduled`.
    pub(crate) fn reason(&self, reason: Reason) -> String {
        let voice = self;
        match reason {
            Reason::Scheduled => voice.say("reason-scheduled"),
            Reason::Changeover => voice.say("reason-changeover"),
            Reason::Advice => voice.say("reason-advice"),
            Reason::Complaint => voice.say("reason-complaint"),
        }
    }

    /// Work on a tube: `hone polish`.
    pub(crate) fn work(&self, work: WorkKind) -> String {
        let voice = self;
        match work {
            WorkKind::New => voice.say("work-new"),
            WorkKind::HonePolish => voice.say("work-hone-polish"),
            WorkKind::Replate => voice.say("work-replate"),
            WorkKind::Blades => voice.say("work-blades"),
            WorkKind::Other => voice.say("work-other"),
        }
    }

    /// A surface: `hard chrome`. One that the config names is read as it is written there.
    pub(crate) fn surface(&self, surface: &str) -> String {
        let voice = self;
        match surface {
            "hard_chrome" => voice.say("surface-hard-chrome"),
            "stainless" => voice.say("surface-stainless"),
            "nitrided" => voice.say("surface-nitrided"),
            "other" => voice.say("surface-other"),
            own => own.replace('_', " "),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The API speaks plant's own words; pages must not say something else of the same grade.
    #[test]
    fn the_english_of_the_record_is_that_of_the_data() {
        let voice = Voice::default();
        for grade in (0..=4).map(|number| Grade::try_from(number).unwrap()) {
            assert_eq!(voice.meaning_of(grade), grade.meaning());
        }
        let plain = |word: &str| word.replace('_', " ");
        for kind in Kind::ALL {
            assert_eq!(voice.kind(*kind), plain(kind.as_str()));
        }
        for method in Method::ALL {
            assert_eq!(voice.method(*method), method.as_str());
        }
        for reason in Reason::ALL {
            assert_eq!(voice.reason(*reason), reason.as_str());
        }
    }

    /// ISO 8601 weekdays: 12 May 2026 is the second day of a week (the calendar of jiff agrees).
    #[test]
    fn days_are_written_out() {
        let date = jiff::civil::date(2026, 5, 12);
        assert_eq!(Voice::default().weekday_and_day(date), "Tuesday, 12\u{a0}May\u{a0}2026");
        for month in 1..=12 {
            let date = jiff::civil::date(2026, month, 1);
            assert_eq!(Voice::default().month_and_year(date), date.strftime("%b %Y").to_string());
        }
    }
}
