//! Numbers and spans of time as people read them.

use jiff::{SignedDuration, Timestamp};
use plant::Quantity;

use crate::Voice;
use crate::display::Group;

/// Between a number and its unit: a space at which no line breaks.
const NB: char = '\u{a0}';
/// Between groups of three digits: narrow, and no line breaks there either.
const THIN: char = '\u{202f}';

impl Voice {
    /// A chance in whole percent. It never reads 0 % or 100 %: no look is that sure.
    pub(crate) fn percent(&self, chance: f64) -> String {
        match label(chance) {
            Label::UnderOne => self.say("percent-under-one"),
            Label::Whole(number) => format!("{number}{NB}%"),
            Label::OverNinetyNine => self.say("percent-over-99"),
        }
    }

    /// A share in whole percent. Only nothing reads 0 % and only all of it 100 %.
    pub(crate) fn share(&self, part: f64) -> String {
        if !part.is_finite() {
            self.say("number-unknown")
        } else if part <= 0.0 {
            format!("0{NB}%")
        } else if part >= 1.0 {
            format!("100{NB}%")
        } else {
            self.percent(part)
        }
    }

    /// Hours without decimals: `1 240 h`; below ten with one. A moment is not nothing.
    pub(crate) fn hours(&self, h: f64) -> String {
        if h > 0.0 && h < 0.05 {
            return self.tell("hours-under", &[("hours", &format!("{}{NB}h", self.decimal(0.1, 1)))]);
        }
        format!("{}{NB}h", self.number(h))
    }

    /// A number: whole from ten up, one decimal below, thousands set apart.
    pub(crate) fn number(&self, value: f64) -> String {
        if !value.is_finite() {
            return self.say("number-unknown");
        }
        let size = value.abs();
        if size >= 9.95 || size == size.round() { self.decimal(value.round(), 0) } else { self.decimal(value, 1) }
    }

    /// A number with so many decimals, thousands set apart, with a true minus; what rounds to nothing has no sign.
    pub(crate) fn decimal(&self, value: f64, digits: usize) -> String {
        let text = format!("{:.digits$}", value.abs());
        let nothing = text.bytes().all(|byte| matches!(byte, b'0' | b'.'));
        let minus = if value < 0.0 && !nothing { "−" } else { "" };
        let (whole, part) = text.split_once('.').unwrap_or((&text, ""));
        let mark = if part.is_empty() { String::new() } else { self.display.decimal.mark().to_string() };
        format!("{minus}{}{mark}{part}", self.group_digits(whole))
    }

    /// A number with as many decimals as it needs, with a true minus.
    pub(crate) fn exact(&self, value: f64) -> String {
        let text = value.to_string();
        let digits = text.split_once('.').map_or(0, |(_, part)| part.len());
        self.decimal(value, digits)
    }

    /// A number as a field of a form has it: in the reader's style, nothing set apart.
    pub(crate) fn typed(&self, value: f64) -> String {
        value.to_string().replace('.', &self.display.decimal.mark().to_string())
    }

    /// A count with thousands set apart.
    pub(crate) fn count(&self, value: u64) -> String {
        self.group_digits(&value.to_string())
    }

    fn group_digits(&self, digits: &str) -> String {
        let mark = match self.display.group {
            Group::Space => Some(THIN),
            Group::None => None,
            Group::Mark => Some(self.display.decimal.other()),
        };
        let mut text = String::with_capacity(digits.len() + digits.len() / 3);
        for (place, digit) in digits.char_indices() {
            if place > 0 && (digits.len() - place).is_multiple_of(3) {
                text.extend(mark);
            }
            text.push(digit);
        }
        text
    }

    /// A value of a quantity, kept in its house unit, as this reader measures: `80 N·m`, `708 lbf·in`.
    pub(crate) fn measured(&self, quantity: Quantity, value: f64) -> String {
        format!("{}{NB}{}", self.figure(quantity, value), self.unit_of(quantity))
    }

    /// The number of [`Self::measured`] alone. A unit that is larger than the house's shows more decimals.
    pub(crate) fn figure(&self, quantity: Quantity, value: f64) -> String {
        let measure = self.display.measure(quantity);
        let shown = measure.from_house(value);
        match measure.name() {
            "in" | "mil" if shown.is_finite() => self.decimal(shown, 2),
            // A degree Fahrenheit is smaller; but whole degrees Celsius are not whole there.
            "°F" if shown.is_finite() && (shown - shown.round()).abs() > 0.05 => self.decimal(shown, 1),
            _ => self.number(shown),
        }
    }

    /// The name of the unit of measure in which this reader reads a quantity.
    pub(crate) fn unit_of(&self, quantity: Quantity) -> &'static str {
        self.display.measure(quantity).name()
    }

    /// A number of days: `1 day`, `34 days`.
    pub(crate) fn days(&self, days: i64) -> String {
        self.tell("days", &[("count", &days), ("days", &days)])
    }

    /// How long ago, in the largest unit that fits; an instant ahead of the clock says so.
    pub(crate) fn age(&self, then: Timestamp, now: Timestamp) -> String {
        let passed = now.duration_since(then);
        if passed < SignedDuration::ZERO {
            return self.tell("age-ahead", &[("length", &self.length(-passed))]);
        }
        self.tell("age-ago", &[("length", &self.length(passed))])
    }

    fn length(&self, span: SignedDuration) -> String {
        let seconds = span.as_secs();
        match seconds {
            ..120 => format!("{seconds}{NB}s"),
            120..7200 => format!("{}{NB}min", seconds / 60),
            7200..172_800 => format!("{}{NB}h", seconds / 3600),
            _ => self.days(seconds / 86_400),
        }
    }
}

