//! What opening units at a stop takes: room, money, and a crew.

use jiff::Timestamp;
use serde::Serialize;

/// An amount of which the plant knows two ends.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Span {
    /// The lower end.
    pub low: f64,
    /// The upper end.
    pub high: f64,
}

impl Span {
    /// Half way between the two ends: what is reckoned with where one number is needed.
    pub fn mid(&self) -> f64 {
        f64::midpoint(self.low, self.high)
    }
}

/// What opening costs and saves, in the plant's money.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Costs {
    /// Opening one unit at a stop, looking into it and closing it again.
    pub open: Span,
    /// What a catch costs more if it is found one campaign late instead of at the stop.
    pub late_catch: Span,
    /// The word for the money, such as `EUR`.
    pub money: String,
}

impl Costs {
    /// From which chance on opening pays, at the middle of both costs.
    pub(crate) fn break_even(&self) -> f64 {
        self.open.mid() / self.late_catch.mid()
    }

    /// The same at the ends of the costs that are kindest to opening, and least kind.
    pub(crate) fn break_even_ends(&self) -> Span {
        Span { low: self.open.low / self.late_catch.high, high: self.open.high / self.late_catch.low }
    }
}

/// A time in which nobody is there to open anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NoCrew {
    /// From when.
    pub from: Timestamp,
    /// Up to, not including.
    pub to: Timestamp,
}

/// What opening units at a stop takes.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Opening {
    /// How many units can be opened in one stop; `None` if the plant did not say.
    pub room: Option<usize>,
    /// What it costs; `None` if the plant did not say.
    pub costs: Option<Costs>,
    /// When there is no crew.
    pub without_crew: Vec<NoCrew>,
}

impl Opening {
    /// Whether somebody is there to open units.
    pub(crate) fn has_crew(&self, at: Timestamp) -> bool {
        !self.without_crew.iter().any(|gone| gone.from <= at && at < gone.to)
    }
}
