//! The estimator held against figures and laws from outside it.
#![allow(clippy::unwrap_used, reason = "all of this is tests, helpers included")]

/// What the estimator refuses, and how it says so.
mod faults;
/// Laws of the published risk: appended hours, cuts, drivers, interval.
mod outlook;
/// Truth recovered from simulated tubes.
mod recovery;
/// A public table fitted by other software.
mod rossi;
/// Published worked examples.
mod textbook;

use wear::{Intervals, Row};

/// A table with one cell per row: group, from, to, covariates, event (at limit 2).
fn table<'a>(terms: &[&str], rows: impl IntoIterator<Item = (&'a str, f64, f64, Vec<f64>, bool)>) -> Intervals {
    let mut builder = Intervals::builder(terms.iter().copied());
    for (group, from_h, to_h, x, event) in rows {
        builder.row(Row { group, life: 1, grade_start: 0, grade_end: if event { 2 } else { 0 } }).unwrap();
        builder.cell(from_h, to_h, &x).unwrap();
    }
    builder.build().unwrap()
}

#[track_caller]
fn close(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{found} is not {expected}");
}

/// Uniform numbers from a seed (SplitMix64, Steele, Lea & Flood 2014).
struct Dice(u64);

impl Dice {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
}
