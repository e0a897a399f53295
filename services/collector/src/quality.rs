//! How far the source believes its own value.

use std::collections::BTreeMap;

use plant::{Quality, Status};
use serde::Deserialize;
use serde_json::Value as Json;

/// How the quality of a value is written.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum QualityRule {
    /// An OPC UA status code ([`Status::of_opc_ua`]): a number, or an object with `Code`. Nothing there means good, which the
    /// JSON encoding leaves out (OPC 10000-6).
    OpcUa,
    /// One byte, the top two bits 00 bad, 01 uncertain, 11 good, so 0 and 192 (classic data access); also 500,
    /// stale, which counts as bad.
    Byte,
    /// Words, whole numbers or truth values, in any case; `good`, `uncertain`, `bad`, `true` and `false` are known
    /// unless they are given another meaning.
    Words(BTreeMap<String, Quality>),
}

/// A quality, and what was not understood of it.
pub(crate) struct Read {
    pub(crate) quality: Quality,
    pub(crate) unknown: bool,
    /// The source says that there is no value, whatever stands in its place.
    pub(crate) no_value: bool,
}

const UNKNOWN: Read = Read { quality: Quality::Uncertain, unknown: true, no_value: false };

fn known(quality: Quality) -> Read {
    Read { quality, unknown: false, no_value: false }
}

impl QualityRule {
    /// The quality written at the field; `None` stands for a field that is not there.
    pub(crate) fn read(&self, field: Option<&Json>) -> Read {
        let field = field.filter(|field| !field.is_null());
        match self {
            QualityRule::OpcUa => {
                let Some(field) = field else { return known(Quality::Good) };
                let code = field.get("Code").unwrap_or(field);
                whole(code).and_then(|code| u32::try_from(code).ok()).map_or(UNKNOWN, opc_ua)
            }
            QualityRule::Byte => match field.and_then(whole) {
                Some(500) => known(Quality::Bad),
                Some(byte @ 0..=255) => match byte >> 6 {
                    0 => known(Quality::Bad),
                    1 => known(Quality::Uncertain),
                    3 => known(Quality::Good),
                    _ => UNKNOWN,
                },
                _ => UNKNOWN,
            },
            QualityRule::Words(words) => {
                let Some(word) = field.and_then(word) else { return UNKNOWN };
                let given =
                    words.iter().find(|(key, _)| key.trim().to_lowercase() == word).map(|(_, quality)| *quality);
                let usual = || match word.as_str() {
                    "good" | "true" => Some(Quality::Good),
                    "uncertain" => Some(Quality::Uncertain),
                    "bad" | "false" => Some(Quality::Bad),
                    _ => None,
                };
                given.or_else(usual).map_or(UNKNOWN, known)
            }
        }
    }
}

fn opc_ua(code: u32) -> Read {
    match Status::of_opc_ua(code) {
        Some(Status { quality, no_value, .. }) => Read { quality, unknown: false, no_value },
        None => UNKNOWN,
    }
}

fn whole(field: &Json) -> Option<i64> {
    match field {
        Json::Number(number) => {
            number.as_i64().or_else(|| number.as_f64().filter(|n| n.fract() == 0.0).map(|n| n as i64))
        }
        Json::String(text) => {
            let text = text.trim();
            match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
                Some(hex) => i64::from_str_radix(hex, 16).ok(),
                None => text.parse().ok(),
            }
        }
        _ => None,
    }
}

fn word(field: &Json) -> Option<String> {
    match field {
        Json::String(text) => Some(text.trim().to_lowercase()),
        Json::Bool(yes) => Some(yes.to_string()),
        Json::Number(number) => Some(number.to_string()),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn read(rule: &QualityRule, field: Json) -> (Quality, bool) {
        let read = rule.read(Some(&field));
        (read.quality, read.unknown)
    }

    /// Codes by their names in StatusCode.csv of OPC 10000-6.
    #[test]
    fn opc_ua_codes_by_their_severity() {
        let cases = [
            (0x0000_0000_u32, Quality::Good),  // Good
            (0x0030_0000, Quality::Good),      // GoodClamped
            (0x0030_0480, Quality::Good),      // the same with info bits
            (0x0096_0000, Quality::Uncertain), // GoodLocalOverride
            (0x4090_0000, Quality::Uncertain), // UncertainLastUsableValue
            (0x4093_0000, Quality::Uncertain), // UncertainSensorNotAccurate
            (0x4209_0000, Quality::Bad),       // UncertainSimulatedValue
            (0x8031_0000, Quality::Bad),       // BadNoCommunication
            (0x808C_0000, Quality::Bad),       // BadSensorFailure
        ];
        for (code, expected) in cases {
            assert_eq!(read(&QualityRule::OpcUa, json!(code)), (expected, false), "{code:#010x}");
            assert_eq!(read(&QualityRule::OpcUa, json!({"Code": code})), (expected, false), "{code:#010x} as object");
        }
        assert_eq!(read(&QualityRule::OpcUa, json!(0xC000_0000_u32)), (Quality::Uncertain, true));
        assert!(QualityRule::OpcUa.read(Some(&json!(0x00A5_0000))).no_value, "GoodNoData");
        let absent = QualityRule::OpcUa.read(None);
        assert_eq!((absent.quality, absent.unknown), (Quality::Good, false));
    }

    #[test]
    fn bytes_of_classic_data_access() {
        for (byte, expected) in [
            (192, Quality::Good),
            (216, Quality::Good),
            (64, Quality::Uncertain),
            (0, Quality::Bad),
            (24, Quality::Bad),
            (500, Quality::Bad),
        ] {
            assert_eq!(read(&QualityRule::Byte, json!(byte)), (expected, false), "{byte}");
        }
        assert_eq!(read(&QualityRule::Byte, json!("192")), (Quality::Good, false));
        for strange in [json!(128), json!(-1), json!(4096), json!("ok"), json!([])] {
            assert_eq!(read(&QualityRule::Byte, strange.clone()), (Quality::Uncertain, true), "{strange}");
        }
    }

    #[test]
    fn words_in_any_case_and_a_strange_one_is_uncertain() {
        let rule = QualityRule::Words(BTreeMap::from([("OK".into(), Quality::Good), ("false".into(), Quality::Good)]));
        for (field, expected) in [
            (json!("ok"), Quality::Good),
            (json!(" GOOD "), Quality::Good),
            (json!("Uncertain"), Quality::Uncertain),
            (json!("bad"), Quality::Bad),
            (json!(true), Quality::Good),
            (json!(false), Quality::Good),
        ] {
            assert_eq!(read(&rule, field.clone()), (expected, false), "{field}");
        }
        assert_eq!(read(&rule, json!("suspect")), (Quality::Uncertain, true));
        assert!(rule.read(None).unknown);
    }
}
