//! The sums of one unit's walk: what a stretch of time adds to its slot and its hour.

use std::f64::consts::PI;

use plant::{Exposure, Signal, Term};

use crate::baseline::{Answer, INVERSE_REF_K, ZERO_DEGC_K};
use crate::hour::{HourSeen, Shaft, UnitCarry};
use crate::meter::{self, MeterNotes};
use crate::settings::{DryRule, ExcursionLimit, Running};
use crate::slot::{self, SLOT_US, SlotSums};
use crate::step::Words;
use crate::walk::{Unit, Walked};

const HOUR_US: i64 = 3_600_000_000;
/// A start disturbs torque: slots that begin within this time after it teach the baseline nothing (house default, no
/// source).
const SETTLE_US: i64 = 1_800_000_000;
/// An excursion is over when torque is below this share of its limit: noise around the limit is one rise, not many.
const REARM: f64 = 0.9;

/// What is known at an instant; NaN where nothing is.
pub(crate) struct Now {
    pub(crate) torque_nm: f64,
    pub(crate) speed_rpm: f64,
    pub(crate) temp_degc: f64,
    pub(crate) flow_m3_h: f64,
    pub(crate) mode: f64,
    pub(crate) product: f64,
}

/// The current hour's counters.
#[derive(Default)]
struct Hour {
    seen_us: i64,
    unseen_us: i64,
    unknown_us: i64,
    exposure: Exposure,
    meter: MeterNotes,
}

pub(crate) struct Sums<'a> {
    unit: &'a Unit<'a>,
    words: &'a Words,
    carry: &'a mut UnitCarry,
    want_slots: bool,
    has_torque: bool,
    has_temp: bool,
    has_speed: bool,
    excluded: Vec<bool>,
    bands: usize,
    expecting: Vec<Term>,
    answer: Option<(f64, Option<Answer>)>,
    hour_us: i64,
    hour: Hour,
    slot_us: i64,
    slot: SlotSums,
    walked: Walked,
}

impl<'a> Sums<'a> {
    pub(crate) fn new(
        unit: &'a Unit<'a>,
        words: &'a Words,
        carry: &'a mut UnitCarry,
        want_slots: bool,
        from_us: i64,
    ) -> Self {
        let settings = unit.settings;
        let has_temp = settings.has(Signal::ProductTemp);
        let excluded = words.all().iter().map(|word| settings.excluded_modes.contains(&**word)).collect();
        // Without a temperature there is no band to put an hour in: the cells stay empty, not zero.
        let bands = if has_temp && settings.has(Signal::Torque) { unit.shared.bands.cells() } else { 0 };
        let mut sums = Self {
            unit,
            words,
            carry,
            want_slots,
            has_torque: settings.has(Signal::Torque),
            has_temp,
            has_speed: settings.has(Signal::Speed),
            excluded,
            bands,
            expecting: unit.expecting(),
            answer: None,
            hour_us: from_us.div_euclid(HOUR_US) * HOUR_US,
            hour: Hour::default(),
            slot_us: from_us.div_euclid(SLOT_US) * SLOT_US,
            slot: SlotSums::default(),
            walked: Walked::default(),
        };
        sums.open_hour();
        sums.slot = SlotSums::new(f64::NAN, sums.is_settled(sums.slot_us));
        sums
    }

    fn open_hour(&mut self) {
        self.hour = Hour::default();
        self.hour.exposure.band_h = vec![0.0; self.bands];
    }

    fn is_settled(&self, at_us: i64) -> bool {
        self.carry.started_us.is_some_and(|started_us| at_us >= started_us + SETTLE_US)
    }

    pub(crate) fn meter(&mut self, value_h: f64, at_us: i64) {
        self.roll(at_us);
        let resolution_h = self.unit.settings.meter_resolution_h;
        self.hour.meter.read(&mut self.carry.meter, value_h, at_us, resolution_h);
    }

