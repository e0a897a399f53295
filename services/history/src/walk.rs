//! Stage one: along one unit's time, from change to change, summing per clock hour.
//!
//! Between two changes every signal has one value or is unknown, so sums are exact for signals held as steps; those that
//! change evenly are walked in pieces of a minute, each with its value in the middle. Every
//! ten minutes and every hour are cut too: hours do not depend on where days or files are cut.

use std::collections::BTreeMap;

use plant::{Quality, Signal, Term, TimeSource};

use crate::baseline::{Expectation, ZERO_DEGC_K};
use crate::columns::SignalColumns;
use crate::hour::{HourSeen, UnitCarry};
use crate::settings::{DryRule, ExcursionLimit, ExposureSettings, UnitSettings};
use crate::slot::{SLOT_US, Slot};
use crate::step::{Line, Step, Words, head};
use crate::sums::{Now, Sums};

/// The signals that exposures need, in the order of the steps.
const TRACKS: [Signal; 7] =
    [Signal::Torque, Signal::Speed, Signal::ProductTemp, Signal::Flow, Signal::Mode, Signal::Product, Signal::RunHours];
const TORQUE: usize = 0;
const SPEED: usize = 1;
const TEMP: usize = 2;
const FLOW: usize = 3;
const MODE: usize = 4;
const PRODUCT: usize = 5;
const METER: usize = 6;
/// Campaigns follow the signals.
const CAMPAIGN: usize = 7;

/// A product run that people entered: from, to (µs), product.
pub(crate) type Run = (i64, i64, Box<str>);

/// What stands still during a walk along one unit.
pub(crate) struct Unit<'a> {
    pub(crate) settings: &'a UnitSettings,
    pub(crate) shared: &'a ExposureSettings,
    pub(crate) expectation: Option<&'a Expectation>,
    /// Sorted by their beginning.
    pub(crate) campaigns: &'a [Run],
}

/// What is known of the time after a walk.
#[derive(Clone, Copy)]
pub(crate) struct Beyond<'a> {
    /// The unit's readings of the day after it.
    pub(crate) next: Option<&'a BTreeMap<Signal, SignalColumns>>,
    /// Readings from here on are not known yet, µs.
    pub(crate) known_until_us: i64,
}

/// What a walk brings back.
#[derive(Debug, Default)]
pub(crate) struct Walked {
    pub(crate) hours: Vec<HourSeen>,
    /// Slots fit to learn from, if asked for.
    pub(crate) slots: Vec<Slot>,
}

