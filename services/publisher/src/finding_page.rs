//! The page of one finding: what holds, what was said before and why it changed, and the forms to change it.

use askama::Template;
use axum::Extension;
use axum::body::Bytes;
use axum::extract::Path;
use axum::extract::rejection::{BytesRejection, PathRejection};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use jiff::Timestamp;
use ledger::{Photo, StoredFinding};
use plant::{ClockPosition, Finding, Grade, Kind, Method, Quantity, Reason};

use crate::caller::Caller;
use crate::corrections::{changed_since, why};
use crate::finding_body::{Held, MEMBERS};
use crate::finding_json::last_said;
use crate::findings::{stored, tubes, whole};
use crate::form::Form;
use crate::need::Need;
use crate::pages::{self, Frame, rendered, unframed};
use crate::problem::{Problem, Wrong};
use crate::shown::Shown;
use crate::{Publisher, Site, Voice, standing};

#[derive(Template)]
#[template(path = "finding.html")]
struct FindingPage {
    voice: Voice,
    frame: Frame,
    id: i64,
    /// The version that its forms have seen: one that was overtaken stays so, and overwrites nothing when sent again.
    seen: String,
    overtaken: bool,
    tube: String,
    /// What holds now, by name; empty if it was withdrawn.
    said: Vec<[String; 2]>,
    /// What asks to stop, if it does.
    asks_to_hold: bool,
    flakes: String,
    history: Vec<Version>,
    photos: Vec<Picture>,
    /// The token of the session, if there is one that may write.
    csrf: Option<String>,
    /// In which style numbers are typed.
    decimal: &'static str,
    /// Somebody is logged in.
    known: bool,
    fields: Vec<Field>,
    why: String,
    withdrawing: bool,
    wrong: Vec<String>,
}

#[derive(Debug)]
struct Version {
    version: i64,
    at: String,
    at_utc: Timestamp,
    who: String,
    why: String,
    /// What it said that the one before it did not, in words.
    said: String,
}

#[derive(Debug)]
struct Picture {
    url: String,
    name: String,
    by: String,
}

/// One field of the form: a text, or a choice if there are words for it.
#[derive(Debug)]
pub(crate) struct Field {
    pub name: &'static str,
    pub label: String,
    pub value: String,
    /// Word and meaning.
    pub choices: Vec<(String, String)>,
    pub needed: bool,
    pub long: bool,
}

/// What a form of this page sent, and why it was not taken.
struct Sent {
    form: Form,
    problem: Problem,
    withdrawing: bool,
}

type Id = Result<Path<String>, PathRejection>;

/// `GET /findings/{id}`
pub(crate) async fn page(Shown(publisher): Shown, caller: Option<Extension<Caller>>, id: Id) -> Response {
    let caller = caller.map(|Extension(caller)| caller);
    match stored(&publisher, id).await {
        Ok(found) => shown(&publisher, caller.as_ref(), &found, None).await,
        Err(problem) => pages::refused(problem),
    }
}

/// `POST /findings/{id}/correction`, from the form.
pub(crate) async fn correct(
    Shown(publisher): Shown,
    Extension(caller): Extension<Caller>,
    id: Id,
    body: Result<Bytes, BytesRejection>,
) -> Response {
    answered(&publisher, &caller, id, body, false).await
}

/// `POST /findings/{id}/withdrawal`, from the form.
pub(crate) async fn withdraw(
    Shown(publisher): Shown,
    Extension(caller): Extension<Caller>,
    id: Id,
    body: Result<Bytes, BytesRejection>,
) -> Response {
    answered(&publisher, &caller, id, body, true).await
}

async fn answered(
    publisher: &Publisher,
    caller: &Caller,
    id: Id,
    body: Result<Bytes, BytesRejection>,
    withdrawing: bool,
) -> Response {
    let found = match stored(publisher, id).await {
        Ok(found) => found,
        Err(problem) => return pages::refused(problem),
    };
    let form = match whole(body) {
        Ok(body) => Form::read(&body),
        Err(problem) => return pages::refused(problem),
    };
    match changed(publisher, caller, &found, &form, withdrawing).await {
        Ok(()) => {
            publisher.written.notify_one();
            Redirect::to(&format!("/findings/{}", found.id)).into_response()
        }
        Err(problem) => {
            let sent = Sent { form, problem, withdrawing };
            shown(publisher, Some(caller), &found, Some(sent)).await
        }
    }
}

