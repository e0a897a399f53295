//! The value itself: numbers, words, and what devices send when they have none.

use plant::{Signal, Value, is_sentinel};
use serde_json::Value as Json;

use crate::mapping::Mapping;
use crate::reason::{Problem, Reason};

const LONGEST_WORD: usize = 64;

/// The value of a bare payload.
pub(crate) fn bare(text: &str, mapping: &Mapping) -> Result<Value, Problem> {
    if mapping.signal.quantity().is_none() {
        word(text, mapping)
    } else {
        number(text).and_then(|raw| measured(raw, mapping))
    }
}

/// The value that stands in a JSON document.
pub(crate) fn json(field: &Json, mapping: &Mapping) -> Result<Value, Problem> {
    let wrong = |what: &str| {
        Problem::new(Reason::WrongType, format!("the value is {what}; right would be {}", wanted(mapping.signal)))
    };
    let is_word = mapping.signal.quantity().is_none();
    match field {
        Json::Null => Ok(Value::Missing),
        Json::String(text) => bare(text, mapping),
        Json::Number(code) if is_word => word(&code_text(code), mapping),
        Json::Number(raw) => measured(raw.as_f64().unwrap_or(f64::NAN), mapping),
        Json::Bool(yes) if is_word => word(&yes.to_string(), mapping),
        Json::Bool(_) => Err(wrong("a truth value")),
        Json::Array(_) => Err(wrong("a list")),
        Json::Object(_) => Err(wrong("an object: point at the number inside it")),
    }
}

fn wanted(signal: Signal) -> &'static str {
    if signal.quantity().is_none() { "a word" } else { "a number" }
}

/// A code such as 5 is the word "5", whether it was sent as 5 or 5.0.
fn code_text(code: &serde_json::Number) -> String {
    match code.as_f64() {
        Some(number) if number.fract() == 0.0 && number.abs() < 1e15 => format!("{number:.0}"),
        _ => code.to_string(),
    }
}

/// A number, NaN and infinities included.
fn number(text: &str) -> Result<f64, Problem> {
    let text = text.trim();
    if text.is_empty() {
        return Err(Problem::new(Reason::Empty, "nothing stands there; right would be a number such as 12.5"));
    }
    if text.eq_ignore_ascii_case("null") {
        return Ok(f64::NAN);
    }
    text.parse().map_err(|_| {
        let looks_like_comma = text.contains(',')
            && text.matches(',').count() == 1
            && text.replace('.', "").replace(',', ".").parse::<f64>().is_ok()
            && text.rfind(',') > text.rfind('.');
        if looks_like_comma {
            Problem::new(Reason::DecimalComma, "the decimal sign is a comma; right would be a point, such as 12.5")
        } else {
            Problem::new(Reason::NotNumber, "this is no number; right would be a plain one such as 12.5, without unit")
        }
    })
}

/// A number in the house unit, if the signal can be so. What is not finite is missing, never zero.
fn measured(raw: f64, mapping: &Mapping) -> Result<Value, Problem> {
    if !raw.is_finite() {
        return Ok(Value::Missing);
    }
    let measured = mapping.measure.map_or(raw, |measure| measure.to_house(raw));
    let house = if mapping.reversed { -measured } else { measured };
    let (low, high) = mapping.plausible();
    let believable = (low..=high).contains(&house);
    if let Some(loop_range) = mapping.loop_range
        && (believable || !is_sentinel(raw))
    {
        in_loop(raw, loop_range)?;
    }
    if believable {
        return Ok(Value::Number(house));
    }
    let unit = mapping.signal.house_unit();
    let right = format!("right would be {low} to {high} {unit} for {}", mapping.signal);
    if is_sentinel(raw) {
        return Err(Problem::new(Reason::Sentinel, format!("devices send {raw} when they have no value; {right}")));
    }
    Err(Problem::new(
        Reason::OutOfRange,
        format!("{house} {unit} cannot be; {right}, or widen the span in the mapping"),
    ))
}