/// An interval of a chance in whole percent: `18–49 %`, `<1–4 %`.
pub(crate) fn percent_range(lower: f64, upper: f64) -> String {
    let short = |chance| match label(chance) {
        Label::UnderOne => "<1".to_owned(),
        Label::Whole(number) => number.to_string(),
        Label::OverNinetyNine => ">99".to_owned(),
    };
    let (low, high) = (short(lower), short(upper));
    if low == high { format!("{low}{NB}%") } else { format!("{low}–{high}{NB}%") }
}

enum Label {
    UnderOne,
    Whole(u8),
    OverNinetyNine,
}

fn label(chance: f64) -> Label {
    let number = (chance * 100.0).round();
    if chance < 0.01 {
        Label::UnderOne
    } else if number >= 100.0 {
        Label::OverNinetyNine
    } else {
        Label::Whole(number as u8)
    }
}

/// Whole days from one instant to a later one.
pub(crate) fn days_between(from: Timestamp, to: Timestamp) -> i64 {
    to.duration_since(from).as_hours() / 24
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Display;

    fn shown(line: &str) -> Voice {
        Voice { display: Display::default().with_line(line), ..Voice::default() }
    }

    /// Factors of NIST SP 811 (2008), appendix B.8: 1 lbf·in = 0.112 984 8 N·m, 1 in = 25.4 mm, 1 mil = 0.0254 mm; and
    /// t/°C = (t/°F - 32)/1.8.
    #[test]
    fn quantities_are_shown_as_the_reader_measures_by_the_factors_of_nist_sp_811() {
        let house = Voice::default();
        assert_eq!(house.measured(Quantity::Torque, 80.0), "80\u{a0}N·m");
        assert_eq!(house.measured(Quantity::Temperature, -4.0), "−4\u{a0}°C");
        let inches = shown("torque=lbf.in&temperature=F&length=in&group=none");
        for torque_nm in [0.5, 8.0, 80.0, 1234.0] {
            let told = inches.figure(Quantity::Torque, torque_nm).replace('\u{202f}', "");
            let lbf_in: f64 = told.parse().unwrap();
            assert!((lbf_in - torque_nm / 0.112_984_8).abs() <= 0.5, "{torque_nm} N·m read {told} lbf·in");
        }
        assert_eq!(inches.measured(Quantity::Torque, 80.0), "708\u{a0}lbf·in");
        for (degc, degf) in [(-40.0, "−40"), (-4.0, "24.8"), (0.0, "32"), (37.5, "99.5"), (100.0, "212")] {
            assert_eq!(inches.figure(Quantity::Temperature, degc), degf, "{degc} °C");
        }
        assert_eq!(inches.measured(Quantity::Length, 25.4), "1.00\u{a0}in");
        assert_eq!(inches.measured(Quantity::Depth, 127.0), "5.00\u{a0}mil");
    }

    #[test]
    fn numbers_follow_the_style_of_the_reader() {
        let (comma, plain) = (shown("decimal=comma&group=mark"), shown("decimal=comma&group=none"));
        assert_eq!(comma.decimal(-12_345.25, 2), "−12.345,25");
        assert_eq!(comma.count(1_234_567), "1.234.567");
        assert_eq!(plain.decimal(1234.5, 1), "1234,5");
        assert_eq!(shown("group=mark").hours(1240.0), "1,240\u{a0}h");
        assert_eq!(plain.exact(-0.25), "−0,25");
    }

    #[test]
    fn a_chance_never_reads_nought_or_certain() {
        for small in [0.0, 1e-12, 0.004, 0.0099] {
            assert_eq!(Voice::default().percent(small), "under\u{a0}1\u{a0}%", "{small}");
        }
        assert_eq!(Voice::default().percent(0.01), "1\u{a0}%");
        assert_eq!(Voice::default().percent(0.994), "99\u{a0}%");
        for large in [0.995, 1.0] {
            assert_eq!(Voice::default().percent(large), "over\u{a0}99\u{a0}%", "{large}");
        }
        assert_eq!(percent_range(0.001, 0.04), "<1–4\u{a0}%");
        assert_eq!(percent_range(0.0, 0.0), "<1\u{a0}%");
        assert_eq!(percent_range(0.5, 1.0), "50–>99\u{a0}%");
    }

    #[test]
    fn thousands_are_set_apart_by_a_thin_space() {
        // ISO 80000-1:2022, 7.2: groups of three separated by a small space, no other mark (from memory).
        assert_eq!(Voice::default().hours(1240.4), "1\u{202f}240\u{a0}h");
        assert_eq!(Voice::default().count(1_234_567), "1\u{202f}234\u{202f}567");
        assert_eq!(Voice::default().number(9.96), "10");
        assert_eq!(Voice::default().number(-0.04), "0.0");
        assert_eq!(Voice::default().number(-12.0), "−12");
        assert_eq!(Voice::default().number(f64::NAN), "unknown");
    }

    #[test]
    fn an_instant_ahead_of_the_clock_is_named_as_such() {
        let now: Timestamp = "2026-05-12T04:30:00Z".parse().unwrap();
        let ahead = now + SignedDuration::from_mins(3);
        assert_eq!(Voice::default().age(ahead, now), "3\u{a0}min ahead of the clock");
        assert_eq!(Voice::default().age(now, ahead), "3\u{a0}min ago");
        assert_eq!(Voice::default().age(now, now + SignedDuration::from_hours(50)), "2\u{a0}days ago");
    }

    #[test]
    fn a_share_is_whole_only_if_it_is() {
        assert_eq!(Voice::default().share(0.999), "over\u{a0}99\u{a0}%");
        assert_eq!(Voice::default().share(1.0), "100\u{a0}%");
        assert_eq!(Voice::default().share(0.0), "0\u{a0}%");
    }
}
