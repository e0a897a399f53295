//! The past from a historian's database: the same as from a file of the same readings, spared, and gone on with after a kill.

use std::fmt::Write;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use crate::broker::wait_for;
use crate::load::{self, Instants, UNITS, stored};
use crate::postgres::{self, LOCKED};
use crate::service::{done, groovecast};

/// Ten days that are over.
const FROM: &str = "2026-03-24T00:00:00Z";
const TO: &str = "2026-04-03T00:00:00Z";
/// One reading of each unit in so many seconds.
const EVERY_S: i64 = 20;

/// A historian as plants have it: names, units of measure and codes of its own.
const QUERY: &str = "SELECT t AS at, 'K' || asset AS unit, 'torque' AS signal, v AS value,\n\
                     CASE q WHEN 0 THEN 'good' ELSE 'interpolated' END AS quality\n\
                     FROM tag_values WHERE tag = 'TQ' -- a comment at the end";

struct Past {
    folder: tempfile::TempDir,
    config: PathBuf,
    url: String,
}

fn psql(url: &str, statements: &str) {
    let mut psql = Command::new("psql");
    psql.args(["-X", "-q", "-v", "ON_ERROR_STOP=1", url]).stdin(Stdio::piped()).stdout(Stdio::null());
    let mut psql = psql.stderr(Stdio::piped()).spawn().unwrap();
    psql.stdin.take().unwrap().write_all(statements.as_bytes()).unwrap();
    let said = psql.wait_with_output().unwrap();
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
}

impl Past {
    /// A database with readings, and the same readings as a file.
    fn new() -> Past {
        let folder = tempfile::tempdir().unwrap();
        let config = load::config(folder.path(), 1);
        let url = postgres::new_database();
        let mut rows = "CREATE TABLE tag_values (t timestamptz, local timestamp, asset int, tag text, v double precision, q int);\n\
                        COPY tag_values FROM STDIN;\n"
            .to_owned();
        let mut file = "at,unit,signal,value,quality\n".to_owned();
        let from: jiff::Timestamp = FROM.parse().unwrap();
        let to: jiff::Timestamp = TO.parse().unwrap();
        let zone = jiff::tz::TimeZone::get("Europe/Amsterdam").unwrap();
        for tick in 0..to.duration_since(from).as_secs() / EVERY_S {
            let at = from + jiff::SignedDuration::from_millis(tick * EVERY_S * 1000 + tick % 7);
            let (local, value, bad) = (zone.to_datetime(at), 80.0 + (tick % 977) as f64 / 16.0, tick % 5 == 0);
            for asset in 1..=UNITS.len() {
                let quality = if bad { "interpolated" } else { "good" };
                writeln!(rows, "{at}\t{local}\t{asset}\tTQ\t{value}\t{}", i32::from(bad)).unwrap();
                writeln!(file, "{at},K{asset},torque,{value},{quality}").unwrap();
            }
            writeln!(rows, "{at}\t{local}\t1\tANOTHER\t1\t0").unwrap();
        }
        rows.push_str("\\.\nCREATE INDEX ON tag_values (t);\n");
        psql(&url, &rows);
        std::fs::write(folder.path().join("past.csv"), file).unwrap();
        let past = Past { folder, config, url };
        past.at(&past.url, "");
        past
    }

    /// The config names this database.
    fn at(&self, url: &str, more: &str) {
        let text = std::fs::read_to_string(&self.config).unwrap();
        let text = text.split("[historian]").next().unwrap();
        std::fs::write(&self.config, format!("{text}[historian]\ndatabase = \"{url}\"\n{more}\n")).unwrap();
    }

    fn path(&self, name: &str) -> String {
        self.folder.path().join(name).to_str().unwrap().to_owned()
    }

    fn command(&self, sql: &str, more: &[&str]) -> Command {
        std::fs::write(self.path("past.sql"), sql).unwrap();
        let mut command = groovecast();
        command.args(["import", "history", "--sql", &self.path("past.sql"), "--config", self.config.to_str().unwrap()]);
        command.args(["--from", FROM, "--to", TO]).args(more).stdin(Stdio::null());
        command
    }

    fn import(&self, sql: &str, more: &[&str]) -> Output {
        self.command(sql, more).output().unwrap()
    }

    fn data(&self) -> PathBuf {
        self.folder.path().join("data")
    }

