//! Exposures as tables: by month, and by torque and temperature band.

use plant::{Bands, Exposure, Quantity, Term};

use crate::{Month, Voice};

/// Months down, terms across.
#[derive(Debug)]
pub(crate) struct MonthTable {
    pub heads: Vec<String>,
    /// Month, then one cell per term; a sum that the unit cannot give is a dash.
    pub rows: Vec<(String, Vec<String>)>,
}

/// The exposures by month, newest first.
pub(crate) fn month_table(months: &[Month], voice: &Voice) -> MonthTable {
    let cell = |exposure: &Exposure, term: Term| exposure.get(term).map_or("–".to_owned(), |sum| voice.number(sum));
    MonthTable {
        heads: Term::ALL.iter().map(|term| head(*term, voice)).collect(),
        rows: months
            .iter()
            .rev()
            .map(|month| {
                let cells = Term::ALL.iter().map(|term| cell(&month.exposure, *term)).collect();
                (voice.month_and_year(month.first_day), cells)
            })
            .collect(),
    }
}

fn head(term: Term, voice: &Voice) -> String {
    match term {
        Term::RunH => voice.say("term-run"),
        Term::BlindH => voice.say("term-blind"),
        Term::SlidingKm => voice.say("term-sliding"),
        Term::ShaftWorkMj => voice.say("term-work"),
        Term::ExcessWorkMj => voice.say("term-excess"),
        Term::Starts => voice.say("term-starts"),
        Term::ColdStarts => voice.say("term-cold-starts"),
        Term::TorqueExcursions => voice.say("term-excursions"),
        Term::DryH => voice.say("term-dry"),
    }
}

/// Share of covered hours by torque band (down) and temperature band (across).
#[derive(Debug)]
pub(crate) struct BandTable {
    pub heads: Vec<String>,
    pub rows: Vec<(String, Vec<String>)>,
}

/// The bands over all months; `None` without bands or without hours in them.
pub(crate) fn band_table(months: &[Month], bands: &Bands, voice: &Voice) -> Option<BandTable> {
    let mut sum = Exposure::default();
    for month in months {
        sum += &month.exposure;
    }
    let total: f64 = sum.band_h.iter().sum();
    if sum.band_h.len() != bands.cells() || bands.cells() < 2 || total <= 0.0 {
        return None;
    }
    let heads = edges(&bands.temp_degc, Quantity::Temperature, voice);
    let rows = edges(&bands.torque_nm, Quantity::Torque, voice)
        .into_iter()
        .zip(sum.band_h.chunks(heads.len()))
        .map(|(band, hours)| (band, hours.iter().map(|h| voice.share(h / total)).collect()))
        .collect();
    Some(BandTable { heads, rows })
}

/// The bands that edges make, in words.
fn edges(edges: &[f64], quantity: Quantity, voice: &Voice) -> Vec<String> {
    let (unit, number) = (voice.unit_of(quantity), |edge: f64| voice.figure(quantity, edge));
    let (Some(first), Some(last)) = (edges.first(), edges.last()) else { return vec![voice.say("band-any")] };
    let between = edges.windows(2).map(|pair| {
        voice.tell("band-between", &[("low", &number(pair[0])), ("high", &number(pair[1])), ("unit", &unit)])
    });
    let mut words = vec![voice.tell("band-under", &[("edge", &number(*first)), ("unit", &unit)])];
    words.extend(between);
    words.push(voice.tell("band-over", &[("edge", &number(*last)), ("unit", &unit)]));
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lacking_sum_is_a_dash_and_a_true_zero_a_zero() {
        let mut exposure = Exposure::default();
        exposure.add(Term::RunH, 310.0);
        exposure.mark_lacking(Term::SlidingKm);
        let table = month_table(&[Month { first_day: jiff::civil::date(2026, 3, 1), exposure }], &Voice::default());
        assert_eq!(table.rows[0].0, "Mar 2026");
        assert_eq!(table.rows[0].1[..4], ["310", "0", "–", "0"]);
    }

    #[test]
    fn edges_make_one_band_more_than_there_are() {
        assert_eq!(
            edges(&[50.0, 100.0], Quantity::Torque, &Voice::default()),
            ["under 50 N·m", "50 to 100 N·m", "100 N·m and over"]
        );
        assert_eq!(edges(&[], Quantity::Temperature, &Voice::default()), ["any"]);
    }
}
