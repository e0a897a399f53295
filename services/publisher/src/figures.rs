//! Numbers and spans of time as people read them.

use jiff::{SignedDuration, Timestamp};

/// Between a number and its unit: a space at which no line breaks.
const NB: char = '\u{a0}';
/// Between groups of three digits: narrow, and no line breaks there either.
const THIN: char = '\u{202f}';

/// A chance in whole percent. It never reads 0 % or 100 %: no look is that sure.
pub(crate) fn percent(chance: f64) -> String {
    match label(chance) {
        Label::UnderOne => format!("under{NB}1{NB}%"),
        Label::Whole(number) => format!("{number}{NB}%"),
        Label::OverNinetyNine => format!("over{NB}99{NB}%"),
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

/// A share in whole percent. Only nothing reads 0 % and only all of it 100 %.
pub(crate) fn share(part: f64) -> String {
    if !part.is_finite() {
        "unknown".to_owned()
    } else if part <= 0.0 {
        format!("0{NB}%")
    } else if part >= 1.0 {
        format!("100{NB}%")
    } else {
        percent(part)
    }
}

/// Hours without decimals: `1 240 h`; below ten with one.
pub(crate) fn hours(h: f64) -> String {
    format!("{}{NB}h", number(h))
}

/// A number: whole from ten up, one decimal below, thousands set apart.
pub(crate) fn number(value: f64) -> String {
    if !value.is_finite() {
        return "unknown".to_owned();
    }
    let size = value.abs();
    let text = if size >= 9.95 || size == size.round() { grouped(size.round()) } else { format!("{size:.1}") };
    if value < 0.0 && text != "0.0" { format!("−{text}") } else { text }
}

/// A count with thousands set apart.
pub(crate) fn count(value: u64) -> String {
    group_digits(&value.to_string())
}

fn grouped(whole: f64) -> String {
    group_digits(&format!("{whole:.0}"))
}

fn group_digits(digits: &str) -> String {
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (place, digit) in digits.char_indices() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            text.push(THIN);
        }
        text.push(digit);
    }
    text
}

/// A number of days: `1 day`, `34 days`.
pub(crate) fn days_words(days: i64) -> String {
    if days == 1 { format!("1{NB}day") } else { format!("{days}{NB}days") }
}

/// Whole days from one instant to a later one.
pub(crate) fn days_between(from: Timestamp, to: Timestamp) -> i64 {
    to.duration_since(from).as_hours() / 24
}

/// How long ago, in the largest unit that fits; an instant ahead of the clock says so.
pub(crate) fn age(then: Timestamp, now: Timestamp) -> String {
    let passed = now.duration_since(then);
    if passed < SignedDuration::ZERO {
        return format!("{} ahead of the clock", length(-passed));
    }
    format!("{} ago", length(passed))
}

fn length(span: SignedDuration) -> String {
    let seconds = span.as_secs();
    match seconds {
        ..120 => format!("{seconds}{NB}s"),
        120..7200 => format!("{}{NB}min", seconds / 60),
        7200..172_800 => format!("{}{NB}h", seconds / 3600),
        _ => days_words(seconds / 86_400),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chance_never_reads_nought_or_certain() {
        for small in [0.0, 1e-12, 0.004, 0.0099] {
            assert_eq!(percent(small), "under\u{a0}1\u{a0}%", "{small}");
        }
        assert_eq!(percent(0.01), "1\u{a0}%");
        assert_eq!(percent(0.994), "99\u{a0}%");
        for large in [0.995, 1.0] {
            assert_eq!(percent(large), "over\u{a0}99\u{a0}%", "{large}");
        }
        assert_eq!(percent_range(0.001, 0.04), "<1–4\u{a0}%");
        assert_eq!(percent_range(0.0, 0.0), "<1\u{a0}%");
        assert_eq!(percent_range(0.5, 1.0), "50–>99\u{a0}%");
    }

    #[test]
    fn thousands_are_set_apart_by_a_thin_space() {
        // ISO 80000-1:2022, 7.2: groups of three separated by a small space, no other mark (from memory).
        assert_eq!(hours(1240.4), "1\u{202f}240\u{a0}h");
        assert_eq!(count(1_234_567), "1\u{202f}234\u{202f}567");
        assert_eq!(number(9.96), "10");
        assert_eq!(number(-0.04), "0.0");
        assert_eq!(number(-12.0), "−12");
        assert_eq!(number(f64::NAN), "unknown");
    }

    #[test]
    fn an_instant_ahead_of_the_clock_is_named_as_such() {
        let now: Timestamp = "2026-05-12T04:30:00Z".parse().unwrap();
        let ahead = now + SignedDuration::from_mins(3);
        assert_eq!(age(ahead, now), "3\u{a0}min ahead of the clock");
        assert_eq!(age(now, ahead), "3\u{a0}min ago");
        assert_eq!(age(now, now + SignedDuration::from_hours(50)), "2\u{a0}days ago");
    }

    #[test]
    fn a_share_is_whole_only_if_it_is() {
        assert_eq!(share(0.999), "over\u{a0}99\u{a0}%");
        assert_eq!(share(1.0), "100\u{a0}%");
        assert_eq!(share(0.0), "0\u{a0}%");
    }
}
