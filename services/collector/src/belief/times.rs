//! The times of a signal's readings: repeated, out of order, late, or by a wrong clock.

use jiff::Timestamp;
use plant::{Reading, TimeSource, Value};

use super::Limit;
use crate::decode::Message;
use crate::reason::{Doubt, Reason};

/// So many of the last readings are compared with.
const REMEMBERED: usize = 32;
/// A clock is judged by so many live readings.
const CLOCK_READINGS: u32 = 64;
/// Offsets from UTC are multiples of this, s.
const ZONE_STEP_S: f64 = 900.0;

#[derive(Debug, Default)]
pub(super) struct Times {
    newest: Option<Timestamp>,
    recent: Vec<(Timestamp, Value)>,
    next: usize,
    clock: Lag,
}

/// How long after their own time live readings arrived, s.
#[derive(Debug, Default)]
struct Lag {
    count: u32,
    least_s: f64,
    most_s: f64,
}

impl Times {
    /// Doubts a reading for its time; `false` if it follows nothing because it is no news.
    pub(super) fn look(
        &mut self,
        reading: &Reading,
        message: &Message<'_>,
        limit: &Limit,
        doubts: &mut Vec<Doubt>,
    ) -> bool {
        let at = reading.at;
        if let Some((_, value)) = self.recent.iter().find(|(known, _)| *known == at) {
            let (reason, text) = if *value == reading.value {
                (Reason::Duplicate, format!("{at} was told before, with the same value"))
            } else {
                let text = format!("{at} was told before as {value:?}, now as {:?}; both are kept", reading.value);
                (Reason::Conflict, text)
            };
            doubts.push(Doubt { reason, text });
            return false;
        }
        self.remember(at, reading.value.clone());
        let lag_s = message.arrived_at.duration_since(at).as_secs_f64();
        if reading.time_source == TimeSource::Own && !message.retained {
            if lag_s > limit.late_s {
                doubts.push(Doubt { reason: Reason::Late, text: format!("{at} arrived {} later", in_words(lag_s)) });
            }
            if !message.backlog {
                doubts.extend(self.clock.look(lag_s, limit.skew_s));
            }
        }
        let in_order = self.newest.is_none_or(|newest| at > newest);
        if let Some(newest) = self.newest.filter(|_| !in_order) {
            let text = format!("{at} came after {newest}");
            doubts.push(Doubt { reason: Reason::OutOfOrder, text });
        }
        self.newest = self.newest.max(Some(at));
        in_order
    }

    /// Whether readings before this one had times that lie ahead of its arrival by more than is believed.
    pub(super) fn were_ahead(&self, at: Timestamp, arrived_at: Timestamp, ahead_s: f64) -> bool {
        let ahead = |newest: Timestamp| newest.duration_since(arrived_at).as_secs_f64() > ahead_s;
        self.newest.is_some_and(|newest| at <= newest && ahead(newest))
    }

    fn remember(&mut self, at: Timestamp, value: Value) {
        if self.recent.len() < REMEMBERED {
            self.recent.push((at, value));
        } else {
            self.recent[self.next] = (at, value);
            self.next = (self.next + 1) % REMEMBERED;
        }
    }
}

impl Lag {
    /// One doubt for every so many readings whose times are off by about as much.
    fn look(&mut self, lag_s: f64, skew_s: f64) -> Option<Doubt> {
        if self.count == 0 {
            (self.least_s, self.most_s) = (lag_s, lag_s);
        }
        (self.least_s, self.most_s) = (self.least_s.min(lag_s), self.most_s.max(lag_s));
        self.count += 1;
        if self.count < CLOCK_READINGS {
            return None;
        }
        self.count = 0;
        let off_s = if self.least_s > 0.0 { self.least_s } else { self.most_s.min(0.0) };
        // A sender that gathers readings is late by more and less; a clock is off by one amount.
        if off_s.abs() < skew_s || self.most_s - self.least_s > skew_s {
            return None;
        }
        let zones = (off_s / ZONE_STEP_S).round();
        let way = if off_s > 0.0 { "behind" } else { "ahead of" };
        let off = in_words(off_s.abs());
        Some(if zones.abs() >= 2.0 && (off_s - zones * ZONE_STEP_S).abs() < skew_s {
            let text =
                format!("times run {off} {way} their arrival, steadily: local time sent as UTC, or the wrong zone?");
            Doubt { reason: Reason::WrongZone, text }
        } else {
            Doubt {
                reason: Reason::ClockSkew,
                text: format!("times run {off} {way} their arrival, steadily: set the clock"),
            }
        })
    }
}

/// A duration, s, as people say it.
pub(crate) fn in_words(seconds: f64) -> String {
    match seconds {
        s if s < 120.0 => format!("{s:.0} s"),
        s if s < 7200.0 => format!("{:.0} min", s / 60.0),
        s if s < 172_800.0 => format!("{:.1} h", s / 3600.0),
        s => format!("{:.1} days", s / 86_400.0),
    }
}
