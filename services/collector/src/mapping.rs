//! Which topic speaks of which unit and signal, and how.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use plant::{Measure, Signal, UnitId};

use crate::pattern::{Pattern, covers};
use crate::payload::Payload;
use crate::pointer::Pointer;
use crate::sparkplug::{self, Address};

/// One line of the config: a topic pattern and what its messages say.
#[derive(Debug, Clone)]
pub struct Mapping {
    /// The topics.
    pub pattern: Pattern,
    /// The unit that they speak of; `None` if the pattern has `{unit}`.
    pub unit: Option<UnitId>,
    /// The signal.
    pub signal: Signal,
    /// The unit of measure that the plant sends; `None` for the house unit and for words.
    pub measure: Option<Measure>,
    /// Where the message itself says its unit of measure, if it does: a pointer into the document or entry, or the name
    /// of a Sparkplug property. What it says outranks `measure`.
    pub measure_at: Option<Pointer>,
    /// How the value is written.
    pub payload: Payload,
    /// For `mode` and `product`: the plant's word (or number) and what it is called here. Others pass as they are.
    pub words: BTreeMap<String, String>,
    /// Lowest and highest plausible value in the house unit; `None` for [`Signal::believable`].
    pub span: Option<(f64, f64)>,
    /// What 4 mA and 20 mA stand for, in the plant's unit of measure, if the value comes over a current loop.
    pub loop_range: Option<(f64, f64)>,
    /// The drive counts the other way round: what it calls negative is positive here.
    pub reversed: bool,
}

/// What is wrong with the mappings taken together.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MapError {
    /// Nobody says which unit it is.
    #[error(
        "topic {pattern:?} names no unit; put {{unit}} in it, or in the name inside its messages, or give the mapping a unit"
    )]
    NoUnit {
        /// The pattern.
        pattern: String,
    },
    /// Two say which unit it is.
    #[error("topic {pattern:?} has {{unit}} and the mapping names unit {unit} too; leave one of them out")]
    TwoUnits {
        /// The pattern.
        pattern: String,
        /// The other unit.
        unit: UnitId,
    },
    /// Both the topic and the name inside the message say which unit it is.
    #[error("topic {pattern:?} and the name inside its messages both have {{unit}}; leave one of them out")]
    UnitNamedTwice {
        /// The pattern.
        pattern: String,
    },
    /// The unit is not in the config.
    #[error("topic {pattern:?} speaks of unit {unit}, which the config does not know; known are {known}")]
    UnknownUnit {
        /// The pattern.
        pattern: String,
        /// The unit.
        unit: UnitId,
        /// Those that are known.
        known: String,
    },
    /// A word has no unit of measure and no span.
    #[error(
        "topic {pattern:?} brings {signal}, which is a word; leave its unit of measure, span, loop and direction out"
    )]
    WordWithMeasure {
        /// The pattern.
        pattern: String,
        /// The signal.
        signal: Signal,
    },
    /// Only words can be renamed.
    #[error("topic {pattern:?} brings {signal}, which is a number; words rename mode and product only")]
    NumberWithWords {
        /// The pattern.
        pattern: String,
        /// The signal.
        signal: Signal,
    },
    /// Sparkplug messages come on Sparkplug topics.
    #[error(
        "topic {pattern:?} is none of Sparkplug; right would be spBv1.0/group/{{type}}/node or spBv1.0/group/{{type}}/node/device"
    )]
    NoSparkplugTopic {
        /// The pattern.
        pattern: String,
    },
    /// A current loop that spans nothing.
    #[error(
        "topic {pattern:?} has a loop from {at_4_ma} to {at_20_ma}; right would be two different finite numbers, what 4 mA and 20 mA stand for"
    )]
    BadLoop {
        /// The pattern.
        pattern: String,
        /// What 4 mA stands for.
        at_4_ma: f64,
        /// What 20 mA stands for.
        at_20_ma: f64,
    },
    /// A span that holds no value.
    #[error(
        "topic {pattern:?} has a span from {low} to {high} {house_unit}; right would be two finite numbers, the lower first"
    )]
    BadSpan {
        /// The pattern.
        pattern: String,
        /// Its lower end.
        low: f64,
        /// Its upper end.
        high: f64,
        /// The house unit.
        house_unit: &'static str,
    },
    /// One message would give one signal of one unit two values.
    #[error("topics {first:?} and {second:?} can both bring {signal} of one unit in one message; which one counts?")]
    Ambiguous {
        /// One pattern.
        first: String,
        /// The other.
        second: String,
        /// The signal.
        signal: Signal,
    },
}

