//! What a tube goes through: sums over running time that add up, whatever way the time is cut.

use std::ops::AddAssign;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::finding::words;

words!(
    /// A kind of exposure, by its name in tables. Units are in the name; starts and excursions are counts.
    Term, "exposure", {
        /// Run hours, blind ones included.
        RunH = "run_h",
        /// Run hours by the meter that no reading covers.
        BlindH = "blind_h",
        /// Distance that a blade tip slid, km.
        SlidingKm = "sliding_km",
        /// Integral of torque times angular speed, MJ.
        ShaftWorkMj = "shaft_work_mj",
        /// The part of it above what this unit and product usually take at this temperature and speed, MJ.
        ExcessWorkMj = "excess_work_mj",
        /// Starts of the shaft.
        Starts = "starts",
        /// Starts on product colder than the config's limit.
        ColdStarts = "cold_starts",
        /// Rises of torque above the config's limit.
        TorqueExcursions = "torque_excursions",
        /// Hours of turning with too little product to carry the blades.
        DryH = "dry_h",
    }
);

/// Edges of the torque and temperature bands, ascending; n edges make n + 1 bands.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Bands {
    /// Torque edges, N·m.
    pub torque_nm: Vec<f64>,
    /// Product temperature edges, °C.
    pub temp_degc: Vec<f64>,
}

impl Bands {
    /// How many torque band x temperature band cells there are.
    pub fn cells(&self) -> usize {
        (self.torque_nm.len() + 1) * (self.temp_degc.len() + 1)
    }

    /// The cell of a torque and a temperature: row-major, torque outside. An edge belongs to the band above it.
    pub fn cell(&self, torque_nm: f64, temp_degc: f64) -> usize {
        let torque = self.torque_nm.partition_point(|edge| *edge <= torque_nm);
        let temp = self.temp_degc.partition_point(|edge| *edge <= temp_degc);
        torque * (self.temp_degc.len() + 1) + temp
    }

    /// Column names of the cells, in order: `torque_1_temp_2_h` and so on, counted from 1.
    pub fn names(&self) -> Vec<String> {
        let temps = self.temp_degc.len() + 1;
        (0..self.cells()).map(|cell| format!("torque_{}_temp_{}_h", cell / temps + 1, cell % temps + 1)).collect()
    }
}

/// Sums over a period. Exposures of two periods add up.
///
/// All but `run_h` and `blind_h` speak of covered running only. A sum that a unit cannot give (no bore, no
/// temperature, no baseline yet) is in `lacking`, never a silent zero.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Exposure {
    sums: [f64; Term::ALL.len()],
    /// Hours in each torque band x temperature band, see [`Bands`].
    pub band_h: Vec<f64>,
    lacking: u16,
}

impl Exposure {
    /// The sum of a term, or `None` if this unit cannot give it.
    pub fn get(&self, term: Term) -> Option<f64> {
        (self.lacking & Self::bit(term) == 0).then(|| self.sums[term as usize])
    }

    /// The sum of a term as far as it is known.
    pub fn known(&self, term: Term) -> f64 {
        self.sums[term as usize]
    }

    /// Adds to a term.
    pub fn add(&mut self, term: Term, amount: f64) {
        self.sums[term as usize] += amount;
    }

    /// Notes that the unit cannot give this term.
    pub fn mark_lacking(&mut self, term: Term) {
        self.lacking |= Self::bit(term);
    }

    /// Run hours, blind ones included, h.
    pub fn run_h(&self) -> f64 {
        self.known(Term::RunH)
    }

    /// Blind run hours, h.
    pub fn blind_h(&self) -> f64 {
        self.known(Term::BlindH)
    }

    /// Run hours that readings cover, h.
    pub fn covered_h(&self) -> f64 {
        (self.run_h() - self.blind_h()).max(0.0)
    }

    /// The same exposure times a share of it, for a period cut inside an hour.
    pub fn share(&self, share: f64) -> Exposure {
        Exposure {
            sums: self.sums.map(|sum| sum * share),
            band_h: self.band_h.iter().map(|h| h * share).collect(),
            lacking: self.lacking,
        }
    }

    const fn bit(term: Term) -> u16 {
        1 << term as u16
    }
}

impl AddAssign<&Exposure> for Exposure {
    fn add_assign(&mut self, other: &Exposure) {
        for (sum, more) in self.sums.iter_mut().zip(other.sums) {
            *sum += more;
        }
        if self.band_h.len() < other.band_h.len() {
            self.band_h.resize(other.band_h.len(), 0.0);
        }
        for (sum, more) in self.band_h.iter_mut().zip(&other.band_h) {
            *sum += more;
        }
        self.lacking |= other.lacking;
    }
}

/// The exposure of one unit in one clock hour (UTC).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HourExposure {
    /// Whole hours since 1970-01-01T00:00Z.
    pub hour: i64,
    /// What happened in it.
    pub exposure: Exposure,
}

/// The clock hour in which an instant lies: whole hours since 1970-01-01T00:00Z.
pub fn hour_of(at: Timestamp) -> i64 {
    at.as_microsecond().div_euclid(3_600_000_000)
}

/// The first instant of a clock hour.
///
/// # Panics
/// For hours outside the years -9999 to 9999; hours come from instants, so they lie inside.
pub fn hour_start(hour: i64) -> Timestamp {
    Timestamp::from_second(hour * 3600).expect("hours come from instants")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exposures_add_and_lacking_terms_stay_lacking() {
        let mut a = Exposure::default();
        a.add(Term::RunH, 1.0);
        a.band_h = vec![1.0, 0.0];
        let mut b = a.clone();
        b.mark_lacking(Term::SlidingKm);
        a += &b;
        assert_eq!(a.get(Term::RunH), Some(2.0));
        assert_eq!(a.get(Term::SlidingKm), None);
        assert_eq!(a.band_h, [2.0, 0.0]);
    }

    #[test]
    fn an_edge_belongs_to_the_band_above() {
        let bands = Bands { torque_nm: vec![50.0, 100.0], temp_degc: vec![10.0] };
        assert_eq!(bands.cells(), 6);
        assert_eq!(bands.cell(49.9, 9.9), 0);
        assert_eq!(bands.cell(50.0, 10.0), 3);
        assert_eq!(bands.names()[3], "torque_2_temp_2_h");
    }

    #[test]
    fn hours_before_1970_count_down() {
        assert_eq!(hour_of("1969-12-31T23:59:59Z".parse().unwrap()), -1);
        assert_eq!(hour_start(-1).to_string(), "1969-12-31T23:00:00Z");
    }
}
