//! The configuration as it may be told: known keys with values that hold no secret, without comments. And what it names.

use std::path::{Path, PathBuf};

use toml::{Table, Value};

use super::scrub::{REMOVED, Scrub};
use crate::config::credential_or_file;

/// Keys whose texts are told, wherever they stand. Whatever is not listed here is taken out.
const TOLD: &[&str] = &[
    "address",
    "approve",
    "at",
    "between",
    "ca_file",
    "cleaning_modes",
    "client_cert_file",
    "client_id",
    "client_key_file",
    "columns",
    "data",
    "database",
    "database_password_env",
    "database_password_file",
    "decimal",
    "each",
    "field",
    "frame_origins",
    "group",
    "header",
    "host",
    "kinds",
    "length",
    "listen",
    "measure",
    "measure_at",
    "measures",
    "metric",
    "money",
    "name",
    "password_env",
    "password_file",
    "payload",
    "prefix",
    "protocol",
    "quality",
    "quality_codes",
    "quality_format",
    "quality_words",
    "reading",
    "secret_env",
    "secret_file",
    "server_name",
    "share",
    "signal",
    "signals",
    "skip",
    "surfaces",
    "tag",
    "temperature",
    "terms",
    "text",
    "time",
    "time_format",
    "time_zone",
    "tls",
    "topic",
    "torque",
    "unit",
    "value",
    "without_crew",
    "words",
    "writer",
    "zones",
];
/// Keys whose numbers and truths are told.
const COUNTED: &[&str] = &[
    "tls",
    "port",
    "https",
    "reversed",
    "ask_rebirth",
    "room",
    "ridge",
    "folds",
    "limit",
    "shape",
    "misread",
    "spread",
    "spike",
    "span",
    "spans",
    "loop_range",
    "gear_ratio",
    "efficiency",
    "starts_life",
    "renews_plating",
    "grade_after",
    "window",
    "keep_days",
    "open_cost",
    "late_cost",
    "raise_at",
    "clear_at",
    "grade_ridge",
    "grade_fall",
    "mirror_correlation",
    "torque_apart",
    "hold_s",
    "excursion_times_usual",
    "dry_below_share",
];
/// Keys of files whose lines are secrets.
const FILES: &[&str] = &["database_password_file", "password_file", "secret_file"];
/// Keys of environment variables that are secrets.
const VARIABLES: &[&str] = &["database_password_env", "password_env", "secret_env"];
/// What the names of numbers with a unit end in.
const UNITS: &[&str] = &["_s", "_h", "_min", "_nm", "_mm", "_um", "_kib", "_mib", "_days", "_rpm", "_degc", "_m3_h"];

/// Tables whose keys the plant chooses.
const OWN_KEYS: &[&str] = &["between", "hold_s", "keep_days", "measures", "quality_words", "spans", "words"];

/// What a file that may be a configuration says.
pub struct Told {
    /// The configuration without secrets and comments, as JSON; `None` if the file is none.
    pub text: Option<String>,
    /// The data folder.
    pub data: Option<PathBuf>,
    /// The database, if it is no file of SQLite's.
    pub database: Option<String>,
    /// Where pages are served.
    pub listen: Option<String>,
}

/// Reads a configuration, right or wrong, and gives what must not be told to `scrub`.
pub fn told(path: &Path, text: &str, scrub: &mut Scrub) -> Told {
    let Ok(mut table) = toml::from_str::<Table>(text) else {
        return Told { text: None, data: None, database: None, listen: None };
    };
    let folder = path.parent().unwrap_or(Path::new("."));
    let string = |section: &str, key: &str| table.get(section)?.get(key)?.as_str().map(str::to_owned);
    let data = string("site", "data").map(|data| folder.join(data));
    let database = string("data", "database").filter(|database| database != "sqlite");
    let listen = Some(string("http", "listen").unwrap_or_else(|| "127.0.0.1:8080".to_owned()));
    let mut removed = Vec::new();
    behind(&mut table, folder, scrub, &mut removed);
    clean(&mut table, &[], &mut removed);
    let text = serde_json::to_string_pretty(&table).ok();
    for secret in removed {
        // A misspelt key may hold a word that stands rightly elsewhere, or a small number as there are many.
        let small = secret.len() < 6 && secret.parse::<f64>().is_ok();
        if !small
            && secret != "groovecast"
            && !text.as_deref().is_some_and(|text| text.contains(&format!("\"{secret}\"")))
        {
            scrub.secret(&secret);
        }
    }
    Told { text, data, database, listen }
}

/// Gives to `scrub` what stands in files and variables that the configuration names. A name behind which there is nothing may be
/// the secret itself, in the wrong place, and is taken out.
fn behind(table: &mut Table, folder: &Path, scrub: &mut Scrub, removed: &mut Vec<String>) {
    for (key, value) in table.iter_mut() {
        let found = match value {
            Value::Table(table) => {
                behind(table, folder, scrub, removed);
                continue;
            }
            Value::String(name) if FILES.contains(&key.as_str()) => {
                std::fs::read_to_string(credential_or_file(folder, Path::new(name))).ok()
            }
            Value::String(name) if VARIABLES.contains(&key.as_str()) => std::env::var(name).ok(),
            _ => continue,
        };
        match found {
            Some(secret) => secret.lines().for_each(|line| scrub.secret(line)),
            None => {
                removed.extend(value.as_str().map(str::to_owned));
                *value = Value::String(REMOVED.to_owned());
            }
        }
    }
}