impl Mapping {
    /// A mapping of a topic that names the unit, in the house unit, without anything special.
    pub fn new(pattern: Pattern, signal: Signal, payload: Payload) -> Self {
        Self {
            pattern,
            unit: None,
            signal,
            measure: None,
            measure_at: None,
            payload,
            words: BTreeMap::new(),
            span: None,
            loop_range: None,
            reversed: false,
        }
    }

    /// Lowest and highest value taken, in the house unit.
    pub fn plausible(&self) -> (f64, f64) {
        self.span.unwrap_or(self.signal.believable())
    }

    fn check(&self, known: &BTreeSet<UnitId>) -> Result<(), MapError> {
        let pattern = || self.pattern.to_string();
        let names = [Some(&self.pattern), self.payload.name()].into_iter().flatten();
        let named = names.filter(|pattern| pattern.names_unit()).count();
        match (&self.unit, named > 0) {
            _ if named > 1 => return Err(MapError::UnitNamedTwice { pattern: pattern() }),
            (None, false) => return Err(MapError::NoUnit { pattern: pattern() }),
            (Some(unit), true) => return Err(MapError::TwoUnits { pattern: pattern(), unit: unit.clone() }),
            (Some(unit), false) if !known.contains(unit) => {
                let known = known.iter().map(UnitId::as_str).collect::<Vec<_>>().join(", ");
                return Err(MapError::UnknownUnit { pattern: pattern(), unit: unit.clone(), known });
            }
            _ => {}
        }
        let is_word = self.signal.quantity().is_none();
        let numeric = self.measure.is_some()
            || self.measure_at.is_some()
            || self.span.is_some()
            || self.loop_range.is_some()
            || self.reversed;
        if is_word && numeric {
            return Err(MapError::WordWithMeasure { pattern: pattern(), signal: self.signal });
        }
        if !is_word && !self.words.is_empty() {
            return Err(MapError::NumberWithWords { pattern: pattern(), signal: self.signal });
        }
        if matches!(self.payload, Payload::Sparkplug { .. }) && !sparkplug::is_pattern(&self.pattern) {
            return Err(MapError::NoSparkplugTopic { pattern: pattern() });
        }
        if let Some((at_4_ma, at_20_ma)) = self.loop_range
            && !(at_4_ma.is_finite() && at_20_ma.is_finite() && at_4_ma != at_20_ma)
        {
            return Err(MapError::BadLoop { pattern: pattern(), at_4_ma, at_20_ma });
        }
        match self.span {
            Some((low, high)) if !(low.is_finite() && high.is_finite() && low < high) => {
                Err(MapError::BadSpan { pattern: pattern(), low, high, house_unit: self.signal.house_unit() })
            }
            _ => Ok(()),
        }
    }

    /// Whether one message could give both a value for the same signal of the same unit.
    fn clashes(&self, other: &Mapping) -> bool {
        if self.signal != other.signal || !self.pattern.meets(&other.pattern) {
            return false;
        }
        if let (Payload::OpcUa { writer: Some(mine), .. }, Payload::OpcUa { writer: Some(theirs), .. }) =
            (&self.payload, &other.payload)
            && mine != theirs
        {
            return false;
        }
        let within = |of: &Mapping, other: &Mapping| {
            let topic = of.pattern.unit_within(&other.pattern).map(str::to_owned);
            let name = of.payload.name().zip(other.payload.name());
            let unit = of.unit.as_ref().map(|unit| unit.as_str().to_owned());
            unit.or(topic).or_else(|| name.and_then(|(mine, theirs)| mine.unit_within(theirs)).map(str::to_owned))
        };
        let (mine, theirs) = (within(self, other), within(other, self));
        match (mine, theirs) {
            (Some(mine), Some(theirs)) => mine == theirs,
            _ => true,
        }
    }
}

