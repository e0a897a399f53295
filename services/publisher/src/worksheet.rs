//! The work sheet: one page per unit to open, for the hand of who opens it. Cautions come first.

use std::net::IpAddr;

use askama::Template;
use axum::extract::Path;
use axum::extract::rejection::PathRejection;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::Response;
use plant::{Measure, Quantity, Score, UnitId};

use crate::api::shortened;
use crate::chance::{Chance, chances};
use crate::look_first::{Spot, look_first};
use crate::pages::{Frame, refused, rendered};
use crate::problem::Problem;
use crate::short_code::{ShortCode, short_code};
use crate::shown::Shown;
use crate::wall::{Wall, wall};
use crate::{Interval, Site, Snapshot, TubeDetail, Voice, advice, board, pages, standing};

/// What is dangerous in opening such a unit, in the order in which it is met (common practice, no source). The plant's
/// procedures and codes say what is to be done about each.
fn cautions(voice: &Voice) -> [[String; 2]; 8] {
    [
        [voice.say("caution-start-name"), voice.say("caution-start")],
        [voice.say("caution-energy-name"), voice.say("caution-energy")],
        [voice.say("caution-refrigerant-name"), voice.say("caution-refrigerant")],
        [voice.say("caution-chemicals-name"), voice.say("caution-chemicals")],
        [voice.say("caution-lifting-name"), voice.say("caution-lifting")],
        [voice.say("caution-edges-name"), voice.say("caution-edges")],
        [voice.say("caution-hands-name"), voice.say("caution-hands")],
        [voice.say("caution-wall-name"), voice.say("caution-wall")],
    ]
}

/// Torques of which the other unit stands on the sheet, N·m: those that heads and unions usually take (common practice,
/// no source). The maker's manual says which one.
const TORQUES_NM: [f64; 8] = [10.0, 20.0, 40.0, 60.0, 80.0, 100.0, 150.0, 200.0];

#[derive(Template)]
#[template(path = "worksheet.html")]
struct WorkSheet<'a> {
    voice: Voice,
    site: &'a str,
    version: &'a str,
    style: Option<&'static str>,
    unit: &'a str,
    as_known: String,
    before_opening: String,
    flakes: String,
    cautions: [[String; 2]; 8],
    limit: String,
    held: bool,
    why: String,
    state: String,
    chances: Vec<Chance>,
    wore: Vec<String>,
    interval: String,
    last_look: Vec<String>,
    tube: Option<&'a str>,
    facts: Vec<[String; 2]>,
    first: Vec<Spot>,
    wall: Option<Wall>,
    torques: Vec<[String; 3]>,
    /// What a mil is.
    mil: String,
    address: String,
    /// The address leads to the machine that the service runs on, and no phone gets there.
    loopback: bool,
    code: Option<ShortCode>,
}

/// `GET /units/{unit}/worksheet`
pub(crate) async fn page(
    Shown(publisher): Shown,
    unit: Result<Path<String>, PathRejection>,
    headers: HeaderMap,
) -> Response {
    let Path(unit) = match unit {
        Ok(unit) => unit,
        Err(error) => return refused(Problem::new(StatusCode::BAD_REQUEST, "bad_path", error.body_text())),
    };
    let (site, snapshot) = (&publisher.site, publisher.newest());
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok()).unwrap_or("localhost");
    let origin = format!("{}://{host}", if site.https { "https" } else { "http" });
    let Some(score) = snapshot.scores.iter().find(|score| score.unit.as_ref().is_some_and(|own| own.as_str() == unit))
    else {
        let why = format!("No unit {:?} is known, or none has been evaluated yet.", shortened(&unit));
        return refused(Problem::new(StatusCode::NOT_FOUND, "unknown_unit", why));
    };
    let frame = Frame::of(&publisher, &snapshot);
    rendered(StatusCode::OK, &WorkSheet::of(score, &unit, &snapshot, site, &frame.as_known, &origin, None))
}

/// The work sheet of a unit as one file that needs nothing beside it; `None` if the unit is not known. `origin` is where
/// people reach the service, such as `http://groovecast.plant.example`.
pub fn worksheet_file(snapshot: &Snapshot, site: &Site, unit: &UnitId, origin: &str) -> Option<String> {
    let score = snapshot.scores.iter().find(|score| score.unit.as_ref() == Some(unit))?;
    let as_known = site.minute(snapshot.at);
    let sheet = WorkSheet::of(score, unit.as_str(), snapshot, site, &as_known, origin, Some(pages::STYLE));
    match sheet.render() {
        Ok(html) => Some(html),
        Err(error) => {
            tracing::error!(%error, "a work sheet could not be rendered");
            None
        }
    }
}

