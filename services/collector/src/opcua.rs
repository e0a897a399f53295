//! JSON network messages of OPC UA PubSub (OPC 10000-14, 7.2.5), with or without their headers.
//!
//! A field of a data set is written in one of three ways: the bare value, a variant (`Type` and `Body`, or `UaType` and
//! `Value`), or a data value with status and time of its own. Publishers choose, so all are read.

use plant::Quality;
use serde_json::{Map, Value as Json};

use crate::decode::{Outcome, Taken};
use crate::mapping::Mapping;
use crate::pattern::Pattern;
use crate::quality::QualityRule;
use crate::reason::{Doubt, Problem, Reason, shown};
use crate::stamp::{TimeFormat, stamp};
use crate::take::{Found, Taker};

type Object = Map<String, Json>;

/// The values that a network message holds for a mapping; none if it holds other data sets or no changes.
pub(crate) fn decode(
    taker: &Taker<'_>,
    mapping: &Mapping,
    named: Option<&str>,
    json: Result<&Json, Problem>,
    field: &Pattern,
    writer: Option<&str>,
) -> Vec<Outcome> {
    let messages = match json.and_then(data_sets) {
        Ok(messages) => messages,
        Err(problem) => {
            let unit = taker.unit(mapping, named).ok();
            return vec![taker.outcome(mapping, unit, Err(problem), || shown(taker.message.payload))];
        }
    };
    let mut outcomes = Vec::new();
    let mut complete = None;
    for message in messages.into_iter().filter(|message| writer.is_none_or(|writer| is_of(message, writer))) {
        let kind = message.get("MessageType").and_then(Json::as_str);
        if matches!(kind, Some("ua-keepalive" | "ua-event")) {
            continue;
        }
        let Some(fields) = message.get("Payload").and_then(Json::as_object) else { continue };
        for (name, written) in fields {
            let Some(in_name) = field.take(name) else { continue };
            let unit = taker.unit(mapping, in_name.or(named));
            let taken = unit.clone().and_then(|unit| take(taker, mapping, unit, written, message));
            outcomes.push(taker.outcome(mapping, unit.ok(), taken, || shown(written.to_string().as_bytes())));
        }
        // Where we name no writer and the message does, it may be of one that nobody means.
        if kind == Some("ua-keyframe") && (writer.is_some() || !names_writer(message)) {
            complete = Some(fields);
        }
    }
    if let Some(fields) = complete.filter(|_| outcomes.is_empty()) {
        // A key frame has all fields of its data set: the name is wrong, or the writer.
        let names: Vec<&str> = fields.keys().take(10).map(String::as_str).collect();
        let sample = shown(names.join(", ").as_bytes());
        let problem = Problem::new(Reason::MissingField, format!("the data set has no field {field}"));
        outcomes.push(taker.outcome(mapping, taker.unit(mapping, named).ok(), Err(problem), || sample));
    }
    outcomes
}

fn take(
    taker: &Taker<'_>,
    mapping: &Mapping,
    unit: &plant::UnitId,
    written: &Json,
    message: &Object,
) -> Result<Taken, Problem> {
    let DataValue { value, status, source_time } = DataValue::read(written);
    let mut found = Found::new(value);
    for status in [message.get("Status"), status].into_iter().flatten() {
        status_code(status, &mut found);
    }
    // A source time of year 1 is one that was never given (OPC 10000-6, 5.2.2.5).
    let given = |time: &&Json| !time.is_null() && time.as_str().is_none_or(|text| !text.starts_with("0001-01-01"));
    if let Some(time) = source_time.filter(given).or(message.get("Timestamp").filter(given)) {
        found.at = Some(stamp(time, TimeFormat::Rfc3339, taker.message.arrived_at, taker.most_ahead(mapping.signal))?);
    }
    taker.reading(mapping, unit, found)
}