impl Unit<'_> {
    /// Terms that this unit can never give.
    pub(crate) fn lacking(&self) -> Vec<Term> {
        let unit = self.settings;
        let speed = unit.has(Signal::Speed) || unit.nominal_speed_rpm.is_some();
        let torque = unit.has(Signal::Torque);
        let expected = self.expectation.is_some() && torque && speed;
        let limit = match unit.excursion {
            ExcursionLimit::AboveNm(_) => torque,
            ExcursionLimit::TimesExpected(_) => expected,
        };
        let dry = match unit.dry {
            None => false,
            Some(DryRule::FlowBelowM3H(_)) => unit.has(Signal::Flow),
            Some(DryRule::TorqueBelowShare(_)) => expected,
        };
        let cold = unit.cold_start_below_degc.is_some() && unit.has(Signal::ProductTemp);
        let given = [
            (Term::SlidingKm, unit.bore_mm.is_some() && speed),
            (Term::ShaftWorkMj, torque && speed),
            (Term::ExcessWorkMj, expected),
            (Term::ColdStarts, cold),
            (Term::TorqueExcursions, limit),
            (Term::DryH, dry),
        ];
        given.into_iter().filter(|(_, given)| !given).map(|(term, _)| term).collect()
    }

    /// Terms that need to know what torque is usual: an hour with production of which nobody knows it lacks them.
    pub(crate) fn expecting(&self) -> Vec<Term> {
        let excursions = matches!(self.settings.excursion, ExcursionLimit::TimesExpected(_));
        let dry = matches!(self.settings.dry, Some(DryRule::TorqueBelowShare(_)));
        let given = [(Term::ExcessWorkMj, true), (Term::TorqueExcursions, excursions), (Term::DryH, dry)];
        given.into_iter().filter(|(_, given)| *given).map(|(term, _)| term).collect()
    }

    /// Campaigns as a signal: a word from each instant at which they change.
    fn campaigns(&self, from_us: i64, to_us: i64, words: &mut Words) -> SignalColumns {
        let mut cuts = vec![from_us];
        cuts.extend(
            self.campaigns.iter().flat_map(|(from, to, _)| [*from, *to]).filter(|at| (from_us + 1..to_us).contains(at)),
        );
        cuts.sort_unstable();
        cuts.dedup();
        let mut columns = SignalColumns::default();
        for at_us in cuts {
            // Of overlapping campaigns the one that began last is running.
            let running = self.campaigns.iter().rev().find(|(from, to, _)| (*from..*to).contains(&at_us));
            let code = running.map_or(f64::NAN, |(_, _, product)| words.code(product));
            columns.push(at_us, code, None, Quality::Good as u8, TimeSource::Own as u8);
        }
        columns
    }

    /// Walks from an instant to another, with the readings in between and what is carried in; leaves in `carry` what
    /// is carried out. Begins at the unit's first reading ever.
    pub(crate) fn walk(
        &self,
        signals: Option<&BTreeMap<Signal, SignalColumns>>,
        from_us: i64,
        to_us: i64,
        carry: &mut UnitCarry,
        want_slots: bool,
        beyond: Beyond<'_>,
    ) -> Walked {
        let Some(from_us) = begin(signals, from_us, carry).filter(|from_us| *from_us < to_us) else {
            return Walked::default();
        };
        let begins = !std::mem::replace(&mut carry.begun, true);
        let nothing = SignalColumns::default();
        let columns = |signal: Signal| signals.and_then(|signals| signals.get(&signal)).unwrap_or(&nothing);
        let mut words = Words::default();
        let modes = words.codes(columns(Signal::Mode));
        let products = words.codes(columns(Signal::Product));
        let campaigns = self.campaigns(from_us, to_us, &mut words);
        let hold = &self.shared.hold;
        let mut steps: [Step<'_>; 8] = std::array::from_fn(|track| {
            let Some(signal) = TRACKS.get(track).copied() else {
                return Step::new(&campaigns, &campaigns.value, i64::MAX, None, from_us);
            };
            let (values, hold_s): (&[f64], f64) = match signal {
                Signal::Mode => (&modes, hold.words_s),
                Signal::Product => (&products, hold.words_s),
                Signal::Speed => (&columns(signal).value, hold.speed_s),
                Signal::ProductTemp => (&columns(signal).value, hold.product_temp_s),
                Signal::Flow => (&columns(signal).value, hold.flow_s),
                // The meter does not hold: it is believed where it moves.
                Signal::RunHours => (&columns(signal).value, f64::INFINITY),
                _ => (&columns(signal).value, hold.torque_s),
            };
            let carried = carry.held.get(&signal).map(|held| {
                let word = held.word.as_deref().map(|word| words.code(word));
                (held.at_us, held.value.or(word).unwrap_or(f64::NAN))
            });
            let line = self.shared.lines.contains(&signal).then(|| Line {
                ahead: beyond.next.and_then(|next| head(next.get(&signal)?)),
                known_until_us: beyond.known_until_us,
            });
            Step::new(columns(signal), values, (hold_s * 1e6) as i64, carried, from_us).along(line)
        });
        let has = |signal: Signal| self.settings.has(signal);
        let mut sums = Sums::new(self, &words, carry, want_slots, from_us);
        let mut at_us = from_us;
        while at_us < to_us {
            let mut next_us = ((at_us.div_euclid(SLOT_US) + 1) * SLOT_US).min(to_us);
            let mut meter_read = false;
            for (track, step) in steps.iter_mut().enumerate() {
                if step.change_us <= at_us {
                    let usable = step.advance(at_us);
                    meter_read |= usable && track == METER;
                }
                next_us = next_us.min(step.change_us);
            }
            if meter_read {
                sums.meter(steps[METER].now, at_us);
            }
            let over = |track: usize| steps[track].over(at_us, next_us);
            let (product, temp_degc) = (steps[PRODUCT].now, over(TEMP));
            let now = Now {
                torque_nm: over(TORQUE),
                speed_rpm: if has(Signal::Speed) { over(SPEED) } else { f64::NAN },
                // At absolute zero and below there is no inverse to reckon with: the sensor says nothing.
                temp_degc: if temp_degc > -ZERO_DEGC_K { temp_degc } else { f64::NAN },
                flow_m3_h: over(FLOW),
                mode: steps[MODE].now,
                product: if product.is_nan() { steps[CAMPAIGN].now } else { product },
            };
            sums.pass(&now, at_us, next_us);
            at_us = next_us;
        }
        let mut walked = sums.finish(to_us);
        if let Some(first) = walked.hours.first_mut().filter(|_| begins) {
            first.begun_us = Some(from_us);
        }
        for (signal, step) in TRACKS.into_iter().zip(&steps) {
            if let Some(last) = step.last {
                carry.held.insert(signal, words.held(signal, last));
            }
        }
        walked
    }
}

