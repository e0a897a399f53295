//! Passwords: they come from a file or the environment, never from the config itself.

use std::path::Path;

use super::check::Checker;
use super::place::Place;

/// The first line of a file of its own, which `place` names.
pub fn from_file(checker: &mut Checker, file: &Path, place: &Place) -> Option<String> {
    let read = std::fs::read_to_string(file).map_err(|error| format!("{} cannot be read: {error}", file.display()));
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
