//! What a score stands on, told by digests: so that a past one can be made again, and a difference has a name.

use std::collections::BTreeMap;

use jiff::Timestamp;
use ledger::SeenDay;
use plant::{HourExposure, Record, Term, TubeId, UnitId};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::config::Config;
use crate::fleet::Fleet;

/// Hours of days older than this when they are first seen are kept by their digest only: late readings rarely reach
/// back farther, and the readings themselves are there (house limit).
const WHOLE_DAYS: i64 = 8;

/// What a score stands on besides its exposures.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Grounds {
    /// Digest of what the record said of the tube.
    pub record: String,
    /// Digest of the settings by which it was made.
    pub settings: String,
    /// Digest of the model.
    pub model: String,
    /// The torque baseline of its exposures.
    pub baseline: Option<i64>,
    /// The version of the software.
    pub software: String,
}

impl Grounds {
    /// Of a score of a tube, or of a unit without one; `model` is the digest of the model's text.
    pub fn of(fleet: &Fleet, tube: Option<&TubeId>, config: &Config, model: &str, baseline: Option<i64>) -> Grounds {
        Grounds {
            record: tube.map_or_else(|| digest(&[]), |tube| of_record(&fleet.record.known_at(fleet.until), tube)),
            settings: of_settings(config),
            model: model.to_owned(),
            baseline,
            software: env!("CARGO_PKG_VERSION").to_owned(),
        }
    }

    /// What is not as it was, in words.
    pub fn differences(&self, then: &Grounds) -> Vec<String> {
        let parts = [
            (self.record != then.record, "what the record says of this tube up to then"),
            (self.settings != then.settings, "the settings below [model], [exposure] or [record] of the config"),
            (self.model != then.model, "the stored model"),
            (self.baseline != then.baseline, "the torque baseline"),
        ];
        let mut words: Vec<String> =
            parts.into_iter().filter(|(differs, _)| *differs).map(|(_, what)| what.to_owned()).collect();
        if self.software != then.software {
            words.push(format!("the software: version {} then, {} now", then.software, self.software));
        }
        words
    }
}

/// SHA-256 of bytes, hexadecimal.
pub fn digest(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

fn of_record(record: &Record, tube: &TubeId) -> String {
    let fittings: Vec<_> = record.fittings_of(tube).collect();
    let work: Vec<_> = record.work.iter().filter(|work| work.tube == *tube).collect();
    let mut findings: Vec<_> = record.findings.iter().filter(|finding| finding.tube == *tube).collect();
    findings.sort_by_key(|finding| finding.at);
    let asides: Vec<_> = record.asides.iter().filter(|aside| aside.tube == *tube && aside.stands()).collect();
    let all = (record.tubes.get(tube), fittings, work, findings, asides);
    digest(format!("{all:?}").as_bytes())
}

fn of_settings(config: &Config) -> String {
    let all = (&config.model, &config.exposure, &config.zones, &config.effects, &config.stale_after);
    digest(format!("{all:?} {:?}", config.time_zone.iana_name()).as_bytes())
}

/// The hours of units by day (UTC, counted from 1970-01-01).
pub fn by_day(hours: &BTreeMap<UnitId, Vec<HourExposure>>) -> BTreeMap<(&UnitId, i64), &[HourExposure]> {
    let mut days = BTreeMap::new();
    for (unit, hours) in hours {
        for day in hours.chunk_by(|a, b| a.hour.div_euclid(24) == b.hour.div_euclid(24)) {
            days.insert((unit, day[0].hour.div_euclid(24)), day);
        }
    }
    days
}

/// Digest of hours: every bit of them counts.
pub fn of_hours(hours: &[HourExposure]) -> String {
    let mut bytes = Vec::with_capacity(hours.len() * 200);
    for HourExposure { hour, exposure } in hours {
        bytes.extend(hour.to_le_bytes());
        for term in Term::ALL {
            bytes.push(u8::from(exposure.get(*term).is_some()));
            bytes.extend(exposure.known(*term).to_bits().to_le_bytes());
        }
        exposure.band_h.iter().for_each(|h| bytes.extend(h.to_bits().to_le_bytes()));
    }
    digest(&bytes)
}

/// The days of units as scores saw them last, by their digests.
pub struct LastSeen {
    /// The torque baseline behind them.
    pub baseline: Option<i64>,
    digests: BTreeMap<(UnitId, i64), String>,
}

impl LastSeen {
    /// From what is kept.
    pub fn new(baseline: Option<i64>, days: Vec<SeenDay>) -> LastSeen {
        LastSeen { baseline, digests: days.into_iter().map(|seen| ((seen.unit, seen.day), seen.sha256)).collect() }
    }

    /// The days that are not as they were.
    pub fn changes(&self, hours: &BTreeMap<UnitId, Vec<HourExposure>>, at: Timestamp) -> Vec<SeenDay> {
        let baseline = self.baseline;
        let today = plant::hour_of(at).div_euclid(24);
        let mut changes = Vec::new();
        let days = by_day(hours);
        for ((unit, day), hours) in &days {
            let before = self.digests.get(&((*unit).clone(), *day));
            let sha256 = of_hours(hours);
            if before != Some(&sha256) {
                let whole = before.is_some() || *day >= today - WHOLE_DAYS;
                let hours = whole.then(|| hours.to_vec());
                changes.push(SeenDay { unit: (*unit).clone(), day: *day, baseline, at, sha256, hours });
            }
        }
        let nothing = of_hours(&[]);
        for ((unit, day), before) in &self.digests {
            if !days.contains_key(&(unit, *day)) && *before != nothing {
                let (unit, sha256) = (unit.clone(), nothing.clone());
                changes.push(SeenDay { unit, day: *day, baseline, at, sha256, hours: Some(Vec::new()) });
            }
        }
        changes
    }

    /// Takes changes in, once they are kept.
    pub fn learn(&mut self, changes: &[SeenDay]) {
        self.digests.extend(changes.iter().map(|seen| ((seen.unit.clone(), seen.day), seen.sha256.clone())));
    }
}

/// Puts the hours of units back to what scores of the past saw, and names the days of which only the digest was kept
/// and that have changed since.
pub fn as_seen(hours: &mut BTreeMap<UnitId, Vec<HourExposure>>, seen: &[SeenDay]) -> Vec<String> {
    let mut lost = Vec::new();
    for (unit, hours) in hours {
        let mut days: BTreeMap<i64, Vec<HourExposure>> = BTreeMap::new();
        for hour in hours.drain(..) {
            days.entry(hour.hour.div_euclid(24)).or_default().push(hour);
        }
        let own: BTreeMap<i64, &SeenDay> =
            seen.iter().filter(|seen| seen.unit == *unit).map(|seen| (seen.day, seen)).collect();
        // A day that was not seen had no running then.
        days.retain(|day, _| own.contains_key(day));
        for (day, seen) in own {
            let now = days.entry(day).or_default();
            match &seen.hours {
                Some(then) => now.clone_from(then),
                None if of_hours(now) != seen.sha256 => {
                    let date = plant::hour_start(day * 24).strftime("%Y-%m-%d");
                    lost.push(format!("the exposures of unit {unit} on {date}: readings came or went since"));
                }
                None => {}
            }
        }
        hours.extend(days.into_values().flatten());
    }
    lost
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "all of this is tests")]
mod tests {
    use super::*;