/// Where a walk begins: at its `from_us`, or at the unit's first timed reading if it never had one before.
fn begin(signals: Option<&BTreeMap<Signal, SignalColumns>>, from_us: i64, carry: &UnitCarry) -> Option<i64> {
    if carry.begun {
        return Some(from_us);
    }
    let timed = |columns: &SignalColumns| {
        let row = columns.time_source.iter().position(|source| *source != TimeSource::Unknown as u8)?;
        Some(columns.at_us[row])
    };
    signals?.values().filter_map(timed).min().map(|first_us| first_us.max(from_us))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Running;
    use crate::{Baseline, Level, Slope, Spread};
    use jiff::Timestamp;
    use plant::UnitId;
    use proptest::prelude::*;

    const HOUR_US: i64 = 3_600_000_000;

    fn columns(rows: Vec<(u32, u8)>, scale: f64) -> SignalColumns {
        let mut columns = SignalColumns::default();
        for (minute, level) in rows {
            let value = if level == 0 { f64::NAN } else { f64::from(level - 1) * scale };
            let quality = if level == 0 { Quality::Bad } else { Quality::Good };
            columns.push(i64::from(minute) * 60_000_000 + 17, value, None, quality as u8, TimeSource::Own as u8);
        }
        columns.sort();
        columns
    }

    /// So much is usual at 300 1/min, N·m.
    fn usual(torque_nm: f64) -> Option<Expectation> {
        let unit = UnitId::new("C1").unwrap();
        let baseline = Baseline {
            fitted_from: Timestamp::UNIX_EPOCH,
            fitted_to: Timestamp::UNIX_EPOCH,
            slots: 100,
            converged: true,
            levels: vec![Level { unit: unit.clone(), product: "".into(), ln_nm: torque_nm.ln(), slots: 100 }],
            slopes: vec![Slope { product: "".into(), speed_exponent: 0.75, inverse_temp_k: 0.0 }],
            spreads: vec![Spread { unit: unit.clone(), ln_sd: 0.05 }],
        };
        baseline.expectation(&unit)
    }

    proptest! {
        /// One walk over three days against walks from cut to cut, with the carry through its file in between.
        #[test]
        fn cuts_do_not_matter(
            torque in prop::collection::vec((0u32..4320, 0u8..6), 0..200),
            speed in prop::collection::vec((0u32..4320, 0u8..4), 1..200),
            meter in prop::collection::vec((0u32..4320, 0u8..9), 0..60),
            cuts in prop::collection::btree_set(1i64..72, 0..6),
            evenly: bool,
            known_until_min in 1i64..5000,
        ) {
            let signals = BTreeMap::from([
                (Signal::Torque, columns(torque, 40.0)),
                (Signal::Speed, columns(speed, 150.0)),
                (Signal::RunHours, columns(meter, 3.0)),
            ]);
            let mut settings = UnitSettings::new(signals.keys().copied(), Running::SpeedAboveRpm(10.0));
            settings.bore_mm = Some(152.4);
            settings.excursion = ExcursionLimit::AboveNm(100.0);
            let mut shared = ExposureSettings::new(BTreeMap::new());
            if evenly {
                shared.lines = [Signal::Torque, Signal::Speed].into();
            }
            let known_until_us = known_until_min * 60_000_000;
            let expectation = usual(50.0);
            let unit = Unit { settings: &settings, shared: &shared, expectation: expectation.as_ref(), campaigns: &[] };
            let mut carry = UnitCarry::default();
            let beyond = Beyond { next: None, known_until_us };
            let whole = unit.walk(Some(&signals), 0, 72 * HOUR_US, &mut carry, false, beyond);
            let mut cut_carry = UnitCarry::default();
            let mut hours = Vec::new();
            let mut from = 0;
            for to in cuts.into_iter().chain([72]) {
                let between = |from: i64, to: i64| -> BTreeMap<_, _> {
                    signals.iter().map(|(signal, columns)| {
                        let mut part = SignalColumns::default();
                        for row in (0..columns.len()).filter(|row| (from * HOUR_US..to * HOUR_US).contains(&columns.at_us[*row])) {
                            part.push(columns.at_us[row], columns.value[row], None, columns.quality[row], columns.time_source[row]);
                        }
                        (*signal, part)
                    }).collect()
                };
                let (part, next) = (between(from, to), between(to, 72));
                let beyond = Beyond { next: Some(&next), known_until_us };
                hours.extend(unit.walk(Some(&part), from * HOUR_US, to * HOUR_US, &mut cut_carry, false, beyond).hours);
                cut_carry = serde_json::from_str(&serde_json::to_string(&cut_carry).unwrap()).unwrap();
                from = to;
            }
            prop_assert_eq!(&hours, &whole.hours);
            prop_assert_eq!(&cut_carry, &carry);
            let accounted = hours.iter().all(|hour| hour.seen_us + hour.unseen_us + hour.unknown_us <= HOUR_US);
            prop_assert!(accounted);
        }
    }
}