/// The data set messages of a document.
fn data_sets(json: &Json) -> Result<Vec<&Object>, Problem> {
    let none = || {
        let right = "right would be one of type ua-data, with Messages";
        Problem::new(Reason::NotPubSub, format!("this is no network message of OPC UA PubSub; {right}"))
    };
    let (message_type, messages) = match json {
        Json::Object(network) if network.contains_key("Messages") => (network.get("MessageType"), &network["Messages"]),
        other => (None, other),
    };
    // Metadata, status and discovery come on the same topics in some plants, and bring no values.
    if message_type.and_then(Json::as_str).is_some_and(|kind| kind != "ua-data") {
        return Ok(Vec::new());
    }
    match messages {
        Json::Array(list) => list.iter().map(|message| message.as_object().ok_or_else(none)).collect(),
        Json::Object(one) if one.contains_key("Payload") => Ok(vec![one]),
        Json::Object(one)
            if one.get("MessageType").and_then(Json::as_str).is_some_and(|kind| kind.starts_with("ua-")) =>
        {
            Ok(Vec::new())
        }
        _ => Err(none()),
    }
}

/// What may say whose a data set message is.
const WRITER: [&str; 2] = ["DataSetWriterId", "DataSetWriterName"];

fn names_writer(message: &Object) -> bool {
    WRITER.iter().any(|key| message.contains_key(*key))
}

/// Whether a data set message is of a writer, by its number or name.
fn is_of(message: &Object, writer: &str) -> bool {
    WRITER.into_iter().filter_map(|key| message.get(key)).any(|found| match found {
        Json::String(name) => name == writer,
        Json::Number(number) => number.to_string() == writer,
        _ => false,
    })
}

struct DataValue<'a> {
    value: Json,
    status: Option<&'a Json>,
    source_time: Option<&'a Json>,
}

impl<'a> DataValue<'a> {
    fn read(written: &'a Json) -> Self {
        let bare = |value: Json| Self { value, status: None, source_time: None };
        let object = match written {
            Json::Object(object) if !object.contains_key("Body") => object,
            other => return bare(variant(other)),
        };
        let status = object.get("StatusCode").or_else(|| object.get("Status"));
        let source_time = object.get("SourceTimestamp");
        // Since 1.05 the parts of the variant stand beside status and time, before that inside Value.
        let value = match object.get("Value") {
            Some(value) if !object.contains_key("UaType") => variant(value),
            _ if object.contains_key("UaType") => variant(written),
            // A null value is left out; without status and time too this is a structure.
            _ if status.is_some() || source_time.is_some() => Json::Null,
            _ => return bare(written.clone()),
        };
        Self { value, status, source_time }
    }
}

/// What stands in a variant; other things stand for themselves.
fn variant(written: &Json) -> Json {
    let Json::Object(object) = written else { return written.clone() };
    match (object.get("Body"), object.get("UaType"), object.get("Value")) {
        (Some(body), ..) => body.clone(),
        (None, Some(_), Some(value)) => value.clone(),
        // The compact form leaves out what is the default of its type: false, 0, no text (OPC 10000-6, 5.4).
        (None, Some(ua_type), None) => match ua_type.as_u64() {
            Some(1) => Json::Bool(false),
            Some(2..=11) => Json::from(0),
            _ => Json::Null,
        },
        _ => written.clone(),
    }
}

/// Lowers the quality to what a status code says: a number, or an object with number or name.
fn status_code(status: &Json, found: &mut Found) {
    // Four names mean something else than their first word says; their numbers are known.
    const NUMBERED: [(&str, u32); 4] = [
        ("GoodNoData", 0x00A5_0000),
        ("GoodLocalOverride", 0x0096_0000),
        ("UncertainSubstituteValue", 0x4091_0000),
        ("UncertainSimulatedValue", 0x4209_0000),
    ];
    let name = status.get("Symbol").unwrap_or(status).as_str().filter(|_| status.get("Code").is_none());
    let number =
        name.and_then(|name| NUMBERED.iter().find(|(known, _)| *known == name)).map(|(_, code)| Json::from(*code));
    let status = number.as_ref().unwrap_or(status);
    let severity = name.filter(|_| number.is_none()).and_then(|name| {
        let known = [("Good", Quality::Good), ("Uncertain", Quality::Uncertain), ("Bad", Quality::Bad)];
        known.into_iter().find(|(word, _)| name.starts_with(word)).map(|(_, quality)| quality)
    });
    // An object without number and name is Good, whose number 0 is left out.
    let empty = status.as_object().is_some_and(Map::is_empty);
    let quality = match severity {
        Some(quality) => quality,
        None if empty => Quality::Good,
        None => {
            let read = QualityRule::OpcUa.read(Some(status));
            found.no_value |= read.no_value;
            if read.unknown {
                let text =
                    format!("status {} is no status code; taken as uncertain", shown(status.to_string().as_bytes()));
                found.doubts.push(Doubt { reason: Reason::UnknownQuality, text });
            }
            read.quality
        }
    };
    found.quality = found.quality.min(quality);
}

