//! Which topic speaks of which unit and signal, and how.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use plant::{Measure, Signal, UnitId};

use crate::pattern::Pattern;
use crate::pointer::Pointer;
use crate::quality::QualityRule;
use crate::stamp::TimeFormat;

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
    /// How the value is written.
    pub payload: Payload,
    /// For `mode` and `product`: the plant's word (or number) and what it is called here. Others pass as they are.
    pub words: BTreeMap<String, String>,
    /// Lowest and highest plausible value in the house unit; `None` for [`Signal::believable`].
    pub span: Option<(f64, f64)>,
}

/// How the value is written.
#[derive(Debug, Clone, PartialEq)]
pub enum Payload {
    /// The payload is the value: a number, or a word for `mode` and `product`. It has no time and no quality.
    Number,
    /// The value stands in a JSON document.
    Json {
        /// Where the value is.
        value: Pointer,
        /// Where its time is, if it has one.
        time: Option<TimeField>,
        /// Where its quality is, if it has one.
        quality: Option<QualityField>,
    },
}

/// Where in a JSON document the time is, and how it is written.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeField {
    /// Where.
    pub pointer: Pointer,
    /// How.
    pub format: TimeFormat,
}

/// Where in a JSON document the quality is, and how it is written.
#[derive(Debug, Clone, PartialEq)]
pub struct QualityField {
    /// Where.
    pub pointer: Pointer,
    /// How.
    pub rule: QualityRule,
}

/// What is wrong with the mappings taken together.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MapError {
    /// Nobody says which unit it is.
    #[error("topic {pattern:?} names no unit; put {{unit}} in it or give the mapping a unit")]
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
    #[error("topic {pattern:?} brings {signal}, which is a word; leave its unit of measure and span out")]
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
    /// Lowest and highest value taken, in the house unit.
    pub fn plausible(&self) -> (f64, f64) {
        self.span.unwrap_or(self.signal.believable())
    }

    fn check(&self, known: &BTreeSet<UnitId>) -> Result<(), MapError> {
        let pattern = || self.pattern.to_string();
        match (&self.unit, self.pattern.names_unit()) {
            (None, false) => return Err(MapError::NoUnit { pattern: pattern() }),
            (Some(unit), true) => return Err(MapError::TwoUnits { pattern: pattern(), unit: unit.clone() }),
            (Some(unit), false) if !known.contains(unit) => {
                let known = known.iter().map(UnitId::as_str).collect::<Vec<_>>().join(", ");
                return Err(MapError::UnknownUnit { pattern: pattern(), unit: unit.clone(), known });
            }
            _ => {}
        }
        let is_word = self.signal.quantity().is_none();
        if is_word && (self.measure.is_some() || self.span.is_some()) {
            return Err(MapError::WordWithMeasure { pattern: pattern(), signal: self.signal });
        }
        if !is_word && !self.words.is_empty() {
            return Err(MapError::NumberWithWords { pattern: pattern(), signal: self.signal });
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
        let mine = self.unit.as_ref().map(UnitId::as_str).or(self.pattern.unit_within(&other.pattern));
        let theirs = other.unit.as_ref().map(UnitId::as_str).or(other.pattern.unit_within(&self.pattern));
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
        Ok(Self { mappings, exact, named, units })
    }

    /// The MQTT filters to subscribe to, sorted, without those that another one covers: a message that comes by two
    /// filters may come twice.
    pub fn filters(&self) -> Vec<String> {
        let patterns: Vec<&Pattern> = self.mappings.iter().map(|mapping| &mapping.pattern).collect();
        let covered = |pattern: &Pattern| {
            patterns.iter().any(|other| other.filter_covers(pattern) && !pattern.filter_covers(other))
        };
        let filters: BTreeSet<String> =
            patterns.iter().filter(|pattern| !covered(pattern)).map(|pattern| pattern.filter()).collect();
        filters.into_iter().collect()
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
        Mapping {
            pattern: Pattern::parse(pattern).unwrap(),
            unit: unit.map(|unit| UnitId::new(unit).unwrap()),
            signal,
            measure: None,
            payload: Payload::Number,
            words: BTreeMap::new(),
            span: None,
        }
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