async fn changed(
    publisher: &Publisher,
    caller: &Caller,
    found: &StoredFinding,
    form: &Form,
    withdrawing: bool,
) -> Result<(), Problem> {
    if form.get("version") != found.version.to_string() {
        return Err(changed_since(found.version));
    }
    let now = publisher.clock.now();
    let why = why(form.get("why"));
    if withdrawing {
        let why = why.map_err(|wrong| Problem::in_body("bad_withdrawal", vec![wrong]))?;
        return Ok(publisher.ledger.withdraw_finding(found.id, found.version, &why, &caller.by(now)).await?);
    }
    let tubes = tubes(publisher).await?;
    let finding = Held { site: &publisher.site, tubes: &tubes, now }.form(form);
    match (finding, why) {
        (Ok(finding), Ok(why)) => {
            Ok(publisher.ledger.correct_finding(found.id, found.version, finding, &why, &caller.by(now)).await?)
        }
        (finding, why) => {
            let mut wrong: Vec<Wrong> = finding.err().map(|bad| bad.errors().to_vec()).unwrap_or_default();
            wrong.extend(why.err());
            Err(Problem::in_body("bad_finding", wrong))
        }
    }
}

async fn shown(publisher: &Publisher, caller: Option<&Caller>, found: &StoredFinding, sent: Option<Sent>) -> Response {
    let photos = match publisher.ledger.photos(found.id).await {
        Ok(photos) => photos,
        Err(error) => return pages::refused(error.into()),
    };
    let status = sent.as_ref().map_or(StatusCode::OK, |sent| sent.problem.status());
    let page = FindingPage::of(publisher, caller, found, &photos, sent.as_ref());
    // It may carry the token of a session: no cache that others share keeps it.
    let private = [(header::CACHE_CONTROL, "private, no-cache")];
    let mut answer = (private, unframed(rendered(status, &page))).into_response();
    if let Some(sent) = sent {
        sent.problem.mark(&mut answer);
    }
    answer
}

impl FindingPage {
    fn of(
        publisher: &Publisher,
        caller: Option<&Caller>,
        found: &StoredFinding,
        photos: &[Photo],
        sent: Option<&Sent>,
    ) -> Self {
        let site = &publisher.site;
        let last = last_said(found);
        let value = |name: &str| match sent {
            Some(sent) if !sent.withdrawing => sent.form.get(name).to_owned(),
            _ => last.map(|finding| cell(finding, name, site)).unwrap_or_default(),
        };
        let wrong = sent.map(|sent| match sent.problem.errors() {
            [] => vec![sent.problem.detail().to_owned()],
            errors => errors.iter().map(|wrong| told(wrong, &site.voice)).collect(),
        });
        FindingPage {
            voice: publisher.site.voice.clone(),
            frame: Frame::of(publisher, &publisher.newest()),
            id: found.id,
            overtaken: sent.is_some_and(|sent| sent.form.get("version") != found.version.to_string()),
            seen: sent.map_or(found.version.to_string(), |sent| sent.form.get("version").to_owned()),
            tube: last.map(|finding| finding.tube.to_string()).unwrap_or_default(),
            said: found.finding.as_ref().map(|finding| said(finding, site)).unwrap_or_default(),
            asks_to_hold: found.finding.as_ref().is_some_and(Finding::asks_to_hold),
            flakes: standing::flakes(&site.voice),
            history: history(found, site),
            photos: photos.iter().map(|photo| picture(photo, site)).collect(),
            csrf: caller.filter(|caller| Need::Write.met_by(caller.role)).and_then(|caller| caller.csrf.clone()),
            decimal: site.voice.display.word("decimal"),
            known: caller.is_some(),
            fields: MEMBERS.iter().map(|(name, _)| field(name, value(name), site)).collect(),
            why: sent.map(|sent| sent.form.get("why").to_owned()).unwrap_or_default(),
            withdrawing: sent.is_some_and(|sent| sent.withdrawing),
            wrong: wrong.unwrap_or_default(),
        }
    }
}

fn picture(photo: &Photo, site: &Site) -> Picture {
    let by = format!("{}, {}", photo.added_by, site.minute(photo.added_at));
    Picture { url: format!("/photos/{}", photo.id), name: photo.name.clone(), by }
}

/// Every version, the oldest first, each with what it says otherwise than the one before.
fn history(found: &StoredFinding, site: &Site) -> Vec<Version> {
    let voice = &site.voice;
    let mut before: Vec<[String; 2]> = Vec::new();
    let mut versions = Vec::new();
    for change in &found.changed {
        let now = change.finding.as_ref().map(|finding| said(finding, site)).unwrap_or_default();
        let differs = |pair: &&[String; 2]| !before.contains(pair);
        let mut words: Vec<String> =
            now.iter().filter(differs).map(|[name, value]| format!("{name}: {value}")).collect();
        let gone = before.iter().filter(|[name, _]| !now.iter().any(|[other, _]| other == name));
        words.extend(gone.map(|[name, _]| voice.tell("finding-no-longer", &[("name", &name)])));
        let said = match &change.finding {
            None => voice.say("word-withdrawn"),
            Some(_) if words.is_empty() => voice.say("finding-same"),
            Some(_) => words.join("; "),
        };
        versions.push(Version {
            version: change.version,
            at: site.minute(change.at),
            at_utc: change.at,
            who: change.who.clone(),
            why: change.why.clone().unwrap_or_default(),
            said,
        });
        if change.finding.is_some() {
            before = now;
        }
    }
    versions
}

