//! The last step to a reading, the same for every kind of payload.

use jiff::{SignedDuration, Timestamp};
use plant::{Measure, Quality, Reading, Signal, TimeSource, UnitId, Value, micros};
use serde_json::Value as Json;

use crate::belief::{Belief, in_words};
use crate::decode::{Limits, Message, Outcome, Taken};
use crate::mapping::{Mapping, TopicMap};
use crate::reason::{Doubt, Problem, Reason, Refusal, shown};
use crate::value;

/// A message on its way through the mappings.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Taker<'a> {
    pub(crate) map: &'a TopicMap,
    pub(crate) limits: &'a Limits,
    pub(crate) belief: &'a Belief,
    pub(crate) message: &'a Message<'a>,
    /// By how much the clock that gave the arrival is known to be behind.
    pub(crate) set_back: SignedDuration,
}

/// One value of a message, before it is known whether it can be.
pub(crate) struct Found {
    /// The value as JSON would write it.
    pub(crate) value: Json,
    /// The value as it was sent.
    pub(crate) raw: String,
    pub(crate) quality: Quality,
    /// The source says that there is no value, whatever stands in its place.
    pub(crate) no_value: bool,
    /// The unit of measure that the message says, if it says one.
    pub(crate) measure: Option<String>,
    /// Its own time, if it has one.
    pub(crate) at: Option<Timestamp>,
    pub(crate) doubts: Vec<Doubt>,
}

impl Found {
    /// A good value without a time.
    pub(crate) fn new(value: Json) -> Self {
        let raw = match &value {
            Json::String(text) => text.clone(),
            other => other.to_string(),
        };
        Self { value, raw, quality: Quality::Good, no_value: false, measure: None, at: None, doubts: Vec::new() }
    }
}

impl<'a> Taker<'a> {
    /// How far ahead of the arrival the time of a signal may lie.
    pub(crate) fn most_ahead(&self, signal: Signal) -> SignedDuration {
        SignedDuration::from_millis((self.belief.limit(signal).ahead_s * 1000.0) as i64).saturating_add(self.set_back)
    }

    /// When the message came, by a clock that goes on where this machine's is set back.
    pub(crate) fn steady_at(&self) -> Timestamp {
        let at = self.message.arrived_at;
        at.checked_add(self.set_back).unwrap_or(at)
    }