/// All mappings, checked against each other. One topic may feed several of them.
#[derive(Debug, Clone)]
pub struct TopicMap {
    mappings: Vec<Mapping>,
    exact: HashMap<String, Vec<usize>>,
    named: Vec<usize>,
    /// Topics of Sparkplug nodes, without a device.
    nodes: Vec<Pattern>,
    units: BTreeSet<UnitId>,
}

impl TopicMap {
    /// Checks the mappings.
    ///
    /// # Errors
    /// [`MapError`] for the first mapping that is wrong by itself or could not be told from an earlier one.
    pub fn new(mappings: Vec<Mapping>, units: impl IntoIterator<Item = UnitId>) -> Result<Self, MapError> {
        let units: BTreeSet<UnitId> = units.into_iter().collect();
        let mut exact: HashMap<String, Vec<usize>> = HashMap::new();
        let mut named = Vec::new();
        for (index, mapping) in mappings.iter().enumerate() {
            mapping.check(&units)?;
            if let Some(other) = mappings[..index].iter().find(|other| mapping.clashes(other)) {
                return Err(MapError::Ambiguous {
                    first: other.pattern.to_string(),
                    second: mapping.pattern.to_string(),
                    signal: mapping.signal,
                });
            }
            if mapping.pattern.is_exact() {
                exact.entry(mapping.pattern.as_str().to_owned()).or_default().push(index);
            } else {
                named.push(index);
            }
        }
        let sparkplug = mappings.iter().filter(|mapping| matches!(mapping.payload, Payload::Sparkplug { .. }));
        let nodes = sparkplug.filter_map(|mapping| mapping.pattern.first_levels(sparkplug::NODE_LEVELS)).collect();
        Ok(Self { mappings, exact, named, nodes, units })
    }

    /// The MQTT filters to subscribe to, sorted, without those that another one covers: a message that comes by two
    /// filters may come twice.
    pub fn filters(&self) -> Vec<String> {
        let filter = |mapping: &Mapping| match mapping.payload {
            Payload::Sparkplug { .. } => sparkplug::filter(&mapping.pattern),
            _ => mapping.pattern.filter(),
        };
        let filters: BTreeSet<String> = self.mappings.iter().map(filter).collect();
        let covered = |filter: &&String| filters.iter().any(|other| other != *filter && covers(other, filter));
        filters.iter().filter(|filter| !covered(filter)).cloned().collect()
    }

    /// Topics and names of the Sparkplug metrics that are wanted.
    pub(crate) fn metrics(&self) -> BTreeSet<(String, String)> {
        let metric = |mapping: &Mapping| match &mapping.payload {
            Payload::Sparkplug { metric } => Some((mapping.pattern.to_string(), metric.to_string())),
            _ => None,
        };
        self.mappings.iter().filter_map(metric).collect()
    }

    /// Whether a mapping can bring this signal of this unit.
    pub(crate) fn brings(&self, unit: &UnitId, signal: Signal) -> bool {
        let names = |mapping: &Mapping| mapping.unit.as_ref().is_none_or(|named| named == unit);
        self.units.contains(unit) && self.mappings.iter().any(|mapping| mapping.signal == signal && names(mapping))
    }

    /// Whether the messages of this Sparkplug node are wanted.
    pub(crate) fn wants_node(&self, address: &Address<'_>) -> bool {
        self.nodes.iter().any(|node| address.is_below(node))
    }

    /// Whether what this Sparkplug node or device says can be of a unit that is known. What cannot need not be remembered.
    pub(crate) fn may_know(&self, address: &Address<'_>) -> bool {
        let known = |named: Option<&str>| named.is_none_or(|name| self.unit(name).is_some());
        self.nodes.iter().filter_map(|node| node.take(address.of_node())).any(known)
            && (address.device.is_none() || self.routes(address.topic).any(|(_, named)| known(named)))
    }

