//! The form for one finding that needs no script.

use askama::Template;
use axum::Extension;
use axum::body::Bytes;
use axum::extract::Query;
use axum::extract::rejection::{BytesRejection, QueryRejection};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use serde::Deserialize;
use sha2::{Digest, Sha256};

use crate::caller::Caller;
use crate::finding_body::{Held, MEMBERS};
use crate::finding_page::{Field, field, told};
use crate::findings::{tubes, whole};
use crate::form::Form;
use crate::need::Need;
use crate::pages::{self, Frame, rendered, unframed};
use crate::problem::Problem;
use crate::shown::Shown;
use crate::{Publisher, Voice, standing};

#[derive(Template)]
#[template(path = "plain.html")]
struct PlainPage {
    voice: Voice,
    frame: Frame,
    before_opening: String,
    flakes: String,
    /// The token of the session, if there is one that may write.
    csrf: Option<String>,
    /// By which a form that is sent twice is known.
    key: String,
    fields: Vec<Field>,
    /// In which style numbers are typed.
    decimal: &'static str,
    wrong: Vec<String>,
}

/// Which tube stands in the form already.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct PlainQuery {
    tube: Option<String>,
}

/// `GET /findings/plain`
pub(crate) async fn page(
    Shown(publisher): Shown,
    caller: Option<Extension<Caller>>,
    query: Result<Query<PlainQuery>, QueryRejection>,
) -> Response {
    let Query(PlainQuery { tube }) = query.unwrap_or_default();
    let now = publisher.clock.now();
    let at = now.to_zoned_datetime(publisher.site.zone.clone()).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string();
    let caller = caller.map(|Extension(caller)| caller);
    let secret = caller.as_ref().and_then(|caller| caller.csrf.as_deref()).unwrap_or_default();
    let digest = Sha256::digest(format!("{secret} {now} {}", tube.as_deref().unwrap_or_default()));
    let key = digest.iter().take(16).map(|byte| format!("{byte:02x}")).collect();
    let value = |name: &str| match name {
        "at" => at.clone(),
        "tube" => tube.clone().unwrap_or_default(),
        _ => String::new(),
    };
    let page = PlainPage::of(&publisher, caller.as_ref(), key, value, vec![]);
    // It carries the token of a session, and a key for this one entry.
    ([(header::CACHE_CONTROL, "no-store")], unframed(rendered(StatusCode::OK, &page))).into_response()
}

/// `POST /findings/plain`
pub(crate) async fn add(
    Shown(publisher): Shown,
    Extension(caller): Extension<Caller>,
    body: Result<Bytes, BytesRejection>,
) -> Response {
    let form = match whole(body) {
        Ok(body) => Form::read(&body),
        Err(problem) => return pages::refused(problem),
    };
    match added(&publisher, &caller, &form).await {
        Ok(id) => Redirect::to(&format!("/findings/{id}")).into_response(),
        Err(problem) => {
            let wrong = match problem.errors() {
                [] => vec![problem.detail().to_owned()],
                errors => errors.iter().map(|wrong| told(wrong, &publisher.site.voice)).collect(),
            };
            let value = |name: &str| form.get(name).to_owned();
            let page = PlainPage::of(&publisher, Some(&caller), form.get("key").to_owned(), value, wrong);
            let mut answer = unframed(rendered(problem.status(), &page));
            problem.mark(&mut answer);
            answer
        }
    }
}

/// The id of the finding that a form brought.
async fn added(publisher: &Publisher, caller: &Caller, form: &Form) -> Result<i64, Problem> {
    let now = publisher.clock.now();
    let tubes = tubes(publisher).await?;
    let finding = Held { site: &publisher.site, tubes: &tubes, now }.form(form)?;
    let key = Some(form.get("key")).filter(|key| key.len() == 32 && key.bytes().all(|byte| byte.is_ascii_hexdigit()));
    let added = publisher.ledger.add_findings(&[finding], key, &caller.by(now)).await?;
    if !added.repeated {
        publisher.written.notify_one();
    }
    added.ids.first().copied().ok_or_else(|| {
        let detail = "the finding was kept, but its number is not known; look at /findings".to_owned();
        Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "no_id", detail)
    })
}

impl PlainPage {
    fn of(
        publisher: &Publisher,
        caller: Option<&Caller>,
        key: String,
        value: impl Fn(&str) -> String,
        wrong: Vec<String>,
    ) -> Self {
        let asked = MEMBERS.iter().filter(|(name, _)| *name != "recorded_at");
        PlainPage {
            voice: publisher.site.voice.clone(),
            frame: Frame::of(publisher, &publisher.newest()),
            before_opening: standing::before_opening(&publisher.site.voice),
            flakes: standing::flakes(&publisher.site.voice),
            csrf: caller.filter(|caller| Need::Write.met_by(caller.role)).and_then(|caller| caller.csrf.clone()),
            key,
            decimal: publisher.site.voice.display.word("decimal"),
            fields: asked.map(|(name, _)| field(name, value(name), &publisher.site)).collect(),
            wrong,
        }
    }
}
