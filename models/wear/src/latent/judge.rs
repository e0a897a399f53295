//! What latent wear foretells of rows in tubes that it has not seen.

use linfa::traits::Fit;

use super::fit::{Latent, LatentParams};
use super::history::{Histories, Stretch, TubeHistory};
use super::outlook::Ahead;
use crate::{Intervals, WearError};

/// Ages closer than this are one, h.
const SAME_H: f64 = 1e-3;
/// Standard deviations of the priors of a recalibration: how far off a fit is believed to be, and how far too bold or shy.
const OFF_SD: f64 = 0.4;
const BOLD_SD: f64 = 0.3;

/// Latent wear as a candidate: its settings, and the record behind the rows.
#[derive(Debug, Clone, Copy)]
pub struct LatentCandidate<'a> {
    /// The settings.
    pub params: &'a LatentParams,
    /// The record, with the tubes of the rows by name.
    pub histories: &'a Histories,
}

/// For each row, the chance of an event by a fit without the tubes of its fold, recalibrated on the other folds; and the
/// recalibration that all of them call for.
pub(crate) fn out_of_fold(
    candidate: LatentCandidate,
    rows: &Intervals,
    limit: u8,
    fold_of: &[usize],
    folds: usize,
) -> Result<(Vec<f64>, Recalibration), WearError> {
    let params = candidate.params.clone().limit(limit);
    let mut raw = vec![0.0; rows.len()];
    for fold in 0..folds {
        let within: Vec<usize> = (0..rows.len()).filter(|row| fold_of[*row] == fold).collect();
        let left_out: Vec<&str> = within.iter().map(|row| rows.row(*row).group).collect();
        let training = candidate.histories.select(|tube| !left_out.contains(&tube.tube.as_str()));
        let latent = params.fit(&training.dataset())?;
        let outlook = latent.outlook();
        for row in within {
            let head = rows.row(row);
            let (so_far, between) =
                candidate.histories.until(head.group, head.life, rows.start_h(row), rows.end_h(row))?;
            raw[row] = outlook.risk(&outlook.filter(&so_far), latent.passed(&between))?.risk;
        }
    }
    let events: Vec<bool> = (0..rows.len()).map(|row| rows.event(row, limit)).collect();
    let mut recalibrated = vec![0.0; rows.len()];
    for fold in 0..folds {
        let others: Vec<usize> = (0..rows.len()).filter(|row| fold_of[*row] != fold).collect();
        let recalibration = Recalibration::of(others.iter().map(|row| (raw[*row], events[*row])));
        let within = (0..rows.len()).filter(|row| fold_of[*row] == fold);
        within.for_each(|row| recalibrated[row] = recalibration.apply(raw[row]));
    }
    Ok((recalibrated, Recalibration::of(raw.into_iter().zip(events))))
}

impl Latent {
    /// Running that has passed: blind hours count like the covered ones beside them, or the fleet's mean hour.
    fn passed(&self, stretch: &Stretch) -> Ahead {
        let covered: f64 = self.dose_parts(stretch).iter().sum();
        let pace = if stretch.covered_h > 0.0 { covered / stretch.covered_h } else { 1.0 };
        Ahead { covered, blind: pace * stretch.blind_h, coming: 0.0 }
    }
}

impl Histories {
    /// A tube as it was known at an age of a life, and its running from then to a later age.
    fn until(&self, tube: &str, life: u32, start_h: f64, end_h: f64) -> Result<(TubeHistory, Stretch), WearError> {
        let unknown = || WearError::UnknownGroup { group: tube.to_owned(), life };
        let whole = self.tubes().iter().find(|known| known.tube == tube).ok_or_else(unknown)?;
        let mut so_far = TubeHistory { lives: Vec::new(), ..whole.clone() };
        let earlier = whole.lives.iter().take_while(|known| known.life < life);
        so_far.lives.extend(earlier.cloned());
        let mut own = whole.lives.iter().find(|known| known.life == life).ok_or_else(unknown)?.clone();
        let mut between = Stretch { amounts: vec![0.0; self.terms().len()], ..Stretch::default() };
        let known = own.ages_h.iter().take_while(|age_h| **age_h <= start_h + SAME_H).count();
        let ages = own.ages_h.iter().skip(known).take_while(|age_h| **age_h <= end_h + SAME_H);
        for ((stretch, _), _) in own.looks.iter().skip(known).zip(ages) {
            between.covered_h += stretch.covered_h;
            between.blind_h += stretch.blind_h;
            between.amounts.iter_mut().zip(&stretch.amounts).for_each(|(sum, amount)| *sum += amount);
        }
        own.ages_h.truncate(known);
        own.looks.truncate(known);
        so_far.lives.push(own);
        Ok((so_far, between))
    }
}