#[cfg(test)]
mod tests {
    use plant::{Signal, TimeSource, UnitId, Value};
    use serde_json::json;

    use crate::decode::{Decoder, Limits, Message, Outcome, Taken};
    use crate::mapping::{Mapping, TopicMap};
    use crate::pattern::Pattern;
    use crate::payload::Payload;
    use crate::reason::Reason;
    use plant::Quality;

    fn decode(payload: &serde_json::Value) -> Vec<Outcome> {
        let pattern = |text: &str| Pattern::parse(text).unwrap();
        let of = |field: &str, signal, writer: Option<&str>| {
            let payload = Payload::OpcUa { field: pattern(field), writer: writer.map(str::to_owned) };
            Mapping::new(pattern("ua/json/data/{any}"), signal, payload)
        };
        let mappings =
            vec![of("{unit}.Torque", Signal::Torque, None), of("{unit}.Temp", Signal::ProductTemp, Some("7"))];
        let map = TopicMap::new(mappings, [UnitId::new("C1").unwrap()]).unwrap();
        let (payload, arrived_at) = (payload.to_string(), "2026-03-31T06:30:10Z".parse().unwrap());
        Decoder::new(map, Limits::USUAL).decode(&Message {
            topic: "ua/json/data/p",
            payload: payload.as_bytes(),
            retained: false,
            backlog: false,
            connection: 0,
            arrived_at,
        })
    }

    fn taken(outcomes: &[Outcome]) -> Vec<&Taken> {
        outcomes
            .iter()
            .map(|outcome| match outcome {
                Outcome::Taken(taken) => taken,
                other => panic!("not taken: {other:?}"),
            })
            .collect()
    }

    fn reasons(outcomes: &[Outcome]) -> Vec<Reason> {
        let reason = |outcome: &Outcome| match outcome {
            Outcome::Refused(refusal) => refusal.reason,
            other => panic!("not refused: {other:?}"),
        };
        outcomes.iter().map(reason).collect()
    }

    /// Headers as in OPC 10000-14, 7.2.5.3: all of them, one data set, no network header, a list of data sets.
    #[test]
    fn headers_may_be_left_out() {
        let set = json!({"DataSetWriterId": 7, "Timestamp": "2026-03-31T06:30:00Z", "Payload": {"C1.Torque": 95.5}});
        for message in [
            json!({"MessageId": "1", "MessageType": "ua-data", "PublisherId": "p", "Messages": [set.clone()]}),
            json!({"MessageId": "1", "MessageType": "ua-data", "Messages": set.clone()}),
            set.clone(),
            json!([set]),
        ] {
            let outcomes = decode(&message);
            let reading = &taken(&outcomes)[0].reading;
            assert_eq!((reading.unit.as_str(), &reading.value), ("C1", &Value::Number(95.5)), "{message}");
            assert_eq!(
                (reading.at.to_string().as_str(), reading.time_source),
                ("2026-03-31T06:30:00Z", TimeSource::Own)
            );
        }
    }

    #[test]
    fn only_the_writer_that_is_meant_speaks() {
        let sets = json!({"MessageType": "ua-data", "Messages": [
            {"DataSetWriterId": 7, "Payload": {"C1.Temp": 5.0}},
            {"DataSetWriterId": 8, "Payload": {"C1.Temp": 6.0}},
        ]});
        let outcomes = decode(&sets);
        let temps: Vec<_> = taken(&outcomes).iter().map(|taken| taken.reading.value.clone()).collect();
        assert_eq!(temps, [Value::Number(5.0)]);
    }