    /// Takes a stretch in which nothing changes. It lies within one slot.
    pub(crate) fn pass(&mut self, now: &Now, from_us: i64, to_us: i64) {
        self.roll(from_us);
        let us = to_us - from_us;
        let running = match self.unit.settings.running {
            Running::SpeedAboveRpm(limit) => (!now.speed_rpm.is_nan()).then(|| now.speed_rpm.abs() > limit),
            Running::TorqueAboveNm(limit) => (!now.torque_nm.is_nan()).then_some(now.torque_nm.abs() > limit),
        };
        match running {
            None => {
                self.hour.unknown_us += us;
                self.hour.meter.pass(meter::Stretch { running_us: 0, unknown_us: us });
            }
            Some(false) => {
                if !matches!(self.carry.shaft, Shaft::Stopped { .. }) {
                    self.carry.shaft = Shaft::Stopped { since_us: from_us };
                }
                self.carry.over_limit = false;
            }
            Some(true) => {
                self.start(now, from_us);
                self.hour.meter.pass(meter::Stretch { running_us: us, unknown_us: 0 });
                // Without a speed nobody knows which way it turns: what a torque below zero did is not known.
                let turned_over = !self.has_speed && now.torque_nm < 0.0;
                let lost = turned_over
                    || (self.has_torque && now.torque_nm.is_nan())
                    || (self.has_temp && now.temp_degc.is_nan())
                    || (self.has_speed && now.speed_rpm.is_nan());
                if lost {
                    self.hour.unseen_us += us;
                } else {
                    self.hour.seen_us += us;
                    self.seen(now, us);
                }
            }
        }
    }

    fn start(&mut self, now: &Now, at_us: i64) {
        let counts = match self.carry.shaft {
            Shaft::Running => return,
            Shaft::Unheard => false,
            Shaft::Stopped { since_us } => (at_us - since_us) as f64 >= self.unit.shared.min_stop_s * 1e6,
        };
        if counts {
            self.hour.exposure.add(Term::Starts, 1.0);
            if self.unit.settings.cold_start_below_degc.is_some_and(|limit| now.temp_degc < limit) {
                self.hour.exposure.add(Term::ColdStarts, 1.0);
            }
        }
        if counts || self.carry.shaft == Shaft::Unheard {
            self.carry.started_us = Some(at_us);
        }
        self.carry.shaft = Shaft::Running;
    }

    /// A stretch of seen running.
    fn seen(&mut self, now: &Now, us: i64) {
        let settings = self.unit.settings;
        let s = us as f64 * 1e-6;
        let speed_rpm = if self.has_speed { Some(now.speed_rpm) } else { settings.nominal_speed_rpm };
        let production = !self.excluded.get(now.mode as usize).is_some_and(|excluded| *excluded && !now.mode.is_nan());
        let mut work_mj = 0.0;
        let mut turned_rad = 0.0;
        if let Some(speed_rpm) = speed_rpm {
            turned_rad = speed_rpm.abs() / 60.0 * 2.0 * PI * s;
            if let Some(bore_mm) = settings.bore_mm {
                self.hour.exposure.add(Term::SlidingKm, PI * bore_mm * 1e-6 * speed_rpm.abs() / 60.0 * s);
            }
            if self.has_torque {
                // A drive that brakes gives work back to the mains, not to the wall.
                work_mj = (now.torque_nm * speed_rpm.signum()).max(0.0) * turned_rad * 1e-6;
                self.hour.exposure.add(Term::ShaftWorkMj, work_mj);
            }
        }
        if self.bands > 0 {
            let cell = self.unit.shared.bands.cell(now.torque_nm, now.temp_degc);
            self.hour.exposure.band_h[cell] += s / 3600.0;
        }
        let inverse_k = self.has_temp.then(|| 1.0 / (now.temp_degc + ZERO_DEGC_K));
        let mut expected_nm = None;
        if let Some(speed_rpm) = speed_rpm.filter(|_| production && self.has_torque) {
            match self.answer(now.product) {
                // Besides excess, which is held against whole slots, there may be nothing to hold against it.
                Some(answer) if self.expecting.len() > 1 => {
                    expected_nm = Some(answer.expected_nm(speed_rpm, inverse_k.unwrap_or(INVERSE_REF_K)));
                }
                Some(_) => {}
                None => self.expecting.iter().for_each(|term| self.hour.exposure.mark_lacking(*term)),
            }
        }
        if self.has_torque {
            self.excursion(now.torque_nm, expected_nm);
        }
        let dry = match settings.dry {
            None => false,
            Some(DryRule::FlowBelowM3H(limit)) => now.flow_m3_h < limit,
            Some(DryRule::TorqueBelowShare(share)) => {
                expected_nm.is_some_and(|expected_nm| now.torque_nm < share * expected_nm)
            }
        };
        if dry {
            self.hour.exposure.add(Term::DryH, s / 3600.0);
        }
        if let Some(speed_rpm) = speed_rpm.filter(|_| production && self.has_torque) {
            if !self.slot.has(now.product) {
                self.close_slot();
                self.slot = SlotSums::new(now.product, self.is_settled(self.slot_us));
            }
            let torque_nm = now.torque_nm;
            self.slot.add(&slot::Stretch { us, torque_nm, speed_rpm, inverse_k, work_mj, turned_rad });
        }
    }

