//! What the service knows at an instant, as it is published.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;
use plant::{
    Advice, Aside, Campaign, Exposure, Fault, Finding, Fitting, Life, Look, Plating, Score, Signal, SignalReport,
    Suspicions, Tube, TubeId, UnitId, UnmappedTopic, Work,
};
use serde::Serialize;

use crate::{ModelEntry, ProductPaces, ReaderAgreement, Telling, TrackRecord, WearMap};

/// For what share of time a signal was known: while a usable reading speaks, and not beyond its hold.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct KnownShare {
    /// Of the last 24 hours, 0 to 1.
    pub day: f64,
    /// Of the last 7 days, 0 to 1.
    pub week: f64,
}

impl Snapshot {
    /// For what share of time a signal was known; `None` before that was looked at first.
    pub(crate) fn known_share(&self, signal: &SignalReport) -> Option<KnownShare> {
        if self.known.is_empty() {
            return None;
        }
        let never = KnownShare { day: 0.0, week: 0.0 };
        Some(self.known.get(&(signal.unit.clone(), signal.signal)).copied().unwrap_or(never))
    }
}

/// Everything that pages, API and messages say, as known at one instant.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Snapshot {
    /// As known when.
    pub at: Timestamp,
    /// When the scores were last evaluated; `None` before the first time.
    pub evaluated_at: Option<Timestamp>,
    /// One score per tube, and one per unit in which no tube is fitted. Any order.
    pub scores: Vec<Score>,
    /// The tubes of the register.
    pub tubes: BTreeMap<TubeId, TubeDetail>,
    /// The models of the ledger. Any order.
    pub models: Vec<ModelEntry>,
    /// What the newest proposed model says beside the approved one; `None` without one.
    pub trial: Option<Arc<Trial>>,
    /// How fast tubes wear by torque band and temperature band; `None` if the model reads no exposures.
    pub wear_map: Option<Arc<WearMap>>,
    /// How fast each unit wears with each product.
    pub product_paces: Arc<ProductPaces>,
    /// How published chances did.
    pub track: Arc<TrackRecord>,
    /// Looks that were ever set aside, in the order in which that was done.
    pub asides: Vec<Aside>,
    /// Production runs, past and planned. Any order.
    pub campaigns: Vec<Campaign>,
    /// Advice that is raised and not cleared. Any order.
    pub advice: Vec<Advice>,
    /// How others are told of it, by target.
    pub told: Vec<Telling>,
    /// What is doubted in the record.
    pub suspicions: Suspicions,
    /// How far inspectors agree.
    pub agreement: ReaderAgreement,
    /// What the mapped signals have sent. Any order.
    pub signals: Vec<SignalReport>,
    /// For what share of the last day and week signals were known; empty before that was looked at first.
    pub known: Arc<BTreeMap<(UnitId, Signal), KnownShare>>,
    /// Topics that no mapping takes.
    pub unmapped: Vec<UnmappedTopic>,
    /// What was kept out or doubted and belongs to no signal.
    pub faults: Vec<Fault>,
    /// Counts since the service started.
    pub totals: Totals,
    /// Collectors beside this service, by name.
    pub collectors: Vec<CollectorSeen>,
    /// How full the disk is; `None` before the first look.
    pub disk: Option<Disk>,
    /// How the connection to the broker stands.
    pub link: Link,
    /// How the journal stands.
    pub journal: Journal,
    /// What became of the configuration.
    pub config: ConfigState,
}

impl Snapshot {
    /// The score of a tube.
    pub fn score_of(&self, tube: &TubeId) -> Option<&Score> {
        self.scores.iter().find(|score| score.tube.as_ref() == Some(tube))
    }
}

/// What is written down about one tube.
#[derive(Debug, Clone, PartialEq)]
pub struct TubeDetail {
    /// The tube itself.
    pub tube: Tube,
    /// The unit in which it sits now.
    pub unit: Option<UnitId>,
    /// Where it sat, in order of time.
    pub fittings: Vec<Fitting>,
    /// Its lives, in order of time; the last one lasts.
    pub lives: Vec<Life>,
    /// Work on it, in order of time.
    pub work: Vec<Work>,
    /// Its looks, in order of time.
    pub looks: Vec<Look>,
    /// Its findings, in order of time.
    pub findings: Vec<Finding>,
    /// What it went through, in order of time.
    pub months: Vec<Month>,
    /// Run hours since its surface was plated or came new, h; `None` if it was never fitted.
    pub surface_h: Option<f64>,
    /// Its plating; `None` if the register does not give its thickness.
    pub plating: Option<Plating>,
}

/// The exposure of a tube in one month of the plant's calendar.
#[derive(Debug, Clone, PartialEq)]
pub struct Month {
    /// The first day of the month.
    pub first_day: Date,
    /// What happened in it.
    pub exposure: Exposure,
}

/// What a proposed model would say. Nothing of it is published but beside the approved one, to be compared.
#[derive(Debug, Clone, PartialEq)]
pub struct Trial {
    /// The version of the proposed model.
    pub version: i64,
    /// Its scores. Any order.
    pub scores: Vec<Score>,
}

/// Counts since the service started.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Totals {
    /// Messages that came.
    pub messages: u64,
    /// Readings that were stored.
    pub readings: u64,
    /// Readings that were there already.
    pub duplicates: u64,
    /// Messages or parts of them that were kept out, each with a fault that says why.
    pub kept_out: u64,
}

/// How the connection to the broker stands.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Link {
    /// Whether messages can come.
    pub connected: bool,
    /// Since when it stands so; `None` if it was never connected.
    pub since: Option<Timestamp>,
    /// What the last failure said.
    pub error: Option<String>,
    /// Topic filters that the broker refused: nothing comes by them.
    pub refused_filters: Vec<String>,
    /// Topic filters that the broker granted with QoS 0 only: what is lost on the way is lost.
    pub qos0_filters: Vec<String>,
    /// Messages without a time of their own count as having waited at the broker just now, and enter no exposure.
    pub backlog: bool,
}

/// How full the disk of the readings is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Disk {
    /// What is free for this service, bytes.
    pub free_bytes: u64,
    /// By how much readings grow, bytes/day, from the last 30 whole days; `None` before there is one.
    pub bytes_per_day: Option<f64>,
    /// In how many days the disk is full at this rate.
    pub full_in_days: Option<f64>,
}

/// A collector beside this service that shares what arrives.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CollectorSeen {
    /// Its name.
    pub name: String,
    /// When it was last heard of.
    pub seen_at: Timestamp,
    /// Whether it was connected to the broker and could store readings then, and said so a moment ago.
    pub working: bool,
    /// What keeps it from working.
    pub error: Option<String>,
}

/// The configuration in force, and one that is not.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct ConfigState {
    /// When the one in force was read.
    pub read_at: Option<Timestamp>,
    /// Why a later one was refused.
    pub refused: Option<String>,
    /// Keys that have changed in it and wait for a restart.
    pub needs_restart: Vec<&'static str>,
}

/// How the journal stands: what is not in it is not acknowledged to the broker.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Journal {
    /// The last commit.
    pub last_commit_at: Option<Timestamp>,
    /// Why commits fail at present; `None` while they work.
    pub error: Option<String>,
}