/// A transmitter says by its current that it has failed: 3.6 mA and less, 21 mA and more (NAMUR NE 43).
fn in_loop(raw: f64, (at_4_ma, at_20_ma): (f64, f64)) -> Result<(), Problem> {
    let current_ma = 4.0 + 16.0 * (raw - at_4_ma) / (at_20_ma - at_4_ma);
    // Scaled numbers are rounded ones.
    if current_ma > 3.6 + 1e-6 && current_ma < 21.0 - 1e-6 {
        return Ok(());
    }
    let right = "right would be more than 3.6 and less than 21 mA";
    Err(Problem::new(
        Reason::LoopFault,
        format!("{raw} stands for {current_ma:.2} mA, a broken loop or transmitter; {right}"),
    ))
}

fn word(text: &str, mapping: &Mapping) -> Result<Value, Problem> {
    let text = text.trim();
    if text.is_empty() {
        return Err(Problem::new(Reason::Empty, "nothing stands there; right would be a word"));
    }
    let word = mapping.words.get(text).map_or(text, String::as_str);
    if word.chars().count() > LONGEST_WORD {
        let advice = format!("a word has at most {LONGEST_WORD} characters, this one {}", word.chars().count());
        return Err(Problem::new(Reason::TooLarge, advice));
    }
    if word.chars().any(char::is_control) {
        return Err(Problem::new(Reason::BadWord, "the word has control characters; right would be plain text"));
    }
    Ok(Value::Text(word.into()))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use plant::{Measure, Quantity, UnitId};
    use serde_json::json;

    use super::*;
    use crate::pattern::Pattern;
    use crate::payload::Payload;

    fn mapping(signal: Signal) -> Mapping {
        let unit = Some(UnitId::new("C1").unwrap());
        Mapping { unit, ..Mapping::new(Pattern::parse("t").unwrap(), signal, Payload::Number) }
    }

    fn torque(text: &str) -> Result<Value, Reason> {
        bare(text, &mapping(Signal::Torque)).map_err(|problem| problem.reason)
    }

    #[test]
    fn numbers_as_machines_write_them() {
        for (text, expected) in
            [("12.5", 12.5), (" -3\r\n", -3.0), ("+7", 7.0), ("1.25e2", 125.0), (".5", 0.5), ("0", 0.0)]
        {
            assert_eq!(torque(text), Ok(Value::Number(expected)), "{text:?}");
        }
    }

    #[test]
    fn no_value_is_missing_and_never_zero() {
        for text in ["NaN", "nan", "Infinity", "-inf", "1e400", "null"] {
            assert_eq!(torque(text), Ok(Value::Missing), "{text:?}");
        }
        assert_eq!(json(&json!(null), &mapping(Signal::Torque)), Ok(Value::Missing));
        assert_eq!(json(&json!("NaN"), &mapping(Signal::Torque)), Ok(Value::Missing));
    }

    #[test]
    fn what_is_no_number_is_refused_with_its_reason() {
        for (text, reason) in [
            ("", Reason::Empty),
            ("12,5", Reason::DecimalComma),
            ("-1.234,5", Reason::DecimalComma),
            ("1,234.5", Reason::NotNumber),
            ("1,2,3", Reason::NotNumber),
            ("12.5 Nm", Reason::NotNumber),
            ("0x10", Reason::NotNumber),
            ("12.5\0", Reason::NotNumber),
            ("１２", Reason::NotNumber),
            ("true", Reason::NotNumber),
        ] {
            assert_eq!(torque(text), Err(reason), "{text:?}");
        }
        for (field, reason) in
            [(json!(true), Reason::WrongType), (json!([1]), Reason::WrongType), (json!({"v": 1}), Reason::WrongType)]
        {
            assert_eq!(json(&field, &mapping(Signal::Torque)).unwrap_err().reason, reason, "{field}");
        }
    }

    #[test]
    fn a_sentinel_is_told_from_a_number_that_cannot_be() {
        let temp = |raw: f64| bare(&raw.to_string(), &mapping(Signal::ProductTemp)).map_err(|problem| problem.reason);
        for raw in [850.0, -200.0, 3276.7, -3276.8, 6553.5, 9999.0, -9999.0, 1e38] {
            assert_eq!(temp(raw), Err(Reason::Sentinel), "{raw}");
        }
        assert_eq!(temp(301.0), Err(Reason::OutOfRange));
        assert_eq!(temp(300.0), Ok(Value::Number(300.0)));
        // An hour meter may well stand at 9999 h.
        assert_eq!(bare("9999", &mapping(Signal::RunHours)), Ok(Value::Number(9999.0)));
    }

    /// 41 °F is 5 °C; the sentinel is what was sent, not what it would be in °C.
    #[test]
    fn the_span_is_in_the_house_unit_and_the_sentinel_in_the_plants() {
        let mut temp = mapping(Signal::ProductTemp);
        temp.measure = Some(Measure::parse("°F", Quantity::Temperature).unwrap());
        let Ok(Value::Number(house)) = bare("41", &temp) else { panic!("41 °F was refused") };
        assert!((house - 5.0).abs() < 1e-9);
        assert_eq!(bare("-200", &temp).unwrap_err().reason, Reason::Sentinel);
        temp.span = Some((0.0, 4.0));
        assert_eq!(bare("41", &temp).unwrap_err().reason, Reason::OutOfRange);
    }

    /// NAMUR NE 43 as scaled numbers: on 0 to 100 °C 3.6 mA is -2.5 °C and 21 mA is 106.25 °C, on -40 to 140 °C they are
    /// -44.5 and 151.25 °C, and a dead loop of 0 mA is -25 and -85 °C.
    #[test]
    fn a_broken_current_loop_is_no_temperature() {
        let mut temp = mapping(Signal::ProductTemp);
        temp.span = Some((-200.0, 300.0));
        for (loop_range, faults, values) in [
            ((0.0, 100.0), [-2.5, 106.25, -25.0], [-2.4, 0.0, 106.2]),
            ((-40.0, 140.0), [-44.5, 151.25, -85.0], [-44.4, -40.0, 151.2]),
            ((100.0, 0.0), [102.5, -6.25, 125.0], [102.4, 50.0, -6.2]),
        ] {
            temp.loop_range = Some(loop_range);
            for raw in faults {
                assert_eq!(
                    bare(&raw.to_string(), &temp).unwrap_err().reason,
                    Reason::LoopFault,
                    "{raw} of {loop_range:?}"
                );
            }
            for raw in values {
                assert_eq!(bare(&raw.to_string(), &temp), Ok(Value::Number(raw)), "{raw} of {loop_range:?}");
            }
        }
        assert_eq!(bare("3276.7", &temp).unwrap_err().reason, Reason::Sentinel, "no current says that");
    }

    #[test]
    fn a_drive_that_counts_the_other_way_round_is_turned_where_the_config_says_so() {
        let mut turned = mapping(Signal::Torque);
        turned.reversed = true;
        assert_eq!(bare("-95.5", &turned), Ok(Value::Number(95.5)));
    }

    #[test]
    fn words_are_renamed_and_codes_are_words() {
        let mut mode = mapping(Signal::Mode);
        mode.words = BTreeMap::from([("5".into(), "cleaning".into()), ("PROD".into(), "production".into())]);
        let text = |word: &str| Ok(Value::Text(word.into()));
        assert_eq!(bare("PROD", &mode), text("production"));
        assert_eq!(json(&json!(5), &mode), text("cleaning"));
        assert_eq!(json(&json!(5.0), &mode), text("cleaning"));
        assert_eq!(json(&json!("idle"), &mode), text("idle"));
        assert_eq!(json(&json!(false), &mode), text("false"));
        assert_eq!(bare("a\x07b", &mode).unwrap_err().reason, Reason::BadWord);
        assert_eq!(bare(&"x".repeat(65), &mode).unwrap_err().reason, Reason::TooLarge);
    }
}
