//! Whether what was foretold to wear sooner did so, where nobody saw when it happened.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::validate::{Forecast, OutOfFold};

/// How many pairs could be put in order, and how many of them were foretold in it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Concordance {
    /// Pairs of which one event surely came before the other could.
    pub pairs: usize,
    /// Pairs in which the earlier one had the higher score; equal scores count half.
    pub won: f64,
    /// Their share: 1 is perfect, 0.5 is chance.
    pub index: f64,
}

/// Concordance when the time of an event is only known to lie in `(left_h, right_h]` (infinite: not seen).
///
/// A pair counts if one event surely came before the other began to be possible (`right_i <= left_j`); it is won if the
/// earlier one had the higher score, half won if the scores are equal. `None` without such pairs.
pub fn interval_concordance(intervals_h: &[(f64, f64)], scores: &[f64]) -> Option<Concordance> {
    of_pairs(intervals_h, |i, j| Some((scores[i], scores[j])))
}

/// Goes through all pairs in order; `scores` of the earlier and the later, or `None` if the two cannot be compared.
fn of_pairs(intervals_h: &[(f64, f64)], scores: impl Fn(usize, usize) -> Option<(f64, f64)>) -> Option<Concordance> {
    let (mut pairs, mut won) = (0, 0.0);
    for (i, (_, right_h)) in intervals_h.iter().enumerate().filter(|(_, (_, right_h))| right_h.is_finite()) {
        for (j, (left_h, _)) in intervals_h.iter().enumerate() {
            if i == j || right_h > left_h {
                continue;
            }
            if let Some((earlier, later)) = scores(i, j) {
                pairs += 1;
                won += if earlier > later { 1.0 } else { 0.5 * f64::from(u8::from(earlier == later)) };
            }
        }
    }
    (pairs > 0).then(|| Concordance { pairs, won, index: won / pairs as f64 })
}

/// Concordance of lives by the cumulative hazard that was foretold of both up to the hour at which the earlier one was
/// found (Antolini, Boracchi and Biganzoli 2005, from memory), over the ages at which both were watched.
///
/// Only lives of one fold are compared, so that one fit speaks for both: between folds the order would partly be that
/// of the fits. Hours alone then give exactly one half.
pub(crate) fn of_lives(predictions: &[OutOfFold], forecast: Forecast) -> Option<Concordance> {
    let lives = lives(predictions, forecast);
    let intervals_h: Vec<(f64, f64)> = lives.iter().map(|life| (life.left_h, life.right_h)).collect();
    of_pairs(&intervals_h, |i, j| {
        let (earlier, later) = (&lives[i], &lives[j]);
        let from_h = earlier.entry_h().max(later.entry_h());
        let both_watched = earlier.fold == later.fold && from_h < earlier.right_h;
        both_watched.then(|| (earlier.hazard(from_h, earlier.right_h), later.hazard(from_h, earlier.right_h)))
    })
}

/// One life up to its event, and the hazard that was foretold of each piece of it.
struct Watched {
    fold: usize,
    left_h: f64,
    right_h: f64,
    /// From, to, cumulative hazard between them; in order of age.
    pieces: Vec<(f64, f64, f64)>,
}

impl Watched {
    fn entry_h(&self) -> f64 {
        self.pieces.first().map_or(f64::INFINITY, |piece| piece.0)
    }

    /// The hazard between two ages, spread evenly within a piece.
    fn hazard(&self, from_h: f64, to_h: f64) -> f64 {
        let share = |&(start_h, end_h, hazard): &(f64, f64, f64)| {
            let overlap_h = end_h.min(to_h) - start_h.max(from_h);
            if overlap_h >= end_h - start_h { hazard } else { hazard * overlap_h.max(0.0) / (end_h - start_h) }
        };
        self.pieces.iter().map(share).sum()
    }
}

