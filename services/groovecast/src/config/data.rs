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
    let problem = "this is no database; right would be \"sqlite\" or a URL such as \"postgresql://user@host/database\"";
    let password = (raw.database_password_file.as_deref(), raw.database_password_env.as_deref());
    server(checker, address, problem, password, folder, [&database, &file, &variable])
}

/// The historian's database.
pub fn historian(checker: &mut Checker, raw: &raw::Historian, folder: &Path, place: &Place) -> Option<Database> {
    let [database, file, variable] = ["database", "password_file", "password_env"].map(|name| place.key(name));
    let problem =
        "this is no database that is spoken to; right would be a URL such as \"postgresql://user@host/database\"";
    let password = (raw.password_file.as_deref(), raw.password_env.as_deref());
    server(checker, &raw.database, problem, password, folder, [&database, &file, &variable])
}

/// A server at an address, with its password from a file or the environment. The places are those of address, file and
/// variable.
fn server(
    checker: &mut Checker,
    address: &str,
    problem: &str,
    (file, variable): (Option<&Path>, Option<&str>),
    folder: &Path,
    [at, file_at, variable_at]: [&Place; 3],
) -> Option<Database> {
    if !["postgresql://", "postgres://"].iter().any(|scheme| address.starts_with(scheme)) {
        checker.refuse(at, problem);
        return None;
    }
    let server = Database::Postgres(address.to_owned());
    if server.has_password() {
        let names = format!("{file_at} or {variable_at}");
        checker.refuse(at, format!("a password stands in the config; right would be {names} beside it"));
        return None;
    }
    match secret::given(checker, folder, (file, file_at), (variable, variable_at)).ok()? {
        None => Some(server),
        Some((_, password)) => checker.take(at, server.with_password(&password)),
    }
}
