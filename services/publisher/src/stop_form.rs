//! The form in which somebody asks what if: what stands in its fields, and what holds where they are left empty.

use plant::UnitId;

use crate::form::Form;
use crate::opening::Span;
use crate::product_pace::products;
use crate::stop_ask::StopAsk;
use crate::stop_board::StopBoard;
use crate::{Site, Snapshot, Voice};

/// What stands in the fields of the form.
pub(crate) struct StopForm {
    pub on: String,
    pub all_units: bool,
    pub next: String,
    pub run_h: String,
    /// Products that can be asked for, and whether one is.
    pub products: Vec<(String, bool)>,
    /// In which style numbers are typed in it.
    pub decimal: String,
    pub room: String,
    pub open_cost: String,
    pub late_cost: String,
    /// Units that can be opened, and whether they are in the asker's own set.
    pub names: Vec<(String, bool)>,
    /// What the config says where a field is left empty, as the reader writes numbers; empty if it says nothing.
    pub usual_room: String,
    pub usual_open_cost: String,
    pub usual_late_cost: String,
    pub money: String,
}

/// What a field is called on the page; `None` for what is no field of it.
pub(crate) fn label(field: &str, voice: &Voice) -> Option<String> {
    Some(match field {
        "on" => voice.say("stop-ask-on"),
        "units" => voice.say("stop-units"),
        "next" => voice.say("stop-next-chance-to-open"),
        "run_h" => voice.say("stop-run-hours-until-then-h"),
        "product" => voice.say("stop-product"),
        "room" => voice.say("stop-room-units"),
        "open_cost" => voice.say("stop-opening-one"),
        "late_cost" => voice.say("stop-a-late-catch-more"),
        "open" => voice.say("stop-a-set-of-your-own"),
        _ => return None,
    })
}

impl StopForm {
    /// The form of a question that is answered.
    pub(crate) fn answered(ask: &StopAsk, stop: &StopBoard<'_>, snapshot: &Snapshot, site: &Site) -> Self {
        let voice = &site.voice;
        let typed = |span: Option<Span>| span.map_or(String::new(), |span| ends(span, |end| voice.typed(end), "-"));
        let fitted = stop.units.iter().filter(|unit| unit.score.tube.is_some());
        StopForm {
            on: stop.day.to_string(),
            all_units: !stop.as_planned,
            next: ask.next.map_or(String::new(), |next| next.to_string()),
            run_h: ask.run_h.map_or(String::new(), |run_h| voice.typed(run_h)),
            products: offered(ask.product.as_deref(), snapshot),
            room: ask.room.map_or(String::new(), |room| room.to_string()),
            open_cost: typed(ask.open_cost),
            late_cost: typed(ask.late_cost),
            ..StopForm::empty(fitted.map(|unit| unit.unit), |unit| ask.own.contains(unit), site)
        }
    }

    /// The form of a question that is not answered, as it was sent.
    pub(crate) fn refused(sent: &Form, snapshot: &Snapshot, site: &Site) -> Self {
        let own = |unit: &UnitId| sent.fields().any(|(name, value)| name == "open" && value.trim() == unit.as_str());
        let fitted = snapshot.scores.iter().filter(|score| score.tube.is_some());
        let mut units: Vec<&UnitId> = fitted.filter_map(|score| score.unit.as_ref()).collect();
        units.sort();
        let empty = StopForm::empty(units.into_iter(), own, site);
        let value = |name: &str| sent.get(name).to_owned();
        StopForm {
            on: value("on"),
            all_units: sent.get("units") == "all",
            next: value("next"),
            run_h: value("run_h"),
            products: offered(Some(sent.get("product").trim()), snapshot),
            // The numbers stand as they were sent, so in that style.
            decimal: sent.style(site.voice.display).0.word().to_owned(),
            room: value("room"),
            open_cost: value("open_cost"),
            late_cost: value("late_cost"),
            ..empty
        }
    }

    fn empty<'a>(units: impl Iterator<Item = &'a UnitId>, own: impl Fn(&UnitId) -> bool, site: &Site) -> Self {
        let (voice, costs) = (&site.voice, site.opening.costs.as_ref());
        let shown = |span: Option<Span>| span.map_or(String::new(), |span| ends(span, |end| voice.exact(end), "–"));
        StopForm {
            on: String::new(),
            all_units: false,
            next: String::new(),
            run_h: String::new(),
            products: Vec::new(),
            decimal: voice.display.decimal.word().to_owned(),
            room: String::new(),
            open_cost: String::new(),
            late_cost: String::new(),
            names: units.map(|unit| (unit.to_string(), own(unit))).collect(),
            usual_room: site.opening.room.map_or(String::new(), |room| voice.count(room as u64)),
            usual_open_cost: shown(costs.map(|costs| costs.open)),
            usual_late_cost: shown(costs.map(|costs| costs.late_catch)),
            money: costs.map_or(String::new(), |costs| costs.money.clone()),
        }
    }
}

fn offered(asked: Option<&str>, snapshot: &Snapshot) -> Vec<(String, bool)> {
    products(snapshot).into_iter().map(|product| (product.to_owned(), Some(product) == asked)).collect()
}

/// One amount, or two ends with a dash between.
fn ends(span: Span, written: impl Fn(f64) -> String, dash: &str) -> String {
    let (low, high) = (written(span.low), written(span.high));
    if low == high { low } else { format!("{low}{dash}{high}") }
}
