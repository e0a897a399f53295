//! What the columns of an imported table are.

use std::collections::HashMap;

use plant::{BadRow, Measure, Signal, UnitId};

use crate::HistoryError;
use crate::import::{ImportSettings, WideColumn};
use crate::import_row::{Cell, Cells, Rows};
use crate::spool::Spool;

const COLUMNS: [&str; 5] = ["at", "unit", "signal", "value", "quality"];
const RIGHT: &str = "columns are at, unit, signal, value; optional: quality";

/// Where everything stands in a row.
pub(crate) enum Layout {
    /// One reading per row. The last place is that of words beside numbers, which only Parquet needs.
    Long([Option<usize>; 6]),
    /// One instant per row, one signal per column.
    Wide { at: usize, columns: Vec<Wide> },
    /// One reading per row, told by its tag.
    Tagged(Tagged),
}

/// A table of tags: the places of time, tag, value and perhaps quality, and what the tags are; `None` for those passed over.
pub(crate) struct Tagged {
    at: usize,
    tag: usize,
    value: usize,
    quality: Option<usize>,
    tags: HashMap<Vec<u8>, Option<WideColumn>>,
    names: [String; 3],
}

/// A column of a wide table.
pub(crate) struct Wide {
    place: usize,
    name: String,
    /// The place and name of its quality, if it has one.
    quality: Option<(usize, String)>,
    unit: UnitId,
    signal: Signal,
    measure: Option<Measure>,
}

impl Layout {
    /// Holds a header against what a table may have. `words` names the column of words, if there may be one.
    pub(crate) fn of(header: &[String], settings: &ImportSettings, words: Option<&str>) -> Result<Self, Vec<BadRow>> {
        let twice = header.iter().enumerate().filter(|(place, name)| header[..*place].contains(name));
        let mut bad: Vec<BadRow> = twice.map(|(_, name)| BadRow::new(1, name, "this column is there twice")).collect();
        let own: Vec<&str> = header.iter().map(|name| settings.header.own(name)).collect();
        let has = |wanted: &str| own.contains(&wanted);
        let layout = if has("tag") && !has("signal") {
            Self::tagged(&own, settings, &mut bad)
        } else if header.iter().any(|name| settings.wide.contains_key(name) || settings.skip.contains(name))
            && !has("signal")
        {
            Self::wide(header, settings, &mut bad)
        } else {
            Self::long(&own, words, &mut bad)
        };
        if bad.is_empty() { Ok(layout) } else { Err(bad) }
    }

    fn long(header: &[&str], words: Option<&str>, bad: &mut Vec<BadRow>) -> Self {
        let mut places = [None; 6];
        for (place, name) in header.iter().enumerate() {
            let known = COLUMNS.iter().position(|column| column == name);
            match known.or_else(|| (words == Some(*name)).then_some(5)) {
                Some(column) => places[column] = Some(place),
                None => bad.push(BadRow::new(1, name, format!("this column is not known; {RIGHT}"))),
            }
        }
        for (column, _) in COLUMNS.iter().zip(places).take(4).filter(|(_, place)| place.is_none()) {
            bad.push(BadRow::new(1, column, format!("this column is missing; {RIGHT}")));
        }
        Layout::Long(places)
    }

    fn tagged(header: &[&str], settings: &ImportSettings, bad: &mut Vec<BadRow>) -> Self {
        let names = &settings.header;
        let place = |wanted: &str| header.iter().position(|name| *name == wanted);
        let mut needed = |wanted: &str, name: &String| {
            place(wanted).unwrap_or_else(|| {
                bad.push(BadRow::new(
                    1,
                    name,
                    "this column is missing; a table of tags has time, tag and value; optional: quality",
                ));
                0
            })
        };
        let (at, tag, value) = (needed("at", &names.at), needed("tag", &names.tag), needed("value", &names.value));
        let skipped = settings.skip.iter().map(|name| (name, None));
        let mapped = settings.wide.iter().map(|(name, column)| (name, Some(column.clone())));
        let tags = skipped.chain(mapped).map(|(name, column)| (name.as_bytes().to_vec(), column)).collect();
        let names = [&names.tag, &names.value, &names.quality].map(String::clone);
        Layout::Tagged(Tagged { at, tag, value, quality: place("quality"), tags, names })
    }

