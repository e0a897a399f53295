//! Stage two: joins the hours of a unit and says how much of the unknown time was running.

use plant::{HourExposure, Term};

use crate::hour::HourSeen;
use crate::meter::{Move, Stretch};

/// An hour with unknown time since the meter last moved.
#[derive(Debug, Clone, Copy)]
struct Open {
    /// Place in the result.
    place: usize,
    unknown_us: i64,
}

/// Turns [`HourSeen`]s into [`HourExposure`]s.
///
/// Blind hours are running time in which something was missing, and what the meter counted above all known running,
/// spread evenly over the unknown time since it last moved. Unknown time that no meter speaks for (no meter, before its
/// first reading, after its last, around a reset) is taken as running: the worst case. Before a unit's first reading
/// there is no time at all.
#[derive(Debug)]
pub struct Settler {
    resolution_h: f64,
    lacking: Vec<Term>,
    hours: Vec<HourExposure>,
    open: Vec<Open>,
    running_us: i64,
    /// Up to the last reading that showed no move: known and unknown time, how many of `open` lie before it, and how
    /// much unknown time of the next one does.
    still: Option<(Stretch, usize, i64)>,
    unknown_us: i64,
}

impl Settler {
    /// A settler for one unit: its meter's resolution, h, and the terms that it cannot give.
    pub fn new(resolution_h: f64, lacking: Vec<Term>) -> Self {
        Self { resolution_h, lacking, hours: Vec::new(), open: Vec::new(), running_us: 0, still: None, unknown_us: 0 }
    }

    /// Takes the next hour. Hours come in order; a day's or a file's end between them changes nothing.
    pub fn push(&mut self, seen: HourSeen) {
        let HourSeen { hour, begun_us: _, seen_us, unseen_us, unknown_us, mut exposure, meter } = seen;
        let nothing = seen_us == 0 && unseen_us == 0 && unknown_us == 0 && exposure.known(Term::Starts) == 0.0;
        let place = self.hours.len();
        if !nothing {
            let hours = |us: i64| us as f64 / 3.6e9;
            exposure.add(Term::RunH, hours(seen_us + unseen_us));
            exposure.add(Term::BlindH, hours(unseen_us));
            self.lacking.iter().for_each(|term| exposure.mark_lacking(*term));
            self.hours.push(HourExposure { hour, exposure });
        }
        self.wait(place, meter.before, meter.still.filter(|_| meter.first.is_none()));
        let Some(first) = meter.first else { return };
        self.close(first);
        if let Some(inside) = meter.inside_move {
            self.wait(place, meter.inside, None);
            self.close(inside);
        }
        self.wait(place, meter.after, meter.still);
    }

    fn wait(&mut self, place: usize, stretch: Stretch, still: Option<Stretch>) {
        if let Some(still) = still {
            let known = Stretch {
                running_us: self.running_us + still.running_us,
                unknown_us: self.unknown_us + still.unknown_us,
            };
            self.still = Some((known, self.open.len(), still.unknown_us));
        }
        self.running_us += stretch.running_us;
        self.unknown_us += stretch.unknown_us;
        if stretch.unknown_us > 0 {
            self.open.push(Open { place, unknown_us: stretch.unknown_us });
        }
    }

    fn close(&mut self, moved: Move) {
        let stretch = Stretch { running_us: self.running_us, unknown_us: self.unknown_us };
        let share = share(moved.blind_h(stretch, self.resolution_h), stretch);
        for open in std::mem::take(&mut self.open) {
            self.blind(open.place, open.unknown_us as f64 * share);
        }
        self.running_us = 0;
        self.unknown_us = 0;
        self.still = None;
    }

    fn blind(&mut self, place: usize, us: f64) {
        if let Some(hour) = self.hours.get_mut(place) {
            hour.exposure.add(Term::RunH, us / 3.6e9);
            hour.exposure.add(Term::BlindH, us / 3.6e9);
        }
    }

    /// The hours, in order; such in which the shaft stood all the time are left out. A start makes an hour count, even
    /// one without running.
    ///
    /// A meter that shows no move since it last moved has counted less than its resolution: that bounds the blind hours
    /// up to its last reading. What lies after it counts in full.
    pub fn finish(mut self) -> Vec<HourExposure> {
        let open = std::mem::take(&mut self.open);
        let (still, whole, part_us) = self.still.unwrap_or_default();
        // The meter stands: at most its resolution less what is known to have run, and never a step of its own.
        let share = share(Move::By(self.resolution_h).blind_h(still, self.resolution_h), still);
        for (number, open) in open.into_iter().enumerate() {
            let bounded_us = match number.cmp(&whole) {
                std::cmp::Ordering::Less => open.unknown_us,
                std::cmp::Ordering::Equal => part_us,
                std::cmp::Ordering::Greater => 0,
            };
            let us = bounded_us as f64 * share + (open.unknown_us - bounded_us) as f64;
            self.blind(open.place, us);
        }
        self.hours.retain(|hour| hour.exposure.run_h() > 0.0 || hour.exposure.known(Term::Starts) > 0.0);
        self.hours
    }
}

fn share(blind_h: f64, stretch: Stretch) -> f64 {
    if stretch.unknown_us == 0 { 0.0 } else { blind_h / stretch.unknown_h() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter::HourMeter;
    use plant::Exposure;

    fn seen(hour: i64, starts: f64, seen_us: i64) -> HourSeen {
        let mut exposure = Exposure::default();
        exposure.add(Term::Starts, starts);
        let meter = HourMeter::default();
        HourSeen { hour, begun_us: None, seen_us, unseen_us: 0, unknown_us: 0, exposure, meter }
    }

    #[test]
    fn an_hour_with_a_start_and_no_running_stays() {
        let mut settler = Settler::new(1.0, Vec::new());
        [seen(1, 0.0, 0), seen(2, 1.0, 0), seen(3, 0.0, 1_800_000_000)].into_iter().for_each(|hour| settler.push(hour));
        let told: Vec<_> =
            settler.finish().iter().map(|h| (h.hour, h.exposure.known(Term::Starts), h.exposure.run_h())).collect();
        assert_eq!(told, [(2, 1.0, 0.0), (3, 0.0, 0.5)]);
    }
}