/// Takes out of a table what is not to be told.
fn clean(table: &mut Table, above: &[String], removed: &mut Vec<String>) {
    for (key, value) in table.iter_mut() {
        let path: Vec<String> = above.iter().cloned().chain([key.clone()]).collect();
        clean_value(value, &path, removed);
    }
}

fn clean_value(value: &mut Value, path: &[String], removed: &mut Vec<String>) {
    match value {
        Value::Table(table) => clean(table, path, removed),
        Value::Array(items) => items.iter_mut().for_each(|item| clean_value(item, path, removed)),
        Value::String(text) => {
            if !is_listed(TOLD, path) || may_hold_a_secret(text) {
                removed.extend(parts(text));
                *text = REMOVED.to_owned();
            }
        }
        Value::Datetime(_) | Value::Boolean(_) => {}
        Value::Integer(_) | Value::Float(_) => {
            let unit = |key: &String| UNITS.iter().any(|unit| key.ends_with(unit));
            if !is_listed(COUNTED, path) && !path.last().is_some_and(unit) {
                removed.extend(value.as_integer().map(|whole| whole.to_string()));
                *value = Value::String(REMOVED.to_owned());
            }
        }
    }
}

/// Whether the key is listed, or that of a table whose keys are the plant's own.
fn is_listed(list: &[&str], path: &[String]) -> bool {
    let [.., above, key] = path else { return false };
    list.contains(&key.as_str()) || list.contains(&above.as_str()) && OWN_KEYS.contains(&above.as_str())
}

fn may_hold_a_secret(text: &str) -> bool {
    let small = text.to_ascii_lowercase();
    let named = ["password=", "secret=", "token=", "key="].iter().any(|word| small.contains(word));
    named || text.contains('@') || text.contains('?')
}

/// A text that is taken out, and what in it could stand alone elsewhere: the password of a URL.
fn parts(text: &str) -> Vec<String> {
    let mut parts = vec![text.to_owned()];
    if let Some((before, _)) = text.rsplit_once('@') {
        let user = before.rsplit_once("://").map_or(before, |(_, user)| user);
        parts.extend(user.split_once(':').map(|(_, password)| password.to_owned()));
    }
    let options = text.split_once('?').map_or("", |(_, options)| options);
    parts.extend(options.split('&').filter_map(|option| option.split_once('=')).map(|(_, value)| value.to_owned()));
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    fn example() -> String {
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/plant.toml")).unwrap()
    }

    /// Every key of the example, those that show a default too; what is taken out is listed here by name.
    #[test]
    fn a_new_key_is_told_or_taken_out_on_purpose() {
        let text: String = example()
            .lines()
            .map(|line| match line.strip_prefix("# ") {
                // A default, or the head of a section, and no sentence about it.
                Some(rest) if !rest.starts_with(' ') && toml::from_str::<Table>(rest).is_ok() => rest.to_owned() + "\n",
                _ => line.to_owned() + "\n",
            })
            .collect();
        let table: Table = toml::from_str(&text).unwrap();
        let mut cleaned = table.clone();
        clean(&mut cleaned, &[], &mut Vec::new());
        let mut taken = Vec::new();
        differing(&Value::Table(table), &Value::Table(cleaned), "", &mut taken);
        let own = ["mail.from", "mail.username", "notify.desk.webhook", "notify.shift.mail"];
        assert_eq!(taken, [&["broker.username", "historian.database"], &own[..]].concat());
    }

    fn differing(was: &Value, is: &Value, path: &str, found: &mut Vec<String>) {
        match (was, is) {
            (Value::Table(was), Value::Table(is)) => {
                was.iter().for_each(|(key, value)| differing(value, &is[key], &format!("{path}.{key}"), found));
            }
            _ if was == is => {}
            _ => found.push(path.trim_start_matches('.').to_owned()),
        }
    }

    #[test]
    fn what_could_be_a_secret_is_taken_out_wherever_it_stands() {
        let text = "# comment-secret\n[broker]\nhost = \"mqtt://u:host-secret@b\"\npasword = \"typo-secret\"\npin = 12345678\n\
                    port = \"port-secret\"\npassword_env = \"env-secret\"\nusername = \"u\"\n[data]\ndatabase = \"postgresql://u:db-secret@h/d?password=query-secret\"\n";
        let mut scrub = Scrub::default();
        let told = told(Path::new("/nowhere/plant.toml"), text, &mut scrub);
        let clean = told.text.unwrap();
        for secret in [
            "comment-secret",
            "host-secret",
            "typo-secret",
            "12345678",
            "port-secret",
            "env-secret",
            "db-secret",
            "query-secret",
        ] {
            assert!(!clean.contains(secret), "{secret} in {clean}");
            let said = format!("problem with {secret} there");
            assert!(
                secret == "comment-secret" || !scrub.clean(&said).contains(secret),
                "{secret} would be told in a message"
            );
        }
    }

    #[test]
    fn a_file_that_is_no_toml_tells_nothing() {
        let told = told(Path::new("plant.toml"), "password = \"x", &mut Scrub::default());
        assert!(told.text.is_none() && told.data.is_none());
    }
}
