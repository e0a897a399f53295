//! One signal of one unit: stuck, spiked, slipped, or of the wrong sign.

use jiff::Timestamp;
use plant::{Quality, Reading, Signal, Value};

use super::Limit;
use super::recent::Recent;
use super::shaft::Shaft;
use super::slip::{Breaks, SlipWatch};
use super::times::{Times, in_words};
use crate::reason::{Doubt, Reason};

/// Fewer readings of one value are no evidence that somebody still measures.
const STUCK_READINGS: u32 = 3;
/// A value is stuck only if it stays so many times longer than usual.
const STUCK_TIMES_USUAL: f64 = 10.0;
/// A spike stands off by so many usual steps.
const SPIKE_TIMES_USUAL: f64 = 8.0;
/// The readings beside a spike are no further apart than this, s: what lies further apart may have moved in between.
const SPIKE_WITHIN_S: f64 = 600.0;
/// Negative torque up to this much is noise, N·m (house default, no source).
const NEGATIVE_NM: f64 = 5.0;

#[derive(Debug, Default)]
pub(super) struct SignalWatch {
    pub(super) times: Times,
    run: Option<Run>,
    /// How long the last values stayed while the shaft turned, s.
    stays_s: Recent<32>,
    /// The last two numbers, the newer one last.
    before: [Option<(Timestamp, f64)>; 2],
    /// How far the last numbers stepped.
    steps: Recent<32>,
    slips: SlipWatch,
}

/// Readings of one value.
#[derive(Debug, Clone, Copy)]
struct Run {
    number: f64,
    count: u32,
    since: Timestamp,
    /// How long the shaft had turned when it began, s.
    turned_s: f64,
}

impl SignalWatch {
    /// Doubts a reading that is newer than those before it.
    pub(super) fn look(
        &mut self,
        reading: &Reading,
        limit: &Limit,
        (shaft, reworded): (Option<&Shaft>, Option<Timestamp>),
        doubts: &mut Vec<Doubt>,
    ) {
        let Value::Number(number) = reading.value else {
            (self.run, self.before) = (None, [None; 2]);
            return;
        };
        if reading.quality == Quality::Bad {
            return;
        }
        let at = reading.at;
        if let Some(shaft) = shaft {
            doubts.extend(self.stuck(at, number, limit, shaft));
            if shaft.turns(at) {
                let breaks = Breaks { reworded, unsteady: shaft.unsteady_at() };
                doubts.extend(self.slips.look(reading.signal, at, number, breaks));
            }
            if reading.signal == Signal::Torque && number < -NEGATIVE_NM && shaft.turns_forward(at) {
                let text = format!(
                    "{number} N·m while the shaft turns forward: which way round does the drive count? (reversed = true turns it)"
                );
                doubts.push(Doubt { reason: Reason::SignFlip, text });
            }
        }
        doubts.extend(self.spike(at, number, limit));
    }

    fn stuck(&mut self, at: Timestamp, number: f64, limit: &Limit, shaft: &Shaft) -> Option<Doubt> {
        let turned_s = shaft.spent_at(at).turned_s;
        match &mut self.run {
            // Bit by bit: a measured value that moves at all moves in its last digits.
            Some(run) if run.number.to_bits() == number.to_bits() => {
                run.count = run.count.saturating_add(1);
                let stays_s = turned_s - run.turned_s;
                let usual_s = self.stays_s.median().unwrap_or(0.0);
                let stuck_s = limit.stuck_s?.max(STUCK_TIMES_USUAL * usual_s);
                (run.count >= STUCK_READINGS && stays_s > stuck_s).then(|| {
                    let text = format!(
                        "{number} in {} readings since {}, while the shaft turned for {}",
                        run.count,
                        run.since,
                        in_words(stays_s)
                    );
                    Doubt { reason: Reason::Stuck, text }
                })
            }
            run => {
                if let Some(ended) = run.replace(Run { number, count: 1, since: at, turned_s }) {
                    self.stays_s.push(turned_s - ended.turned_s);
                }
                None
            }
        }
    }

    /// Whether the reading before this one stands alone.
    fn spike(&mut self, at: Timestamp, number: f64, limit: &Limit) -> Option<Doubt> {
        let [first, second] = self.before;
        self.before = [second, Some((at, number))];
        let (middle_at, middle) = second?;
        let usual = self.steps.median().unwrap_or(0.0);
        self.steps.push((number - middle).abs());
        let (first_at, first) = first?;
        let least = limit.spike?.max(SPIKE_TIMES_USUAL * usual);
        let (up, down) = (middle - first, middle - number);
        let alone = up.abs() > least && down.abs() > least && up.signum() == down.signum();
        let back = (number - first).abs() < least / 4.0;
        let close = at.duration_since(first_at).as_secs_f64() <= SPIKE_WITHIN_S;
        (alone && back && close).then(|| {
            let text = format!("{middle} at {middle_at} stands alone between {first} and {number}");
            Doubt { reason: Reason::Spike, text }
        })
    }
}
