//! The configuration: read raw with unknown keys denied, checked once into the real one, every problem with its line.

mod access;
mod advice;
mod belief;
mod broker;
mod check;
mod data;
mod exposure;
mod files;
mod measure;
mod notify;
mod opening;
mod payload;
mod place;
mod raw;
mod secret;
mod suspicions;
mod text;
mod topics;
mod work;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use collector::{Mapping, Protocol, Tls};
use history::{ExposureSettings, Header, QualityCodes, WideColumn};
use jiff::SignedDuration;
use jiff::tz::TimeZone;
use ledger::Place;
use notifier::Way;
use plant::{AdviceKind, Grade, Measure, Signal, Status, Term, UnitId, WorkEffects, Zone};
use publisher::{Display, LongestInterval, Origin, ReadAccess};
use wear::{RidgeScale, Se};

pub use secret::file as credential_or_file;

use crate::advising::AdviceLimits;
use crate::args::Rows;
use crate::suspicion::DoubtLimits;

/// One thing that is wrong with a configuration.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}:{line}: {}{problem}", file.display(), if key.is_empty() { String::new() } else { format!("{key}: ") })]
pub struct Problem {
    /// The file.
    pub file: PathBuf,
    /// The line, counted from 1.
    pub line: usize,
    /// The key, dotted; empty if the file could not be read as a whole.
    pub key: String,
    /// What is wrong and what would be right.
    pub problem: String,
}

/// A configuration that holds together.
#[derive(Debug, Clone)]
pub struct Config {
    /// Name of the plant, for pages.
    pub site_name: String,
    /// How pages show numbers to who asked for nothing else.
    pub display: Display,
    /// The words of pages.
    pub text: publisher::Text,
    /// The keys of texts that its file leaves out, if there is one.
    pub text_missing: Vec<&'static str>,
    /// The plant's time zone.
    pub time_zone: TimeZone,
    /// Folder of everything that is kept.
    pub data: PathBuf,
    /// Where the record is kept.
    pub database: Place,
    /// How long readings of a signal are kept, days; those of others for ever.
    pub keep_days: BTreeMap<Signal, u32>,
    /// The plant's message broker.
    pub broker: Broker,
    /// Prefix of the topics that the service publishes.
    pub prefix: String,
    /// Where the pages are served.
    pub listen: SocketAddr,
    /// Where people reach the pages.
    pub address: Option<Origin>,
    /// Foreign dashboards that may frame pages and read what is published.
    pub frame_origins: Vec<Origin>,
    /// Who may read, and what a login is like.
    pub access: Access,
    /// What arrives under which topic.
    pub mappings: Vec<Mapping>,
    /// The units.
    pub units: BTreeSet<UnitId>,
    /// The plant's own longest interval between complete looks. It always wins.
    pub longest_interval: LongestInterval,
    /// When a chance raises advice.
    pub advice: AdviceLimits,
    /// Who is told of it.
    pub notify: Vec<Target>,
    /// What opening units at a stop takes.
    pub opening: publisher::Opening,
    /// The zones of a tube, from the drive end.
    pub zones: Vec<Zone>,
    /// What work does to a tube.
    pub effects: WorkEffects,
    /// From where on something is doubted.
    pub doubts: DoubtLimits,
    /// The surfaces that a register may name.
    pub surfaces: Vec<String>,
    /// How history files are read.
    pub files: Files,
    /// The historian's database, if it is read.
    pub historian: Option<Place>,
    /// When readings are doubted.
    pub belief: collector::Belief,
    /// How readings become exposures.
    pub exposure: ExposureSettings,
    /// How exposures become a risk.
    pub model: ModelConfig,
    /// How often scores are computed afresh.
    pub evaluate_every: SignedDuration,
    /// Age at which scores count as late.
    pub late_after: SignedDuration,
    /// How long after its end an hour is closed into Parquet.
    pub close_after: SignedDuration,
    /// Silence after which a unit's scores are `stale`.
    pub stale_after: SignedDuration,
    /// How long a part of the work may give no sign of life before who started the service is left to start it anew.
    pub hung_after: std::time::Duration,
}

/// How history files are read.
#[derive(Debug, Clone)]
pub struct Files {
    /// What their columns are called.
    pub header: Header,
    /// Columns and tags that are passed over.
    pub skip: BTreeSet<String>,
    /// Units of measure in which they speak.
    pub measures: BTreeMap<Signal, Measure>,
    /// What the columns of wide ones are.
    pub columns: BTreeMap<String, WideColumn>,
    /// Least and greatest number that a unit's signal can be.
    pub spans: BTreeMap<(UnitId, Signal), (f64, f64)>,
    /// What bare numbers in their quality column mean.
    pub quality_codes: Option<QualityCodes>,
    /// What words in it mean besides the known ones.
    pub quality_words: BTreeMap<String, Status>,
}

/// Who may read, and what a login is like. Writing always asks for a role.
#[derive(Debug, Clone, Copy)]
pub struct Access {
    /// Who may read. Not said, it is open, and pages are served on this machine only.
    pub reading: Option<ReadAccess>,
    /// People reach the service over https.
    pub https: bool,
    /// How long a login lasts.
    pub session_lasts: SignedDuration,
    /// Largest photo that is taken, bytes.
    pub photo_bytes: usize,
}

