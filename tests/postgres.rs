//! A PostgreSQL server for the tests: started once per test binary on a Unix socket in a temporary folder, stopped with it.
//!
//! It keeps the default of the real one, synced commits included, so that what the tests see is what a plant has.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

/// How long the server may take to answer.
const PATIENCE: Duration = Duration::from_secs(60);

/// The account that runs the server when the tests run as root, which PostgreSQL refuses.
const ACCOUNT: &str = "nobody";

/// The account that has to say its password.
pub const LOCKED: &str = "locked";

struct Server {
    /// The programs of one version.
    programs: PathBuf,
    /// Socket and data.
    folder: PathBuf,
}

/// A new, empty database, as URL.
///
/// # Panics
/// If PostgreSQL is not installed or does not start.
pub fn new_database() -> String {
    static SERVER: OnceLock<Server> = OnceLock::new();
    static NUMBER: AtomicU32 = AtomicU32::new(1);
    let server = SERVER.get_or_init(start);
    let name = format!("record_{}", NUMBER.fetch_add(1, Ordering::Relaxed));
    let made = server.sql(&format!("CREATE DATABASE {name}"));
    assert!(made.is_ok(), "cannot make the database {name}: {made:?}");
    format!("postgresql://postgres@localhost/{name}?host={}", server.folder.display())
}

impl Server {
    /// Runs a statement outside of any transaction.
    fn sql(&self, statement: &str) -> Result<(), String> {
        let run = Command::new(self.programs.join("psql"))
            .args(["-X", "-q", "-U", "postgres", "-d", "postgres", "-h"])
            .arg(&self.folder)
            .args(["-c", statement])
            .output()
            .map_err(|error| error.to_string())?;
        if run.status.success() { Ok(()) } else { Err(String::from_utf8_lossy(&run.stderr).into_owned()) }
    }
}

/// The folder of the newest version's programs.
fn programs() -> PathBuf {
    let versions = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten();
    let mut versions: Vec<PathBuf> = versions.map(|version| version.path().join("bin")).collect();
    versions.retain(|programs| programs.join("postgres").exists());
    versions.sort();
    versions.pop().expect("PostgreSQL is not installed; right would be to run ./tests/setup first")
}

/// A program of the server, under an account that it accepts.
fn command(program: &Path) -> Command {
    let root = Path::new("/proc/self").metadata().is_ok_and(|own| std::os::unix::fs::MetadataExt::uid(&own) == 0);
    if !root {
        return Command::new(program);
    }
    let mut command = Command::new("runuser");
    command.args(["-u", ACCOUNT, "--"]).arg(program);
    command
}

fn start() -> Server {
    let programs = programs();
    // A socket's path holds 107 bytes at most, so the folder lies right under the temporary one.
    let folder = std::env::temp_dir().join(format!("pg-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("the temporary folder can be written");
    run(Command::new("chmod").arg("777").arg(&folder), "chmod");
    let data = folder.join("data");
    let mut initdb = command(&programs.join("initdb"));
    initdb.args(["-U", "postgres", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8"]);
    // As many plants have it: texts in the order of a language, unless somebody asks for another.
    initdb.args(["--locale-provider=icu", "--icu-locale=en-US", "-D"]).arg(&data);
    run(&mut initdb, "initdb");
    // One account has to say its password; the others are trusted.
    let access = format!("local all {LOCKED} scram-sha-256\nlocal all all trust\n");
    std::fs::write(data.join("pg_hba.conf"), access).expect("the server's folder can be written");
    let mut server = command(&programs.join("postgres"));
    server.arg("-D").arg(&data).arg("-k").arg(&folder).args(["-c", "listen_addresses=", "-c", "max_connections=300"]);
    let server = server.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
    let mut server = server.expect("the server's program starts");
    stop_with_us(&folder);
    let started = Server { programs, folder };
    wait(&started, &mut server);
    started
}

fn run(command: &mut Command, what: &str) {
    let done = command.stdin(Stdio::null()).output();
    let done = done.unwrap_or_else(|error| panic!("{what} does not start: {error}; run ./tests/setup first"));
    assert!(done.status.success(), "{what} failed: {}", String::from_utf8_lossy(&done.stderr));
}

fn wait(server: &Server, process: &mut Child) {
    let begun = Instant::now();
    while let Err(why) = server.sql("SELECT 1") {
        let over = process.try_wait().ok().flatten();
        assert!(over.is_none(), "the server ended while it started: {over:?}: {why}");
        assert!(begun.elapsed() < PATIENCE, "the server does not answer within {PATIENCE:?}: {why}");
        std::thread::sleep(Duration::from_millis(100));
    }
}

/// Leaves a watcher behind that stops the server and removes its folder as soon as this process is gone, however it
/// ends: its end of the pipe closes then. The data are thrown away, so the server need not write them out first.
fn stop_with_us(folder: &Path) {
    let watch = "read _; pid=$(head -n 1 \"$0/data/postmaster.pid\") && kill -QUIT \"$pid\"; \
                 while kill -0 \"$pid\" 2>/dev/null; do sleep 0.1; done; rm -rf \"$0\"";
    let mut watcher = Command::new("sh");
    watcher.arg("-c").arg(watch).arg(folder).stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null());
    let watcher = watcher.spawn().expect("a shell starts");
    // Its standard input stays open as long as we live.
    std::mem::forget(watcher);
}