    #[test]
    fn what_brings_no_values_is_no_fault_and_what_is_no_message_is_one() {
        for quiet in [
            json!({"MessageType": "ua-metadata", "MetaData": {}}),
            json!({"MessageType": "ua-status", "Status": 2, "Messages": []}),
            json!({"MessageType": "ua-data", "Messages": [{"MessageType": "ua-keepalive", "DataSetWriterId": 7}]}),
            json!({"MessageType": "ua-data", "Messages": [{"MessageType": "ua-event", "Payload": {"C1.Torque": 1}}]}),
            json!({"MessageType": "ua-data", "Messages": [{"MessageType": "ua-deltaframe", "Payload": {"x": 1}}]}),
        ] {
            assert_eq!(decode(&quiet), [], "{quiet}");
        }
        for wrong in [json!({"a": 1}), json!([1]), json!(5), json!({"MessageType": "ua-data", "Messages": [1]})] {
            assert_eq!(reasons(&decode(&wrong)), [Reason::NotPubSub, Reason::NotPubSub], "{wrong}");
        }
        let key =
            json!({"MessageType": "ua-data", "Messages": [{"MessageType": "ua-keyframe", "Payload": {"C1.Torqe": 1}}]});
        let outcomes = decode(&key);
        assert_eq!(reasons(&outcomes), [Reason::MissingField], "a key frame has every field");
        assert!(matches!(&outcomes[0], Outcome::Refused(refusal) if refusal.sample.contains("C1.Torqe")));
        let elsewhere = json!({"MessageType": "ua-data", "Messages": [
            {"DataSetWriterId": 8, "MessageType": "ua-keyframe", "Payload": {"C1.Other": 1}}]});
        assert_eq!(decode(&elsewhere), [], "the mapping names no writer, and this one need not be meant");
        let meant = json!({"MessageType": "ua-data", "Messages": [
            {"DataSetWriterId": 7, "MessageType": "ua-keyframe", "Payload": {"C1.Other": 1}}]});
        assert_eq!(reasons(&decode(&meant)), [Reason::MissingField], "writer 7 is the one of the temperature");
        let stranger = json!({"Payload": {"C9.Torque": 1}});
        assert_eq!(reasons(&decode(&stranger)), [Reason::UnknownUnit]);
    }

    /// A whole data set that is bad makes its good fields bad.
    #[test]
    fn the_worst_status_counts() {
        for (set, field, quality) in [
            (json!(0), json!({"Value": 5}), Quality::Good),
            (json!(0x8031_0000_u32), json!({"Value": 5}), Quality::Bad),
            (json!({"Symbol": "UncertainInitialValue"}), json!(5), Quality::Uncertain),
            (json!(0), json!({"Value": 5, "Status": {"Symbol": "BadSensorFailure"}}), Quality::Bad),
            (json!({}), json!({"Value": 5, "StatusCode": {}}), Quality::Good),
            (json!(0), json!({"Value": 5, "Status": {"Symbol": "GoodNoData"}}), Quality::Bad),
            (json!(0), json!({"Value": 5, "Status": {"Symbol": "GoodLocalOverride"}}), Quality::Uncertain),
            (json!({"Symbol": "UncertainSubstituteValue"}), json!(5), Quality::Bad),
        ] {
            let message = json!({"Status": set, "Payload": {"C1.Torque": field}});
            assert_eq!(taken(&decode(&message))[0].reading.quality, quality, "{message}");
        }
    }

    #[test]
    fn a_source_time_of_year_one_was_never_given() {
        let message = json!({"Timestamp": "2026-03-31T06:30:05Z",
            "Payload": {"C1.Torque": {"Value": 5, "SourceTimestamp": "0001-01-01T00:00:00Z"}}});
        assert_eq!(taken(&decode(&message))[0].reading.at.to_string(), "2026-03-31T06:30:05Z");
    }
}
