//! The page on which a reader says in which units of measure and in which style numbers are shown.

use askama::Template;
use axum::body::Bytes;
use axum::extract::rejection::BytesRejection;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use plant::Quantity;

use crate::findings::whole;
use crate::form::Form;
use crate::pages::{Frame, rendered, unframed};
use crate::problem::Problem;
use crate::refusal::refusal;
use crate::same_site::foreign;
use crate::shown::Shown;
use crate::{DISPLAY_KEYS, Display, Voice, cookie};

#[derive(Template)]
#[template(path = "display.html")]
struct DisplayPage {
    voice: Voice,
    frame: Frame,
    /// A number of each kind as it is shown now.
    sample: String,
    choices: Vec<Choice>,
}

/// One thing to choose.
struct Choice {
    key: &'static str,
    label: String,
    /// Its words, how each reads, and whether it is chosen.
    words: Vec<(&'static str, String, bool)>,
}

/// `GET /display`
pub(crate) async fn page(Shown(publisher): Shown) -> Response {
    let voice = &publisher.site.voice;
    let choice = |key: &'static str| Choice {
        key,
        label: label(key, voice),
        words: Display::words(key)
            .iter()
            .map(|word| (*word, reads(word, voice), voice.display.word(key) == *word))
            .collect(),
    };
    let page = DisplayPage {
        voice: publisher.site.voice.clone(),
        frame: Frame::of(&publisher, &publisher.newest()),
        sample: sample(voice),
        choices: DISPLAY_KEYS.map(choice).into(),
    };
    unframed(rendered(StatusCode::OK, &page))
}

/// `POST /display`, from the form. It writes nothing but a cookie, so nobody has to be logged in.
pub(crate) async fn set(Shown(publisher): Shown, headers: HeaderMap, body: Result<Bytes, BytesRejection>) -> Response {
    if foreign(&headers) {
        let detail = "this form comes from a page of another site; right would be our own".to_owned();
        return refusal("/display", Problem::new(StatusCode::FORBIDDEN, "foreign_page", detail));
    }
    match whole(body).and_then(|body| asked(&Form::read(&body), publisher.site.voice.display)) {
        Ok(display) => {
            let cookie = cookie::displayed(display, publisher.site.https);
            ([(header::SET_COOKIE, cookie)], Redirect::to("/display")).into_response()
        }
        Err(problem) => refusal("/display", problem),
    }
}

/// What a form says; what it leaves out stays as it is.
fn asked(form: &Form, now: Display) -> Result<Display, Problem> {
    let mut told = form.fields().filter(|(_, word)| !word.is_empty());
    let display = told.try_fold(now, |shown, (key, word)| shown.with(key, word));
    display.map_err(|error| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "bad_display", error.to_string()))
}

/// A number of each kind: a torque, a temperature, a length, a depth and hours.
fn sample(voice: &Voice) -> String {
    let depth = voice.measured(Quantity::Depth, 120.0);
    let [torque, temperature] = [(Quantity::Torque, 118.0), (Quantity::Temperature, -4.5)]
        .map(|(quantity, value)| voice.measured(quantity, value));
    format!("{torque}, {temperature}, {}, {depth}, {}", voice.measured(Quantity::Length, 152.4), voice.hours(12_480.0))
}

fn label(key: &str, voice: &Voice) -> String {
    match key {
        "torque" => voice.say("display-torque"),
        "temperature" => voice.say("display-temperature"),
        "length" => voice.say("display-length"),
        "decimal" => voice.say("display-decimal"),
        _ => voice.say("display-group"),
    }
}

fn reads(word: &str, voice: &Voice) -> String {
    match word {
        "Nm" => "N·m".to_owned(),
        "lbf.in" => "lbf·in".to_owned(),
        "C" => "°C".to_owned(),
        "F" => "°F".to_owned(),
        "mm" => voice.say("display-mm"),
        "in" => voice.say("display-in"),
        "point" => voice.say("display-point"),
        "comma" => voice.say("display-comma"),
        "space" => voice.say("display-space"),
        "none" => voice.say("display-none"),
        _ => voice.say("display-mark"),
    }
}
