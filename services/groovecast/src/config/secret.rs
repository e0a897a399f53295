//! Passwords and keys: they come from a file or the environment, never from the config itself.

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

/// A secret that one of two keys names; the place is that of the key. `None` if neither is given.
///
/// # Errors
/// [`Told`] if it cannot be had, which the checker knows by then.
pub fn given(
    checker: &mut Checker,
    folder: &Path,
    (named, file_at): (Option<&Path>, &Place),
    (variable, variable_at): (Option<&str>, &Place),
) -> Result<Option<(Place, String)>, Told> {
    let (place, secret) = match (named, variable) {
        (None, None) => return Ok(None),
        (Some(_), Some(_)) => {
            checker.refuse(variable_at, format!("it comes from {file_at} too; leave one of the two out"));
            return Err(Told);
        }
        (Some(name), None) => (file_at, from_file(checker, &file(folder, name), file_at)),
        (None, Some(name)) => (variable_at, from_environment(checker, name, variable_at)),
    };
    Ok(Some((place.clone(), secret.ok_or(Told)?)))
}

/// What is wrong was told already.
pub struct Told;

/// A user name and its password, which stand or fall together; `None` without them, or if something is wrong with them.
pub fn login(
    checker: &mut Checker,
    folder: &Path,
    place: &Place,
    username: Option<&str>,
    (named, variable): (Option<&Path>, Option<&str>),
) -> Option<(String, String)> {
    let [file_at, variable_at] = ["password_file", "password_env"].map(|key| place.key(key));
    let password = given(checker, folder, (named, &file_at), (variable, &variable_at)).ok()?;
    match (username, password) {
        (None, None) => None,
        (Some(user), Some((_, password))) => Some((user.to_owned(), password)),
        (Some(_), None) => {
            let problem = "a user name needs a password_file or a password_env beside it";
            checker.refuse(&place.key("username"), problem);
            None
        }
        (None, Some((key, _))) => {
            checker.refuse(&key, "a password needs a username beside it");
            None
        }
    }
}

/// The first line of a file of its own, which `place` names.
fn from_file(checker: &mut Checker, file: &Path, place: &Place) -> Option<String> {
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
        checker.refuse(place, format!("the first line of {} is empty; it holds the secret", file.display()));
        return None;
    }
    Some(line.to_owned())
}

/// The environment variable that `place` names.
fn from_environment(checker: &mut Checker, name: &str, place: &Place) -> Option<String> {
    match std::env::var(name) {
        Ok(password) if !password.is_empty() => Some(password),
        Err(std::env::VarError::NotUnicode(_)) => {
            checker.refuse(place, format!("the environment variable {name} is not UTF-8"));
            None
        }
        _ => {
            checker.refuse(place, format!("the environment variable {name} is not set; it holds the secret"));
            None
        }
    }
}
