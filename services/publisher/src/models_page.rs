//! The page of models: which one speaks, what the others were, and how they did on tubes that they had not seen.

use askama::Template;
use axum::http::StatusCode;
use axum::response::Response;

use plant::{Aside, Horizon, State};

use crate::pages::{Frame, rendered};
use crate::plans::newest_first;
use crate::shown::Shown;
use crate::trial::{Beside, beside};
use crate::wear_map::{WearTable, table};
use crate::{Contender, ModelBasis, ModelEntry, ModelStatus, Site, Voice, latent_terms};

#[derive(Template)]
#[template(path = "models.html")]
struct ModelsPage {
    voice: Voice,
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
    status: String,
    approved: bool,
    basis: String,
    fitted: String,
    rows: String,
    events: String,
    verdict: String,
}

struct ModelView {
    version: i64,
    name: String,
    facts: Vec<(String, String)>,
    verdict: String,
    contenders: Vec<[String; 4]>,
    /// Its terms are those of latent wear.
    latent: bool,
    /// What each is, its value, and beside it what the fit says; its name in the data.
    terms: Vec<[String; 4]>,
    notes: Vec<String>,
    has_report: bool,
}

/// `GET /models`
pub(crate) async fn page(Shown(publisher): Shown) -> Response {
    let (site, voice, snapshot) = (&publisher.site, &publisher.site.voice, publisher.newest());
    let models = newest_first(&snapshot);
    let approved = models.iter().find(|model| model.status == ModelStatus::Approved);
    let page = ModelsPage {
        voice: publisher.site.voice.clone(),
        frame: Frame::of(&publisher, &snapshot),
        lead: match approved {
            Some(model) => voice.tell(
                "models-approved",
                &[("version", &model.version), ("name", &model.name), ("basis", &model.basis.words(voice))],
            ),
            None => voice.say("models-none-approved"),
        },
        rows: models.iter().map(|model| row(model, site)).collect(),
        proposed: snapshot.trial.as_ref().map(|trial| trial.version),
        map: table(snapshot.wear_map.as_deref(), &site.bands, &site.voice),
        beside: beside(&snapshot, site).iter().map(|tube| beside_row(tube, &site.voice)).collect(),
        asides: snapshot.asides.iter().map(|aside| aside_view(aside, site)).collect(),
        models: models.iter().map(|model| view(model, site)).collect(),
    };
    rendered(StatusCode::OK, &page)
}

fn beside_row(tube: &Beside, voice: &Voice) -> [String; 5] {
    let said = |state: State, risk: Option<&Horizon>| match risk {
        Some(now) if state != State::Reached => voice.percent(now.risk),
        _ => state_word(state, voice),
    };
    let differ = match (&tube.approved, &tube.proposed) {
        (Some(approved), Some(proposed)) => points(proposed.risk - approved.risk, voice),
        _ => "–".to_owned(),
    };
    [
        tube.tube.to_string(),
        tube.unit.map_or_else(|| voice.say("state-not-fitted"), ToString::to_string),
        said(tube.approved_state, tube.approved.as_ref()),
        said(tube.proposed_state, tube.proposed.as_ref()),
        differ,
    ]
}

/// A state in a word or two.
fn state_word(state: State, voice: &Voice) -> String {
    match state {
        State::Ok => voice.say("models-state-ok"),
        State::Baseline => voice.say("models-state-baseline"),
        State::Prior => voice.say("models-state-prior"),
        State::Reached => voice.say("models-state-reached"),
        State::Blind => voice.say("models-state-blind"),
        State::Stale => voice.say("models-state-stale"),
        State::NoTube => voice.say("models-state-no-tube"),
        State::NotFitted => voice.say("models-state-not-fitted"),
    }
}

/// A status in a word.
fn status_word(status: ModelStatus, voice: &Voice) -> String {
    match status {
        ModelStatus::Proposed => voice.say("models-proposed"),
        ModelStatus::Approved => voice.say("models-status-approved"),
        ModelStatus::Retired => voice.say("models-retired"),
    }
}

/// A difference of chances in whole points of percent, with a true minus.
fn points(difference: f64, voice: &Voice) -> String {
    match (difference * 100.0).round() as i32 {
        0 => voice.say("list-none"),
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
            let voice = &site.voice;
            let by = aside.lifted_by.clone().unwrap_or_else(|| voice.say("models-nobody"));
            format!("{}, {by}: {}", site.day(at), aside.lifted_why.as_deref().unwrap_or_default())
        }),
    }
}

fn verdict(model: &ModelEntry, voice: &Voice) -> String {
    let told = model.verdict.as_ref().map(|verdict| plain(verdict, voice));
    let good = match model.basis {
        ModelBasis::Exposures => voice.say("models-good"),
        ModelBasis::HoursOnly => voice.say("models-not-better"),
        ModelBasis::Prior => voice.say("models-too-few"),
    };
    told.map_or_else(|| voice.say("models-no-verdict"), |told| format!("{good} {told}"))
}