fn lives(predictions: &[OutOfFold], forecast: Forecast) -> Vec<Watched> {
    let mut rows: BTreeMap<(&str, u32), Vec<&OutOfFold>> = BTreeMap::new();
    for row in predictions {
        rows.entry((&row.group, row.life)).or_default().push(row);
    }
    rows.into_values()
        .map(|mut rows| {
            rows.sort_by(|a, b| a.start_h.total_cmp(&b.start_h));
            let until = rows.iter().position(|row| row.event);
            rows.truncate(until.map_or(rows.len(), |event| event + 1));
            let last = rows.last().expect("a life is made of its rows");
            let (left_h, right_h) = if last.event { (last.start_h, last.end_h) } else { (last.end_h, f64::INFINITY) };
            // A certainty would have an infinite hazard, of which there is no half.
            let hazard = |row: &OutOfFold| -(-row.probabilities[forecast as usize].min(1.0 - 1e-15)).ln_1p();
            let pieces = rows.iter().map(|row| (row.start_h, row.end_h, hazard(row))).collect();
            Watched { fold: last.fold, left_h, right_h, pieces }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nine_pairs_can_be_told_apart_and_eight_are_right() {
        // Counted by hand.
        let never = f64::INFINITY;
        let intervals = [(0.0, 400.0), (400.0, 900.0), (900.0, 1200.0), (1200.0, never), (1500.0, never)];
        let found = interval_concordance(&intervals, &[0.9, 0.5, 0.6, 0.3, 0.35]).unwrap();
        assert_eq!((found.pairs, found.won), (9, 8.0));
        assert!((found.index - 0.8889).abs() < 5e-5);
    }

    #[test]
    fn equal_scores_win_half() {
        let found = interval_concordance(&[(0.0, 1.0), (1.0, 2.0)], &[0.5, 0.5]).unwrap();
        assert_eq!((found.pairs, found.won, found.index), (1, 0.5, 0.5));
        assert_eq!(interval_concordance(&[(0.0, 2.0), (1.0, f64::INFINITY)], &[0.5, 0.4]), None);
    }

    fn row(group: &str, fold: usize, (start_h, end_h): (f64, f64), event: bool, p: f64) -> OutOfFold {
        OutOfFold {
            group: group.to_owned(),
            life: 1,
            start_h,
            end_h,
            grade_start: 0,
            event,
            fold,
            probabilities: vec![0.5, 0.5, 0.5, p],
        }
    }

    #[test]
    fn lives_are_compared_at_the_age_of_the_earlier_event() {
        // By hand. A is found by 400 h with hazard ln 2 foretold. B goes to 1000 h with hazard 2 ln 2 in all, but of it
        // only 0.4 x 2 ln 2 = 0.8 ln 2 by 400 h: A was foretold to be worse, although B's whole hazard is higher.
        let a = row("A", 0, (0.0, 400.0), true, 0.5);
        let b = row("B", 0, (0.0, 1000.0), false, 0.75);
        let found = of_lives(&[a.clone(), b.clone()], Forecast::Model).unwrap();
        assert_eq!((found.pairs, found.won), (1, 1.0));
        // C is another fold, D was not watched before 400 h, E is found in an interval that overlaps A's.
        let c = OutOfFold { fold: 1, ..b.clone() };
        let d = row("D", 0, (400.0, 900.0), false, 0.1);
        let e = row("E", 0, (0.0, 500.0), true, 0.1);
        for other in [OutOfFold { group: "C".to_owned(), ..c }, d, e] {
            assert_eq!(of_lives(&[a.clone(), other.clone()], Forecast::Model), None, "{other:?}");
        }
    }

    #[test]
    fn what_comes_after_the_event_of_a_life_is_not_looked_at() {
        // A table of 0/1 events may go on after one; then B's later piece must not make it a life without an event.
        let a = row("A", 0, (0.0, 100.0), true, 0.1);
        let rows = [a, row("B", 0, (0.0, 50.0), true, 0.9), row("B", 0, (50.0, 900.0), false, 0.9)];
        assert_eq!(of_lives(&rows, Forecast::Model), None);
    }
}
