//! The configuration as it stands in the file. Every key is documented in `config/plant.toml`.

mod notify;

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde::Deserialize;

pub use notify::{Mail, Notify};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Raw {
    pub site: Site,
    pub broker: Broker,
    #[serde(default)]
    pub http: Http,
    #[serde(default)]
    pub access: Access,
    #[serde(default)]
    pub topics: Vec<Topic>,
    #[serde(default)]
    pub belief: BTreeMap<String, Doubt>,
    #[serde(default)]
    pub unit_defaults: Unit,
    #[serde(default)]
    pub units: BTreeMap<String, Unit>,
    #[serde(default)]
    pub data: Data,
    #[serde(default)]
    pub record: Record,
    #[serde(default)]
    pub work: Work,
    #[serde(default)]
    pub suspicions: Suspicions,
    #[serde(default)]
    pub advice: Advice,
    #[serde(default)]
    pub notify: BTreeMap<String, Notify>,
    pub mail: Option<Mail>,
    #[serde(default)]
    pub opening: Opening,
    #[serde(default)]
    pub files: Files,
    pub historian: Option<Historian>,
    #[serde(default)]
    pub exposure: Exposure,
    #[serde(default)]
    pub model: Model,
    #[serde(default)]
    pub service: Service,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Site {
    pub name: String,
    pub time_zone: String,
    pub data: PathBuf,
    pub longest_interval_days: Option<u32>,
    pub longest_interval_run_h: Option<f64>,
    #[serde(default)]
    pub display: BTreeMap<String, String>,
    pub text: Option<PathBuf>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Broker {
    pub host: String,
    pub port: Option<u16>,
    pub client_id: String,
    #[serde(default = "protocol")]
    pub protocol: String,
    #[serde(default)]
    pub tls: bool,
    pub ca_file: Option<PathBuf>,
    pub client_cert_file: Option<PathBuf>,
    pub client_key_file: Option<PathBuf>,
    pub server_name: Option<String>,
    pub username: Option<String>,
    pub password_file: Option<PathBuf>,
    pub password_env: Option<String>,
    #[serde(default = "keep_alive_s")]
    pub keep_alive_s: u16,
    #[serde(default = "window")]
    pub window: u16,
    #[serde(default = "max_message_kib")]
    pub max_message_kib: usize,
    #[serde(default = "prefix")]
    pub prefix: String,
    #[serde(default)]
    pub ask_rebirth: bool,
    pub share: Option<String>,
}

fn protocol() -> String {
    "auto".to_owned()
}

fn keep_alive_s() -> u16 {
    30
}

fn window() -> u16 {
    20
}

fn max_message_kib() -> usize {
    256
}

fn prefix() -> String {
    "groovecast".to_owned()
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Http {
    #[serde(default = "listen")]
    pub listen: String,
    #[serde(default)]
    pub frame_origins: Vec<String>,
    pub address: Option<String>,
}

fn listen() -> String {
    "127.0.0.1:8080".to_owned()
}

impl Default for Http {
    fn default() -> Self {
        Self { listen: listen(), frame_origins: Vec::new(), address: None }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Access {
    pub reading: Option<String>,
    #[serde(default)]
    pub https: bool,
    #[serde(default = "session_h")]
    pub session_h: f64,
    #[serde(default = "max_photo_mib")]
    pub max_photo_mib: u32,
}

fn session_h() -> f64 {
    12.0
}

fn max_photo_mib() -> u32 {
    10
}

impl Default for Access {
    fn default() -> Self {
        Self { reading: None, https: false, session_h: session_h(), max_photo_mib: max_photo_mib() }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Topic {
    pub topic: String,
    pub unit: Option<String>,
    pub signal: String,
    pub measure: Option<String>,
    pub measure_at: Option<String>,
    #[serde(default)]
    pub payload: PayloadKind,
    pub value: Option<String>,
    pub time: Option<String>,
    pub time_format: Option<String>,
    pub quality: Option<String>,
    pub quality_format: Option<String>,
    pub each: Option<String>,
    pub entry: Option<Entry>,
    pub field: Option<String>,
    pub writer: Option<String>,
    pub metric: Option<String>,
    pub rated_nm: Option<f64>,
    pub gear_ratio: Option<f64>,
    pub efficiency: Option<f64>,
    pub span: Option<[f64; 2]>,
    pub loop_range: Option<[f64; 2]>,
    #[serde(default)]
    pub reversed: bool,
    #[serde(default)]
    pub words: BTreeMap<String, String>,
}

#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PayloadKind {
    #[default]
    Number,
    Json,
    OpcUa,
    Sparkplug,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    pub at: String,
    pub name: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Doubt {
    pub stuck_min: Option<f64>,
    pub spike: Option<f64>,
    pub late_min: Option<f64>,
    pub skew_s: Option<f64>,
    pub ahead_s: Option<f64>,
    pub behind_days: Option<f64>,
}

#[derive(Debug, Default, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Unit {
    pub signals: Option<Vec<String>>,
    pub nominal_speed_rpm: Option<f64>,
    pub bore_mm: Option<f64>,
    pub running_above_rpm: Option<f64>,
    pub running_above_nm: Option<f64>,
    pub dry_below_m3_h: Option<f64>,
    pub dry_below_share: Option<f64>,
    pub cold_start_below_degc: Option<f64>,
    pub excursion_above_nm: Option<f64>,
    pub excursion_times_usual: Option<f64>,
    pub cleaning_modes: Option<Vec<String>>,
    pub meter_resolution_h: Option<f64>,
}

impl Unit {
    /// Each key from here, or from the plant's defaults. A limit of either kind that stands here outranks both defaults.
    pub fn or(self, defaults: &Unit) -> Unit {
        let d = defaults.clone();
        let dry = self.dry_below_m3_h.is_none() && self.dry_below_share.is_none();
        let excursion = self.excursion_above_nm.is_none() && self.excursion_times_usual.is_none();
        Unit {
            signals: self.signals.or(d.signals),
            nominal_speed_rpm: self.nominal_speed_rpm.or(d.nominal_speed_rpm),
            bore_mm: self.bore_mm.or(d.bore_mm),
            running_above_rpm: self.running_above_rpm.or(d.running_above_rpm),
            running_above_nm: self.running_above_nm.or(d.running_above_nm),
            dry_below_m3_h: self.dry_below_m3_h.or(d.dry_below_m3_h.filter(|_| dry)),
            dry_below_share: self.dry_below_share.or(d.dry_below_share.filter(|_| dry)),
            cold_start_below_degc: self.cold_start_below_degc.or(d.cold_start_below_degc),
            excursion_above_nm: self.excursion_above_nm.or(d.excursion_above_nm.filter(|_| excursion)),
            excursion_times_usual: self.excursion_times_usual.or(d.excursion_times_usual.filter(|_| excursion)),
            cleaning_modes: self.cleaning_modes.or(d.cleaning_modes),
            meter_resolution_h: self.meter_resolution_h.or(d.meter_resolution_h),
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Record {
    pub zones: Vec<String>,
    pub surfaces: Vec<String>,
}

impl Default for Record {
    fn default() -> Self {
        Self { zones: ["drive", "middle", "far"].map(str::to_owned).to_vec(), surfaces: Vec::new() }
    }
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Data {
    pub database: Option<String>,
    pub database_password_file: Option<PathBuf>,
    pub database_password_env: Option<String>,
    pub keep_days: BTreeMap<String, u32>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Work {
    pub new: WorkEffect,
    pub hone_polish: WorkEffect,
    pub replate: WorkEffect,
    pub blades: WorkEffect,
    pub other: WorkEffect,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WorkEffect {
    pub starts_life: Option<bool>,
    pub grade_after: Option<u8>,
    pub plating_used_um: Option<f64>,
    pub renews_plating: Option<bool>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Suspicions {
    pub grade_fall: u8,
    pub catch_depth_um: [f64; 2],
    pub mirror_correlation: f64,
    pub meter_off_h: f64,
    pub entered_after_h: f64,
    pub torque_apart: f64,
}

impl Default for Suspicions {
    fn default() -> Self {
        Self {
            grade_fall: 2,
            catch_depth_um: [10.0, 50.0],
            mirror_correlation: 0.6,
            meter_off_h: 24.0,
            entered_after_h: 168.0,
            torque_apart: 1.3,
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Advice {
    pub raise_at: f64,
    pub clear_at: f64,
    pub ahead_h: f64,
    pub raise_after_h: f64,
    pub clear_after_h: f64,
}

impl Default for Advice {
    fn default() -> Self {
        Self { raise_at: 0.3, clear_at: 0.2, ahead_h: 0.0, raise_after_h: 24.0, clear_after_h: 72.0 }
    }
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Opening {
    pub room: Option<usize>,
    pub open_cost: Option<[f64; 2]>,
    pub late_cost: Option<[f64; 2]>,
    pub money: Option<String>,
    pub without_crew: Vec<[String; 2]>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Files {
    pub header: Header,
    pub skip: Vec<String>,
    pub measures: BTreeMap<String, String>,
    pub columns: BTreeMap<String, WideColumn>,
    pub spans: BTreeMap<String, [f64; 2]>,
    pub quality_codes: Option<String>,
    pub quality_words: BTreeMap<String, String>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Header {
    pub at: Option<String>,
    pub tag: Option<String>,
    pub value: Option<String>,
    pub quality: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Historian {
    pub database: String,
    pub password_file: Option<PathBuf>,
    pub password_env: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WideColumn {
    pub unit: String,
    pub signal: String,
    pub measure: Option<String>,
    pub rated_nm: Option<f64>,
    pub gear_ratio: Option<f64>,
    pub efficiency: Option<f64>,
    pub quality: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Exposure {
    pub torque_bands_nm: Vec<f64>,
    pub temp_bands_degc: Vec<f64>,
    pub hold_s: BTreeMap<String, f64>,
    pub between: BTreeMap<String, String>,
    pub min_stop_s: Option<f64>,
}

impl Default for Exposure {
    fn default() -> Self {
        Self {
            torque_bands_nm: vec![50.0, 100.0, 150.0, 200.0],
            temp_bands_degc: vec![0.0, 20.0, 60.0],
            hold_s: BTreeMap::new(),
            between: BTreeMap::new(),
            min_stop_s: None,
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Model {
    pub limit: u8,
    pub terms: Vec<String>,
    pub ridge: f64,
    pub grade_ridge: f64,
    pub shape: f64,
    pub horizons_h: Vec<f64>,
    pub misread: f64,
    pub folds: usize,
    pub approve: String,
    pub recent_h: f64,
    pub prior: Prior,
    pub surface_priors: BTreeMap<String, Prior>,
}

impl Default for Model {
    fn default() -> Self {
        Self {
            limit: 2,
            terms: ["excess_work_mj", "starts"].map(str::to_owned).to_vec(),
            ridge: 1.0,
            grade_ridge: 1.0,
            shape: 1.0,
            horizons_h: vec![250.0, 500.0, 1000.0],
            misread: 0.02,
            folds: 5,
            approve: "by_person".to_owned(),
            recent_h: 500.0,
            prior: Prior::default(),
            surface_priors: BTreeMap::new(),
        }
    }
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Prior {
    pub early_h: f64,
    pub late_h: f64,
    pub spread: f64,
}

impl Default for Prior {
    fn default() -> Self {
        Self { early_h: 2000.0, late_h: 8000.0, spread: 2.0 }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Service {
    pub evaluate_every_s: i64,
    pub close_after_min: i64,
    pub stale_after_h: f64,
    pub hung_after_min: f64,
}

impl Default for Service {
    fn default() -> Self {
        Self { evaluate_every_s: 30, close_after_min: 10, stale_after_h: 24.0, hung_after_min: 30.0 }
    }
}
