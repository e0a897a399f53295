//! Why a message was kept out, or taken with a doubt.

use std::fmt;

use plant::{Signal, UnitId};

macro_rules! reasons {
    ($($(#[$doc:meta])* $variant:ident = $word:literal),+ $(,)?) => {
        /// A reason, by a stable word.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Reason { $($(#[$doc])* $variant),+ }

        impl Reason {
            /// Every reason.
            pub const ALL: &'static [Reason] = &[$(Reason::$variant),+];

            /// The word used in JSON and metrics.
            pub const fn as_str(self) -> &'static str {
                match self { $(Reason::$variant => $word),+ }
            }
        }
    };
}

reasons!(
    /// No mapping takes the topic.
    Unmapped = "unmapped",
    /// The topic names a unit that the config does not know.
    UnknownUnit = "unknown_unit",
    /// The payload has no bytes, or the value no letters.
    Empty = "empty",
    /// The payload is larger than the config allows, or a word is longer than a word.
    TooLarge = "too_large",
    /// The payload is not UTF-8.
    NotUtf8 = "not_utf8",
    /// The payload is no JSON document.
    NotJson = "not_json",
    /// The JSON document is nested deeper than anybody needs.
    TooDeep = "too_deep",
    /// The document has nothing where the value or its time should be.
    MissingField = "missing_field",
    /// The value is an object, a list or a truth value where a number is due.
    WrongType = "wrong_type",
    /// The text is no number.
    NotNumber = "not_number",
    /// The number has a decimal comma.
    DecimalComma = "decimal_comma",
    /// The word has control characters.
    BadWord = "bad_word",
    /// Doubt: a number by which devices say that they have none; kept as missing.
    Sentinel = "sentinel",
    /// Doubt: the value lies outside what the signal can be; kept as missing.
    OutOfRange = "out_of_range",
    /// Doubt: the current that the value stands for is that of a broken loop or transmitter; kept as missing.
    LoopFault = "loop_fault",
    /// The message says a unit of measure that is not known for the signal.
    UnknownMeasure = "unknown_measure",
    /// Doubt: the message says another unit of measure than the config; what it says itself was taken.
    OtherMeasure = "other_measure",
    /// The time cannot be read.
    BadTime = "bad_time",
    /// The time lies before the year 2000, or at its first instant. As a doubt: so far behind its arrival that it is not believed.
    TooOld = "too_old",
    /// The time lies ahead of the arrival.
    FutureTime = "future_time",
    /// Doubt: the source said that it has no value; kept as missing.
    NoValue = "no_value",
    /// Doubt: the quality is not in the rule; taken as uncertain.
    UnknownQuality = "unknown_quality",
    /// Doubt: an old message without a time of its own; kept, but in no exposure. Refused where it could pass as new.
    Untimed = "untimed",
    /// The payload is no Sparkplug B payload, or one that is not read here.
    NotSparkplug = "not_sparkplug",
    /// Sparkplug data of a node or device whose birth, which names its metrics, has not been seen.
    NotBorn = "not_born",
    /// Sparkplug data under an alias that the birth did not give.
    UnknownAlias = "unknown_alias",
    /// Messages of a Sparkplug node are missing: its numbers have a gap.
    SequenceGap = "sequence_gap",
    /// A Sparkplug death that belongs to an earlier session than the birth; ignored.
    OldDeath = "old_death",
    /// Doubt: a Sparkplug node or device has died; what its values are from here on is unknown.
    Died = "died",
    /// The document is no network message of OPC UA PubSub, or one without values.
    NotPubSub = "not_pubsub",
    /// Doubt: the same value for long while the shaft turned.
    Stuck = "stuck",
    /// Doubt: one value stands off from both beside it.
    Spike = "spike",
    /// Doubt: the level stepped by the factor between two units of measure.
    UnitSlip = "unit_slip",
    /// Doubt: the sign has turned, or torque is negative while the shaft turns forward.
    SignFlip = "sign_flip",
    /// Doubt: the hour meter fell.
    MeterReset = "meter_reset",
    /// Doubt: the hour meter ran over its end.
    MeterRollover = "meter_rollover",
    /// Doubt: the hour meter counts more than the clock.
    MeterFast = "meter_fast",
    /// Doubt: the hour meter counts while the shaft stands.
    MeterIdle = "meter_idle",
    /// Doubt: the hour meter stands while the shaft turns.
    MeterStopped = "meter_stopped",
    /// Doubt: the hour meter counts, but not the hours of the turning shaft.
    MeterRate = "meter_rate",
    /// Doubt: the instant was told before, with the same value.
    Duplicate = "duplicate",
    /// Doubt: the instant was told before, with another value; both are kept.
    Conflict = "conflict",
    /// Doubt: a reading older than the newest of its signal.
    OutOfOrder = "out_of_order",
    /// Doubt: a reading that arrived long after its own time.
    Late = "late",
    /// Doubt: the times are off from their arrival, steadily.
    ClockSkew = "clock_skew",
    /// Doubt: the times are off from their arrival by an offset that time zones have.
    WrongZone = "wrong_zone",
    /// This machine's own clock was set back.
    ClockSetBack = "clock_set_back",
    /// A QoS 0 message found the queue full and is lost.
    Overrun = "overrun",
    /// The broker refused a topic filter.
    FilterRefused = "filter_refused",
    /// The broker granted QoS 0 only.
    GrantedQos0 = "granted_qos0",
    /// The broker did not take a message of ours.
    PublishRefused = "publish_refused",
    /// The marker that ends a backlog did not come back.
    FenceLost = "fence_lost",
);

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// A message, or one value of it, that was kept out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// Which unit it would have been, if that is known.
    pub unit: Option<UnitId>,
    /// Which signal it would have been, if a mapping takes the topic.
    pub signal: Option<Signal>,
    /// Why.
    pub reason: Reason,
    /// What stood there, at most 120 characters, control characters made visible.
    pub sample: String,
    /// What would be right.
    pub advice: String,
}

