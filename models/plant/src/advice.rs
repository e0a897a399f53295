//! Advice: what asks to be opened, raised and cleared slowly enough that it does not flicker, and what people said to it.
//! It is no alarm: nothing has to be done within minutes, and nothing is written to controls.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::finding::words;
use crate::{TubeId, UnitId};

words!(
    /// What advice stands on. The first three follow from a rule and are raised at once.
    AdviceKind, "kind of advice", {
        /// Flakes or exposed metal are on record: stop, hold, assess. It cannot be put off.
        Hold = "hold",
        /// A look has found the limit.
        Reached = "reached",
        /// The plant's own longest interval is over.
        Interval = "interval",
        /// The chance stands above what the plant set.
        Chance = "chance",
    }
);

/// Who has read a piece of advice.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Seen {
    /// Who.
    pub who: String,
    /// When.
    pub at: Timestamp,
}

/// Until when somebody put advice off.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PutOff {
    /// Until when.
    pub until: Timestamp,
    /// Why.
    pub why: String,
    /// Who.
    pub who: String,
    /// When it was decided.
    pub at: Timestamp,
}

/// A piece of advice on one tube in one unit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Advice {
    /// Counted from 1; 0 if it was never kept.
    pub id: i64,
    /// On which tube.
    pub tube: TubeId,
    /// In which unit it sits.
    pub unit: UnitId,
    /// What it stands on.
    pub kind: AdviceKind,
    /// Since when its cause stands.
    pub cause_since: Timestamp,
    /// When it was raised; `None` while its cause has not stood long enough.
    pub raised_at: Option<Timestamp>,
    /// Since when its cause is gone, while that has not lasted long enough.
    pub gone_since: Option<Timestamp>,
    /// When it was cleared.
    pub cleared_at: Option<Timestamp>,
    /// Who has read it.
    pub seen: Option<Seen>,
    /// Until when it was put off.
    pub put_off: Option<PutOff>,
}

impl Advice {
    /// Whether it is put off at an instant.
    pub fn is_put_off(&self, at: Timestamp) -> bool {
        self.put_off.as_ref().is_some_and(|put_off| at < put_off.until)
    }
}