    /// What the file of the same readings leaves.
    fn through_a_file(&self) -> Vec<load::Key> {
        let folder = tempfile::tempdir().unwrap();
        let config = load::config(folder.path(), 1);
        done(&["import", "history", &self.path("past.csv"), "--config", config.to_str().unwrap()]);
        stored(&folder.path().join("data")).0
    }
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

fn sorted(mut keys: Vec<load::Key>) -> Vec<load::Key> {
    keys.sort_unstable();
    keys
}

fn forget(data: &Path) {
    std::fs::remove_dir_all(data).unwrap();
}

/// One test for all, for the table is large and the server slow to fill.
#[test]
fn a_query_brings_in_what_a_file_does() {
    let past = Past::new();
    let right = sorted(past.through_a_file());
    assert_eq!(right.len(), 10 * 86_400 / EVERY_S as usize * UNITS.len());

    // A dry run takes nothing.
    let dry = past.import(QUERY, &["--dry-run"]);
    let told = said(&dry);
    assert!(dry.status.success() && told.contains("K2 torque: 43200 readings, 2026-03-24T00:00:00Z to"), "{told}");
    assert!(
        told.contains("43200 new, 8640 interpolated or calculated") && told.contains("nothing was taken"),
        "{told}"
    );
    assert_eq!(stored(&past.data()).1, 0);

    // At one go, with other slices again, and by a clock without a zone over the night in which it was put forward.
    let whole = past.import(&format!("{QUERY}\n;\n"), &[]);
    assert!(whole.status.success() && said(&whole).contains("10 days changed"), "{}", said(&whole));
    assert_eq!(sorted(stored(&past.data()).0), right);
    let again = past.import(&QUERY.replace("WHERE", "WHERE t >= :from AND t < :to AND"), &["--slice", "420m"]);
    assert!(again.status.success() && said(&again).contains("nothing new in them"), "{}", said(&again));
    let clock = past.import(&QUERY.replace("SELECT t AS", "SELECT local AS"), &["--zone", "Europe/Amsterdam"]);
    assert!(
        said(&clock).contains("nothing new in them") && said(&clock).contains("taken in Europe/Amsterdam"),
        "{}",
        said(&clock)
    );

    // Killed at instants that nobody chose.
    forget(&past.data());
    let mut instants = Instants(7_041_776);
    let slow = ["--slice", "60m", "--rate", "20000"];
    for _ in 0..6 {
        let mut running = past.command(QUERY, &slow).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        std::thread::sleep(instants.next(500));
        running.kill().unwrap();
        running.wait().unwrap();
    }
    // Once more, when some slices were read for sure.
    let mut running = past.command(QUERY, &slow).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    wait_for("some slices", || {
        let imports = std::fs::read_dir(past.data().join("staging")).ok()?;
        imports.flatten().any(|import| import.path().join("0/20.json").exists()).then_some(())
    });
    running.kill().unwrap();
    assert!(!running.wait().unwrap().success(), "it was over before it was killed");
    let last = past.import(QUERY, &slow);
    assert!(last.status.success() && said(&last).contains("going on where it was"), "{}", said(&last));
    assert_eq!(sorted(stored(&past.data()).0), right);
    assert!(!past.data().join("staging").exists());
}

#[test]
fn the_historian_is_only_read_and_never_for_long() {
    let past = Past::new();
    // The rate: 10 days of 3 units every 20 s are 129,600 rows, at 100,000 a second more than one second.
    let begun = std::time::Instant::now();
    assert!(past.import(QUERY, &["--dry-run", "--rate", "40000"]).status.success());
    assert!(begun.elapsed().as_secs_f64() > 3.0, "129600 rows came in {:?} at 40000 a second", begun.elapsed());

    // A query that is too slow for a day, and not for an hour: 240 rows of it in a slice take 2.4 s, in an hour's 0.1 s.
    let sleepy = "SELECT at, unit, signal, value FROM (SELECT t AS at, 'K1' AS unit, 'torque' AS signal, v AS value,\n\
                  pg_sleep(0.01) FROM tag_values WHERE tag = 'TQ' AND asset = 1 AND t >= :from AND t < :to\n\
                  AND extract(second FROM t) < 1 AND extract(minute FROM t)::int % 6 = 0) AS x";
    let slow = past.import(sleepy, &["--timeout", "1s"]);
    assert!(slow.status.success() && said(&slow).contains("a slice took too long"), "{}", said(&slow));
    assert_eq!(stored(&past.data()).0.len(), 2400);
    let endless =
        past.import(&QUERY.replace("'torque'", "(SELECT 'torque' FROM pg_sleep(100))"), &["--timeout", "0.2s"]);
    assert!(!endless.status.success() && said(&endless).contains("longer than 0.2 s"), "{}", said(&endless));

    // It cannot write, and what a query lacks is said.
    psql(&past.url, "CREATE SEQUENCE counter;");
    let writes = past.import(&QUERY.replace("v AS value", "nextval('counter') AS value"), &[]);
    assert!(!writes.status.success() && said(&writes).contains("read-only"), "{}", said(&writes));
    for (query, what) in [
        ("SELECT t, v AS value FROM tag_values", "no column at"),
        (&QUERY.replace("SELECT t AS at", "SELECT t::text AS at"), "right would be timestamptz"),
        (&QUERY.replace("AS quality", "AS quality, 1 AS more"), "its column more is not known"),
        ("SELECT", "no column at"),
        ("DROP TABLE tag_values", "no column at"),
        ("SELECT x FROM nowhere", "nowhere"),
    ] {
        let refused = past.import(query, &[]);
        let told = said(&refused);
        assert!(
            refused.status.code() == Some(65) && told.contains("past.sql") && told.contains(what),
            "{query}: {told}"
        );
    }
    let bad = past.import(&QUERY.replace("'K' || asset", "'C' || asset"), &["--slice", "1440m"]);
    assert!(bad.status.code() == Some(65) && said(&bad).contains("is no unit of the config"), "{}", said(&bad));

    // Its password is told nowhere.
    psql(
        &past.url,
        &format!(
            "DO $$ BEGIN CREATE ROLE {LOCKED} LOGIN PASSWORD 'shelf/9:winter@mill'; EXCEPTION WHEN duplicate_object THEN NULL; END $$;\n\
             GRANT SELECT ON tag_values TO {LOCKED};"
        ),
    );
    std::fs::write(past.path("historian.password"), "winter at the mill\n").unwrap();
    past.at(&past.url.replace("//postgres@", &format!("//{LOCKED}@")), "password_file = \"historian.password\"");
    let wrong = past.import(QUERY, &[]);
    let told = said(&wrong);
    assert!(!wrong.status.success() && told.contains("historian's database") && !told.contains("winter"), "{told}");
}