/// A text in which ways of forecasting go by plain names instead of those of the data.
fn plain(text: &str, voice: &Voice) -> String {
    let names = [
        ("base_rate", voice.say("forecast-base-rate")),
        ("constant_rate", voice.say("forecast-constant-rate")),
        ("hours_only", voice.say("state-baseline")),
    ];
    let text = names.iter().fold(text.to_owned(), |text, (name, plain)| text.replace(name, plain));
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

/// How each way of forecasting did, the best first: by log loss, one that has none last.
fn contenders(model: &ModelEntry, voice: &Voice) -> Vec<[String; 4]> {
    let mut contenders: Vec<_> = model.contenders.iter().collect();
    let loss = |contender: &Contender| if contender.log_loss.is_nan() { f64::INFINITY } else { contender.log_loss };
    contenders.sort_by(|a, b| loss(a).total_cmp(&loss(b)));
    let cells = |contender: &Contender| {
        [
            plain(&contender.forecast, voice),
            score(Some(contender.log_loss), voice),
            score(Some(contender.brier), voice),
            score(contender.auc, voice),
        ]
    };
    contenders.into_iter().map(cells).collect()
}

fn row(model: &ModelEntry, site: &Site) -> Row {
    Row {
        version: model.version,
        name: model.name.clone(),
        status: status_word(model.status, &site.voice),
        approved: model.status == ModelStatus::Approved,
        basis: model.basis.words(&site.voice),
        fitted: site.day(model.created_at),
        rows: site.voice.count(model.n_rows),
        events: site.voice.count(model.n_event_lives),
        verdict: verdict(model, &site.voice),
    }
}

fn view(model: &ModelEntry, site: &Site) -> ModelView {
    let figure = |value: f64| figure(value, &site.voice);
    let voice = &site.voice;
    let status = status_word(model.status, voice);
    let day = |at: Option<jiff::Timestamp>| at.map_or_else(|| voice.say("word-not-known"), |at| site.day(at));
    let decided = model.decided_at.map(|at| {
        let by = model.decided_by.clone().unwrap_or_else(|| voice.say("models-nobody"));
        voice.tell("models-decided", &[("status", &status), ("day", &site.day(at)), ("who", &by)])
    });
    let facts = [
        Some((voice.say("models-decision"), decided.unwrap_or(status))),
        model.why.clone().map(|why| (voice.say("word-why"), why)),
        Some((voice.say("models-goes-by"), model.basis.words(voice))),
        Some((
            voice.say("models-data"),
            voice.tell("range", &[("low", &day(model.data_from)), ("high", &day(model.data_to))]),
        )),
        Some((
            voice.say("board-limit-reached"),
            voice.tell(
                "models-limit",
                &[
                    ("count", &model.n_event_lives),
                    ("lives", &voice.count(model.n_event_lives)),
                    ("events", &voice.count(model.n_events)),
                    ("rows", &voice.count(model.n_rows)),
                ],
            ),
        )),
    ];
    ModelView {
        version: model.version,
        name: model.name.clone(),
        facts: facts.into_iter().flatten().collect(),
        verdict: verdict(model, &site.voice),
        contenders: contenders(model, &site.voice),
        terms: model
            .terms
            .iter()
            .map(|term| match latent_terms::told(term, site) {
                Some(told) => [told.what, told.value, figure(term.coefficient), term.name.clone()],
                None => {
                    let error = term.std_error.map_or("–".to_owned(), figure);
                    [term.name.clone(), figure(term.coefficient), error, String::new()]
                }
            })
            .collect(),
        latent: model.terms.iter().any(|term| latent_terms::told(term, site).is_some()),
        notes: model.notes.clone(),
        has_report: model.report.is_some(),
    }
}

/// A score of validation with three decimals.
fn score(value: Option<f64>, voice: &Voice) -> String {
    value.filter(|value| value.is_finite()).map_or("–".to_owned(), |value| voice.decimal(value, 3))
}

/// A coefficient with three significant digits and a true minus.
fn figure(value: f64, voice: &Voice) -> String {
    if !value.is_finite() {
        return "–".to_owned();
    }
    let decimals = if value == 0.0 { 0 } else { (2 - value.abs().log10().floor() as i32).clamp(0, 8) as usize };
    voice.decimal(value, decimals)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_coefficient_keeps_three_digits_whatever_its_size() {
        let figure = |value| figure(value, &Voice::default());
        let told = [0.00123456, -0.5, 12.345, 1234.5, 0.0].map(figure);
        assert_eq!(told, ["0.00123", "−0.500", "12.3", "1\u{202f}234", "0"]);
    }
}
