//! Where the record is kept.

use std::collections::BTreeMap;
use std::path::Path;

use ledger::Place as Database;
use plant::Signal;

use super::check::Checker;
use super::place::Place;
use super::{raw, secret};

/// The file of the record below the data folder.
const FILE: &str = "groovecast.db";

/// For how many days readings of a signal are kept. Run hours are what ages and risks count in, so they stay.
pub fn keep_days(checker: &mut Checker, raw: &BTreeMap<String, u32>, place: &Place) -> BTreeMap<Signal, u32> {
    let mut kept = BTreeMap::new();
    for (name, days) in raw {
        let place = place.key(name);
        let Some(signal) = checker.take(&place, name.parse::<Signal>()) else { continue };
        if signal == Signal::RunHours {
            checker.refuse(&place, "run_hours are what ages and risks count in; they are always kept: leave this out");
        }
        checker.within(&place, f64::from(*days), 31.0, 36_500.0, "days");
        kept.insert(signal, *days);
    }
    kept
}

/// The database that the config names. Its password never stands in the config itself: it comes from a file, or from
/// the environment.
pub fn database(checker: &mut Checker, raw: &raw::Data, data: &Path, folder: &Path, place: &Place) -> Option<Database> {
    let [database, file, variable] =
        ["database", "database_password_file", "database_password_env"].map(|name| place.key(name));
    let address = raw.database.as_deref().unwrap_or("sqlite");
    if address == "sqlite" {
        let given = [(&file, raw.database_password_file.is_some()), (&variable, raw.database_password_env.is_some())];
        for (key, _) in given.into_iter().filter(|(_, given)| *given) {
            checker.refuse(key, "a database of SQLite's has no password; leave this key out");
        }
        return Some(Database::Sqlite(data.join(FILE)));
    }
    if !["postgresql://", "postgres://"].iter().any(|scheme| address.starts_with(scheme)) {
        let problem =
            "this is no database; right would be \"sqlite\" or a URL such as \"postgresql://user@host/database\"";
        checker.refuse(&database, problem);
        return None;
    }
    let server = Database::Postgres(address.to_owned());
    if server.has_password() {
        let problem =
            "a password stands in the config; right would be database_password_file or database_password_env beside it";
        checker.refuse(&database, problem);
        return None;
    }
    let password = match (&raw.database_password_file, &raw.database_password_env) {
        (None, None) => return Some(server),
        (Some(_), Some(_)) => {
            checker.refuse(&variable, "the password comes from database_password_file too; leave one of the two out");
            return None;
        }
        (Some(name), None) => secret::from_file(checker, &secret::file(folder, name), &file)?,
        (None, Some(name)) => secret::from_environment(checker, name, &variable)?,
    };
    checker.take(&database, server.with_password(&password))
}
