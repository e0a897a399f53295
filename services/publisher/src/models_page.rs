//! The page of models: which one speaks, what the others were, and how they did on tubes that they had not seen.

use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;

use crate::figures::count;
use crate::pages::{Frame, rendered};
use crate::plans::newest_first;
use crate::{Contender, ModelEntry, ModelStatus, Publisher, Site};

#[derive(Template)]
#[template(path = "models.html")]
struct ModelsPage {
    frame: Frame,
    lead: String,
    rows: Vec<Row>,
    models: Vec<ModelView>,
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
pub(crate) async fn page(State(publisher): State<Publisher>) -> Response {
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
        models: models.iter().map(|model| view(model, site)).collect(),
    };
    rendered(StatusCode::OK, &page)
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
