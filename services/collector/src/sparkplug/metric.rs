//! One metric: its value, quality and time.

use plant::Quality;
use serde_json::Value as Json;

use super::wire::{Metric, MetricValue, Property};
use crate::mapping::Mapping;
use crate::quality::QualityRule;
use crate::reason::{Doubt, Problem, Reason};
use crate::stamp::millis;
use crate::take::{Found, Taker};

/// Int8, Int16, Int32 and Int64, as data types are numbered (Sparkplug 3.0.0, 6.4.16).
const INT8: u32 = 1;
const INT16: u32 = 2;
const INT32: u32 = 3;
const INT64: u32 = 4;
const LAST_PLAIN: u32 = 15;

/// The value of a metric. Its type is its own or, if it has none, that of the birth; its time its own or else that of
/// the payload.
pub(super) fn found(
    taker: &Taker<'_>,
    metric: &Metric,
    born_type: Option<u32>,
    sent_ms: Option<u64>,
    mapping: &Mapping,
) -> Result<Found, Problem> {
    let datatype = metric.datatype.or(born_type);
    let mut found = match &metric.value {
        Some(value) if metric.is_null != Some(true) => plain(value, datatype)?,
        _ => Found::new(Json::Null),
    };
    if metric.is_historical == Some(true) && metric.timestamp.is_none() {
        let advice = "a historical value has no time of its own, and that of its message is later; send its timestamp";
        return Err(Problem::new(Reason::Untimed, advice));
    }
    if let Some(ms) = metric.timestamp.or(sent_ms) {
        found.at = Some(millis(ms, taker.message.arrived_at, taker.most_ahead(mapping.signal))?);
    }
    quality(metric, &mut found);
    let said =
        mapping.measure_at.as_ref().and_then(|pointer| property(metric, pointer.as_str().trim_start_matches('/')));
    if let Some(Property::Text(measure)) = said {
        found.measure = Some(measure.clone());
    }
    Ok(found)
}

fn plain(value: &MetricValue, datatype: Option<u32>) -> Result<Found, Problem> {
    if datatype.is_some_and(|datatype| datatype > LAST_PLAIN) {
        return Err(wrong("a list, a set or a template"));
    }
    let found = match value {
        MetricValue::Int(bits) => Found::new(small(*bits, datatype)?.into()),
        // Some libraries send small integers in the wide field.
        MetricValue::Long(bits) => match datatype {
            Some(INT8..=INT64) => Found::new(bits.cast_signed().into()),
            None => return Err(untyped()),
            Some(_) => Found::new((*bits).into()),
        },
        // NaN and infinities become null: no value.
        MetricValue::Float(number) => Found { raw: number.to_string(), ..Found::new(f64::from(*number).into()) },
        MetricValue::Double(number) => Found { raw: number.to_string(), ..Found::new((*number).into()) },
        MetricValue::Boolean(yes) => Found::new((*yes).into()),
        MetricValue::Text(text) => Found::new(text.as_str().into()),
        MetricValue::Bytes(_) | MetricValue::DataSet(_) | MetricValue::Template(_) => {
            return Err(wrong("a list, a set or a template"));
        }
    };
    Ok(found)
}

fn wrong(what: &str) -> Problem {
    Problem::new(Reason::WrongType, format!("the metric is {what}; right would be a number, a truth value or a text"))
}

fn untyped() -> Problem {
    Problem::new(
        Reason::NotBorn,
        "an integer without a data type: its birth, which says whether it has a sign, was not seen",
    )
}

/// A whole number of 32 bits or fewer. Signed ones travel as the unsigned number of the same bits, of 32 bits or of
/// their own width.
fn small(bits: u32, datatype: Option<u32>) -> Result<i64, Problem> {
    let signed = i64::from(bits.cast_signed());
    let narrow = |low: i64, high: i64, wraps: i64| {
        let number = if (high + 1..wraps).contains(&i64::from(bits)) { i64::from(bits) - wraps } else { signed };
        (low..=high).contains(&number).then_some(number).ok_or_else(|| {
            Problem::new(Reason::NotNumber, format!("{bits} does not fit the metric's data type, {low} to {high}"))
        })
    };
    match datatype {
        Some(INT8) => narrow(i8::MIN.into(), i8::MAX.into(), 1 << 8),
        Some(INT16) => narrow(i16::MIN.into(), i16::MAX.into(), 1 << 16),
        Some(INT32 | INT64) => Ok(signed),
        Some(_) => Ok(bits.into()),
        None => Err(untyped()),
    }
}

/// The property `Quality`: 0 bad, 192 good, 500 stale; good if it is not there (Sparkplug 3.0.0, 6.4.13).
fn quality(metric: &Metric, found: &mut Found) {
    let code = match property(metric, "Quality") {
        Some(Property::Int(bits)) => Json::from(bits.cast_signed()),
        Some(Property::Long(bits)) => Json::from(bits.cast_signed()),
        Some(Property::Text(text)) => Json::from(text.as_str()),
        None => return,
    };
    let read = QualityRule::Byte.read(Some(&code));
    found.quality = read.quality;
    if read.unknown {
        found.quality = Quality::Uncertain;
        let text = format!("quality {code} is none of 0, 192 and 500; taken as uncertain");
        found.doubts.push(Doubt { reason: Reason::UnknownQuality, text });
    }
}

fn property<'m>(metric: &'m Metric, name: &str) -> Option<&'m Property> {
    let properties = metric.properties.as_ref()?;
    let at = properties.keys.iter().position(|key| key == name)?;
    properties.values.get(at)?.value.as_ref()
}

/// A metric for people.
pub(super) fn sample(name: &str, metric: &Metric) -> String {
    match &metric.value {
        Some(MetricValue::Int(bits)) => format!("{name} {bits}"),
        Some(MetricValue::Long(bits)) => format!("{name} {bits}"),
        Some(MetricValue::Float(number)) => format!("{name} {number}"),
        Some(MetricValue::Double(number)) => format!("{name} {number}"),
        Some(MetricValue::Boolean(yes)) => format!("{name} {yes}"),
        Some(MetricValue::Text(text)) => format!("{name} {text}"),
        Some(MetricValue::Bytes(bytes) | MetricValue::DataSet(bytes) | MetricValue::Template(bytes)) => {
            format!("{name}, {} bytes", bytes.len())
        }
        None => format!("{name} without a value"),
    }
}