/// What a finding says, label by label.
fn said(finding: &Finding, site: &Site) -> Vec<[String; 2]> {
    let told = |(name, _): &(&'static str, _)| {
        let voice = &site.voice;
        let value = match *name {
            "depth_um" => {
                let measure = voice.display.measure(Quantity::Depth);
                let shown = |depth: f64| match measure.name() {
                    "µm" => voice.exact(depth),
                    _ => voice.decimal(measure.from_house(depth), 3),
                };
                let depth = finding.depth_um.map(shown).unwrap_or_default();
                return [voice.tell("finding-depth", &[("unit", &measure.name())]), depth];
            }
            "run_h" => finding.run_h.map(|hours| voice.exact(hours)).unwrap_or_default(),
            "at" => site.minute(finding.at),
            "recorded_at" => finding.recorded_at.map(|at| site.minute(at)).unwrap_or_default(),
            "grade" => format!("{} ({})", finding.grade, voice.meaning_of(finding.grade)),
            "kind" => finding.kind.map(|kind| voice.kind(kind)).unwrap_or_default(),
            "method" => finding.method.map(|method| voice.method(method)).unwrap_or_default(),
            "reason" => finding.reason.map(|reason| voice.reason(reason)).unwrap_or_default(),
            name => cell(finding, name, site),
        };
        [label(name, voice), value]
    };
    MEMBERS.iter().map(told).filter(|[_, value]| !value.is_empty()).collect()
}

/// A value as it stands in a field of the form.
fn cell(finding: &Finding, name: &str, site: &Site) -> String {
    let time = |at: Timestamp| at.to_zoned_datetime(site.zone.clone()).strftime("%Y-%m-%dT%H:%M:%S%.f%:z").to_string();
    let typed = |number| site.voice.typed(number);
    match name {
        "at" => Some(time(finding.at)),
        "tube" => Some(finding.tube.to_string()),
        "grade" => Some(finding.grade.to_string()),
        "zone" => finding.zone.as_ref().map(|zone| zone.0.clone()),
        "clock" => finding.clock.map(|clock| clock.to_string()),
        "method" => finding.method.map(|method| method.to_string()),
        "kind" => finding.kind.map(|kind| kind.to_string()),
        "depth_um" => finding.depth_um.map(typed),
        "reason" => finding.reason.map(|reason| reason.to_string()),
        "inspector" => finding.inspector.clone(),
        "run_h" => finding.run_h.map(typed),
        "recorded_at" => finding.recorded_at.map(time),
        "note" => finding.note.clone(),
        _ => None,
    }
    .unwrap_or_default()
}

fn label(name: &str, voice: &Voice) -> String {
    match name {
        "at" => voice.say("finding-at"),
        "tube" => voice.say("finding-tube-label"),
        "grade" => voice.say("finding-grade-label"),
        "zone" => voice.say("finding-zone"),
        "clock" => voice.say("finding-clock"),
        "method" => voice.say("finding-method"),
        "kind" => voice.say("finding-kind"),
        "depth_um" => voice.tell("finding-depth", &[("unit", &"µm")]),
        "reason" => voice.say("finding-reason"),
        "inspector" => voice.say("finding-inspector"),
        "run_h" => voice.say("finding-run-h"),
        "recorded_at" => voice.say("finding-recorded-at"),
        "note" => voice.say("finding-note"),
        "why" => voice.say("finding-why"),
        _ => voice.say("finding-form"),
    }
}

/// What is wrong, by the label of its field.
pub(crate) fn told(wrong: &Wrong, voice: &Voice) -> String {
    format!("{}: {}", label(wrong.pointer.trim_start_matches("#/"), voice), wrong.detail)
}

/// A field of the form by its name, as it stands.
pub(crate) fn field(name: &'static str, value: String, site: &Site) -> Field {
    let voice = &site.voice;
    let choices = match name {
        "grade" => (0..=4u8)
            .filter_map(|number| Grade::try_from(number).ok())
            .map(|grade| (grade.to_string(), format!("{grade} – {}", voice.meaning_of(grade))))
            .collect(),
        "zone" => choices(site.zones.iter().map(|zone| (&zone.0, zone.0.clone()))),
        "clock" => choices(ClockPosition::ALL.iter().map(|clock| (clock, clock.to_string()))),
        "method" => choices(Method::ALL.iter().map(|method| (method, voice.method(*method)))),
        "kind" => choices(Kind::ALL.iter().map(|kind| (kind, voice.kind(*kind)))),
        "reason" => choices(Reason::ALL.iter().map(|reason| (reason, voice.reason(*reason)))),
        _ => Vec::new(),
    };
    let needed = matches!(name, "at" | "tube" | "grade");
    Field { name, label: label(name, voice), value, choices, needed, long: name == "note" }
}

/// Words to choose from, each with how it reads.
fn choices<W: ToString>(words: impl Iterator<Item = (W, String)>) -> Vec<(String, String)> {
    words.map(|(word, reads)| (word.to_string(), reads)).collect()
}