    /// The mappings that take a topic, each with the text at its `{unit}` if it has one.
    pub(crate) fn routes<'m, 't>(&'m self, topic: &'t str) -> impl Iterator<Item = (&'m Mapping, Option<&'t str>)> {
        let exact = self.exact.get(topic).into_iter().flatten().map(|index| (&self.mappings[*index], None));
        let named = self.named.iter().filter_map(move |index| {
            let mapping = &self.mappings[*index];
            mapping.pattern.take(topic).map(|unit| (mapping, unit))
        });
        exact.chain(named)
    }

    /// The known unit of this name.
    pub(crate) fn unit(&self, name: &str) -> Option<&UnitId> {
        let id = UnitId::new(name).ok()?;
        self.units.get(&id)
    }
}

#[cfg(test)]
mod tests {
    use plant::Quantity;

    use super::*;

    fn mapping(pattern: &str, unit: Option<&str>, signal: Signal) -> Mapping {
        let unit = unit.map(|unit| UnitId::new(unit).unwrap());
        Mapping { unit, ..Mapping::new(Pattern::parse(pattern).unwrap(), signal, Payload::Number) }
    }

    fn map(mappings: Vec<Mapping>) -> Result<TopicMap, MapError> {
        TopicMap::new(mappings, ["C1", "C2"].map(|unit| UnitId::new(unit).unwrap()))
    }

    #[test]
    fn two_values_for_one_signal_in_one_message_are_refused() {
        let torque = |pattern, unit| mapping(pattern, unit, Signal::Torque);
        let clashing = [
            (torque("a/{unit}/t", None), torque("a/C1/t", Some("C1"))),
            (torque("a/{unit}/t", None), torque("{area}/C1/t", Some("C1"))),
            (torque("a/{unit}/{area}", None), torque("a/{unit}/t", None)),
            (torque("a/b", Some("C1")), torque("a/b", Some("C1"))),
        ];
        for (first, second) in clashing {
            let error = map(vec![first, second]).unwrap_err();
            assert!(matches!(error, MapError::Ambiguous { .. }), "{error}");
        }
        let apart = [
            (torque("a/{unit}/t", None), mapping("a/{unit}/t", None, Signal::Speed)),
            (torque("a/b", Some("C1")), torque("a/b", Some("C2"))),
            (torque("a/{unit}/t", None), torque("a/{unit}/u", None)),
            (torque("a/{unit}/t", None), torque("a/old/t", Some("C2"))),
            (torque("a/C{unit}/t", None), torque("a/D{unit}/t", None)),
            // Both take a/b/t, the first for unit b and the second for unit a.
            (torque("a/{unit}/t", None), torque("{unit}/b/t", None)),
        ];
        for (first, second) in apart {
            map(vec![first, second]).unwrap();
        }
    }

    #[test]
    fn a_mapping_that_is_wrong_by_itself_says_so() {
        use Signal::{Mode, Torque};
        let mut span = mapping("t", Some("C1"), Torque);
        span.span = Some((5.0, 5.0));
        let mut measured = mapping("m", Some("C1"), Mode);
        measured.measure = Some(Measure::house(Quantity::Torque));
        let mut renamed = mapping("t", Some("C1"), Torque);
        renamed.words.insert("a".into(), "b".into());
        for (wrong, why) in [
            (mapping("t", None, Torque), "names no unit"),
            (mapping("{unit}/t", Some("C1"), Torque), "leave one of them out"),
            (mapping("t", Some("C9"), Torque), "known are C1, C2"),
            (span, "from 5 to 5 N·m"),
            (measured, "is a word"),
            (renamed, "is a number"),
        ] {
            let error = map(vec![wrong]).unwrap_err().to_string();
            assert!(error.contains(why), "{error}");
        }
    }

    #[test]
    fn covered_filters_are_left_out() {
        let filters = map(vec![
            mapping("a/{unit}/t", None, Signal::Torque),
            mapping("a/{unit}/t", None, Signal::ProductTemp),
            mapping("a/C1/t", Some("C1"), Signal::Speed),
            mapping("a/C1/m", Some("C1"), Signal::Mode),
        ])
        .unwrap()
        .filters();
        assert_eq!(filters, ["a/+/t", "a/C1/m"]);
    }
}
