//! Programs of others that the tests start: what `./tests/setup` installs.

use std::io::Read;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use crate::broker::wait_within;

/// A path below the folder of the tests.
pub fn beside_tests(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests").join(path)
}

/// Fails with what is missing and who installs it.
pub fn need(path: &Path) {
    assert!(path.exists(), "{} is missing: ./tests/setup installs it", path.display());
}

/// Runs a program to its end and gives what it printed; fails with that if it fails or takes longer than it may.
pub fn passes(mut command: Command, most: Duration) -> String {
    let (mut said, into) = std::io::pipe().unwrap();
    // A folder of its own for what it leaves lying about, and a group of its own so that its children end with it.
    let scratch = tempfile::tempdir().unwrap();
    command.stdin(Stdio::null()).stdout(into.try_clone().unwrap()).stderr(into).env("TMPDIR", scratch.path());
    let name = format!("{:?}", command.get_program());
    let mut process = Group(command.process_group(0).spawn().unwrap_or_else(|error| {
        panic!("{name} does not start: {error}; ./tests/setup installs it");
    }));
    // The command holds the writing end too; without it the reader comes to an end.
    drop(command);
    let reader = std::thread::spawn(move || {
        let mut bytes = Vec::new();
        said.read_to_end(&mut bytes).map(|_| String::from_utf8_lossy(&bytes).into_owned())
    });
    let ended = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        wait_within(most, &name, || process.0.try_wait().unwrap())
    }));
    drop(process);
    let said = reader.join().unwrap().unwrap();
    match ended {
        Ok(status) => assert!(status.success(), "{name} ended with {status}:\n{said}"),
        Err(_) => panic!("{name} took longer than {most:?}:\n{said}"),
    }
    said
}

/// A process and everything that it started; all of it ends with the value.
struct Group(Child);

impl Drop for Group {
    fn drop(&mut self) {
        // They may have ended by themselves; there is nothing more to end then.
        let _ = Command::new("kill").args(["-KILL", "--", &format!("-{}", self.0.id())]).stderr(Stdio::null()).status();
        let _ = self.0.wait();
    }
}
