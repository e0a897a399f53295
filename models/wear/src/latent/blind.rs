//! What hours that nobody saw count for.

use crate::WearError;
use crate::course::check_hours;

/// Running of a tube since its last look, piece by piece in order of time.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct DosePiece {
    /// Run hours that readings cover, h.
    pub covered_h: f64,
    /// What they did: hours of running at the fleet's mean rates.
    pub dose: f64,
    /// Run hours after them that no reading covers, h.
    pub blind_h: f64,
}

/// Dose of the blind hours: each weighs at least `fleet_pace` (dose per h), and at least the highest that the unit's mean
/// pace has stood from then on. `before` is the unit's covered running before these pieces, hours and dose. More running
/// of any kind never lowers it.
///
/// # Errors
/// [`WearError::Setting`] for hours or doses that cannot be.
pub fn blind_dose(pieces: &[DosePiece], fleet_pace: f64, before: (f64, f64)) -> Result<f64, WearError> {
    check_hours("fleet_pace", fleet_pace)?;
    let (mut run_h, mut dose) = before;
    let mean = |run_h: f64, dose: f64| if run_h > 0.0 { dose / run_h } else { 0.0 };
    let mut means = Vec::with_capacity(pieces.len());
    for piece in pieces {
        check_hours("covered_h", piece.covered_h)?;
        check_hours("dose", piece.dose)?;
        check_hours("blind_h", piece.blind_h)?;
        run_h += piece.covered_h;
        dose += piece.dose;
        means.push(mean(run_h, dose));
    }
    let mut highest = fleet_pace;
    let mut sum = 0.0;
    for (piece, mean) in pieces.iter().zip(means).rev() {
        highest = highest.max(mean);
        sum += piece.blind_h * highest;
    }
    Ok(sum)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_blind_hour_weighs_the_greater_of_fleet_and_unit() {
        let blind = DosePiece { blind_h: 10.0, ..DosePiece::default() };
        assert_eq!(blind_dose(&[blind], 1.0, (100.0, 50.0)).unwrap(), 10.0);
        let hard = DosePiece { covered_h: 100.0, dose: 300.0, blind_h: 0.0 };
        assert_eq!(blind_dose(&[blind, hard], 1.0, (0.0, 0.0)).unwrap(), 30.0);
    }

    fn piece() -> impl Strategy<Value = DosePiece> {
        (0.0..50.0, 0.0..200.0, 0.0..50.0).prop_map(|(covered_h, dose, blind_h)| DosePiece { covered_h, dose, blind_h })
    }

    proptest! {
        #[test]
        fn more_running_never_lowers_what_blind_hours_did(pieces in prop::collection::vec(piece(), 0..12), more in piece()) {
            let before = blind_dose(&pieces, 0.9, (20.0, 30.0)).unwrap();
            let longer: Vec<DosePiece> = pieces.into_iter().chain([more]).collect();
            prop_assert!(blind_dose(&longer, 0.9, (20.0, 30.0)).unwrap() >= before);
        }
    }
}