    /// The payload if it has bytes, and not too many.
    pub(crate) fn payload(&self) -> Result<&'a [u8], Problem> {
        let size = self.message.payload.len();
        if size > self.limits.max_payload_bytes {
            let advice = format!("the payload has {size} bytes; at most {} are taken", self.limits.max_payload_bytes);
            return Err(Problem::new(Reason::TooLarge, advice));
        }
        if size == 0 {
            return Err(Problem::new(Reason::Empty, "the payload has no bytes; right would be a value"));
        }
        Ok(self.message.payload)
    }

    /// The unit that a mapping speaks of, by what stands at `{unit}` in the topic or in the name of the value.
    pub(crate) fn unit(&self, mapping: &'a Mapping, named: Option<&str>) -> Result<&'a UnitId, Problem> {
        let unit = mapping.unit.as_ref().or_else(|| named.and_then(|name| self.map.unit(name)));
        unit.ok_or_else(|| {
            let name = shown(named.unwrap_or_default().as_bytes());
            Problem::new(Reason::UnknownUnit, format!("unit {name:?} is not in the config"))
        })
    }

    /// A reading, or why there is none.
    ///
    /// A null, NaN or infinite value, and a number that the signal cannot be, is a reading without a value and of bad
    /// quality: not a refusal, for it ends what the reading before it said, and never zero.
    /// A value without a time of its own has the time of arrival, and [`TimeSource::Unknown`] if the message was
    /// retained or may have waited; so has one whose own time is too old to be believed.
    pub(crate) fn reading(&self, mapping: &Mapping, unit: &UnitId, found: Found) -> Result<Taken, Problem> {
        let Found { value, raw, mut quality, no_value, measure, at, mut doubts } = found;
        let raw = shown(raw.trim().as_bytes());
        let other = measure.and_then(|said| other_measure(mapping, &said).transpose()).transpose()?;
        let spoken = other.map(|measure| {
            let config = mapping.measure.map_or(mapping.signal.house_unit(), |measure| measure.name());
            let text =
                format!("the message is in {}, the config says {config}; taken as it says itself", measure.name());
            doubts.push(Doubt { reason: Reason::OtherMeasure, text });
            Mapping { measure: Some(measure), ..mapping.clone() }
        });
        let mapping = spoken.as_ref().unwrap_or(mapping);
        let value = match value::json(&value, mapping) {
            _ if no_value => Value::Missing,
            // A number that cannot be is kept for its badness: it ends what the last good one said. Where the source
            // has said by itself that it is not to be used, there is nothing to doubt.
            Err(Problem { reason: reason @ (Reason::Sentinel | Reason::OutOfRange | Reason::LoopFault), advice }) => {
                if quality != Quality::Bad {
                    doubts.push(Doubt { reason, text: format!("{advice}; kept as missing") });
                }
                Value::Missing
            }
            result => result?,
        };
        let (at, time_source) = match at {
            Some(at) => (at, self.own(at, mapping.signal, &mut doubts)),
            None => self.arrival(&mut doubts),
        };
        if value == Value::Missing {
            quality = Quality::Bad;
            let cause =
                |doubt: &Doubt| matches!(doubt.reason, Reason::Sentinel | Reason::OutOfRange | Reason::LoopFault);
            if !doubts.iter().any(cause) {
                doubts.push(Doubt { reason: Reason::NoValue, text: format!("{raw} is no value; kept as missing") });
            }
        }
        let reading = Reading { unit: unit.clone(), signal: mapping.signal, at, value, quality, time_source };
        Ok(Taken { reading, raw, doubts })
    }

    /// How far a reading's own time is believed: not where it lies so far behind the arrival that the sender's clock is the likelier
    /// reason.
    fn own(&self, at: Timestamp, signal: Signal, doubts: &mut Vec<Doubt>) -> TimeSource {
        let behind_s = self.message.arrived_at.duration_since(at).as_secs_f64();
        let most_s = self.belief.limit(signal).behind_s;
        if behind_s <= most_s {
            return TimeSource::Own;
        }
        let [behind, most] = [behind_s, most_s].map(in_words);
        let text = format!(
            "{at} lies {behind} behind its arrival, more than {most}: a clock that was never set? Kept, but in no exposure; set the \
             clock, and bring an old past in with `groovecast import history`"
        );
        doubts.push(Doubt { reason: Reason::TooOld, text });
        TimeSource::Unknown
    }

    /// The time of arrival, for what carries none of its own.
    pub(crate) fn arrival(&self, doubts: &mut Vec<Doubt>) -> (Timestamp, TimeSource) {
        let at = micros(self.message.arrived_at);
        if !(self.message.retained || self.message.backlog) {
            return (at, TimeSource::Arrival);
        }
        let how = if self.message.retained { "was retained" } else { "waited at the broker" };
        let text =
            format!("the message {how} and carries no time: kept, but in no exposure; send a time with the value");
        doubts.push(Doubt { reason: Reason::Untimed, text });
        (at, TimeSource::Unknown)
    }

    /// A value that became a reading or did not, with what stood there.
    pub(crate) fn outcome(
        &self,
        mapping: &Mapping,
        unit: Option<&UnitId>,
        result: Result<Taken, Problem>,
        sample: impl FnOnce() -> String,
    ) -> Outcome {
        match result {
            Ok(taken) => Outcome::Taken(taken),
            Err(Problem { reason, advice }) => Outcome::Refused(Refusal {
                unit: unit.cloned(),
                signal: Some(mapping.signal),
                reason,
                sample: sample(),
                advice,
            }),
        }
    }

    /// The whole message kept out, for every mapping alike.
    pub(crate) fn refused(&self, problem: Problem) -> Outcome {
        let Problem { reason, advice } = problem;
        Outcome::Refused(Refusal { unit: None, signal: None, reason, sample: shown(self.message.payload), advice })
    }
}

/// The unit of measure that a message says, if it is not the one of its mapping.
fn other_measure(mapping: &Mapping, said: &str) -> Result<Option<Measure>, Problem> {
    let said = said.trim();
    let Some(quantity) = mapping.signal.quantity().filter(|_| !said.is_empty()) else { return Ok(None) };
    let own = mapping.measure.unwrap_or(Measure::house(quantity));
    if said == own.name() {
        return Ok(None);
    }
    let measure = Measure::parse(said, quantity).map_err(|error| {
        let error = shown(error.to_string().as_bytes());
        Problem::new(Reason::UnknownMeasure, format!("the message's unit of measure cannot be read: {error}"))
    })?;
    Ok((measure != own).then_some(measure))
}
