//! From the raw configuration to one that holds together, with every problem's line.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Display;
use std::path::Path;
use std::time::Duration;

use collector::Payload;
use jiff::SignedDuration;
use jiff::tz::TimeZone;
use plant::{Bands, Grade, Measure, Signal, Term, UnitId, Zone};
use publisher::{LongestInterval, Origin};
use wear::{RidgeScale, Se};

use crate::args::Rows;

use super::place::{Place, line_of};
use super::raw::{self, Raw};
use super::{
    Belief, Config, ModelConfig, Problem, access, advice, belief, broker, data, exposure, files, notify, opening,
    suspicions, text, topics, work,
};

/// Reads and checks a configuration file; see [`Config::read`]. To listen, units need not be mapped yet.
pub fn read(path: &Path, to_listen: bool) -> Result<Config, Vec<Problem>> {
    match std::fs::read_to_string(path) {
        Ok(text) => hold(&text, path, to_listen),
        Err(error) => Err(vec![problem(path, 1, "", format!("cannot be read: {error}"))]),
    }
}

/// The same for what a file would hold.
pub fn hold(text: &str, path: &Path, to_listen: bool) -> Result<Config, Vec<Problem>> {
    let raw: Raw = match toml::from_str(text) {
        Ok(raw) => raw,
        Err(error) => {
            let byte = error.span().map_or(0, |span| span.start);
            return Err(vec![problem(path, line_of(text, byte), Place::of_byte(text, byte), error.message())]);
        }
    };
    let mut checker = Checker { text, path, to_listen, problems: Vec::new() };
    let config = checker.config(raw);
    checker.problems.sort_by_key(|problem| problem.line);
    checker.problems.dedup();
    match config {
        Some(config) if checker.problems.is_empty() => Ok(config),
        _ => Err(checker.problems),
    }
}

fn problem(file: &Path, line: usize, key: impl Display, problem: impl Display) -> Problem {
    Problem { file: file.to_owned(), line, key: key.to_string(), problem: problem.to_string() }
}

/// Collects problems while the configuration is taken.
pub struct Checker<'a> {
    text: &'a str,
    path: &'a Path,
    /// Units need not be mapped yet.
    pub to_listen: bool,
    problems: Vec<Problem>,
}