impl<'a> WorkSheet<'a> {
    fn of(
        score: &'a Score,
        unit: &'a str,
        snapshot: &'a Snapshot,
        site: &'a Site,
        as_known: &str,
        origin: &str,
        style: Option<&'static str>,
    ) -> WorkSheet<'a> {
        let detail = score.tube.as_ref().and_then(|tube| snapshot.tubes.get(tube));
        let (interval, voice) = (Interval::of(score, snapshot, site), &site.voice);
        let origin = site.address.as_deref().unwrap_or(origin);
        let query: String = form_urlencoded::Serializer::new(String::new()).append_pair("unit", unit).finish();
        let address = format!("{origin}/findings/new?{query}");
        WorkSheet {
            voice: voice.clone(),
            site: &site.name,
            version: &site.version,
            style,
            unit,
            as_known: as_known.to_owned(),
            before_opening: standing::before_opening(voice),
            flakes: standing::flakes(voice),
            cautions: cautions(voice),
            limit: site.limit_words(),
            held: score.hold_and_assess,
            why: advice::advice(score, &interval, site),
            state: format!(
                "{} ({})",
                standing::short(score, voice),
                standing::reason(score, voice).trim_end_matches('.')
            ),
            chances: if score.state == plant::State::Reached { vec![] } else { chances(score, &site.voice) },
            wore: board::wore(score, &site.voice),
            interval: interval.words(site).join(", "),
            last_look: board::look(score, site),
            tube: score.tube.as_ref().map(|tube| tube.as_str()),
            facts: detail.map(|detail| facts(detail, &site.voice)).unwrap_or_default(),
            first: detail.map(|detail| look_first(detail, site)).unwrap_or_default(),
            wall: detail.map(|detail| wall(detail, site)),
            torques: TORQUES_NM.map(|torque_nm| both_torques(torque_nm, &site.voice)).into(),
            mil: voice.tell("worksheet-mil", &[("um", &voice.exact(25.4)), ("inch", &voice.exact(0.001))]),
            code: short_code(&address),
            loopback: is_loopback(origin),
            address,
        }
    }
}

/// Whether an origin is the machine itself, by a loopback address (RFC 1122, 3.2.1.3; RFC 4291, 2.5.3) or its name (RFC 6761, 6.3).
fn is_loopback(origin: &str) -> bool {
    let host = origin.split_once("://").map_or(origin, |(_, host)| host);
    let name = match host.strip_prefix('[') {
        Some(v6) => v6.split(']').next(),
        None => host.split([':', '/']).next(),
    };
    let name = name.unwrap_or_default();
    name == "localhost" || name.ends_with(".localhost") || name.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// A torque in N·m, lbf·in and lbf·ft.
fn both_torques(torque_nm: f64, voice: &Voice) -> [String; 3] {
    let told = |unit: &str| {
        Measure::parse(unit, Quantity::Torque).map_or("–".to_owned(), |unit| voice.number(unit.from_house(torque_nm)))
    };
    [voice.number(torque_nm), told("lbf·in"), told("lbf·ft")]
}

/// What the register says of a tube, in both systems.
fn facts(detail: &TubeDetail, voice: &Voice) -> Vec<[String; 2]> {
    let tube = &detail.tube;
    let told = |unit: &str, quantity, value: f64, digits| {
        let measure = Measure::parse(unit, quantity);
        measure.map_or("–".to_owned(), |measure| voice.decimal(measure.from_house(value), digits))
    };
    let length = |name: String, mm: Option<f64>| {
        mm.map(|mm| {
            let inches = told("in", Quantity::Length, mm, 3);
            [name, format!("{}\u{a0}mm = {inches}\u{a0}in", voice.decimal(mm, 1))]
        })
    };
    let thin = |name: String, um: Option<f64>| {
        um.map(|um| {
            let mil = told("mil", Quantity::Depth, um, 2);
            let (um, thousandth) = (voice.decimal(um, 0), voice.exact(0.001));
            [name, format!("{um}\u{a0}µm = {mil}\u{a0}mil ({thousandth}\u{a0}in)")]
        })
    };
    [
        Some([voice.say("fact-surface"), voice.surface(&tube.surface)]),
        length(voice.say("fact-bore"), tube.bore_mm),
        length(voice.say("fact-length"), tube.length_mm),
        thin(voice.say("fact-plating-new"), tube.plating_um),
        thin(voice.say("fact-plating-left"), detail.plating.map(|plating| plating.left_um)),
        detail.surface_h.map(|run_h| [voice.say("fact-surface-run"), voice.hours(run_h)]),
    ]
    .into_iter()
    .flatten()
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_link_to_the_machine_itself_is_known() {
        for own in ["http://127.0.0.1:8080", "http://localhost", "https://[::1]:443", "http://127.9.9.9"] {
            assert!(is_loopback(own), "{own}");
        }
        for other in [
            "http://10.0.0.7:8080",
            "http://groovecast.plant.example",
            "http://[2001:db8::1]",
            "http://localhost.example",
        ] {
            assert!(!is_loopback(other), "{other}");
        }
    }

    #[test]
    fn torques_stand_in_both_systems() {
        // lbf = 4.4482216152605 N, in = 0.0254 m, ft = 0.3048 m (NIST SP 811, appendix B): 100 N·m / 0.1129848290276 =
        // 885.07 lbf·in; / 1.3558179483314 = 73.76 lbf·ft.
        assert_eq!(both_torques(100.0, &Voice::default()), ["100", "885", "74"]);
        assert_eq!(both_torques(10.0, &Voice::default()), ["10", "89", "7.4"]);
    }
}
