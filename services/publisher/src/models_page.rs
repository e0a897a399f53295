//! The page of models: which one speaks, what the others were, and how they did on tubes that they had not seen.

use askama::Template;
use axum::extract;
use axum::http::StatusCode;
use axum::response::Response;

use plant::{Aside, Horizon, State};

use crate::figures::{count, percent};
use crate::pages::{Frame, rendered};
use crate::plans::newest_first;
use crate::trial::{Beside, beside};
use crate::wear_map::{WearTable, table};
use crate::{Contender, ModelEntry, ModelStatus, Publisher, Site};

#[derive(Template)]
#[template(path = "models.html")]
struct ModelsPage {
    frame: Frame,
    lead: String,
    rows: Vec<Row>,
    models: Vec<ModelView>,
    proposed: Option<i64>,
    beside: Vec<[String; 5]>,
    map: Option<WearTable>,
    asides: Vec<AsideView>,
}

/// A look set aside.
struct AsideView {
    id: i64,
    tube: String,
    look: String,
    why: String,
    set: String,
    lifted: Option<String>,
}

struct Row {
    version: i64,
    name: String,
    status: &'static str,
    approved: bool,
    basis: &'static str,
    fitted: String,
    rows: String,
    events: String,
    verdict: String,
}

struct ModelView {
    version: i64,
    name: String,
    facts: Vec<(&'static str, String)>,
    verdict: String,
    contenders: Vec<[String; 4]>,
    terms: Vec<[String; 3]>,
    notes: Vec<String>,
    has_report: bool,
}

/// `GET /models`
pub(crate) async fn page(extract::State(publisher): extract::State<Publisher>) -> Response {
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let models = newest_first(&snapshot);
    let approved = models.iter().find(|model| model.status == ModelStatus::Approved);
    let page = ModelsPage {
        frame: Frame::of(&publisher, &snapshot),
        lead: match approved {
            Some(model) => {
                format!(
                    "Version {}, {}, stands behind the scores. It goes by {}.",
                    model.version,
                    model.name,
                    model.basis.words()
                )
            }
            None => "No model is approved: nothing fitted stands behind the scores.".to_owned(),
        },
        rows: models.iter().map(|model| row(model, site)).collect(),
        proposed: snapshot.trial.as_ref().map(|trial| trial.version),
        map: table(snapshot.wear_map.as_deref(), &site.bands),
        beside: beside(&snapshot, site).iter().map(beside_row).collect(),
        asides: snapshot.asides.iter().map(|aside| aside_view(aside, site)).collect(),
        models: models.iter().map(|model| view(model, site)).collect(),
    };
    rendered(StatusCode::OK, &page)
}

fn beside_row(tube: &Beside) -> [String; 5] {
    let said = |state: State, risk: Option<&Horizon>| match risk {
        Some(now) if state != State::Reached => percent(now.risk),
        _ => state.as_str().replace('_', " "),
    };
    let differ = match (&tube.approved, &tube.proposed) {
        (Some(approved), Some(proposed)) => points(proposed.risk - approved.risk),
        _ => "–".to_owned(),
    };
    [
        tube.tube.to_string(),
        tube.unit.map_or("in no unit".to_owned(), ToString::to_string),
        said(tube.approved_state, tube.approved.as_ref()),
        said(tube.proposed_state, tube.proposed.as_ref()),
        differ,
    ]
}

/// A difference of chances in whole points of percent, with a true minus.
fn points(difference: f64) -> String {
    match (difference * 100.0).round() as i32 {
        0 => "none".to_owned(),
        more if more > 0 => format!("+{more}"),
        less => format!("−{}", -less),
    }
}

fn aside_view(aside: &Aside, site: &Site) -> AsideView {
    AsideView {
        id: aside.id,
        tube: aside.tube.to_string(),
        look: site.minute(aside.look),
        why: aside.why.clone(),
        set: format!("{}, {}", site.day(aside.at), aside.who),
        lifted: aside.lifted_at.map(|at| {
            let (by, why) = (aside.lifted_by.as_deref().unwrap_or("nobody named"), aside.lifted_why.as_deref());
            format!("{}, {by}: {}", site.day(at), why.unwrap_or_default())
        }),
    }
}

fn verdict(model: &ModelEntry) -> String {
    let told = model.verdict.as_ref().map(|verdict| plain(verdict));
    told.unwrap_or("Not held against tubes that it had not seen.".to_owned())
}

/// A text in which ways of forecasting go by plain names instead of those of the data.
fn plain(text: &str) -> String {
    let names = [("base_rate", "base rate"), ("constant_rate", "constant rate"), ("hours_only", "run hours alone")];
    let text = names.iter().fold(text.to_owned(), |text, (name, plain)| text.replace(name, plain));
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

/// How each way of forecasting did, the best first: by log loss, one that has none last.
fn contenders(model: &ModelEntry) -> Vec<[String; 4]> {
    let mut contenders: Vec<_> = model.contenders.iter().collect();
    let loss = |contender: &Contender| if contender.log_loss.is_nan() { f64::INFINITY } else { contender.log_loss };
    contenders.sort_by(|a, b| loss(a).total_cmp(&loss(b)));
    let cells = |contender: &Contender| {
        [
            plain(&contender.forecast),
            score(Some(contender.log_loss)),
            score(Some(contender.brier)),
            score(contender.auc),
        ]
    };
    contenders.into_iter().map(cells).collect()
}

fn row(model: &ModelEntry, site: &Site) -> Row {
    Row {
        version: model.version,
        name: model.name.clone(),
        status: model.status.as_str(),
        approved: model.status == ModelStatus::Approved,
        basis: model.basis.words(),
        fitted: site.day(model.created_at),
        rows: count(model.n_rows),
        events: count(model.n_event_lives),
        verdict: verdict(model),
    }
}

fn view(model: &ModelEntry, site: &Site) -> ModelView {
    let day = |at: Option<jiff::Timestamp>| at.map_or("not known".to_owned(), |at| site.day(at));
    let decided = model.decided_at.map(|at| {
        let by = model.decided_by.as_deref().unwrap_or("nobody named");
        format!("{}, {}, by {by}", model.status.as_str(), site.day(at))
    });
    let facts = [
        Some(("Decision", decided.unwrap_or(model.status.as_str().to_owned()))),
        model.why.clone().map(|why| ("Why", why)),
        Some(("Goes by", model.basis.words().to_owned())),
        Some(("Data", format!("{} to {}", day(model.data_from), day(model.data_to)))),
        Some((
            "Limit reached",
            format!(
                "in {} {}, {} of {} intervals",
                count(model.n_event_lives),
                if model.n_event_lives == 1 { "life" } else { "lives" },
                count(model.n_events),
                count(model.n_rows)
            ),
        )),
    ];
    ModelView {
        version: model.version,
        name: model.name.clone(),
        facts: facts.into_iter().flatten().collect(),
        verdict: verdict(model),
        contenders: contenders(model),
        terms: model
            .terms
            .iter()
            .map(|term| [term.name.clone(), figure(term.coefficient), term.std_error.map_or("–".to_owned(), figure)])
            .collect(),
        notes: model.notes.clone(),
        has_report: model.report.is_some(),
    }
}

/// A score of validation with three decimals.
fn score(value: Option<f64>) -> String {
    value.filter(|value| value.is_finite()).map_or("–".to_owned(), |value| format!("{value:.3}"))
}

/// A coefficient with three significant digits and a true minus.
fn figure(value: f64) -> String {
    if !value.is_finite() {
        return "–".to_owned();
    }
    let decimals = if value == 0.0 { 0 } else { (2 - value.abs().log10().floor() as i32).clamp(0, 8) as usize };
    let text = format!("{:.decimals$}", value.abs());
    if value < 0.0 { format!("−{text}") } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_coefficient_keeps_three_digits_whatever_its_size() {
        assert_eq!([0.00123456, -0.5, 12.345, 1234.5, 0.0].map(figure), ["0.00123", "−0.500", "12.3", "1234", "0"]);
    }
}