/// A value that was taken with a doubt.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Doubt {
    /// Why.
    pub reason: Reason,
    /// What stood there and what was made of it.
    pub text: String,
}

/// A reason and what would be right, before it is known whose it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Problem {
    pub(crate) reason: Reason,
    pub(crate) advice: String,
}

impl Problem {
    pub(crate) fn new(reason: Reason, advice: impl Into<String>) -> Self {
        Self { reason, advice: advice.into() }
    }
}

/// At most so many characters of what a stranger sent are shown.
const SHOWN: usize = 120;

/// A stranger's bytes, cut short, with control characters made visible.
pub(crate) fn shown(bytes: &[u8]) -> String {
    // Four bytes hold any character, so this much is enough and a huge payload costs no more than a small one.
    let head = String::from_utf8_lossy(&bytes[..bytes.len().min(SHOWN * 4 + 4)]);
    let mut text = String::new();
    for (count, c) in head.chars().enumerate() {
        if count == SHOWN {
            text.push('…');
            break;
        }
        if c.is_control() || matches!(c, '\u{2028}' | '\u{2029}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}') {
            text.extend(c.escape_unicode());
        } else {
            text.push(c);
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_strangers_bytes_are_short_and_harmless() {
        assert_eq!(shown(b"a\0b\x1b[2J"), "a\\u{0}b\\u{1b}[2J");
        assert_eq!(shown(&vec![b'x'; 1_000_000]).chars().count(), 121);
        assert_eq!(shown(b"\xff\xfe"), "\u{fffd}\u{fffd}");
        assert_eq!(shown("\u{202e}12".as_bytes()), "\\u{202e}12", "text direction must not be turned");
    }

    #[test]
    fn words_of_reasons_differ() {
        let words: std::collections::BTreeSet<_> = Reason::ALL.iter().map(|reason| reason.as_str()).collect();
        assert_eq!(words.len(), Reason::ALL.len());
    }
}