/// How a fit's chances are to be taken: a line on the logit, shrunk towards taking them as they are.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Recalibration {
    /// Added to the logit.
    pub intercept: f64,
    /// Times the logit; above 0, so that a greater risk stays greater.
    pub slope: f64,
}

impl Recalibration {
    /// Taking chances as they are.
    pub const NONE: Recalibration = Recalibration { intercept: 0.0, slope: 1.0 };

    /// From chances and outcomes: penalised Newton steps.
    pub(crate) fn of(pairs: impl Iterator<Item = (f64, bool)>) -> Recalibration {
        let pairs: Vec<(f64, f64)> = pairs.map(|(p, event)| (logit(p), f64::from(u8::from(event)))).collect();
        let (mut a, mut b) = (0.0, 1.0);
        for _ in 0..25 {
            let (wa, wb) = (OFF_SD.powi(-2), BOLD_SD.powi(-2));
            let (mut ga, mut gb) = (-wa * a, -wb * (b - 1.0));
            let (mut haa, mut hab, mut hbb) = (wa, 0.0, wb);
            for (x, y) in &pairs {
                let p = 1.0 / (1.0 + (-(a + b * x)).exp());
                let weight = p * (1.0 - p);
                ga += y - p;
                gb += (y - p) * x;
                haa += weight;
                hab += weight * x;
                hbb += weight * x * x;
            }
            let determinant = haa * hbb - hab * hab;
            a += (hbb * ga - hab * gb) / determinant;
            b += (haa * gb - hab * ga) / determinant;
        }
        if a.is_finite() && b.is_finite() {
            Recalibration { intercept: a, slope: b.clamp(0.3, 2.0) }
        } else {
            Recalibration::NONE
        }
    }

    /// The chance as it is to be taken.
    pub fn apply(&self, p: f64) -> f64 {
        1.0 / (1.0 + (-(self.intercept + self.slope * logit(p))).exp())
    }
}

fn logit(p: f64) -> f64 {
    let p = p.clamp(1e-6, 1.0 - 1e-6);
    p.ln() - (-p).ln_1p()
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "all of this is tests")]
mod tests {
    use super::*;
    use crate::latent::{LifeHistory, Place, Readings};

    #[test]
    fn a_row_finds_its_looks_by_age_though_its_life_ran_unheard_before() {
        let step = |covered_h: f64, blind_h: f64, grade: u8| {
            let readings = Readings { whole: Some(grade), ..Readings::default() };
            (Stretch { covered_h, blind_h, amounts: vec![covered_h] }, readings)
        };
        // 300 h before anything was heard, which rows do not count.
        let looks = vec![step(200.0, 300.0, 0), step(100.0, 0.0, 1), step(50.0, 7.0, 2)];
        let life = LifeHistory { ages_h: vec![200.0, 300.0, 357.0], ..LifeHistory::new(1, true, looks) };
        let mut histories = Histories::new(vec!["starts".to_owned()], vec![Place { zone: 0, clock: 0 }]);
        histories.push(TubeHistory { tube: "a".to_owned(), surface: 0, lives: vec![life] }).unwrap();
        let (so_far, between) = histories.until("a", 1, 200.0, 300.0).unwrap();
        assert_eq!(so_far.lives[0].looks.len(), 1);
        assert_eq!(between, Stretch { covered_h: 100.0, blind_h: 0.0, amounts: vec![100.0] });
        // A row may pass over a look that was not complete.
        let (_, between) = histories.until("a", 1, 200.0, 357.0).unwrap();
        assert_eq!(between, Stretch { covered_h: 150.0, blind_h: 7.0, amounts: vec![150.0] });
        assert!(histories.until("a", 2, 0.0, 1.0).is_err());
    }

    #[test]
    fn chances_that_are_right_are_left_alone_and_bold_ones_are_drawn_in() {
        // 200 rows at .2 of which a fifth are events, 200 at .8 of which four fifths are.
        let rows =
            |low: f64, high: f64| (0..400).map(move |i| if i < 200 { (low, i % 5 == 0) } else { (high, i % 5 != 0) });
        let right = Recalibration::of(rows(0.2, 0.8));
        assert!(right.intercept.abs() < 1e-6 && (right.slope - 1.0).abs() < 1e-6, "{right:?}");
        let bold = Recalibration::of(rows(0.05, 0.95));
        assert!(bold.slope > 0.4 && bold.slope < 0.6, "{bold:?}");
        assert!(bold.apply(0.9) > bold.apply(0.8) && bold.apply(0.5) == 0.5);
    }
}