/// Somebody who is told when advice is raised.
#[derive(Debug, Clone)]
pub struct Target {
    /// Their name in the config.
    pub name: String,
    /// The way to them.
    pub way: Way,
    /// Of which kinds they are told.
    pub kinds: Vec<AdviceKind>,
    /// Whether they are told too when advice is cleared.
    pub cleared: bool,
    /// How long after a failed try the next one comes; it doubles with every further one.
    pub pause: SignedDuration,
    /// How long after it happened no other try is made.
    pub give_up_after: SignedDuration,
}

/// Where the plant's messages come from.
#[derive(Debug, Clone)]
pub struct Broker {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// Client id: the broker keeps the session under it.
    pub client_id: String,
    /// Which version of MQTT is spoken.
    pub protocol: Protocol,
    /// Whether and how the connection is encrypted.
    pub tls: Option<Tls>,
    /// User name and password, if the broker asks.
    pub login: Option<Login>,
    /// Keep-alive, s.
    pub keep_alive_s: u16,
    /// How many messages the broker sends before it waits for acknowledgements.
    pub window: u16,
    /// Largest message that is taken, bytes.
    pub max_message_bytes: usize,
    /// Whether Sparkplug nodes whose births were missed are sent a command to repeat them.
    pub ask_rebirth: bool,
    /// The name under which several collectors share what arrives.
    pub share: Option<String>,
}

/// A name and a password for the broker. The password is never shown.
#[derive(Clone)]
pub struct Login {
    /// User name.
    pub user: String,
    /// Password.
    pub password: String,
}

impl fmt::Debug for Login {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Login").field("user", &self.user).finish_non_exhaustive()
    }
}

/// The plant's belief of how long a surface lasts until a catch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Belief {
    /// One tube in ten has a catch by then, run hours.
    pub early_h: f64,
    /// Nine in ten have one by then, run hours.
    pub late_h: f64,
    /// How far off the belief may be: a factor, one standard deviation.
    pub spread: f64,
}

/// How exposures become a risk.
#[derive(Debug, Clone)]
pub struct ModelConfig {
    /// The grade whose risk is published.
    pub limit: Grade,
    /// Exposures that enter.
    pub terms: Vec<Term>,
    /// Ridge penalty on the coefficients, on which 1 means that dose adds linearly.
    pub ridge: f64,
    /// On which scale that penalty is.
    pub ridge_scale: RidgeScale,
    /// Which standard errors.
    pub se: Se,
    /// Rows of the tube's worst place, or of every station.
    pub rows: Rows,
    /// Penalty between the intercepts of successive grades.
    pub grade_ridge: f64,
    /// Shape of the hazard over the life's run hours.
    pub shape: f64,
    /// Horizons, run hours.
    pub horizons_h: Vec<f64>,
    /// Chance that a complete look reads the limit on a wall that has not reached it.
    pub misread: f64,
    /// Folds of the by-tube cross-validation.
    pub folds: usize,
    /// Whether a model is published without a person's approval.
    pub approve_automatically: bool,
    /// Belief for any surface.
    pub belief: Belief,
    /// Beliefs for single surfaces.
    pub beliefs: BTreeMap<String, Belief>,
    /// Run hours of a unit's recent operation that stand for the coming ones, h.
    pub recent_h: f64,
}

impl ModelConfig {
    /// The belief for a surface.
    pub fn belief_for(&self, surface: Option<&str>) -> Belief {
        surface.and_then(|surface| self.beliefs.get(surface)).copied().unwrap_or(self.belief)
    }
}

impl Config {
    /// Reads and checks a configuration file.
    ///
    /// # Errors
    /// Every [`Problem`] that was found, in order of line.
    pub fn read(path: &Path) -> Result<Config, Vec<Problem>> {
        check::read(path, false)
    }

    /// The same for somebody who looks for what to map: units of which no topic speaks yet are taken, and none at all.
    ///
    /// # Errors
    /// Every other [`Problem`].
    pub fn read_to_listen(path: &Path) -> Result<Config, Vec<Problem>> {
        check::read(path, true)
    }

    /// Checks what a file would hold, as [`Config::read`] does.
    ///
    /// # Errors
    /// Every [`Problem`] that was found, in order of line.
    pub fn hold(text: &str, path: &Path) -> Result<Config, Vec<Problem>> {
        check::hold(text, path, false)
    }

    /// The same as [`Config::read_to_listen`] does.
    ///
    /// # Errors
    /// Every other [`Problem`].
    pub fn hold_to_listen(text: &str, path: &Path) -> Result<Config, Vec<Problem>> {
        check::hold(text, path, true)
    }

    /// The folder of photos.
    pub fn photos(&self) -> PathBuf {
        self.data.join("photos")
    }
}

/// The example plant, for tests.
#[cfg(test)]
pub fn example() -> Config {
    Config::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/plant.toml")).expect("the example holds")
}
