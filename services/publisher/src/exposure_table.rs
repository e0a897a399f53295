//! Exposures as tables: by month, and by torque and temperature band.

use plant::{Bands, Exposure, Term};

use crate::Month;
use crate::figures::{number, share};

/// Months down, terms across.
#[derive(Debug)]
pub(crate) struct MonthTable {
    pub heads: Vec<&'static str>,
    /// Month, then one cell per term; a sum that the unit cannot give is a dash.
    pub rows: Vec<(String, Vec<String>)>,
}

/// The exposures by month, newest first.
pub(crate) fn month_table(months: &[Month]) -> MonthTable {
    let cell = |exposure: &Exposure, term: Term| exposure.get(term).map_or("–".to_owned(), number);
    MonthTable {
        heads: Term::ALL.iter().map(|term| head(*term)).collect(),
        rows: months
            .iter()
            .rev()
            .map(|month| {
                let cells = Term::ALL.iter().map(|term| cell(&month.exposure, *term)).collect();
                (month.first_day.strftime("%b %Y").to_string(), cells)
            })
            .collect(),
    }
}

const fn head(term: Term) -> &'static str {
    match term {
        Term::RunH => "run, h",
        Term::BlindH => "of it blind, h",
        Term::SlidingKm => "blade travel, km",
        Term::ShaftWorkMj => "shaft work, MJ",
        Term::ExcessWorkMj => "of it in excess, MJ",
        Term::Starts => "starts",
        Term::ColdStarts => "of them cold",
        Term::TorqueExcursions => "torque excursions",
        Term::DryH => "dry, h",
    }
}

/// Share of covered hours by torque band (down) and temperature band (across).
#[derive(Debug)]
pub(crate) struct BandTable {
    pub heads: Vec<String>,
    pub rows: Vec<(String, Vec<String>)>,
}

/// The bands over all months; `None` without bands or without hours in them.
pub(crate) fn band_table(months: &[Month], bands: &Bands) -> Option<BandTable> {
    let mut sum = Exposure::default();
    for month in months {
        sum += &month.exposure;
    }
    let total: f64 = sum.band_h.iter().sum();
    if sum.band_h.len() != bands.cells() || bands.cells() < 2 || total <= 0.0 {
        return None;
    }
    let heads = edges(&bands.temp_degc, "°C");
    let rows = edges(&bands.torque_nm, "N·m")
        .into_iter()
        .zip(sum.band_h.chunks(heads.len()))
        .map(|(band, hours)| (band, hours.iter().map(|h| share(h / total)).collect()))
        .collect();
    Some(BandTable { heads, rows })
}

/// The bands that edges make, in words.
fn edges(edges: &[f64], unit: &str) -> Vec<String> {
    let (Some(first), Some(last)) = (edges.first(), edges.last()) else { return vec!["any".to_owned()] };
    let between = edges.windows(2).map(|pair| format!("{} to {} {unit}", number(pair[0]), number(pair[1])));
    let mut words = vec![format!("under {} {unit}", number(*first))];
    words.extend(between);
    words.push(format!("{} {unit} and over", number(*last)));
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
        let table = month_table(&[Month { first_day: jiff::civil::date(2026, 3, 1), exposure }]);
        assert_eq!(table.rows[0].0, "Mar 2026");
        assert_eq!(table.rows[0].1[..4], ["310", "0", "–", "0"]);
    }

    #[test]
    fn edges_make_one_band_more_than_there_are() {
        assert_eq!(edges(&[50.0, 100.0], "N·m"), ["under 50 N·m", "50 to 100 N·m", "100 N·m and over"]);
        assert_eq!(edges(&[], "°C"), ["any"]);
    }
}