impl Checker<'_> {
    /// Notes a problem with the value at a place.
    pub fn refuse(&mut self, place: &Place, what: impl Display) {
        self.problems.push(problem(self.path, place.line(self.text), place, what));
    }

    /// Notes a problem in another file that the configuration names.
    pub fn refuse_in(&mut self, file: &Path, line: usize, key: &str, what: &str) {
        self.problems.push(problem(file, line, key, what));
    }

    /// Whether nothing was wrong so far.
    pub fn is_content(&self) -> bool {
        self.problems.is_empty()
    }

    /// Where a key of a unit stands: with the unit, or else among the defaults.
    pub fn unit_key(&self, unit: &UnitId, key: &str) -> Place {
        let own = Place::default().key("units").key(unit.as_str()).key(key);
        let shared = Place::default().key("unit_defaults").key(key);
        if !own.stands_in(self.text) && shared.stands_in(self.text) { shared } else { own }
    }

    /// The value, or its error noted.
    pub fn take<T, E: Display>(&mut self, place: &Place, value: Result<T, E>) -> Option<T> {
        value.map_err(|error| self.refuse(place, error)).ok()
    }

    /// A number within its range, both ends included.
    pub fn within(&mut self, place: &Place, value: f64, least: f64, most: f64, unit: &str) -> f64 {
        if !(value >= least && value <= most) {
            self.refuse(place, format!("{value} {unit} is out of range; right would be {least} to {most} {unit}"));
        }
        value
    }

    /// An optional number within its range.
    pub fn maybe_within(&mut self, place: &Place, value: Option<f64>, range: (f64, f64), unit: &str) -> Option<f64> {
        value.map(|value| self.within(place, value, range.0, range.1, unit))
    }

    fn ascending(&mut self, place: &Place, values: &[f64]) {
        if values.windows(2).any(|pair| pair[0] >= pair[1]) || values.iter().any(|value| !value.is_finite()) {
            self.refuse(
                place,
                format!("{values:?} is not ascending; each value must be larger than the one before it"),
            );
        }
    }

    fn config(&mut self, raw: Raw) -> Option<Config> {
        let root = Place::default();
        let (site, http, service) = (root.key("site"), root.key("http"), root.key("service"));
        let folder = self.path.parent().unwrap_or(Path::new(".")).to_owned();
        let time_zone = self.take(
            &site.key("time_zone"),
            TimeZone::get(&raw.site.time_zone)
                .map_err(|error| format!("{error}; right would be an IANA name such as Europe/Amsterdam")),
        );
        let listen = self.take(
            &http.key("listen"),
            raw.http
                .listen
                .parse()
                .map_err(|_| format!("{:?} is no address; right would be 127.0.0.1:8080", raw.http.listen)),
        );
        let beyond = listen.is_some_and(|listen: std::net::SocketAddr| !listen.ip().is_loopback());
        let access = access::access(self, &raw.access, beyond, &root.key("access"));
        let frame_origins = raw
            .http
            .frame_origins
            .iter()
            .enumerate()
            .filter_map(|(position, origin)| {
                self.take(&http.key("frame_origins").at(position), origin.parse::<Origin>())
            })
            .collect();
        let address =
            raw.http.address.as_ref().and_then(|address| self.take(&http.key("address"), address.parse::<Origin>()));
        let broker = broker::broker(self, &raw.broker, &folder, &root.key("broker"));
        let longest_interval = LongestInterval {
            run_h: self.maybe_within(
                &site.key("longest_interval_run_h"),
                raw.site.longest_interval_run_h,
                (1.0, 1e5),
                "h",
            ),
            days: raw.site.longest_interval_days,
        };
        let mut display = publisher::Display::default();
        for (key, word) in &raw.site.display {
            display = self.take(&site.key("display").key(key), display.with(key, word)).unwrap_or(display);
        }
        let (text, text_missing) = text::text(self, raw.site.text.as_deref(), &folder, &site.key("text"));
        let prefix = raw.broker.prefix.clone();
        if prefix.is_empty() || prefix.starts_with(['/', '$']) || prefix.ends_with('/') || prefix.contains(['+', '#']) {
            self.refuse(
                &root.key("broker").key("prefix"),
                format!("{prefix:?} cannot begin our topics; right would be groovecast or site/groovecast"),
            );
        }
        let ids = self.unit_ids(raw.units.keys(), &root.key("units"));
        let mappings = topics::mappings(self, &raw.topics, &ids, &root.key("topics"));
        if broker.as_ref().is_some_and(|broker| broker.share.is_some()) {
            let shareable = |payload: &Payload| !matches!(payload, Payload::Sparkplug { .. });
            if !mappings.iter().all(|mapping| shareable(&mapping.payload)) {
                let problem = "Sparkplug cannot be shared: births, data and deaths of a node must reach the same collector; leave \
                               this out, or give Sparkplug nodes a configuration of their own";
                self.refuse(&root.key("broker").key("share"), problem);
            }
        }
        let surfaces: Vec<String> = ["hard_chrome", "stainless", "nitrided", "other"]
            .map(str::to_owned)
            .into_iter()
            .chain(raw.record.surfaces.clone())
            .collect();
        let zones = self.zones(&raw.record.zones, &root.key("record").key("zones"));
        let files = files::files(self, &raw.files, &mappings, &ids, &root.key("files"));
        let historian =
            raw.historian.as_ref().and_then(|raw| data::historian(self, raw, &folder, &root.key("historian")));
        let bands = self.bands(&raw.exposure, &root.key("exposure"));
        let merged: BTreeMap<UnitId, raw::Unit> = raw
            .units
            .into_iter()
            .filter_map(|(name, unit)| Some((UnitId::new(&name).ok()?, unit.or(&raw.unit_defaults))))
            .collect();
        let exposure = exposure::settings(self, &merged, (&mappings, &files), bands, &raw.exposure, &root);
        let belief = exposure.as_ref().map(|exposure| belief::belief(self, &raw.belief, exposure, &root.key("belief")));
        let model = self.model(&raw.model, &root.key("model"));
        let effects = work::effects(self, &raw.work, model.as_ref().map(|model| model.limit), &root.key("work"));
        let advice = advice::limits(self, &raw.advice, &raw.model.horizons_h, &root.key("advice"));
        let notify = notify::targets(self, &raw.notify, raw.mail.as_ref(), &folder, &root);
        let zone = time_zone.clone().unwrap_or(TimeZone::UTC);
        let opening = opening::opening(self, &raw.opening, &zone, &root.key("opening"));
        let doubts = suspicions::limits(self, &raw.suspicions, &root.key("suspicions"));
        let data = folder.join(&raw.site.data);
        let database = data::database(self, &raw.data, &data, &folder, &root.key("data"));
        let keep_days = data::keep_days(self, &raw.data.keep_days, &root.key("data").key("keep_days"));
        for surface in raw.model.surface_priors.keys().filter(|surface| !surfaces.contains(*surface)) {
            let place = root.key("model").key("surface_priors").key(surface);
            self.refuse(&place, format!("{surface:?} is no known surface; known are {}", surfaces.join(", ")));
        }
        let every =
            self.within(&service.key("evaluate_every_s"), raw.service.evaluate_every_s as f64, 1.0, 3600.0, "s");
        let close =
            self.within(&service.key("close_after_min"), raw.service.close_after_min as f64, 1.0, 1440.0, "min");
        let stale = self.within(&service.key("stale_after_h"), raw.service.stale_after_h, 0.1, 8760.0, "h");
        let hung = self.within(&service.key("hung_after_min"), raw.service.hung_after_min, 0.1, 1440.0, "min");
        Some(Config {
            site_name: raw.site.name,
            display,
            text,
            text_missing,
            time_zone: time_zone?,
            data,
            database: database?,
            keep_days,
            broker: broker?,
            prefix,
            listen: listen?,
            address,
            frame_origins,
            access,
            mappings,
            units: ids,
            longest_interval,
            advice,
            notify,
            opening,
            zones,
            effects,
            doubts,
            surfaces,
            files,
            historian,
            belief: belief?,
            exposure: exposure?,
            model: model?,
            evaluate_every: SignedDuration::from_secs(every as i64),
            late_after: SignedDuration::from_secs(every as i64 * 4 + 60),
            close_after: SignedDuration::from_secs(close as i64 * 60),
            stale_after: SignedDuration::from_secs((stale * 3600.0) as i64),
            // A number that is out of range was refused above.
            hung_after: Duration::try_from_secs_f64(hung * 60.0).unwrap_or_default(),
        })
    }

    fn unit_ids<'k>(&mut self, names: impl Iterator<Item = &'k String>, place: &Place) -> BTreeSet<UnitId> {
        let ids: BTreeSet<UnitId> = names.filter_map(|name| self.take(&place.key(name), UnitId::new(name))).collect();
        if ids.is_empty() && !self.to_listen {
            self.refuse(place, "there is no unit; right would be a table [units.NAME] for each heat exchanger");
        }
        ids
    }

    fn zones(&mut self, names: &[String], place: &Place) -> Vec<Zone> {
        let distinct: BTreeSet<&String> = names.iter().collect();
        if names.is_empty() || distinct.len() < names.len() || names.iter().any(|name| name.trim().is_empty()) {
            self.refuse(
                place,
                format!("{names:?} are no zones; right would be different names in order from the drive end"),
            );
        }
        names.iter().cloned().map(Zone).collect()
    }

    /// A unit of measure for a signal.
    pub fn measure(&mut self, place: &Place, signal: Signal, text: &str) -> Option<Measure> {
        match signal.quantity() {
            Some(quantity) => self.take(place, Measure::parse(text, quantity)),
            None => {
                self.refuse(place, format!("{signal} is a word and has no unit of measure; leave this key out"));
                None
            }
        }
    }

    fn bands(&mut self, raw: &raw::Exposure, place: &Place) -> Bands {
        self.ascending(&place.key("torque_bands_nm"), &raw.torque_bands_nm);
        self.ascending(&place.key("temp_bands_degc"), &raw.temp_bands_degc);
        Bands { torque_nm: raw.torque_bands_nm.clone(), temp_degc: raw.temp_bands_degc.clone() }
    }

    fn model(&mut self, raw: &raw::Model, place: &Place) -> Option<ModelConfig> {
        let limit = Grade::try_from(raw.limit).ok().filter(|limit| *limit > Grade::SMOOTH);
        if limit.is_none() {
            self.refuse(&place.key("limit"), format!("{} is no limit; right would be a grade from 1 to 4", raw.limit));
        }
        let terms: Vec<Term> = raw
            .terms
            .iter()
            .enumerate()
            .filter_map(|(position, name)| self.term(&place.key("terms").at(position), name))
            .collect();
        if let Some(position) = (0..terms.len()).find(|position| terms[..*position].contains(&terms[*position])) {
            self.refuse(&place.key("terms").at(position), format!("{} stands here twice", terms[position]));
        }
        self.ascending(&place.key("horizons_h"), &raw.horizons_h);
        for (position, horizon_h) in raw.horizons_h.iter().enumerate() {
            self.within(&place.key("horizons_h").at(position), *horizon_h, 1.0, 20_000.0, "h");
        }
        let approve_automatically = match raw.approve.as_str() {
            "automatic" => true,
            "by_person" => false,
            other => {
                self.refuse(&place.key("approve"), format!("{other:?} is neither \"by_person\" nor \"automatic\""));
                false
            }
        };
        let belief = self.belief(&raw.prior, &place.key("prior"));
        let priors = place.key("surface_priors");
        let beliefs = raw
            .surface_priors
            .iter()
            .map(|(surface, prior)| (surface.clone(), self.belief(prior, &priors.key(surface))))
            .collect();
        Some(ModelConfig {
            limit: limit?,
            terms,
            ridge: self.within(&place.key("ridge"), raw.ridge, 0.0, 1e6, ""),
            ridge_scale: RidgeScale::Raw,
            se: Se::Observed,
            rows: Rows::Worst,
            grade_ridge: self.within(&place.key("grade_ridge"), raw.grade_ridge, 0.0, 1e6, ""),
            shape: self.within(&place.key("shape"), raw.shape, 0.2, 5.0, ""),
            horizons_h: raw.horizons_h.clone(),
            misread: self.within(&place.key("misread"), raw.misread, 0.0, 0.2, ""),
            folds: self.within(&place.key("folds"), raw.folds as f64, 2.0, 50.0, "") as usize,
            approve_automatically,
            belief,
            beliefs,
            recent_h: self.within(&place.key("recent_h"), raw.recent_h, 10.0, 10_000.0, "h"),
        })
    }

    fn term(&mut self, place: &Place, name: &str) -> Option<Term> {
        let term: Term = self.take(place, name.parse())?;
        if matches!(term, Term::RunH | Term::BlindH) {
            self.refuse(place, format!("{term} is in every model by itself; leave it out"));
            return None;
        }
        Some(term)
    }

    fn belief(&mut self, raw: &raw::Prior, place: &Place) -> Belief {
        self.within(&place.key("early_h"), raw.early_h, 1.0, 1e6, "h");
        self.within(&place.key("late_h"), raw.late_h, 1.0, 1e6, "h");
        self.within(&place.key("spread"), raw.spread, 1.0, 10.0, "");
        if raw.late_h <= raw.early_h {
            self.refuse(place, format!("late_h = {} h is not after early_h = {} h", raw.late_h, raw.early_h));
        }
        Belief { early_h: raw.early_h, late_h: raw.late_h, spread: raw.spread }
    }
}

#[cfg(test)]
mod tests;
