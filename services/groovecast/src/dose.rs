//! Running as a model reads it: stretches long enough to have a rate, with the amounts that the model knows.

use plant::{Exposure, Term};

/// A shorter stretch of covered running has no rate of its own: one start in its last second would look like thousands
/// an hour. It goes with the running that follows.
const LEAST_COVERED_H: f64 = 0.5;

/// A stretch of running of a unit or tube.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Dose {
    /// The clock hour in which it ended.
    pub hour: i64,
    /// Run hours of which every term is known, h.
    pub covered_h: f64,
    /// Run hours that no reading covers, or of which a term is not known, h.
    pub blind_h: f64,
    /// Amount per term in the covered part.
    pub amounts: Vec<f64>,
}

impl Dose {
    /// Amount per covered run hour, per term.
    pub fn rates(&self) -> Vec<f64> {
        let rate = |amount: &f64| if self.covered_h > 0.0 { (amount / self.covered_h).max(0.0) } else { 0.0 };
        self.amounts.iter().map(rate).collect()
    }
}

/// Gathers hours, or shares of them, in order of time: clock hour, exposure, share.
pub fn doses<'a>(hours: impl Iterator<Item = (i64, &'a Exposure, f64)>, terms: &[Term]) -> Vec<Dose> {
    let empty = || Dose { amounts: vec![0.0; terms.len()], ..Dose::default() };
    let mut doses = Vec::new();
    let mut open = empty();
    for (hour, exposure, share) in hours {
        open.hour = hour;
        open.blind_h += exposure.blind_h() * share;
        let amounts: Option<Vec<f64>> = terms.iter().map(|term| exposure.get(*term)).collect();
        match amounts {
            Some(amounts) => {
                open.covered_h += exposure.covered_h() * share;
                open.amounts.iter_mut().zip(amounts).for_each(|(sum, amount)| *sum += amount * share);
            }
            None => open.blind_h += exposure.covered_h() * share,
        }
        if open.covered_h >= LEAST_COVERED_H {
            doses.push(std::mem::replace(&mut open, empty()));
        }
    }
    if open.covered_h > 0.0 || open.blind_h > 0.0 {
        doses.push(open);
    }
    doses
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hour(run_h: f64, blind_h: f64, starts: f64) -> Exposure {
        let mut exposure = Exposure::default();
        exposure.add(Term::RunH, run_h);
        exposure.add(Term::BlindH, blind_h);
        exposure.add(Term::Starts, starts);
        exposure
    }

    #[test]
    fn a_start_in_the_last_second_goes_with_the_hour_that_follows() {
        let hours = [hour(0.0, 0.0, 1.0), hour(1.0, 0.0, 0.0), hour(1.0, 0.0, 0.0)];
        let doses = doses(hours.iter().zip(0..).map(|(e, h)| (h, e, 1.0)), &[Term::Starts]);
        assert_eq!(doses.iter().map(|d| (d.covered_h, d.rates()[0])).collect::<Vec<_>>(), [(1.0, 1.0), (1.0, 0.0)]);
    }

    #[test]
    fn hours_of_which_a_term_is_not_known_are_blind() {
        let mut lacking = hour(1.0, 0.0, 0.0);
        lacking.mark_lacking(Term::Starts);
        let hours = [lacking, hour(0.5, 0.25, 2.0)];
        let doses = doses(hours.iter().zip(0..).map(|(e, h)| (h, e, 1.0)), &[Term::Starts]);
        assert_eq!(doses, [Dose { hour: 1, covered_h: 0.25, blind_h: 1.25, amounts: vec![2.0] }]);
    }
}
