//! The map of wear: how fast an hour in each torque band and temperature band wears a tube.

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use plant::{Bands, Quantity};
use serde::Serialize;

use crate::api::Pretty;
use crate::{Publisher, Voice};

/// Hours in a band, and the plain running that would have worn as much.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct WearCell {
    /// Covered run hours, h.
    pub hours: f64,
    /// Hours of running at the model's plain rate that would have done the same, h.
    pub equivalent_h: f64,
}

impl WearCell {
    /// Wear of an hour in it, in plain hours; `None` without an hour.
    pub(crate) fn rate(&self) -> Option<f64> {
        (self.hours > 0.0).then(|| self.equivalent_h / self.hours)
    }
}

/// Wear by torque band and temperature band. The cells and `nowhere` add up to the totals.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WearMap {
    /// From when.
    pub from: Timestamp,
    /// Until when.
    pub to: Timestamp,
    /// Covered run hours of all units, h.
    pub covered_h: f64,
    /// Their wear in plain hours, h.
    pub equivalent_h: f64,
    /// Cell by cell, temperature within torque, see [`Bands`].
    pub cells: Vec<WearCell>,
    /// Running without a known torque or temperature.
    pub nowhere: WearCell,
}

#[derive(Serialize)]
struct WearMapJson<'a> {
    at: Timestamp,
    /// Names of the cells, in order.
    names: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    map: Option<&'a WearMap>,
}

/// `GET /api/v1/wear-map`
pub(crate) async fn map(State(publisher): State<Publisher>) -> Response {
    let snapshot = publisher.newest();
    let names = publisher.site.bands.names();
    Pretty(WearMapJson { at: snapshot.at, names, map: snapshot.wear_map.as_deref() }).into_response()
}

/// The map as a table: torque bands down, temperature bands across.
#[derive(Debug)]
pub(crate) struct WearTable {
    pub heads: Vec<String>,
    pub rows: Vec<(String, Vec<WearFigure>)>,
    pub under: String,
}

/// A cell of the table.
#[derive(Debug)]
pub(crate) struct WearFigure {
    /// Wear of an hour, in plain hours.
    pub rate: String,
    /// What stands under it.
    pub hours: String,
    /// So few hours that its rate may be chance.
    pub few: bool,
    /// Length of its bar, percent of the greatest.
    pub width_pc: String,
}

/// Fewer hours in a cell make no rate to go by (house rule).
const LEAST_H: f64 = 5.0;

/// With fewer hours a rate says little: it stands pale, says so, and has no bar (house rule).
const FEW_H: f64 = 100.0;

/// The table; `None` without a map or without bands.
pub(crate) fn table(map: Option<&WearMap>, bands: &Bands, voice: &Voice) -> Option<WearTable> {
    let map = map.filter(|map| bands.cells() > 1 && map.cells.len() == bands.cells())?;
    let known = |cell: &WearCell| cell.rate().filter(|_| cell.hours >= LEAST_H);
    let drawn = |cell: &WearCell| known(cell).filter(|_| cell.hours >= FEW_H);
    let most = map.cells.iter().filter_map(drawn).fold(0.0, f64::max);
    let figure = |cell: &WearCell| WearFigure {
        rate: known(cell).map_or("–".to_owned(), |rate| voice.decimal(rate, 1)),
        hours: voice.hours(cell.hours),
        few: cell.hours > 0.0 && cell.hours < FEW_H,
        width_pc: format!("{:.0}", drawn(cell).map_or(0.0, |rate| 100.0 * rate / most)),
    };
    let across = bands.temp_degc.len() + 1;
    let rows = map.cells.chunks(across).zip(labels(&bands.torque_nm, Quantity::Torque, voice));
    Some(WearTable {
        heads: labels(&bands.temp_degc, Quantity::Temperature, voice),
        rows: rows.map(|(cells, label)| (label, cells.iter().map(figure).collect())).collect(),
        under: voice.tell(
            "wear-under",
            &[
                ("covered", &voice.hours(map.covered_h)),
                ("worth", &voice.hours(map.equivalent_h)),
                ("nowhere", &voice.hours(map.nowhere.hours)),
                ("least", &format!("{LEAST_H:.0} h")),
            ],
        ),
    })
}

/// Bands by their edges.
fn labels(edges: &[f64], quantity: Quantity, voice: &Voice) -> Vec<String> {
    let (unit, figure) = (voice.unit_of(quantity), |edge: f64| voice.figure(quantity, edge));
    let Some((first, last)) = edges.first().zip(edges.last()) else { return vec![voice.say("band-all")] };
    let between = edges.windows(2).map(|pair| {
        voice.tell("band-between", &[("low", &figure(pair[0])), ("high", &figure(pair[1])), ("unit", &unit)])
    });
    let below = std::iter::once(voice.tell("band-below", &[("edge", &figure(*first)), ("unit", &unit)]));
    below.chain(between).chain([voice.tell("band-above", &[("edge", &figure(*last)), ("unit", &unit)])]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_with_few_hours_has_no_rate_to_go_by() {
        let bands = Bands { torque_nm: vec![80.0, 140.0], temp_degc: vec![-4.0] };
        let cell = |hours: f64, equivalent_h: f64| WearCell { hours, equivalent_h };
        let map = WearMap {
            from: Timestamp::UNIX_EPOCH,
            to: Timestamp::UNIX_EPOCH,
            covered_h: 114.0,
            equivalent_h: 158.0,
            cells: vec![
                cell(100.0, 80.0),
                cell(0.0, 0.0),
                cell(10.0, 40.0),
                cell(2.0, 30.0),
                cell(0.0, 0.0),
                cell(0.0, 0.0),
            ],
            nowhere: cell(2.0, 8.0),
        };
        let table = table(Some(&map), &bands, &Voice::default()).expect("a table");
        assert_eq!(table.heads, ["below −4 °C", "−4 °C and above"]);
        let rates: Vec<Vec<&str>> =
            table.rows.iter().map(|(_, cells)| cells.iter().map(|cell| cell.rate.as_str()).collect()).collect();
        assert_eq!(rates, [["0.8", "–"], ["4.0", "–"], ["–", "–"]]);
        // Ten hours and two are few: no bar, and the longest is that of the cell with a hundred.
        assert_eq!(table.rows[0].1[0].width_pc, "100");
        let few: Vec<bool> = table.rows.iter().flat_map(|(_, cells)| cells.iter().map(|cell| cell.few)).collect();
        assert_eq!(few, [false, false, true, true, false, false]);
        assert_eq!(table.rows[1].1[0].width_pc, "0");
        assert_eq!(table.rows[1].0, "80 to 140 N·m");
    }
}