    fn excursion(&mut self, torque_nm: f64, expected_nm: Option<f64>) {
        let limit_nm = match self.unit.settings.excursion {
            ExcursionLimit::AboveNm(limit_nm) => limit_nm,
            ExcursionLimit::TimesExpected(times) => match expected_nm {
                Some(expected_nm) => times * expected_nm,
                None => return,
            },
        };
        if torque_nm > limit_nm && !self.carry.over_limit {
            self.hour.exposure.add(Term::TorqueExcursions, 1.0);
            self.carry.over_limit = true;
        } else if torque_nm < REARM * limit_nm {
            self.carry.over_limit = false;
        }
    }

    /// How torque answers with the product now; looked up once per product.
    fn answer(&mut self, product: f64) -> Option<Answer> {
        match self.answer {
            Some((known, answer)) if known.to_bits() == product.to_bits() => answer,
            _ => {
                let word = self.words.word(product).unwrap_or("");
                let answer = self.unit.expectation.and_then(|expectation| expectation.of(word));
                self.answer = Some((product, answer));
                answer
            }
        }
    }

    /// Closes slots and hours that end at or before an instant.
    fn roll(&mut self, at_us: i64) {
        if at_us >= self.slot_us + SLOT_US {
            self.close_slot();
            self.slot_us = at_us.div_euclid(SLOT_US) * SLOT_US;
            self.slot = SlotSums::new(f64::NAN, self.is_settled(self.slot_us));
        }
        if at_us >= self.hour_us + HOUR_US {
            self.close_hour();
            self.hour_us = at_us.div_euclid(HOUR_US) * HOUR_US;
        }
    }

    fn close_slot(&mut self) {
        if let Some(expectation) = self.unit.expectation {
            let excess_mj = self.slot.excess_mj(expectation, self.words, self.has_temp);
            self.hour.exposure.add(Term::ExcessWorkMj, excess_mj);
        }
        if self.want_slots {
            self.walked.slots.extend(self.slot.whole(self.slot_us, self.words, self.has_temp));
        }
    }

    fn close_hour(&mut self) {
        let hour = std::mem::take(&mut self.hour);
        self.open_hour();
        let Hour { seen_us, unseen_us, unknown_us, exposure, mut meter } = hour;
        let meter = meter.close();
        let hour = self.hour_us / HOUR_US;
        self.walked.hours.push(HourSeen { hour, begun_us: None, seen_us, unseen_us, unknown_us, exposure, meter });
    }

    /// The walk ends at an instant. A slot that it leaves open says nothing yet: its excess could still be taken back
    /// as it fills, and what is summed must only grow.
    pub(crate) fn finish(mut self, to_us: i64) -> Walked {
        if to_us >= self.slot_us + SLOT_US {
            self.close_slot();
        }
        self.close_hour();
        self.walked
    }
}
