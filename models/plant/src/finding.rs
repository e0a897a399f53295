//! What an inspector wrote down.

use std::fmt;
use std::str::FromStr;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::TubeId;

/// A word that is not in its list.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{text:?} is no {what}; right would be one of {known}")]
pub struct BadWord {
    what: &'static str,
    text: String,
    known: String,
}

impl BadWord {
    pub(crate) fn new(what: &'static str, text: &str, known: &[&str]) -> Self {
        Self { what, text: text.chars().take(40).collect(), known: known.join(", ") }
    }
}

/// An enum of words: names as in files and JSON, read back with an error that lists them.
macro_rules! words {
    ($(#[$doc:meta])* $name:ident, $what:literal, { $($(#[$vdoc:meta])* $variant:ident = $word:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
        pub enum $name { $($(#[$vdoc])* #[serde(rename = $word)] $variant),+ }

        impl $name {
            /// Every value, in order.
            pub const ALL: &'static [$name] = &[$($name::$variant),+];

            /// The word used in files and JSON.
            pub const fn as_str(self) -> &'static str {
                match self { $($name::$variant => $word),+ }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.as_str())
            }
        }

        impl std::str::FromStr for $name {
            type Err = $crate::finding::BadWord;
            fn from_str(text: &str) -> Result<Self, Self::Err> {
                match text {
                    $($word => Ok($name::$variant),)+
                    _ => Err($crate::finding::BadWord::new($what, text, &[$($word),+])),
                }
            }
        }
    };
}
pub(crate) use words;

/// How bad a place on the wall is (house table, common practice, no source).
///
/// 0 smooth · 1 visible, does not catch · 2 catches a fingernail · 3 scored, gouged or rough ·
/// 4 plating chipped, flaked or worn through.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub struct Grade(u8);

impl Grade {
    /// Smooth.
    pub const SMOOTH: Grade = Grade(0);
    /// Catches a fingernail: the default limit.
    pub const CATCH: Grade = Grade(2);

    /// The grade as a number, 0 to 4.
    pub const fn get(self) -> u8 {
        self.0
    }

    /// Its plain meaning.
    pub const fn meaning(self) -> &'static str {
        match self.0 {
            0 => "smooth",
            1 => "visible, does not catch",
            2 => "catches a fingernail",
            3 => "scored, gouged or rough",
            _ => "plating chipped, flaked or worn through",
        }
    }
}

impl TryFrom<u8> for Grade {
    type Error = BadWord;
    fn try_from(number: u8) -> Result<Self, BadWord> {
        if number <= 4 {
            Ok(Grade(number))
        } else {
            Err(BadWord::new("grade", &number.to_string(), &["0", "1", "2", "3", "4"]))
        }
    }
}

impl From<Grade> for u8 {
    fn from(grade: Grade) -> u8 {
        grade.0
    }
}

impl FromStr for Grade {
    type Err = BadWord;
    fn from_str(text: &str) -> Result<Self, BadWord> {
        let bad = || BadWord::new("grade", text, &["0", "1", "2", "3", "4"]);
        text.parse::<u8>().map_err(|_| bad()).and_then(|number| Grade::try_from(number).map_err(|_| bad()))
    }
}

impl fmt::Display for Grade {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}

/// A place along the tube; which zones there are, and in which order, is said by the config.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Zone(pub String);

words!(
    /// A place around the tube, seen from the drive end.
    ClockPosition, "clock position", {
        /// Top.
        Twelve = "12",
        /// Right.
        Three = "3",
        /// Bottom.
        Six = "6",
        /// Left.
        Nine = "9",
    }
);

words!(
    /// How it was found.
    Method, "method", {
        /// By eye with a light.
        Light = "light",
        /// By fingernail.
        Nail = "nail",
        /// By a depth gauge.
        Gauge = "gauge",
        /// From a replica of the surface.
        Replica = "replica",
    }
);

words!(
    /// What kind of mark it is. A finding without a kind counts as a groove.
    Kind, "kind", {
        /// A circumferential groove.
        Groove = "groove",
        /// A scratch along the tube, usually from fitting or drawing the shaft.
        AxialScratch = "axial_scratch",
        /// A pit.
        Pit = "pit",
        /// Plating lifted or gone: hold and assess.
        Flake = "flake",
        /// Even dulling.
        Dulling = "dulling",
    }
);

words!(
    /// Why the tube was opened.
    Reason, "reason", {
        /// The plant's own interval.
        Scheduled = "scheduled",
        /// A changeover gave the occasion.
        Changeover = "changeover",
        /// A risk score or a torque that looked bad.
        Advice = "advice",
        /// Something was found in the product, or the unit ran badly.
        Complaint = "complaint",
    }
);

/// One observation at one station of a tube, or, without zone and clock, of the tube's worst place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// When it was seen.
    pub at: Timestamp,
    /// In which tube.
    pub tube: TubeId,
    /// How bad.
    pub grade: Grade,
    /// Where along the tube.
    pub zone: Option<Zone>,
    /// Where around it.
    pub clock: Option<ClockPosition>,
    /// How it was found.
    pub method: Option<Method>,
    /// What kind of mark.
    pub kind: Option<Kind>,
    /// Depth in µm, where it was measured.
    pub depth_um: Option<f64>,
    /// Why the tube was opened.
    pub reason: Option<Reason>,
    /// Who looked.
    pub inspector: Option<String>,
    /// The unit's hour meter as the inspector read it, h.
    pub run_h: Option<f64>,
    /// When it was entered, if not at once: before that instant nobody could know it.
    pub recorded_at: Option<Timestamp>,
    /// Free text.
    pub note: Option<String>,
}

impl Finding {
    /// Whether it speaks for grooves: of kind `groove`, or of no stated kind.
    pub fn is_groove(&self) -> bool {
        matches!(self.kind, None | Some(Kind::Groove))
    }

    /// The instant from which it can be known.
    pub fn known_at(&self) -> Timestamp {
        self.recorded_at.map_or(self.at, |recorded| recorded.max(self.at))
    }

    /// Whether it speaks of flakes or exposed metal: hold and assess, whatever any risk says.
    pub fn asks_to_hold(&self) -> bool {
        self.kind == Some(Kind::Flake) || self.grade.get() >= 4
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_read_back_and_errors_list_what_is_right() {
        assert_eq!("nail".parse(), Ok(Method::Nail));
        let error = "nails".parse::<Method>().unwrap_err().to_string();
        assert_eq!(error, "\"nails\" is no method; right would be one of light, nail, gauge, replica");
        assert!("5".parse::<Grade>().is_err());
        assert!("2.0".parse::<Grade>().is_err());
    }
}
