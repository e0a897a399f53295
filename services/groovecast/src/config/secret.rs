//! Passwords: they come from a file or the environment, never from the config itself.

use std::path::{Path, PathBuf};

use super::check::Checker;
use super::place::Place;

/// The environment variable in which systemd names the folder of what its LoadCredential hands over.
const CREDENTIALS: &str = "CREDENTIALS_DIRECTORY";

/// A file that the config names, seen from its folder; one that begins with `$CREDENTIALS_DIRECTORY/` lies where systemd has
/// put the secrets of this service.
pub fn file(folder: &Path, name: &Path) -> PathBuf {
    match (name.strip_prefix(format!("${CREDENTIALS}")), std::env::var_os(CREDENTIALS)) {
        (Ok(rest), Some(credentials)) => Path::new(&credentials).join(rest),
        // As it is written, so that whoever cannot find it names it so.
        (Ok(_), None) => name.to_owned(),
        (Err(_), _) => folder.join(name),
    }
}

/// The first line of a file of its own, which `place` names.
pub fn from_file(checker: &mut Checker, file: &Path, place: &Place) -> Option<String> {
    let read = std::fs::read_to_string(file).map_err(|error| {
        let hint = match file.starts_with(format!("${CREDENTIALS}")) {
            true => "; systemd sets this variable for the service, and groovecast-as-service for commands by hand",
            false => "",
        };
        format!("{} cannot be read: {error}{hint}", file.display())
    });
    let text = checker.take(place, read)?;
    let line = text.lines().next().unwrap_or_default();
    if line.is_empty() {
        checker.refuse(place, format!("the first line of {} is empty; it holds the password", file.display()));
        return None;
    }
    Some(line.to_owned())
}

/// The environment variable that `place` names.
pub fn from_environment(checker: &mut Checker, name: &str, place: &Place) -> Option<String> {
    match std::env::var(name) {
        Ok(password) if !password.is_empty() => Some(password),
        Err(std::env::VarError::NotUnicode(_)) => {
            checker.refuse(place, format!("the environment variable {name} is not UTF-8"));
            None
        }
        _ => {
            checker.refuse(place, format!("the environment variable {name} is not set; it holds the password"));
            None
        }
    }
}