    fn unit() -> UnitId {
        UnitId::new("C1").unwrap()
    }

    fn hour(hour: i64, run_h: f64) -> HourExposure {
        let mut exposure = plant::Exposure::default();
        exposure.add(Term::RunH, run_h);
        HourExposure { hour, exposure }
    }

    fn hours(all: &[(i64, f64)]) -> BTreeMap<UnitId, Vec<HourExposure>> {
        [(unit(), all.iter().map(|(at, run_h)| hour(*at, *run_h)).collect())].into()
    }

    fn at(hour: i64) -> Timestamp {
        plant::hour_start(hour)
    }

    #[test]
    fn late_readings_do_not_reach_a_past_score() {
        let mut last = LastSeen::new(None, Vec::new());
        let then = hours(&[(1000, 1.0), (1010, 0.5)]);
        let first = last.changes(&then, at(1011));
        last.learn(&first);
        assert!(last.changes(&then, at(1012)).is_empty(), "nothing has changed");
        // The open hour goes on, an hour of the day before comes late, and one on a day that had none.
        let mut now = hours(&[(980, 1.0), (1000, 0.9), (1010, 1.0), (1040, 1.0)]);
        let later = last.changes(&now, at(1041));
        assert!(as_seen(&mut now, &first).is_empty());
        assert_eq!(now, then);
        let mut now = hours(&[(980, 1.0), (1000, 0.9), (1010, 1.0), (1040, 1.0)]);
        let before = now.clone();
        let newest: Vec<SeenDay> =
            first.iter().filter(|old| later.iter().all(|new| new.day != old.day)).chain(&later).cloned().collect();
        assert!(as_seen(&mut now, &newest).is_empty());
        assert_eq!(now, before);
    }

    #[test]
    fn a_day_of_which_only_the_digest_is_kept_is_named_when_it_changed() {
        let then = hours(&[(1000, 1.0)]);
        let seen = LastSeen::new(None, Vec::new()).changes(&then, at(1000 + 24 * (WHOLE_DAYS + 1)));
        assert_eq!(seen[0].hours, None);
        assert!(as_seen(&mut then.clone(), &seen).is_empty());
        let lost = as_seen(&mut hours(&[(1000, 0.9999999999999999)]), &seen);
        assert_eq!(lost.len(), 1);
        assert!(lost[0].contains("C1 on 1970-02-11"), "{lost:?}");
    }

    #[test]
    fn a_day_that_is_gone_was_there_then() {
        let mut last = LastSeen::new(None, Vec::new());
        let then = hours(&[(1000, 1.0)]);
        let first = last.changes(&then, at(1001));
        last.learn(&first);
        let gone = last.changes(&hours(&[]), at(1002));
        assert_eq!(gone.iter().map(|seen| seen.hours.as_deref()).collect::<Vec<_>>(), [Some(&[][..])]);
        let mut now = hours(&[]);
        as_seen(&mut now, &first);
        assert_eq!(now, then);
    }
}
