//! Who is told when advice is raised, as it stands in the file.

use std::path::PathBuf;

use serde::Deserialize;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Notify {
    pub webhook: Option<String>,
    pub secret_file: Option<PathBuf>,
    pub secret_env: Option<String>,
    pub ca_file: Option<PathBuf>,
    pub mail: Option<String>,
    pub kinds: Option<Vec<String>>,
    #[serde(default)]
    pub cleared: bool,
    #[serde(default = "timeout_s")]
    pub timeout_s: f64,
    #[serde(default = "pause_s")]
    pub pause_s: f64,
    #[serde(default = "give_up_after_h")]
    pub give_up_after_h: f64,
}

fn timeout_s() -> f64 {
    10.0
}

fn pause_s() -> f64 {
    10.0
}

fn give_up_after_h() -> f64 {
    72.0
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mail {
    pub host: String,
    pub port: Option<u16>,
    #[serde(default = "tls")]
    pub tls: String,
    pub ca_file: Option<PathBuf>,
    pub from: String,
    pub username: Option<String>,
    pub password_file: Option<PathBuf>,
    pub password_env: Option<String>,
}

fn tls() -> String {
    "starttls".to_owned()
}