    fn wide(header: &[String], settings: &ImportSettings, bad: &mut Vec<BadRow>) -> Self {
        let mut at = None;
        let mut columns = Vec::new();
        for (place, name) in header.iter().enumerate() {
            match settings.wide.get(name) {
                _ if settings.header.own(name) == "at" => at = Some(place),
                Some(column) => {
                    let place_of = |wanted: &String| header.iter().position(|name| name == wanted);
                    let quality = column.quality.as_ref().and_then(|name| Some((place_of(name)?, name.clone())));
                    if let Some(missing) = column.quality.as_ref().filter(|_| quality.is_none()) {
                        bad.push(BadRow::new(
                            1,
                            missing,
                            format!("this column is missing: the config says that the quality of {name} stands in it"),
                        ));
                    }
                    let WideColumn { unit, signal, measure, .. } = column.clone();
                    columns.push(Wide { place, name: name.clone(), quality, unit, signal, measure });
                }
                None if settings.skip.contains(name) => {}
                None if settings.wide.values().any(|column| column.quality.as_ref() == Some(name)) => {}
                None => bad.push(BadRow::new(
                    1,
                    name,
                    "the config does not say what this column is; map it in [files] columns, or pass it over in skip",
                )),
            }
        }
        if at.is_none() {
            let problem = "this column is missing; a wide table has the time and a column per signal ([files] header says what they are called)";
            bad.push(BadRow::new(1, &settings.header.at, problem));
        } else if columns.is_empty() {
            bad.push(BadRow::new(1, "", "no column of it is mapped in [files] columns"));
        }
        Layout::Wide { at: at.unwrap_or(0), columns }
    }

    /// Checks a row and hands its readings on; `cell` gives what stands at a place.
    pub(crate) fn take<'c>(
        &'c self,
        line: u64,
        cell: impl Fn(usize) -> Cell<'c>,
        rows: &mut Rows<'_>,
        spool: &mut Spool<'_>,
    ) -> Result<(), HistoryError> {
        let mut hand_on =
            |rows: &mut Rows<'_>, cells: Cells<'c>, measure, names| match rows.take(line, &cells, measure, names) {
                Some(row) if rows.is_taken() => spool.push(row),
                _ => Ok(()),
            };
        match self {
            Layout::Long(places) => {
                let at = |column: usize| places[column].map_or(Cell::Text(b""), &cell);
                let mut cells = [at(0), at(1), at(2), at(3), at(4)];
                if let word @ Cell::Text([_, ..]) = at(5) {
                    cells[3] = word;
                }
                hand_on(rows, cells, None, (COLUMNS[3], COLUMNS[4]))
            }
            Layout::Tagged(table) => {
                let tag = cell(table.tag);
                let known = if let Cell::Text(tag) = tag { table.tags.get(tag) } else { None };
                match known {
                    Some(Some(column)) => {
                        let quality = table.quality.map_or(Cell::Text(b""), &cell);
                        let track =
                            [column.unit.as_str(), column.signal.as_str()].map(|name| Cell::Text(name.as_bytes()));
                        let cells = [cell(table.at), track[0], track[1], cell(table.value), quality];
                        hand_on(rows, cells, column.measure.as_ref(), (&table.names[1], &table.names[2]))
                    }
                    Some(None) => Ok(()),
                    None => {
                        let problem = "the config does not say what this tag is; map it in [files] columns, or pass it over in skip";
                        rows.refuse(BadRow::new(line, &table.names[0], problem));
                        Ok(())
                    }
                }
            }
            Layout::Wide { at, columns } => {
                let Some(at_us) = rows.instant(line, cell(*at)) else { return Ok(()) };
                for column in columns {
                    let value = cell(column.place);
                    if matches!(value, Cell::Text(b"")) {
                        continue;
                    }
                    let unit = Cell::Text(column.unit.as_str().as_bytes());
                    let cells = [
                        Cell::Instant(at_us),
                        unit,
                        Cell::Text(column.signal.as_str().as_bytes()),
                        value,
                        column.quality.as_ref().map_or(Cell::Text(b""), |(place, _)| cell(*place)),
                    ];
                    let quality = column.quality.as_ref().map_or("", |(_, name)| name);
                    hand_on(rows, cells, column.measure.as_ref(), (&column.name, quality))?;
                }
                Ok(())
            }
        }
    }
}
